"""Everything that can be measured on one keying of an FM channel, in the one order that works."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements import bandwidth, deviation, edges, level, noise, residual, tones
from sdrcheck.measurements.carrier import Carrier, carrier
from sdrcheck.measurements.classification import Classified, classify
from sdrcheck.measurements.condition import Condition
from sdrcheck.measurements.spectrum import Reals
from sdrcheck.measurements.stretch import CLIPPING_MATTERS, UNTOUCHED_HZ, Stretch, narrowed, restored, settled
from sdrcheck.quantities import Measured, Term

CHANNEL_HZ = 16_000.0
"""Necessary bandwidth on 25 kHz channels (47 CFR 80.205: 16K0)."""
_THRESHOLD_DB = 10.0
"""Below this carrier-to-noise ratio a discriminator clicks (metrology of FM; common practice)."""
_CLEAN_DB = 30.0
_MOST_BLOCKS = 40
_COHERENT_S = 5.0
_LONGEST_PART_S = 10.0
_CUT_COUNTS, _CUT_COUNTS_RESTORED, _CUT_COUNTS_CORRECTED = 0.7, 0.5, 0.05
"""Parts of what the channel filter does to a peak that stay uncertain: untreated, restored, corrected (from trials)."""


@dataclass(frozen=True, slots=True)
class FmFindings:
    """Condition, readings by the names of the contract, and sentences for the technician."""

    condition: Condition
    readings: dict[str, Measured]
    remarks: tuple[str, ...]


def measure(excerpt: Excerpt, of_call: Mapping[str, Measured] = MappingProxyType({})) -> FmFindings:
    """Measure one keying of an FM channel; what its condition cannot support is left out, with a remark.

    `of_call` is what a call told of itself, its bits being known: it is not looked for again.
    """
    readings: dict[str, Measured] = {}
    remarks: list[str] = []
    floor = noise.beside(excerpt)
    noise_floor = level.noise_floor(floor, CHANNEL_HZ)
    if noise_floor is not None:
        readings["noise floor"] = noise_floor
    stretch = settled(excerpt)
    if stretch is None:
        remarks.append("No settled carrier long enough to measure (20 ms are needed); only the noise floor was taken.")
        return FmFindings(Condition.UNKNOWN, readings, tuple(remarks))
    remarks += _surroundings(excerpt, stretch)
    readings["level"] = level.level(stretch)

    first = carrier(stretch)
    kind = classify(stretch, first.offset.value)
    if kind.condition is Condition.UNMODULATED and not first.steady:
        stretch, first = _after_the_start(excerpt, stretch, first)
    fits = _fits(stretch, kind, first)
    modulation = _modulation(stretch, fits) if fits and _cover(stretch, fits) else None
    found = first if modulation is None else carrier(stretch, modulation)
    if not found.steady and (modulation is not None or kind.condition is Condition.UNMODULATED):
        found = _without_hum(stretch, modulation, found)
    readings["carrier offset"] = found.offset
    remarks += _carrier_remarks(found, stretch)

    ratio = level.carrier_to_noise_db(stretch)
    if ratio < _THRESHOLD_DB:
        remarks.append(
            f"The carrier stands only {ratio:.0f} dB above the noise in 16 kHz: modulation is not measured below 10 dB."
        )
    elif kind.condition is Condition.UNMODULATED:
        readings["residual modulation"], hum = residual.residual_modulation(stretch.parts(_LONGEST_PART_S)[0])
        if hum is not None and hum[1] > 10:
            remarks.append(f"Hum: a line at {hum[0]:.0f} Hz with {hum[1]:.0f} Hz of deviation.")
            remarks.append("Nothing but hum modulates the carrier: there is no deviation, tone or SINAD to read.")
        else:
            remarks.append("Nothing modulates the carrier: there is no deviation, tone or SINAD to read.")
    else:
        _modulated(stretch, kind, fits, found, of_call, readings, remarks)
        if ratio < _CLEAN_DB:
            remarks.append(
                f"Carrier-to-noise ratio only {ratio:.0f} dB in 16 kHz: readings of the modulation are wide."
            )

    remarks += _edges(excerpt, stretch, kind, found, readings)
    readings |= of_call
    if stretch.clipped:
        _widen_for_clipping(readings)
    return FmFindings(kind.condition, readings, tuple(remarks))


def _surroundings(excerpt: Excerpt, stretch: Stretch) -> list[str]:
    remarks = []
    if excerpt.clipped_fraction > CLIPPING_MATTERS:
        remarks.append(
            f"The receiver was overloaded ({excerpt.clipped_fraction:.2%} of the samples at an end code): "
            "add attenuation and repeat; level and modulation are uncertain."
        )
    inside = [length for at, length in excerpt.lost if at < excerpt.key_off and at + length > excerpt.key_on]
    if inside:
        missing = sum(inside) / excerpt.sample_rate_hz
        remarks.append(
            f"Samples are missing ({1e3 * missing:.3g} ms in {len(inside)} place{'s' if len(inside) > 1 else ''}): "
            f"measured on the longest whole part, {stretch.duration_s:.3g} s."
        )
    return remarks


def _after_the_start(excerpt: Excerpt, stretch: Stretch, first: Carrier) -> tuple[Stretch, Carrier]:
    """Leave the first 25 ms out where a carrier still moves in them, if that is not too much of it."""
    if stretch.duration_s < 4 * edges.TRANSIENT_S:
        return stretch, first
    later = settled(excerpt, skip_s=edges.TRANSIENT_S)
    if later is None:
        return stretch, first
    again = carrier(later)
    return (later, again) if again.steady or again.offset.uncertainty < first.offset.uncertainty else (stretch, first)


def _without_hum(stretch: Stretch, modulation: Reals | None, found: Carrier) -> Carrier:
    """The carrier again with hum taken away, if that leaves less in its phase."""
    if stretch.duration_s > _COHERENT_S:
        return found
    bare = stretch.phase if modulation is None else stretch.phase - modulation
    hum = tones.hum(bare, stretch.sample_rate_hz)
    if hum is None:
        return found
    again = carrier(stretch, hum if modulation is None else modulation + hum)
    return again if again.steady or again.offset.uncertainty < found.offset.uncertainty else found


def _fits(stretch: Stretch, kind: Classified, found: Carrier) -> list[tones.ToneFit]:
    if kind.condition not in (Condition.ONE_TONE, Condition.TWO_TONES):
        return []
    every = max(1, -(-len(kind.blocks) // _MOST_BLOCKS))
    slope = 2 * np.pi * found.offset.value / stretch.sample_rate_hz
    fits = []
    for block in kind.blocks[::every]:
        phase = stretch.phase[block.start : block.start + block.size] - slope * np.arange(block.size)
        fits.append(tones.fit(phase - phase[0], stretch.sample_rate_hz, block.start, block.tones_hz))
    return fits


def _cover(stretch: Stretch, fits: list[tones.ToneFit]) -> bool:
    return sum(fit.residual.size for fit in fits) > stretch.phase.size - 2 * len(fits)


def _modulation(stretch: Stretch, fits: list[tones.ToneFit]) -> Reals:
    total = np.zeros(stretch.phase.size)
    for fit in fits:
        total[fit.start : fit.start + fit.residual.size] = fit.modulation()
    return total


def _carrier_remarks(found: Carrier, stretch: Stretch) -> list[str]:
    moved = found.drift_hz_per_s * stretch.duration_s
    if abs(moved) > max(20.0, 4 * found.drift_standard * stretch.duration_s):
        return [f"The carrier drifts by {moved:+.0f} Hz within {stretch.duration_s:.3g} s; its offset is the mean."]
    return []


def _modulated(
    stretch: Stretch,
    kind: Classified,
    fits: list[tones.ToneFit],
    found: Carrier,
    of_call: Mapping[str, Measured],
    readings: dict[str, Measured],
    remarks: list[str],
) -> None:
    readings["occupied bandwidth"] = bandwidth.occupied_bandwidth(stretch)
    offset = found.offset.value
    if "peak deviation, up" in of_call:
        up, down = of_call["peak deviation, up"], of_call["peak deviation, down"]
    elif fits and not any(fit.runs_on() for fit in fits):
        up, down = deviation.of_tones(fits, offset, _CUT_COUNTS)
        if _is_cut(up, down) and stretch.duration_s < _LONGEST_PART_S:
            fits = [tones.without_cut(fit, offset, UNTOUCHED_HZ) for fit in _fits(narrowed(stretch), kind, found)]
            up, down = deviation.of_tones(fits, offset, _CUT_COUNTS_CORRECTED)
    else:
        up, down = _largest_excursions(stretch, offset)
    if kind.condition is Condition.ONE_TONE:
        readings["modulating tone"] = tones.tone_frequency(fits)
        readings["sinad"] = tones.sinad(fits)
    elif kind.condition is Condition.TWO_TONES:
        louder = int(np.mean([np.abs(f.deviations_hz[1]) > np.abs(f.deviations_hz[0]) for f in fits]) > 0.5)
        readings["modulating tone"] = tones.tone_frequency(fits, louder)
        readings["modulating tone, second"] = tones.tone_frequency(fits, 1 - louder)
    elif kind.condition is Condition.UNKNOWN:
        remarks.append("What modulates the carrier is neither speech, nor test tones, nor a selective call.")
    if fits and (kind.part < 1 or len(kind.blocks) * tones.BLOCK_S < 0.7 * stretch.duration_s):
        remarks.append("The tone did not stand all the time; it was measured where it did.")
    readings["peak deviation, up"], readings["peak deviation, down"] = up, down
    wider = max(up.value, down.value)
    if wider + abs(found.offset.value) > noise.FLAT_HZ - CHANNEL_HZ / 4:
        remarks.append(
            f"With {wider / 1e3:.1f} kHz of deviation the emission reaches the edge of the channel filter: "
            "the bandwidth is at least what was read, the deviation less certain."
        )


def _largest_excursions(stretch: Stretch, offset_hz: float) -> tuple[Measured, Measured]:
    """The largest of all parts, up and down by themselves; sidebands are put back where it may decide."""
    parts = stretch.parts(_LONGEST_PART_S)
    hold = stretch.duration_s
    found, limits = [], []
    for part in parts:  # one after the other, as the made noise of each takes much room
        seen = deviation.demodulated(part, offset_hz)
        limits.append(seen.twice is not None)
        found.append(deviation.of_waveform(seen, offset_hz, _CUT_COUNTS, hold))
    largest = [max(pair[way].value for pair in found) for way in (0, 1)]
    for i, pair in enumerate(found):
        limited = limits[i]
        if (limited or _is_cut(*pair)) and any(pair[way].value > 0.95 * largest[way] for way in (0, 1)):
            whole = deviation.demodulated(restored(parts[i]), offset_hz)
            back = deviation.of_waveform(whole, offset_hz, _CUT_COUNTS_RESTORED, hold)
            if limited:
                back = deviation.put_back(pair[0], back[0]), deviation.put_back(pair[1], back[1])
            found[i] = back
    return max((up for up, _ in found), key=_value), max((down for _, down in found), key=_value)


def _value(found: Measured) -> float:
    return found.value


def _is_cut(*found: Measured) -> bool:
    return any(term.name == deviation.CUT for reading in found for term in reading.terms)


def _edges(
    excerpt: Excerpt, stretch: Stretch, kind: Classified, found: Carrier, readings: dict[str, Measured]
) -> list[str]:
    remarks = []
    up = edges.rise(excerpt, stretch.noise.total)
    down = edges.fall(excerpt, stretch.noise.total)
    for name, edge in (("rise", up), ("fall", down)):
        if edge is None:
            continue
        if edge.longer:
            least = f"{1e3 * edge.duration.value:.2g} ms"
            remarks.append(f"Its {name} takes longer than {least}, too long for this keying to show it whole.")
        else:
            readings[f"{name} time"] = edge.duration
    if up is not None and kind.condition is Condition.UNMODULATED:
        reason = edges.unseen(excerpt, stretch)
        swing = edges.transient_frequency(excerpt, stretch, found.offset.value, up) if reason is None else None
        if reason is not None:
            remarks.append(f"The transient frequency is not told: {reason}.")
        elif swing is not None:
            readings["transient frequency"] = swing
    return remarks


def _widen_for_clipping(readings: dict[str, Measured]) -> None:
    """Overload bends amplitudes and modulation; a carrier stays where it is. The widths are common practice."""
    for name, found in readings.items():
        if found.unit == "dB":
            readings[name] = found.widened(Term.rectangular("clipping", 1.0))
        elif name.startswith("peak deviation"):
            readings[name] = found.widened(Term.rectangular("clipping", 0.02 * found.value))
