"""Modulating tones: sinusoids fitted to the phase of an FM carrier.

The channel's noise is nearly white in the phase, so least squares on the phase is the best estimate there is. A long
keying is fitted in blocks of half a second: a tone out of a loudspeaker does not stay coherent for longer, and the
scatter of the blocks tells how steady it was.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sdrcheck.measurements.spectrum import PRUDENCE, Reals, between_samples, one_sided_density, tapered
from sdrcheck.quantities import Measured, Term

BLOCK_S = 0.5
_HIGHEST_HZ = 8_000.0
_MOST_HARMONICS = 10
_FAR_UP = 0.69
_EDGES = 0.005
"""Lines that are stronger than this part of the tone's in the upper part of what is fitted go on beyond it (trials)."""
_HUM_RATE_HZ = 2_000.0
_CUT_MARGIN_S = 0.02
_CUT_ROUNDS = 6
_SIGNIFICANT = 18.4
"""Squared amplitude over its variance that noise reaches once in ten thousand."""

PRODUCTS = ((1, 0), (0, 1), (2, -1), (-1, 2), (3, -2), (-2, 3), (2, 0), (0, 2), (1, 1), (-1, 1), (2, 1), (1, 2))
"""Lines that two tones make in a modulator that is not quite linear."""


@dataclass(frozen=True, slots=True, eq=False)
class ToneFit:
    """Tones fitted to the phase of one block.

    Line l has the frequency Σ orders[l][i] · fundamentals_hz[i]; the phase is the sum of Re(phasor · exp(j2πft)), t
    counted from the middle of the block.
    """

    start: int
    """Index of the block in the stretch."""
    sample_rate_hz: float
    fundamentals_hz: tuple[float, ...]
    orders: tuple[tuple[int, ...], ...]
    phasors: NDArray[np.complex128]
    densities: Reals
    """One-sided noise density of the phase beside each line, rad²/Hz."""
    residual: Reals
    """What is left of the phase, in radians."""

    @property
    def duration_s(self) -> float:
        return self.residual.size / self.sample_rate_hz

    @property
    def line_frequencies_hz(self) -> Reals:
        result: Reals = np.asarray(self.orders, dtype=np.float64) @ np.asarray(self.fundamentals_hz)
        return result

    @property
    def deviations_hz(self) -> Reals:
        """Peak deviation of each line by itself."""
        return self.line_frequencies_hz * np.abs(self.phasors)

    @property
    def last_harmonic_hz(self) -> float:
        """Deviation of the last of three or more harmonics, a measure of those that noise hides; 0 where fewer are."""
        return float(self.deviations_hz[-1]) if len(self.fundamentals_hz) == 1 and len(self.orders) > 2 else 0.0

    def runs_on(self) -> bool:
        """Whether lines go on beyond what is fitted: then it has edges, and a sum of lines overshoots them."""
        highest = min(_HIGHEST_HZ, _MOST_HARMONICS * max(self.fundamentals_hz))
        beyond = float(np.sum(self.deviations_hz[self.line_frequencies_hz > _FAR_UP * highest]))
        return beyond > _EDGES * float(np.max(self.deviations_hz))

    def modulation(self, rate: float | None = None, duration_s: float | None = None) -> Reals:
        """The fitted phase modulation in radians, a value a sample of the block, or at `rate` about its middle."""
        count = self.residual.size if rate is None else round(rate * (duration_s or self.duration_s))
        return _waveform(self.line_frequencies_hz, self.phasors, _times(count, rate or self.sample_rate_hz))

    def extremes(self, hold_s: float) -> tuple[float, float, float]:
        """Largest deviation up and down in hertz within `hold_s`, both positive, and what noise does."""
        lines = self.line_frequencies_hz
        if len(self.fundamentals_hz) == 1:
            times = np.arange(2880) / (2880 * self.fundamentals_hz[0])
        else:
            times = _times(round(hold_s * self.sample_rate_hz * 4), self.sample_rate_hz * 4)
        deviation = _waveform(lines, 1j * lines * self.phasors, times)
        spread = math.sqrt(float(np.sum(lines**2 * self.densities)) / self.duration_s)
        up, down = (between_samples(way, int(np.argmax(way))) for way in (deviation, -deviation))
        return up, down, spread


