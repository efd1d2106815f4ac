"""Finding and fitting a weak VHF call by the part of it that is known: its phasing.

The modulation exp(jβ sin θ) is a handful of lines, n times the tone away from the carrier, with Bessel weights. The
search looks at the lines of every bit, joins five bits in phase for each sub-carrier phase, and adds what it finds over
the six DX phasing symbols. The carrier itself vanishes at β = 2.405, so nothing here rests on it. The fit then takes
the unbroken part of the phasing in phase at once. All times are in seconds from the first sample given.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import scipy.fft
import scipy.special
from numpy.typing import NDArray

from sdrcheck.decoders.dsc.symbols import PHASING_DX, SYMBOL_BITS, bits_of, mirrored
from sdrcheck.decoders.dsc.vhf_phasing import PHASING_BITS, RATE_BD, TONE_B_HZ, TONE_Y_HZ, unbroken_bits
from sdrcheck.filters.iq import Complex

Real = NDArray[np.floating[Any]]

BIT_SAMPLES = 20
STEP_SAMPLES = 5
STEPS = BIT_SAMPLES // STEP_SAMPLES
BIN_HZ = 100.0
LINES = 3
"""Lines on each side of the carrier that are used: at β = 2 they hold 99.8 % of the power."""
SEARCH_LINES = 2
"""The search does with fewer: 96 % of the power."""
INDEX = 2.0
PHASES = 12
SEGMENT_BITS = 5
WIDEST_OFFSET_HZ = 3000.0


class Samples:
    """Channel samples at close to twenty a bit."""

    def __init__(self, iq: Complex, sample_rate_hz: float) -> None:
        """Resample channel samples; nothing is filtered beyond ±12 kHz."""
        size = scipy.fft.next_fast_len(iq.size + 512)
        fewer = round(size * BIT_SAMPLES * RATE_BD / sample_rate_hz)
        spectrum = scipy.fft.fft(iq.astype(np.complex64, copy=False), size)
        kept = np.zeros(fewer, np.complex64)
        half = min(fewer, size) // 2
        kept[:half] = spectrum[:half]
        kept[-half:] = spectrum[-half:]
        self.rate_hz = sample_rate_hz * fewer / size
        self.iq: Complex = scipy.fft.ifft(kept)[: math.floor(iq.size * fewer / size)] * np.float32(fewer / size)
        self.duration_s = self.iq.size / self.rate_hz


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A place where the phasing of a call may begin, as the search sees it."""

    first_bit_s: float
    offset_hz: float
    strength: float
    """How far above what noise alone gives, in standard deviations."""
    inverted: bool


DX_SPAN_SAMPLES = (11 * SYMBOL_BITS) * BIT_SAMPLES
"""From the first bit of the first DX phasing symbol to the last of the sixth."""
CHUNK_SAMPLES = 2400 * BIT_SAMPLES
LEAST_STRENGTH = 5.8
"""Standard deviations above the mean in noise alone, from which on a place is looked at more closely."""
LEAST_EXPLAINED = 10 ** (17.5 / 10)
"""Energy of the known bits over the noise density that fits to noise alone do not reach."""


def suspicions(
    samples: Samples,
    begin_s: float,
    end_s: float,
    *,
    inverted: bool = False,
    offsets_hz: tuple[float, float] = (-WIDEST_OFFSET_HZ, WIDEST_OFFSET_HZ),
) -> list[Suspicion]:
    """Search between two times for the six DX phasing symbols; the strongest first, none within another's phasing."""
    first = int(np.clip(begin_s * samples.rate_hz, 0, samples.iq.size))
    last = int(np.clip(end_s * samples.rate_hz, first, samples.iq.size))
    low, high = np.clip(offsets_hz, -WIDEST_OFFSET_HZ, WIDEST_OFFSET_HZ)
    bins = np.arange(math.floor(low / BIN_HZ), math.ceil(high / BIN_HZ) + 1)
    parts = []
    for begin in range(first, last, CHUNK_SAMPLES):  # what fits into a processor's cache goes several times as fast
        iq = samples.iq[begin : min(begin + CHUNK_SAMPLES + DX_SPAN_SAMPLES, last)]
        parts.append(_phasing_strength(iq, _lines(iq, samples.rate_hz), bins, inverted))
    strength, best_bin = (np.concatenate(columns) for columns in zip(*parts, strict=True)) if parts else (_NONE, _NONE)
    found: list[Suspicion] = []
    reach = STEPS * PHASING_BITS
    while strength.size:
        place = int(strength.argmax())
        if strength[place] < LEAST_STRENGTH:
            break
        found.append(
            Suspicion(
                (first + place * STEP_SAMPLES) / samples.rate_hz,
                float(best_bin[place]) * BIN_HZ,
                float(strength[place]),
                inverted,
            )
        )
        strength[max(place - reach, 0) : place + reach] = -np.inf
    return found


