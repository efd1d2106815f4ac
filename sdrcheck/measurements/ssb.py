"""Telephony on a suppressed carrier (J3E): lines against the dial, their products, what is left of the carrier.

Everything is relative to the dial or to the tones. The carrier frequency shows in two ways only: through a tone whose
frequency at the microphone socket is known, or through the rest of the carrier itself. Speech shows neither.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements import noise
from sdrcheck.measurements.condition import Condition
from sdrcheck.measurements.level import DECIBELS, noise_floor
from sdrcheck.measurements.spectrum import PRUDENCE, Reals, tapered, two_sided_density
from sdrcheck.measurements.stretch import CLIPPING_MATTERS
from sdrcheck.quantities import Measured, Term

BANDWIDTH_HZ = 2_700.0
"""The noise floor of a J3E channel is told in this bandwidth (350 Hz to 2700 Hz pass, JP-RER art. 56(1))."""
_NOISE_MIDDLE_HZ = 1_600.0
_BLOCK_S = 0.25
_SHORTEST_S = 0.1
_CARRIER_REACH_HZ = 60.0
_LOWEST_TONE_HZ = 200.0
"""No set's sound goes as low as this (350 Hz to 2700 Hz pass): a lone line below it is a carrier off its frequency."""
_WEAKEST_TONE = 0.01
"""Power of a tone against a carrier as strong or stronger, below which the carrier counts as unmodulated."""
_LOW_HZ, _HIGH_HZ = -400.0, 4_000.0
_LINE_STANDS_OUT = 30.0
"""Power of a line over the noise in its bins from which it is one (15 dB)."""
_FALSE_CARRIER = 1e-3
"""How often noise alone may be taken for a rest of the carrier."""
_BETWEEN_BINS = 1.24
"""What a line midway between two bins of a spectrum of twice its length loses at most (0.9 dB)."""
_TONE_AGREES_HZ = 2.0
"""A tone of which somebody said its frequency may be as far from it."""
_NO_SET_IS_BETTER_DB = 70.0
"""No set's carrier or products are further down than this (common practice)."""
LESS_DIAL = "radio-frequency line less dial frequency"
LESS_CARRIER = "line less the rest of the carrier"


@dataclass(frozen=True, slots=True)
class SsbFindings:
    """Condition, readings by the names of the contract, and sentences for the technician."""

    condition: Condition
    readings: dict[str, Measured]
    remarks: tuple[str, ...]

    @property
    def from_the_dial(self) -> tuple[str, ...]:
        """The readings that count from the dial frequency, and so hang on the receiver's tuning."""
        return tuple(name for name, found in self.readings.items() if found.method.startswith(LESS_DIAL))


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


def measure(excerpt: Excerpt, tones: Sequence[float] = (), *, sound: bool = False) -> SsbFindings:
    """Measure one keying of a J3E channel; `tones` are the modulating tones in hertz as far as they are known.

    In the `sound` of a receiver there is no rest of the carrier, and products are the loudspeaker's as well.
    """
    readings: dict[str, Measured] = {}
    remarks: list[str] = []
    floor = noise.beside(excerpt, BANDWIDTH_HZ / 2, middle_hz=_NOISE_MIDDLE_HZ)
    if sound:
        floor = replace(floor, total=floor.density * BANDWIDTH_HZ)  # a receiver lets no more through
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

    condition, starts, carrier = _classify(iq, rate, floor)
    if condition is Condition.SPEECH:
        readings["level, peak envelope"] = _peak_envelope(iq, rate, floor)
        remarks.append("Speech on a suppressed carrier shows no carrier frequency: ask for a known tone.")
    elif condition is Condition.UNMODULATED:
        lines = _fit(iq, rate, starts, floor)
        readings["carrier offset"] = _line_frequency(lines, 0, "the line nearest the dial frequency")
        readings["level, peak envelope"] = _envelope_of(lines)
    elif sound:
        _tones_in_sound(iq, rate, starts, tones, floor, readings, remarks)
    else:
        _tones(iq, rate, starts, carrier, tones, floor, readings, remarks)
    if excerpt.clipped_fraction > CLIPPING_MATTERS:
        remarks.append(
            "The sound input was overdriven: turn its level down and repeat; levels are uncertain."
            if sound
            else "The receiver was overloaded: add attenuation and repeat; levels and products are uncertain."
        )
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