def fit(phase: Reals, rate: float, start: int, fundamentals: Sequence[float]) -> ToneFit:
    """Fit one tone with its harmonics, or two with their products, to a block of phase; frequencies are refined."""
    first = tuple((1,) if len(fundamentals) == 1 else ((1, 0), (0, 1))[i] for i in range(len(fundamentals)))
    found = _fit(phase, rate, start, fundamentals, first)
    candidates = _candidates(found.fundamentals_hz)
    full = _fit(phase, rate, start, found.fundamentals_hz, candidates)
    variances = full.densities / full.duration_s
    significant = np.square(np.abs(full.phasors)) > _SIGNIFICANT * variances
    if len(fundamentals) == 1:
        kept = candidates[: int(np.flatnonzero(significant)[-1]) + 1] if significant.any() else first
    else:
        kept = tuple(o for i, o in enumerate(candidates) if significant[i] or o in first)
    return full if kept == candidates else _fit(phase, rate, start, full.fundamentals_hz, kept)


def hum(phase: Reals, rate: float) -> Reals | None:
    """Fit lines between 20 and 450 Hz that stand far out of a phase otherwise bare; their sum in radians, or None."""
    size = max(1, int(rate / _HUM_RATE_HZ))
    count = phase.size // size
    slow = phase[: count * size].reshape(count, size).mean(axis=1)
    slow_rate = rate / size
    ramp = np.linspace(-1, 1, count)
    flat = slow - np.polynomial.Polynomial.fit(ramp, slow, 2)(ramp)
    frequencies, density = one_sided_density(flat, slow_rate)
    ground = float(np.median(density[frequencies > 450])) / math.log(2)
    low = np.where((frequencies > 20) & (frequencies < 450), density, 0.0)
    found: list[float] = []
    while len(found) < 6:
        top = int(np.argmax(low))
        if low[top] < 30 * ground or low[top] == 0:
            break
        found.append(float(frequencies[top]))
        low[max(0, top - 4) : top + 5] = 0
    if not found:
        return None
    each = tuple(tuple(int(i == k) for i in range(len(found))) for k in range(len(found)))
    lines = _fit(flat, slow_rate, 0, found, each)
    # the means over `size` samples have made each line smaller, and lie around the middle of the shorter sequence
    phasors = lines.phasors / np.sinc(lines.line_frequencies_hz / slow_rate)
    times = (np.arange(phase.size) - (count * size - 1) / 2) / rate
    return _waveform(lines.line_frequencies_hz, phasors, times)


def _candidates(fundamentals: Sequence[float]) -> tuple[tuple[int, ...], ...]:
    if len(fundamentals) == 1:
        count = max(1, min(_MOST_HARMONICS, int(_HIGHEST_HZ / fundamentals[0])))
        return tuple((h,) for h in range(1, count + 1))
    kept: list[tuple[int, ...]] = []
    used: list[float] = []
    for order in PRODUCTS:
        frequency = order[0] * fundamentals[0] + order[1] * fundamentals[1]
        if 50 <= frequency <= _HIGHEST_HZ and all(abs(frequency - other) > 20 for other in used):
            kept.append(order)
            used.append(frequency)
    return tuple(kept)


def _times(count: int, rate: float) -> Reals:
    return (np.arange(count) - (count - 1) / 2) / rate


def _waveform(lines: Reals, phasors: NDArray[np.complex128], times: Reals) -> Reals:
    total: Reals = np.zeros(times.size)
    for frequency, phasor in zip(lines, phasors, strict=True):
        total += (phasor * np.exp(2j * np.pi * frequency * times)).real
    return total


