"""Telephony on a suppressed carrier (J3E): lines against the dial, their products, what is left of the carrier.

Everything is relative to the dial or to the tones. The carrier frequency shows in two ways only: through a tone whose
frequency at the microphone socket is known, or through the rest of the carrier itself. Speech shows neither.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements import noise
from sdrcheck.measurements.condition import Condition
from sdrcheck.measurements.level import DECIBELS, noise_floor
from sdrcheck.measurements.spectrum import Reals, spread_of_sum, tapered, two_sided_density
from sdrcheck.measurements.stretch import CLIPPING_MATTERS
from sdrcheck.quantities import Measured, Term

BANDWIDTH_HZ = 2_700.0
"""The noise floor of a J3E channel is told in this bandwidth (350 Hz to 2700 Hz pass, JP-RER art. 56(1))."""
_NOISE_MIDDLE_HZ = 1_600.0
_BLOCK_S = 0.25
_SHORTEST_S = 0.1
_CARRIER_REACH_HZ = 60.0
_LOW_HZ, _HIGH_HZ = -400.0, 3_800.0
_LINE_STANDS_OUT = 30.0
"""Power of a line over the noise in its bins from which it is one (15 dB)."""


@dataclass(frozen=True, slots=True)
class SsbFindings:
    """Condition, readings by the names of the contract, and sentences for the technician."""

    condition: Condition
    readings: dict[str, Measured]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Complex lines fitted to the whole of a keyed stretch."""

    frequencies_hz: Reals
    amplitudes: NDArray[np.complex128]
    frequency_spread: Reals
    amplitude_spread: float
    duration_s: float

    def power(self, which: int) -> float:
        return float(np.abs(self.amplitudes[which])) ** 2


def measure(excerpt: Excerpt, tones: Sequence[float] = ()) -> SsbFindings:
    """Measure one keying of a J3E channel; `tones` are the modulating tones in hertz as far as they are known."""
    readings: dict[str, Measured] = {}
    remarks: list[str] = []
    floor = noise.beside(excerpt, BANDWIDTH_HZ / 2, middle_hz=_NOISE_MIDDLE_HZ)
    told = noise_floor(floor, BANDWIDTH_HZ)
    if told is not None:
        readings["noise floor"] = told
    iq, cut = _keyed(excerpt)
    if cut:
        remarks.append(
            f"Samples are missing: measured on the longest whole part, {iq.size / excerpt.sample_rate_hz:.3g} s."
        )
    if iq.size < _SHORTEST_S * excerpt.sample_rate_hz:
        remarks.append("Less than 0.1 s of whole samples: nothing was measured.")
        return SsbFindings(Condition.UNKNOWN, readings, tuple(remarks))
    rate = excerpt.sample_rate_hz
    received = float(np.mean(np.square(np.abs(iq))))
    power = received - floor.total
    if not power > 0.05 * received:
        remarks.append("No emission stands clear of the noise.")
        return SsbFindings(Condition.UNKNOWN, readings, tuple(remarks))
    readings["level"] = _level(iq, rate, power, floor)

    condition, starts = _classify(iq, rate, floor)
    if condition is Condition.SPEECH:
        readings["level, peak envelope"] = _peak_envelope(iq, rate, floor)
        remarks.append("Speech on a suppressed carrier shows no carrier frequency: ask for a known tone.")
    elif condition is Condition.UNMODULATED:
        lines = _fit(iq, rate, starts, floor)
        readings["carrier offset"] = _line_frequency(lines, 0, "the line nearest the dial frequency")
        readings["level, peak envelope"] = _envelope_of(lines, [0])
    else:
        _tones(iq, rate, starts, tones, floor, condition, readings, remarks)
    if excerpt.clipped_fraction > CLIPPING_MATTERS:
        remarks.append("The receiver was overloaded: add attenuation and repeat; levels and products are uncertain.")
        for name, found in readings.items():
            if found.unit.startswith("dB"):
                readings[name] = found.widened(Term.rectangular("clipping", 1.0))
    return SsbFindings(condition, readings, tuple(remarks))