def _classify(
    iq: NDArray[np.complex128], rate: float, floor: noise.Noise
) -> tuple[Condition, list[float], float | None]:
    """One line is a tone or a carrier, two are two tones; anything that does not stand still is speech.

    A carrier that is as plain as the tones is told apart from them and given beside them.
    """
    segment = int(_BLOCK_S * rate)
    frequencies, density, _ = two_sided_density(iq, rate, segment)
    step = float(frequencies[1] - frequencies[0])
    inside = (frequencies > _LOW_HZ) & (frequencies < _HIGH_HZ)
    net = np.where(inside, np.maximum(density - floor.density, 0.0), 0.0) * step
    total = float(net.sum())
    found: list[tuple[float, float]] = []
    rest = net.copy()
    for _ in range(3):
        top = int(np.argmax(rest))
        near = slice(max(0, top - 3), top + 4)
        power = float(rest[near].sum())
        if power > _LINE_STANDS_OUT * floor.density * step:
            found.append((_between(rest, frequencies, top), power))
        rest[near] = 0
    tones = [line for line in found if abs(line[0]) >= _LOWEST_TONE_HZ][:2]
    if len(tones) == 2 and tones[1][1] < 0.1 * tones[0][1]:
        del tones[1]
    taken = [place for places in _products(sorted(place for place, _ in tones)).values() for place in places]
    low = [line for line in found if abs(line[0]) < _LOWEST_TONE_HZ]
    plain = [line for line in low if line[1] > 0.1 * tones[-1][1]] if tones else low  # no product is so strong
    skirts = [place for place, _ in tones]
    apart = [
        line
        for line in low
        if all(abs(line[0] - place) > 2 * step for place in taken)
        and all(abs(line[0] - place) > 8 * step for place in skirts)
    ]
    carrier = next(iter(plain or apart), None)
    if carrier is not None and tones and tones[0][1] < _WEAKEST_TONE * carrier[1]:
        tones = []
    lines = [*tones, *([carrier] if carrier else [])]
    if not lines or sum(power for _, power in lines) < 0.85 * total:
        return Condition.SPEECH, [], None
    if not tones:
        return Condition.UNMODULATED, [lines[0][0]], None
    condition = Condition.TWO_TONES if len(tones) == 2 else Condition.ONE_TONE
    return condition, sorted(frequency for frequency, _ in tones), carrier[0] if carrier else None


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
    amplitudes: NDArray[Any] = np.zeros(frequencies.size, dtype=np.complex128)
    for _ in range(12):
        turns = _turns(frequencies, iq.size, rate)
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
    carrier: float | None,
    known: Sequence[float],
    floor: noise.Noise,
    readings: dict[str, Measured],
    remarks: list[str],
) -> None:
    """One tone or two and what goes with them; the rest of the carrier is fitted with them, where it shows."""
    count = len(starts)
    lines, products, strongest_noise = _all_lines(iq, rate, starts, carrier, floor)
    shows = lines.amplitudes.size > count
    readings["level, peak envelope"] = peak = _envelope_of(lines)
    peak_power = 10 ** (peak.value / 10)
    names = ("modulating tone", "modulating tone, second")
    for name, which in zip(names, sorted(range(count), key=lambda i: -lines.power(i)), strict=False):
        readings[name] = _above(lines, which, count) if shows else _line_frequency(lines, which, LESS_DIAL)
    if shows:
        spread = PRUDENCE * DECIBELS * 2 * lines.amplitude_spread / math.sqrt(lines.power(count))
        readings["carrier suppression"] = Measured(
            10 * math.log10(peak_power / lines.power(count)),
            "dB",
            (Term.normal("noise", spread),),
            "rest of the carrier below the peak envelope power",
        )
        readings["carrier offset"] = _line_frequency(lines, count, "the rest of the carrier against the dial frequency")
    else:
        bound = 10 * math.log10(peak_power / strongest_noise)
        readings["carrier suppression"] = _bounded(bound, _NO_SET_IS_BETTER_DB, "no rest of the carrier")
        hidden = Term.rectangular("a carrier that noise hides", 20 * math.log10(1 + 10 ** (-bound / 20)))
        readings["level, peak envelope"] = peak.widened(hidden)
        remarks.append(f"No rest of the carrier stands out of the noise: it is suppressed by at least {bound:.1f} dB.")
    tone_power = float(np.mean([lines.power(i) for i in range(count)]))
    for order, powers in products.items():
        if powers:
            readings[f"two-tone product, {order}"] = _relative(powers, tone_power, lines)
        else:
            remarks.append(
                f"The {order} products of these two tones fall outside the channel's filter or on the carrier and are "
                "not given: key tones that lie closer together, such as 1100 and 1700 Hz."
            )
    _offset_by_tones(lines, count, known, readings, remarks)