def _fit(
    phase: Reals, rate: float, start: int, fundamentals: Sequence[float], orders: tuple[tuple[int, ...], ...]
) -> ToneFit:
    count = phase.size
    times = _times(count, rate)
    scaled = times / times[-1]
    frequencies = np.array(fundamentals, dtype=np.float64)
    powers = np.asarray(orders, dtype=np.float64)
    lines = len(orders)
    phasors = np.zeros(lines, dtype=np.complex128)
    straight = np.stack([np.ones(count), scaled, scaled**2])
    for _ in range(6):
        turns = [np.exp(2j * np.pi * line * times) for line in powers @ frequencies]
        columns = [*straight, *(turn.real for turn in turns), *(turn.imag for turn in turns)]
        if phasors.any():
            for i in range(frequencies.size):
                slope = sum(powers[k, i] * (1j * phasors[k] * turns[k]).real for k in range(lines))
                columns.append(scaled * slope)
        basis = np.stack(columns)
        solution = np.linalg.lstsq(basis @ basis.T, basis @ phase, rcond=1e-13)[0]
        phasors = solution[3 : 3 + lines] - 1j * solution[3 + lines : 3 + 2 * lines]
        if len(columns) > 3 + 2 * lines:
            moved = solution[3 + 2 * lines :] / times[-1] / (2 * np.pi)
            moved = np.clip(moved, -2 / (count / rate), 2 / (count / rate))
            frequencies += moved
            if np.max(np.abs(moved)) < 1e-7:
                break
    residual = phase - solution @ basis
    density = _beside(residual, rate, powers @ frequencies)
    return ToneFit(start, rate, tuple(float(f) for f in frequencies), orders, phasors, density, residual)


def without_cut(fit_: ToneFit, offset_hz: float, edge_hz: float) -> ToneFit:
    """Correct a fit for the sidebands that were sharply cut off beyond `edge_hz` from the centre.

    The fitted waveform is sent through the same cut and fitted again; what the cut does to it is taken off, until what
    comes out is what was measured.
    """
    rate, size = fit_.sample_rate_hz, fit_.residual.size
    margin = int(_CUT_MARGIN_S * rate)
    times = _times(size + 2 * margin, rate)
    turn = 2 * np.pi * offset_hz * times
    window = tapered(times.size, 0.5 * margin / times.size)
    outside = np.abs(np.fft.fftfreq(times.size, 1 / rate)) > edge_hz
    lines, phasors = fit_.line_frequencies_hz, fit_.phasors
    inner = slice(margin, margin + size)
    middle = _times(size, rate)
    turns = [np.exp(2j * np.pi * line * middle) for line in lines]
    scaled = middle / middle[-1]
    basis = np.stack([np.ones(size), scaled, scaled**2, *(t.real for t in turns), *(t.imag for t in turns)])
    inverse = np.linalg.inv(basis @ basis.T)
    for _ in range(_CUT_ROUNDS):
        spectrum = np.fft.fft(window * np.exp(1j * (_waveform(lines, phasors, times) + turn)))
        spectrum[outside] = 0
        narrow = np.fft.ifft(spectrum)[inner]
        phase = np.unwrap(np.angle(narrow * np.exp(-1j * turn[inner])))
        found = inverse @ (basis @ phase)
        again = found[3 : 3 + lines.size] - 1j * found[3 + lines.size :]
        phasors = phasors + fit_.phasors - again
    return replace(fit_, phasors=phasors)


def _beside(residual: Reals, rate: float, lines: Reals) -> Reals:
    """Noise density within 150 Hz (or twenty bins) of each line, without the bins that the fit has emptied."""
    frequencies, density = one_sided_density(residual, rate)
    bin_hz = frequencies[1]
    reach = max(150.0, 20 * bin_hz)
    found = []
    for line in lines:
        distance = np.abs(frequencies - line)
        near = (distance <= reach) & (distance > 2 * bin_hz) & (frequencies > 3 * bin_hz)
        found.append(float(np.mean(density[near])))
    return np.array(found)


