"""Known signatures of faults, named in a sentence each where the readings show them beyond their uncertainty.

The signatures and what to do about them are common practice; those of the calls follow from the phase-modulation law
(Rec. ITU-R M.493: one index for both tones, so the deviation grows with the tone).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Emission
from sdrcheck.channels.plan import frequency_text, nearest
from sdrcheck.findings.inspection import Kind, Reading
from sdrcheck.findings.wording import format_reading
from sdrcheck.verdicts.judge import Verdict

TONE_B_HZ, TONE_Y_HZ = 2100.0, 1300.0
FLAT_INDEX_RATIO = TONE_Y_HZ / TONE_B_HZ
"""Index B over index Y where the deviation is the same on both tones: frequency instead of phase modulation."""
RATIO_ROOM = 0.08
ONE_TONE_WEAK = 0.90
"""Below this ratio of the two indices one tone is weak; the window for each is ±10 %."""
USB_AUDIO_CENTRE_HZ = 1700.0
MISTUNED_HZ = 60.0
"""A set that is only off frequency lies nearer than this to its channel."""
HARDLY_SUPPRESSED_DB = 15.0
"""A carrier no further down than this was sent on purpose, or nothing suppresses it (H3E and A3E: 6 dB and less)."""
SOUND_HZ = (300.0, 3_000.0)

_ADVICE: tuple[tuple[str, str], ...] = (
    (
        "peak deviation",
        "Over-deviation: look at the limiter and the microphone gain, with a 1 kHz tone and with loud speech.",
    ),
    (
        "residual modulation",
        "Hum or noise on the unmodulated carrier: look for multiples of the mains frequency (earth loop, charger "
        "ripple) and repeat on battery alone.",
    ),
    (
        "transient frequency",
        "The carrier moves far after key-on: a synthesizer slow to lock; repeat cold and warm.",
    ),
    ("two-tone product", "The products of two tones are strong: bias, drive or load of the output stage."),
)


def signatures(kind: Kind, emission: Emission, lies_at_hz: float, readings: Sequence[Reading]) -> tuple[str, ...]:
    """Sentences for the faults that one transmission's readings show; `lies_at_hz` is where it was found, corrected."""
    by_name = {reading.quantity: reading for reading in readings}
    parts: list[Iterator[str]] = [_carrier(by_name), _advised(readings), _suppression(by_name)]
    if emission in (Emission.N0N, Emission.UNKNOWN):
        parts.append(_wrong_sideband(kind, lies_at_hz))
    if kind is Kind.DSC_CALL and emission is Emission.G2B:
        parts += [_indices(by_name), _tones(by_name)]
    if kind in (Kind.DSC_CALL, Kind.NAVTEX):
        parts.append(_rate(by_name))
    if emission is Emission.F1B:
        parts.append(_dial(lies_at_hz))
    return tuple(dict.fromkeys(sentence for part in parts for sentence in part))


def _failed(reading: Reading | None) -> bool:
    return reading is not None and reading.verdict == Verdict.FAIL


def _carrier(found: dict[str, Reading]) -> Iterator[str]:
    if _failed(found.get("carrier offset")) or _failed(found.get("carrier offset, relative")):
        yield (
            "The carrier is off: key two more channels. The same ppm on all of them is the set's reference "
            "oscillator, one channel only is its programming, and the same on every set aboard is the "
            "dongle; confirm with a counter."
        )


def _advised(readings: Sequence[Reading]) -> Iterator[str]:
    for stem, sentence in _ADVICE:
        if any(reading.quantity.startswith(stem) and _failed(reading) for reading in readings):
            yield sentence


def _suppression(found: dict[str, Reading]) -> Iterator[str]:
    reading = found.get("carrier suppression")
    if reading is None or not _failed(reading):
        return
    if reading.value + reading.uncertainty < HARDLY_SUPPRESSED_DB:
        yield "The carrier is hardly suppressed at all: the set is on A3E or H3E, or its balanced modulator is dead."
    else:
        yield "The carrier is poorly suppressed: the balanced modulator."


def _wrong_sideband(kind: Kind, lies_at_hz: float) -> Iterator[str]:
    """Something off the plan that mirrors a telephony channel."""
    if plan.channel_at(lies_at_hz) is not None:
        return
    above = plan.within(lies_at_hz + SOUND_HZ[0], lies_at_hz + SOUND_HZ[1])
    dial = next((channel for channel in above if channel.emission is Emission.J3E), None)
    if dial is not None and kind in (Kind.CARRIER, Kind.UNKNOWN):
        yield (
            f"It lies {dial.frequency_hz - lies_at_hz:.0f} Hz below {frequency_text(dial.frequency_hz)}, where the "
            "lower sideband of a set with its dial there would be: if one was keyed, it is on the wrong sideband (USB "
            "belongs there), or sends both."
        )


def _indices(found: dict[str, Reading]) -> Iterator[str]:
    b, y = found.get("modulation index, B"), found.get("modulation index, Y")
    if b is None or y is None or not (_failed(b) or _failed(y)) or min(b.value, y.value) <= 0:
        return
    both = f"index {format_reading(b)} on tone B and {format_reading(y)} on tone Y"
    ratio = b.value / y.value
    spread = ratio * ((b.uncertainty / b.value) ** 2 + (y.uncertainty / y.value) ** 2) ** 0.5
    if abs(ratio / FLAT_INDEX_RATIO - 1) <= RATIO_ROOM + spread:
        yield (
            f"The pre-emphasis is missing: the deviation is the same on both tones ({both}), so the call was keyed "
            "into a frequency modulator instead of a phase modulator."
        )
    elif ratio + spread < ONE_TONE_WEAK:
        yield f"Tone B (2100 Hz) is weak: {both}; look at the audio path of the calling encoder."
    elif ratio - spread > 1 / ONE_TONE_WEAK:
        yield f"Tone Y (1300 Hz) is weak: {both}; look at the audio path of the calling encoder."
    else:
        way = "low" if (b.value + y.value) / 2 < 2.0 else "high"
        yield f"The modulation index is too {way} on both tones alike ({both}): the modulator's gain for calls."


def _tones(found: dict[str, Reading]) -> Iterator[str]:
    off = [reading for name in ("tone B", "tone Y") if _failed(reading := found.get(name)) and reading is not None]
    if off:
        said = " and ".join(f"{reading.quantity} at {format_reading(reading)}" for reading in off)
        yield f"Off by more than 10 Hz: {said}; the calling encoder's clock or its audio path."


def _rate(found: dict[str, Reading]) -> Iterator[str]:
    reading = found.get("modulation rate error")
    if _failed(reading) and reading is not None:
        yield (
            f"The modulation rate is off by {format_reading(reading)}: the calling encoder's clock. The dongle's own "
            "reference goes into this one for one."
        )


def _dial(lies_at_hz: float) -> Iterator[str]:
    if _on_a_channel(lies_at_hz):
        return
    for shift, words in ((USB_AUDIO_CENTRE_HZ, "above"), (-USB_AUDIO_CENTRE_HZ, "below")):
        if _on_a_channel(lies_at_hz - shift):
            assigned = nearest(lies_at_hz - shift)
            yield (
                f"It lies 1700 Hz {words} {frequency_text(assigned.frequency_hz)}: a set that keys audio tones was "
                "probably tuned with its dial on the assigned frequency; the dial belongs 1700 Hz lower (USB)."
            )
            return


def _on_a_channel(frequency_hz: float) -> bool:
    return abs(nearest(frequency_hz).frequency_hz - frequency_hz) <= MISTUNED_HZ