def _tones_in_sound(
    iq: NDArray[np.complex128],
    rate: float,
    starts: list[float],
    known: Sequence[float],
    floor: noise.Noise,
    readings: dict[str, Measured],
    remarks: list[str],
) -> None:
    """One tone or two, as a receiver lets them be heard."""
    lines = _fit(iq, rate, starts, floor)
    readings["level, peak envelope"] = _envelope_of(lines)
    names = ("modulating tone", "modulating tone, second")
    for name, which in zip(names, sorted(range(len(starts)), key=lambda i: -lines.power(i)), strict=False):
        readings[name] = _line_frequency(lines, which, LESS_DIAL)
    remarks.append("Sound tells neither the rest of the carrier nor the set's own products: record I/Q for these.")
    _offset_by_tones(lines, len(starts), known, readings, remarks)


def _all_lines(
    iq: NDArray[np.complex128], rate: float, starts: list[float], carrier: float | None, floor: noise.Noise
) -> tuple[_Lines, dict[str, list[float]], float]:
    """Tones and, last, the carrier, if it shows; the powers of products; the most power of a carrier that noise hides.

    Products are taken off before the last fit: their skirts would pull at the weak carrier between them.
    """
    count, hidden = len(starts), 0.0
    lines = _fit(iq, rate, starts if carrier is None else [*starts, carrier], floor)
    taken = [place for places in _products_of(lines, count).values() for place in places]
    rest = _without(iq, rate, lines.frequencies_hz, lines.amplitudes)
    clean = _without(iq, rate, taken, _amplitudes(rest, rate, taken))
    if carrier is None:
        rest = _without(clean, rate, lines.frequencies_hz, lines.amplitudes)
        carrier, hidden = _carrier(rest, rate, floor, taken)
    if taken or carrier is not None:
        lines = _fit(clean, rate, starts if carrier is None else [*starts, carrier], floor)
    places = _products_of(lines, count)
    rest = _without(iq, rate, lines.frequencies_hz, lines.amplitudes)
    powers = iter(np.square(np.abs(_amplitudes(rest, rate, [f for pair in places.values() for f in pair]))))
    return lines, {order: [float(next(powers)) for _ in pair] for order, pair in places.items()}, hidden


def _products_of(lines: _Lines, count: int) -> dict[str, list[float]]:
    """Places of products, without those that the carrier hides."""
    carrier = lines.frequencies_hz[count:]
    return {
        order: [place for place in pair if np.all(np.abs(carrier - place) > 4 / lines.duration_s)]
        for order, pair in _products([float(f) for f in lines.frequencies_hz[:count]]).items()
    }