def tone_frequency(fits: Sequence[ToneFit], which: int = 0) -> Measured:
    """Measure a modulating tone in hertz, averaged over the blocks."""
    values, variances = [], []
    for fit_ in fits:
        line = fit_.orders.index(tuple(int(i == which) for i in range(len(fit_.fundamentals_hz))))
        values.append(fit_.fundamentals_hz[which])
        power = float(np.abs(fit_.phasors[line])) ** 2
        variances.append(12 * fit_.densities[line] / (power * (2 * np.pi) ** 2 * fit_.duration_s**3))
    return mean_of_blocks(values, variances, "Hz", f"least-squares fit of the tone to the phase, {held(fits)}")


def mean_of_blocks(values: Sequence[float], variances: Sequence[float], unit: str, method: str) -> Measured:
    """Mean of equal blocks; where they scatter more than their noise allows, the rest is a term of its own."""
    count = len(values)
    noise = math.sqrt(sum(variances)) / count
    terms = [Term.normal("noise", PRUDENCE * noise)]
    if count >= 4:
        spread = float(np.var(values, ddof=1)) / count
        allowed = 1 + 3 * math.sqrt(2 / (count - 1))
        if spread > allowed * noise**2:
            terms.append(Term.normal("unsteadiness", math.sqrt(spread - noise**2), count - 1))
    return Measured(float(np.mean(values)), unit, tuple(terms), method)


def held(fits: Sequence[ToneFit]) -> str:
    """How much signal a reading stands on, in words."""
    return f"{len(fits)} blocks of {fits[0].duration_s:.2g} s" if len(fits) > 1 else f"{fits[0].duration_s:.2g} s"


def sinad(fits: Sequence[ToneFit], low_hz: float = 300.0, high_hz: float = 3_000.0) -> Measured:
    """Measure SINAD in dB between `low_hz` and `high_hz`, de-emphasised at 6 dB an octave.

    The phase is the frequency de-emphasised at 6 dB an octave, so it is taken as it is. Receiver noise counts.
    """
    wanted, rest, variance = [], [], []
    for fit_ in fits:
        powers = np.square(np.abs(fit_.phasors)) / 2
        lines = fit_.line_frequencies_hz
        inside = (lines >= low_hz) & (lines <= high_hz)
        harmonics = inside & (np.arange(lines.size) > 0)
        frequencies, density = one_sided_density(fit_.residual, fit_.sample_rate_hz)
        band = (frequencies >= low_hz) & (frequencies <= high_hz)
        noise = float(np.sum(density[band])) * (high_hz - low_hz) / int(np.count_nonzero(band))
        bias = float(np.sum(fit_.densities[harmonics])) / fit_.duration_s
        wanted.append(float(powers[0]))
        rest.append(noise + max(0.0, float(np.sum(powers[harmonics])) - bias))
        step = frequencies[1]
        smooth = np.convolve(density[band], np.ones(9) / 9, "same")
        variance.append(
            1.944 * step**2 * float(np.sum(smooth**2))
            + 4 * float(np.sum(powers[harmonics] * fit_.densities[harmonics])) / fit_.duration_s
        )
    signal, disturbance = float(np.mean(wanted)), float(np.mean(rest))
    spread = math.sqrt(sum(variance)) / len(fits)
    ratio = 1 + signal / disturbance
    decibels_per_part = 10 / math.log(10) * (1 - 1 / ratio)
    return Measured(
        value=10 * math.log10(ratio),
        unit="dB",
        terms=(Term.normal("noise", PRUDENCE * decibels_per_part * spread / disturbance),),
        method=f"{low_hz:.0f} Hz to {high_hz:.0f} Hz, de-emphasised at 6 dB/octave, receiver noise in it, {held(fits)}",
    )