def _keyed(excerpt: Excerpt) -> tuple[NDArray[np.complex128], bool]:
    """The keyed samples, ends left out, without lost ones; and whether any were lost."""
    rate = excerpt.sample_rate_hz
    guard = int((0.002 + excerpt.edge_uncertainty_s) * rate)
    begin = excerpt.key_on + (0 if excerpt.cut_at_start else guard)
    end = excerpt.key_off - (0 if excerpt.cut_at_end else guard)
    pieces, at, cut = [], begin, False
    for place, length in sorted(excerpt.lost):
        if place < end and place + length > begin:
            pieces.append((at, place - guard))
            at, cut = place + length + guard, True
    pieces.append((at, end))
    low, high = max(pieces, key=lambda piece: piece[1] - piece[0])
    return excerpt.iq[max(low, 0) : max(high, low, 0)].astype(np.complex128), cut


def _level(iq: NDArray[np.complex128], rate: float, power: float, floor: noise.Noise) -> Measured:
    spread = math.sqrt(2 * floor.density * power / (iq.size / rate)) / power
    terms = (
        Term.normal("noise", DECIBELS * spread),
        Term.normal("noise floor taken off", DECIBELS * floor.relative_standard * floor.total / power),
    )
    return Measured(10 * math.log10(power), "dBFS", terms, "mean power while keyed, noise taken off")


def _classify(iq: NDArray[np.complex128], rate: float, floor: noise.Noise) -> tuple[Condition, list[float]]:
    """One line is a tone or a carrier, two are two tones; anything that does not stand still is speech."""
    segment = int(_BLOCK_S * rate)
    frequencies, density, _ = two_sided_density(iq, rate, segment)
    step = float(frequencies[1] - frequencies[0])
    inside = (frequencies > _LOW_HZ) & (frequencies < _HIGH_HZ)
    net = np.where(inside, np.maximum(density - floor.density, 0.0), 0.0) * step
    total = float(net.sum())
    found: list[tuple[float, float]] = []
    rest = net.copy()
    for _ in range(2):
        top = int(np.argmax(rest))
        near = slice(max(0, top - 3), top + 4)
        found.append((_between(rest, frequencies, top), float(rest[near].sum())))
        rest[near] = 0
    (first, strongest), (second, next_strongest) = found
    if strongest + next_strongest < 0.85 * total:
        return Condition.SPEECH, []
    if next_strongest > 0.1 * strongest and min(first, second) > 2 * _CARRIER_REACH_HZ:
        return Condition.TWO_TONES, sorted([first, second])
    if abs(first) < _CARRIER_REACH_HZ:
        return Condition.UNMODULATED, [first]
    return Condition.ONE_TONE, [first]


def _between(power: Reals, frequencies: Reals, top: int) -> float:
    if not 0 < top < power.size - 1:
        return float(frequencies[top])
    before, at, after = np.log(np.maximum(power[top - 1 : top + 2], 1e-300))
    bend = before - 2 * at + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(frequencies[top] + min(max(shift, -0.5), 0.5) * (frequencies[1] - frequencies[0]))


def _fit(iq: NDArray[np.complex128], rate: float, starts: Sequence[float], floor: noise.Noise) -> _Lines:
    """Fit complex lines to samples by least squares, frequencies refined one after the other until they stand."""
    times = (np.arange(iq.size) - (iq.size - 1) / 2) / rate
    frequencies = np.array(starts, dtype=np.float64)
    duration = iq.size / rate
    amplitudes = np.zeros(frequencies.size, dtype=np.complex128)
    for _ in range(12):
        turns = np.exp(2j * np.pi * frequencies[:, None] * times)
        amplitudes = np.linalg.solve(turns.conj() @ turns.T, turns.conj() @ iq)
        rest = iq - amplitudes @ turns
        slopes = (turns.conj() * times) @ rest / np.sum(times**2)
        moves = (slopes / np.where(amplitudes == 0, 1, amplitudes)).imag / (2 * np.pi)
        moves = np.clip(moves, -0.5 / duration, 0.5 / duration)
        frequencies += moves
        if np.max(np.abs(moves)) < 1e-7 / duration:
            break
    spectrum = np.abs(np.fft.fft(rest * np.hanning(rest.size))) ** 2 / (rate * np.sum(np.hanning(rest.size) ** 2))
    grid = np.fft.fftfreq(rest.size, 1 / rate)
    spreads = []
    for frequency, amplitude in zip(frequencies, amplitudes, strict=True):
        beside = np.abs(grid - frequency) < max(100.0, 20 / duration)
        density = max(float(np.mean(spectrum[beside])), floor.density)
        spreads.append(math.sqrt(6 * density / (max(abs(amplitude), 1e-12) ** 2 * (2 * np.pi) ** 2 * duration**3)))
    audio = (grid > 200) & (grid < 3_500)
    around = max(float(np.median(spectrum[audio])) / math.log(2), floor.density)
    return _Lines(frequencies, amplitudes, np.array(spreads), math.sqrt(around / (2 * duration)), duration)