def _offset_by_tones(
    lines: _Lines, count: int, known: Sequence[float], readings: dict[str, Measured], remarks: list[str]
) -> None:
    """The carrier offset from tones of known frequency, or what they say of the carrier that shows by itself."""
    shows = lines.frequencies_hz.size > count
    if known and len(known) != count:
        said = " and ".join(f"{tone:.5g} Hz" for tone in known)
        shown = ("one tone shows", "two tones show")[count - 1]
        remarks.append(
            f"{said} {'were' if len(known) > 1 else 'was'} declared, but {shown}: what was declared was not used."
        )
        known = ()
    if not known:
        if not shows:
            remarks.append(
                "The tone's own frequency is not known and no rest of the carrier shows: the carrier offset cannot be "
                "told."
            )
        return
    tones = [float(f) for f in lines.frequencies_hz[:count]]
    offsets = [line - tone for line, tone in zip(tones, sorted(known), strict=True)]
    spreads = lines.frequency_spread
    if shows:
        carrier = float(lines.frequencies_hz[count])
        for line, tone, offset in zip(tones, sorted(known), offsets, strict=True):
            if abs(offset - carrier) > _TONE_AGREES_HZ + 2 * float(spreads.max()):
                remarks.append(
                    f"A tone stands {line - carrier:.1f} Hz above the rest of the carrier, and {tone:.5g} Hz was "
                    "declared: they do not agree. The offset is that of the carrier; ask again which tone was fed in."
                )
        return
    if count == 2 and abs(offsets[1] - offsets[0]) > _TONE_AGREES_HZ + 2 * float(spreads.max()):
        remarks.append(
            f"The two tones lie {tones[1] - tones[0]:.1f} Hz apart, those declared {max(known) - min(known):.5g} Hz: "
            "they do not agree, and no carrier offset is given. Ask again which tones were fed in."
        )
        return
    if min(abs(offset) for offset in offsets) > _LOWEST_TONE_HZ:
        remarks.append(
            f"A tone shows {tones[0]:.0f} Hz above the dial frequency, and {min(known):.5g} Hz was declared: another "
            "tone was fed in, or the set was on another frequency. No carrier offset is given."
        )
        return
    weights = 1 / np.square(spreads)
    terms = [Term.normal("noise", math.sqrt(1 / float(np.sum(weights))))]
    if count == 2:
        terms.append(Term.rectangular("the tones disagree", abs(offsets[1] - offsets[0]) / 2))
    method = f"{LESS_DIAL} less known tone"
    readings["carrier offset"] = Measured(float(np.average(offsets, weights=weights)), "Hz", tuple(terms), method)


def _turns(frequencies_hz: Sequence[float] | Reals, count: int, rate: float) -> NDArray[np.complex128]:
    times = (np.arange(count) - (count - 1) / 2) / rate
    turns: NDArray[np.complex128] = np.exp(2j * np.pi * np.asarray(frequencies_hz, dtype=np.float64)[:, None] * times)
    return turns


def _amplitudes(
    iq: NDArray[np.complex128], rate: float, frequencies_hz: Sequence[float] | Reals
) -> NDArray[np.complex128]:
    """Least-squares amplitudes of lines whose frequencies are known."""
    turns = _turns(frequencies_hz, iq.size, rate)
    amplitudes: NDArray[Any] = np.linalg.solve(turns.conj() @ turns.T, turns.conj() @ iq)
    return amplitudes