_OUTERMOST_BIN = round((WIDEST_OFFSET_HZ + SEARCH_LINES * TONE_B_HZ) / BIN_HZ)


def _lines(iq: Complex, rate_hz: float) -> NDArray[np.complex64]:
    """Amplitude of every line that may matter in every bit-long piece; shape (lines, steps), lowest line first."""
    frequencies = np.arange(-_OUTERMOST_BIN, _OUTERMOST_BIN + 1) * BIN_HZ
    turning = np.exp(-2j * np.pi * np.outer(np.arange(BIT_SAMPLES), frequencies) / rate_hz)
    if iq.size < BIT_SAMPLES:
        return np.zeros((frequencies.size, 0), np.complex64)
    pieces = np.lib.stride_tricks.sliding_window_view(iq, BIT_SAMPLES)[::STEP_SAMPLES]
    return np.ascontiguousarray((np.ascontiguousarray(pieces) @ turning.astype(np.complex64)).T)


def _phasing_strength(
    iq: Complex, lines: NDArray[np.complex64], bins: NDArray[np.intp], inverted: bool
) -> tuple[Real, NDArray[np.intp]]:
    """For a phasing that starts at each step: how much it stands out, and at which offset."""
    count = max((iq.size - DX_SPAN_SAMPLES) // STEP_SAMPLES, 0)
    if count == 0:
        return np.zeros(0), np.zeros(0, np.intp)
    power = np.concatenate([[0.0], np.cumsum(np.abs(iq) ** 2, dtype=np.float64)])
    window = PHASING_BITS * BIT_SAMPLES
    begin = np.minimum(np.arange(lines.shape[1]) * STEP_SAMPLES, max(iq.size - window, 0))
    local = (power[np.minimum(begin + window, iq.size)] - power[begin]) / min(window, iq.size)
    expected = SEGMENT_BITS * BIT_SAMPLES * np.maximum(local, 1e-30)
    best = np.full(count, -np.inf, np.float32)
    best_bin = np.zeros(count, np.intp)
    symbol = mirrored(PHASING_DX) if inverted else PHASING_DX
    halves = bits_of(symbol)[:SEGMENT_BITS], bits_of(symbol)[SEGMENT_BITS:]
    for offset_bin in bins:
        total = np.zeros(count, np.float32)
        for half, bits in enumerate(halves):
            energy = _segment_energy(lines, int(offset_bin), bits) / expected[: lines.shape[1] - STEPS * 4]
            for slot in range(6):
                shift = STEPS * (2 * SYMBOL_BITS * slot + SEGMENT_BITS * half)
                total += energy[shift : shift + count]
        np.copyto(best_bin, offset_bin, where=total > best)
        np.maximum(best, total, out=best)
    return (best.astype(np.float64) - _NOISE_MEAN) / _NOISE_SPREAD, best_bin


_NONE = np.zeros(0)
_NOISE_MEAN, _NOISE_SPREAD = 40.0, 3.1
"""Of the sum over twelve segments of the likeliest phase, at the likeliest offset, in noise alone (simulated)."""


def _segment_energy(lines: NDArray[np.complex64], offset_bin: int, bits: tuple[int, ...]) -> NDArray[np.float32]:
    """Energy of five bits joined in phase, at the likeliest of twelve sub-carrier phases, for every step."""
    count = lines.shape[1] - STEPS * (SEGMENT_BITS - 1)
    joined = np.zeros((2 * SEARCH_LINES + 1, count), np.complex64)
    for row, n in enumerate(range(-SEARCH_LINES, SEARCH_LINES + 1)):
        theta = 0.0
        for k, bit in enumerate(bits):
            tone = TONE_Y_HZ if bit else TONE_B_HZ
            line = lines[_OUTERMOST_BIN + offset_bin + n * round(tone / BIN_HZ)]
            turn = np.complex64(np.exp(-1j * (n * theta + 2 * math.pi * offset_bin * BIN_HZ * k / RATE_BD)))
            joined[row] += line[STEPS * k : STEPS * k + count] * turn
            theta += 2 * math.pi * tone / RATE_BD
    # Half a turn of the sub-carrier changes the sign of the odd lines only.
    weights = _search_weights()
    even, odd = weights[:, 0::2] @ joined[0::2], weights[:, 1::2] @ joined[1::2]
    energy = even.real**2 + even.imag**2 + odd.real**2 + odd.imag**2
    energy += 2 * np.abs(even.real * odd.real + even.imag * odd.imag)
    return energy.max(axis=0)


@cache
def _search_weights() -> NDArray[np.complex64]:
    weights = line_weights(2 * math.pi * np.arange(PHASES // 2) / PHASES, INDEX)
    return weights[:, LINES - SEARCH_LINES : LINES + SEARCH_LINES + 1].astype(np.complex64)


def line_weights(phases: Real, index: float) -> NDArray[np.complex128]:
    """Conjugate amplitudes of the lines −3…3 of exp(jβ sin(θ + phase)); shape (phases, lines)."""
    n = np.arange(-LINES, LINES + 1)
    return scipy.special.jv(n, index) * np.exp(-1j * np.outer(phases, n))


@dataclass(frozen=True, slots=True)
class Fit:
    """A call's waveform as fitted to samples: everything but its bits."""

    first_bit_s: float
    """Start of the first bit of the phasing."""
    bit_s: float
    offset_hz: float
    drift_hz_per_s: float
    carrier_phase: float
    """At `reference_s`, rad."""
    reference_s: float
    subcarrier_phase: float
    """At the start of the first bit of the phasing, rad."""
    tone_b_error_hz: float
    tone_y_error_hz: float
    index: float
    amplitude: float
    explained: float
    """Energy of the fitted part of the samples that the waveform explains, over the noise density: C T / N0."""
    inverted: bool

    def tone_hz(self, y: bool) -> float:
        return TONE_Y_HZ + self.tone_y_error_hz if y else TONE_B_HZ + self.tone_b_error_hz


def fitted_phasing(samples: Samples, suspicion: Suspicion, noise_density: float) -> Fit | None:
    """Fit the unbroken part of the phasing in phase at once, at the suspected place and its neighbours one slot away.

    None where the samples do not hold it whole.
    """
    rough = max(_joined_in_phase(samples, suspicion, noise_density), key=lambda fit: fit.explained, default=None)
    return rough and refitted(samples, rough, 0, unbroken_bits(), noise_density)


LOWEST_INDEX, HIGHEST_INDEX = 0.9, 3.4
"""Outside these a fit has found something else: a bare carrier would fit a phasing without modulation."""
LEAST_SHARE = 0.4
"""Share of the power above the noise that a fitted phasing must explain, or it is only something like one."""


def credible_phasing(samples: Samples, suspicion: Suspicion, noise_density: float) -> Fit | None:
    """Fit the phasing at a suspected place; None where it does not explain enough of what is there."""
    fit = fitted_phasing(samples, suspicion, noise_density)
    if fit is None or fit.explained < LEAST_EXPLAINED or not LOWEST_INDEX < fit.index < HIGHEST_INDEX:
        return None
    begin = max(round(fit.first_bit_s * samples.rate_hz), 0)
    part = samples.iq[begin : begin + unbroken_bits().size * BIT_SAMPLES]
    noise = noise_density * samples.rate_hz * (1 + 2 / math.sqrt(part.size))
    above = float(np.vdot(part, part).real) / part.size - noise
    return fit if fit.amplitude**2 >= LEAST_SHARE * above else None


def _joined_in_phase(samples: Samples, suspicion: Suspicion, noise_density: float) -> Iterator[Fit]:
    """Rough fits: a grid over slot, timing, tone error and phase, and a transform over the offset."""
    bits = unbroken_bits()
    index = np.arange(bits.size)
    high = (bits > 0) ^ suspicion.inverted
    theta = 2 * math.pi / RATE_BD * np.cumsum(np.where(high, TONE_Y_HZ, TONE_B_HZ))
    theta = np.concatenate([[0.0], theta[:-1]])
    middle = index.size / 2
    weights = line_weights(2 * math.pi * np.arange(PHASES) / PHASES, INDEX)
    n = np.arange(-LINES, LINES + 1)
    tone_errors = np.arange(-14.0, 14.1, 2.0)
    sway = np.exp(-2j * np.pi * tone_errors[:, None, None] / RATE_BD * (index[:, None] + 0.5 - middle) * n)
    size = 512
    frequencies = scipy.fft.fftfreq(size, 1 / RATE_BD)
    near = np.abs(frequencies) <= 1.2 * BIN_HZ
    for slots in (-2, -1, 0, 1, 2):
        for shift in (-0.125, 0.0, 0.125):
            first = suspicion.first_bit_s + (slots * 2 * SYMBOL_BITS + shift) / RATE_BD
            if first < 0 or first + index.size / RATE_BD > samples.duration_s:
                continue
            found = bit_lines(samples, first, 1 / RATE_BD, index, high, suspicion.offset_hz)
            matched = np.einsum("dkn,pn->dpk", found * np.exp(-1j * theta[:, None] * n) * sway, weights)
            spectrum = scipy.fft.fft(matched, size, axis=2)
            strength = np.abs(spectrum) * near
            d, p, f = (int(i) for i in np.unravel_index(int(strength.argmax()), strength.shape))
            amplitude = float(strength[d, p, f]) / (index.size * BIT_SAMPLES)
            reference = first + middle / RATE_BD
            offset = suspicion.offset_hz + float(frequencies[f])
            yield Fit(
                first_bit_s=first,
                bit_s=1 / RATE_BD,
                offset_hz=offset,
                drift_hz_per_s=0.0,
                carrier_phase=float(np.angle(spectrum[d, p, f])) + 2 * math.pi * offset * (reference - first),
                reference_s=reference,
                subcarrier_phase=2 * math.pi * (p / PHASES - float(tone_errors[d]) * middle / RATE_BD),
                tone_b_error_hz=float(tone_errors[d]),
                tone_y_error_hz=float(tone_errors[d]),
                index=INDEX,
                amplitude=amplitude,
                explained=amplitude**2 * index.size / RATE_BD / noise_density,
                inverted=suspicion.inverted,
            )


def bit_lines(
    samples: Samples,
    first_bit_s: float,
    bit_s: float,
    bits: NDArray[np.intp],
    high: NDArray[np.bool_],
    offset_hz: float,
) -> NDArray[np.complex128]:
    """Lines −3…3 of each bit about a carrier at `offset_hz`, tone phase counted from the bit's own start.

    The carrier is turned back from the start of the first bit on; `high` says which bits are tone Y.
    """
    starts = (first_bit_s + bits * bit_s) * samples.rate_hz
    first = np.clip(np.round(starts).astype(np.intp), 0, max(samples.iq.size - BIT_SAMPLES, 0))
    where = first[:, None] + np.arange(BIT_SAMPLES)
    times = where / samples.rate_hz
    piece = samples.iq[where] * np.exp(-2j * np.pi * offset_hz * (times - first_bit_s))
    tones = np.where(high, TONE_Y_HZ, TONE_B_HZ)
    within = times - (starts / samples.rate_hz)[:, None]
    turning = np.exp(-2j * np.pi * tones[:, None] * within)
    lines = np.empty((bits.size, 2 * LINES + 1), complex)
    power = np.ones_like(turning)
    lines[:, LINES] = piece.sum(axis=1)
    for n in range(1, LINES + 1):
        power = power * turning
        lines[:, LINES + n] = np.einsum("ki,ki->k", piece, power)
        lines[:, LINES - n] = np.einsum("ki,ki->k", piece, np.conj(power))
    return lines


TONE_SPREAD_HZ, INDEX_SPREAD, RATE_SPREAD, DRIFT_SPREAD_HZ_PER_S = 10.0, 0.15, 50e-6, 30.0
"""What a call may differ from the standard by before it was looked at; a strong call outweighs them at once."""
STRONGEST_BIT = 25.0
"""No model of a real transmitter is better than this energy a bit over the noise density."""


def refitted(
    samples: Samples, fit: Fit, first_bit: int, bits: NDArray[np.uint8], noise_density: float, rounds: int = 8
) -> Fit:
    """Fit the waveform by least squares to bits that are known, beginning close to the answer.

    `first_bit` counts from the first bit of the phasing: 0, or below to take in the dot pattern. What the samples
    leave open (rate, drift, the difference between the tones) is held near what the standard says.
    """
    noise_density = max(noise_density, fit.amplitude**2 / RATE_BD / STRONGEST_BIT)
    for _ in range(rounds):
        fit, moved = _improved(samples, fit, first_bit, bits, noise_density)
        if moved < 1e-3:
            break
    return fit


@dataclass(frozen=True, slots=True)
class _Waveform:
    """A fitted call's samples for given bits, and what their slopes are made of."""

    begin: int
    end: int
    times: Real
    since: Real
    bit: NDArray[np.intp]
    tone: Real
    theta: Real
    seconds_y: Real
    cycles_before: Real
    """Tone frequencies of all bits before, added up, Hz."""
    model: NDArray[np.complex128]


def _waveform(samples: Samples, fit: Fit, first_bit: int, bits: NDArray[np.uint8]) -> _Waveform | None:
    """The waveform over bits `first_bit`… of a call, where samples are; None where they are too few."""
    begin = max(math.ceil((fit.first_bit_s + first_bit * fit.bit_s) * samples.rate_hz), 0)
    end = min(math.floor((fit.first_bit_s + (first_bit + bits.size) * fit.bit_s) * samples.rate_hz), samples.iq.size)
    if end - begin < BIT_SAMPLES:
        return None
    times = np.arange(begin, end) / samples.rate_hz
    bit = np.clip(np.floor((times - fit.first_bit_s) / fit.bit_s).astype(np.intp), first_bit, first_bit + bits.size - 1)
    high = (bits > 0) ^ fit.inverted
    tones = np.where(high, fit.tone_hz(True), fit.tone_hz(False))
    before = np.concatenate([[0.0], np.cumsum(tones)])
    before_y = np.concatenate([[0.0], np.cumsum(high)])
    before, before_y = before - before[-first_bit], before_y - before_y[-first_bit]
    within = times - fit.first_bit_s - bit * fit.bit_s
    place = bit - first_bit
    theta = fit.subcarrier_phase + 2 * math.pi * (fit.bit_s * before[place] + tones[place] * within)
    since = times - fit.reference_s
    carrier = fit.carrier_phase + 2 * math.pi * (fit.offset_hz * since + fit.drift_hz_per_s / 2 * since**2)
    return _Waveform(
        begin=begin,
        end=end,
        times=times,
        since=since,
        bit=bit,
        tone=tones[place],
        theta=theta,
        seconds_y=before_y[place] * fit.bit_s + np.where(high[place], within, 0.0),
        cycles_before=before[place],
        model=fit.amplitude * np.exp(1j * (carrier + fit.index * np.sin(theta))),
    )


def bits_worth(samples: Samples, fit: Fit, first_bit: int, bits: NDArray[np.uint8], noise_density: float) -> Real:
    """Log-likelihood (nats) of each bit's waveform over noise alone, in phase with the fit."""
    noise_density = max(noise_density, fit.amplitude**2 / RATE_BD / STRONGEST_BIT)
    wave = _waveform(samples, fit, first_bit, bits)
    if wave is None:
        return np.zeros(bits.size)
    part = samples.iq[wave.begin : wave.end]
    each = (2 * np.real(part * np.conj(wave.model)) - np.abs(wave.model) ** 2) / (noise_density * samples.rate_hz)
    return np.bincount(wave.bit - first_bit, each, bits.size).astype(np.float64)


def _improved(
    samples: Samples, fit: Fit, first_bit: int, bits: NDArray[np.uint8], noise_density: float
) -> tuple[Fit, float]:
    """One Gauss–Newton step, and how far it went in standard deviations of what the samples can tell."""
    wave = _waveform(samples, fit, first_bit, bits)
    if wave is None:
        return fit, 0.0
    model, swing = wave.model, fit.index * np.cos(wave.theta)
    seconds_b = wave.times - fit.first_bit_s - wave.seconds_y
    slopes = np.stack(
        [
            np.zeros_like(wave.times),  # the amplitude's, in place of the phase, is put in below
            np.ones_like(wave.times),
            2 * math.pi * wave.since,
            math.pi * wave.since**2,
            swing,
            swing * 2 * math.pi * seconds_b,
            swing * 2 * math.pi * wave.seconds_y,
            -swing * 2 * math.pi * wave.tone,
            swing * 2 * math.pi * (wave.cycles_before - wave.bit * wave.tone) * fit.bit_s,
            np.sin(wave.theta),
        ]
    )
    jacobian = 1j * slopes * model
    jacobian[0] = model
    residual = samples.iq[wave.begin : wave.end] - model
    scale = math.sqrt(2 / (noise_density * samples.rate_hz))
    matrix = np.real(jacobian @ np.conj(jacobian).T) * scale**2
    vector = np.real(jacobian @ np.conj(residual)) * scale**2
    for row, spread, value in (
        (3, DRIFT_SPREAD_HZ_PER_S, fit.drift_hz_per_s),
        (5, TONE_SPREAD_HZ, fit.tone_b_error_hz),
        (6, TONE_SPREAD_HZ, fit.tone_y_error_hz),
        (8, RATE_SPREAD, math.log(fit.bit_s * RATE_BD)),
        (9, INDEX_SPREAD, fit.index - INDEX),
    ):
        matrix[row, row] += spread**-2
        vector[row] -= value / spread**2
    step = np.linalg.solve(matrix, vector)
    moved = math.sqrt(max(float(step @ matrix @ step), 0.0))
    largest = np.abs(step / np.array([1.0, 0.6, 20, 200, 0.6, 10, 10, 0.1 / RATE_BD, 1e-4, 0.3])).max()
    step /= max(largest, 1.0)
    energy = float(np.sum(np.abs(model) ** 2))
    along = abs(np.vdot(model, samples.iq[wave.begin : wave.end])) / math.sqrt(energy) if energy else 0.0
    return (
        replace(
            fit,
            amplitude=fit.amplitude * math.exp(float(step[0])),
            carrier_phase=fit.carrier_phase + float(step[1]),
            offset_hz=fit.offset_hz + float(step[2]),
            drift_hz_per_s=fit.drift_hz_per_s + float(step[3]),
            subcarrier_phase=fit.subcarrier_phase + float(step[4]),
            tone_b_error_hz=fit.tone_b_error_hz + float(step[5]),
            tone_y_error_hz=fit.tone_y_error_hz + float(step[6]),
            first_bit_s=fit.first_bit_s + float(step[7]),
            bit_s=fit.bit_s * math.exp(float(step[8])),
            index=fit.index + float(step[9]),
            explained=along**2 / samples.rate_hz / noise_density,
        ),
        moved,
    )