def _line_frequency(lines: _Lines, which: int, method: str) -> Measured:
    noise_term = Term.normal("noise", float(lines.frequency_spread[which]))
    return Measured(float(lines.frequencies_hz[which]), "Hz", (noise_term,), f"{method}, {lines.duration_s:.3g} s")


def _tones(
    iq: NDArray[np.complex128],
    rate: float,
    starts: list[float],
    known: Sequence[float],
    floor: noise.Noise,
    condition: Condition,
    readings: dict[str, Measured],
    remarks: list[str],
) -> None:
    tones = _fit(iq, rate, starts, floor)
    times = (np.arange(iq.size) - (iq.size - 1) / 2) / rate
    rest = iq - tones.amplitudes @ np.exp(2j * np.pi * tones.frequencies_hz[:, None] * times)
    order = sorted(range(len(starts)), key=lambda i: -tones.power(i))
    names = ("modulating tone", "modulating tone, second")
    for name, which in zip(names, order, strict=False):
        readings[name] = _line_frequency(tones, which, "radio-frequency line less dial frequency")
    envelope = list(range(len(starts)))

    products: dict[str, list[float]] = {}
    if condition is Condition.TWO_TONES:
        low, high = (float(f) for f in tones.frequencies_hz)
        products = {"third": [2 * low - high, 2 * high - low], "fifth": [3 * low - 2 * high, 3 * high - 2 * low]}
        mean_tone = float(np.mean([tones.power(i) for i in range(2)]))
        for order_name, places in products.items():
            within = [f for f in places if _LOW_HZ < f < _HIGH_HZ]
            if within:
                readings[f"two-tone product, {order_name}"] = _relative(rest, rate, within, mean_tone, tones)

    peak = _envelope_of(tones, envelope)
    readings["level, peak envelope"] = peak
    taken = [place for places in products.values() for place in places]
    carrier = _carrier(rest, rate, floor, taken)
    peak_power = 10 ** (peak.value / 10)
    if carrier is not None:
        lines = _fit(rest, rate, [carrier], floor)
        spread = DECIBELS * 2 * lines.amplitude_spread / math.sqrt(lines.power(0))
        suppression = 10 * math.log10(peak_power / lines.power(0))
        readings["carrier suppression"] = Measured(
            suppression, "dB", (Term.normal("noise", spread),), "rest of the carrier below the peak envelope power"
        )
        readings["carrier offset"] = _line_frequency(lines, 0, "the rest of the carrier against the dial frequency")
    else:
        bound = 10 * math.log10(peak_power / (_LINE_STANDS_OUT * floor.density / tones.duration_s))
        readings["carrier suppression"] = Measured(
            bound, "dB", (Term.normal("noise", 0.5),), "lower bound: no rest of the carrier stands out of the noise"
        )
    if len(known) == len(starts):
        offsets = [float(f) - tone for f, tone in zip(tones.frequencies_hz, sorted(known), strict=True)]
        weights = 1 / np.square(tones.frequency_spread)
        spread = math.sqrt(1 / float(np.sum(weights)))
        value = float(np.average(offsets, weights=weights))
        terms = [Term.normal("noise", spread)]
        if len(offsets) == 2:
            terms.append(Term.rectangular("the tones disagree", abs(offsets[1] - offsets[0]) / 2))
        method = "radio-frequency line less dial frequency less known tone"
        readings["carrier offset"] = Measured(value, "Hz", tuple(terms), method)
    elif "carrier offset" not in readings:
        remarks.append(
            "The tone's own frequency is not known and no rest of the carrier shows: the carrier offset cannot be told."
        )