def _without(
    iq: NDArray[np.complex128], rate: float, frequencies_hz: Sequence[float] | Reals, amplitudes: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    rest: NDArray[np.complex128] = iq - amplitudes @ _turns(frequencies_hz, iq.size, rate)
    return rest


def _products(tones: Sequence[float]) -> dict[str, list[float]]:
    """Where the odd products of two tones next to them lie, as far as the channel's filter reaches."""
    if len(tones) != 2:
        return {}
    low, high = tones
    places = {"third": [2 * low - high, 2 * high - low], "fifth": [3 * low - 2 * high, 3 * high - 2 * low]}
    return {order: [f for f in pair if _LOW_HZ < f < _HIGH_HZ] for order, pair in places.items()}


def _above(lines: _Lines, which: int, carrier: int) -> Measured:
    """A tone as it was fed in: its line above the carrier's, for which the receiver's tuning does not matter."""
    spread = math.hypot(float(lines.frequency_spread[which]), float(lines.frequency_spread[carrier]))
    value = float(lines.frequencies_hz[which] - lines.frequencies_hz[carrier])
    return Measured(value, "Hz", (Term.normal("noise", spread),), f"{LESS_CARRIER}, {lines.duration_s:.3g} s")


def _envelope_of(lines: _Lines) -> Measured:
    """Peak envelope power of the lines in dBFS: where their amplitudes add up."""
    amplitude = float(np.sum(np.abs(lines.amplitudes)))
    spread = lines.amplitude_spread * math.sqrt(lines.amplitudes.size)
    return Measured(
        value=20 * math.log10(amplitude),
        unit="dBFS",
        terms=(Term.normal("noise", PRUDENCE * 2 * DECIBELS * spread / amplitude),),
        method="amplitudes of the lines added",
    )


def _bounded(bound: float, best: float, what: str) -> Measured:
    """A reading of what does not show: anything between the noise's bound and the best that a set reaches."""
    side, word = (1, "lower") if best > bound else (-1, "upper")
    half = max(abs(best - bound) / 2, 3.0)
    return Measured(
        value=bound + side * half,
        unit="dB",
        terms=(Term.expanded("nothing stands out of the noise", half),),
        method=f"{word} bound {bound:.1f} dB: {what} stands out of the noise",
    )


def _relative(powers: Sequence[float], reference: float, lines: _Lines) -> Measured:
    """The stronger of a pair of products in dB against the mean of the two tones."""
    variance = 2 * lines.amplitude_spread**2
    strongest = max(powers)
    net = strongest - variance
    if net < 5 * variance:
        bound = 10 * math.log10(_at_most(strongest, variance) / reference)
        return _bounded(bound, -_NO_SET_IS_BETTER_DB, "no product")
    spread = PRUDENCE * DECIBELS * math.sqrt(2 * variance * net + variance**2) / net
    which = "the stronger product" if len(powers) == 2 else "the one product inside the channel's filter"
    return Measured(
        10 * math.log10(net / reference), "dB", (Term.normal("noise", spread),), f"{which} against the mean tone"
    )


def _at_most(seen: float, noise_power: float) -> float:
    """The most power of a line that noise of `noise_power` lets look as weak as it was seen (97.7 %, one-sided)."""
    return (math.sqrt(seen) + math.sqrt(2 * noise_power)) ** 2


def _carrier(
    rest: NDArray[np.complex128], rate: float, floor: noise.Noise, taken: Sequence[float]
) -> tuple[float | None, float]:
    """The strongest line within 60 Hz of the dial that is no product of the tones, if one stands out of the noise.

    Beside it the most power that a line there may have which does not stand out.
    """
    window = tapered(rest.size, 0.1)
    size = 2 * rest.size
    spectrum = np.abs(np.fft.fft(rest * window, size)) ** 2 / (rate * float(np.sum(window**2)))
    frequencies = np.fft.fftfreq(size, 1 / rate)
    free = np.abs(frequencies) < _CARRIER_REACH_HZ
    for place in taken:
        free &= np.abs(frequencies - place) > 4 * rate / rest.size
    beside = (np.abs(frequencies) >= _CARRIER_REACH_HZ) & (np.abs(frequencies) < 250)
    ground = max(float(np.median(spectrum[beside])) / math.log(2), floor.density)
    top = int(np.argmax(np.where(free, spectrum, 0)))
    seen = float(spectrum[top])
    duration_s = rest.size / rate
    if seen > math.log(4 * _CARRIER_REACH_HZ * duration_s / _FALSE_CARRIER) * ground:
        return float(frequencies[top]), 0.0
    lost_in_window = rest.size * float(np.sum(window**2)) / float(np.sum(window)) ** 2
    return None, _at_most(seen, ground) * lost_in_window * _BETWEEN_BINS / duration_s


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