def _envelope_of(lines: _Lines, which: Sequence[int]) -> Measured:
    """Peak envelope power of the lines in dBFS: where their amplitudes add up."""
    amplitude = sum(float(np.abs(lines.amplitudes[i])) for i in which)
    spread = lines.amplitude_spread * math.sqrt(len(which))
    return Measured(
        value=20 * math.log10(amplitude),
        unit="dBFS",
        terms=(Term.normal("noise", 2 * DECIBELS * spread / amplitude),),
        method="amplitudes of the tones added",
    )


def _relative(
    rest: NDArray[np.complex128], rate: float, places: Sequence[float], reference: float, tones: _Lines
) -> Measured:
    """The stronger of a pair of products in dB against the mean of the two tones."""
    times = (np.arange(rest.size) - (rest.size - 1) / 2) / rate
    variance = 2 * tones.amplitude_spread**2
    powers = [abs(np.mean(rest * np.exp(-2j * np.pi * f * times))) ** 2 for f in places]
    strongest = max(powers)
    net = strongest - variance
    if net < 3 * variance:
        bound = 10 * math.log10((strongest + 3 * variance) / reference)
        return Measured(bound, "dB", (Term.normal("noise", 1.0),), "upper bound: no product stands out of the noise")
    spread = DECIBELS * math.sqrt(2 * variance * net + variance**2) / net
    return Measured(
        10 * math.log10(net / reference),
        "dB",
        (Term.normal("noise", spread),),
        "the stronger product against the mean tone",
    )


def _carrier(rest: NDArray[np.complex128], rate: float, floor: noise.Noise, taken: Sequence[float]) -> float | None:
    """Frequency of the strongest line within 60 Hz of the dial that is no product of the tones, if one stands out."""
    window = tapered(rest.size, 0.5)
    spectrum = np.abs(np.fft.fft(rest * window)) ** 2 / (rate * float(np.sum(window**2)))
    frequencies = np.fft.fftfreq(rest.size, 1 / rate)
    step = rate / rest.size
    free = np.abs(frequencies) < _CARRIER_REACH_HZ
    for place in taken:
        free &= np.abs(frequencies - place) > 4 * step
    beside = (np.abs(frequencies) >= _CARRIER_REACH_HZ) & (np.abs(frequencies) < 250)
    ground = max(float(np.median(spectrum[beside])) / math.log(2), floor.density) * spread_of_sum(window)
    top = int(np.argmax(np.where(free, spectrum, 0)))
    return float(frequencies[top]) if free.any() and spectrum[top] > _LINE_STANDS_OUT * ground else None


def _peak_envelope(iq: NDArray[np.complex128], rate: float, floor: noise.Noise) -> Measured:
    """Largest envelope power of speech in dBFS, noise taken off."""
    spectrum = np.fft.fft(iq)
    frequencies = np.fft.fftfreq(iq.size, 1 / rate)
    spectrum[(frequencies < _LOW_HZ) | (frequencies > _HIGH_HZ)] = 0
    envelope = np.abs(np.fft.ifft(spectrum))
    within = floor.density * (_HIGH_HZ - _LOW_HZ)
    amplitude = float(envelope.max())
    noise_amplitude = math.sqrt(within / 2)
    lifted = 0.5 * noise_amplitude if amplitude > 4 * noise_amplitude else 0.0
    return Measured(
        value=20 * math.log10(amplitude - lifted),
        unit="dBFS",
        terms=(Term.normal("noise", 2 * DECIBELS * noise_amplitude / amplitude),),
        method=f"largest envelope, hold {iq.size / rate:.3g} s",
    )
