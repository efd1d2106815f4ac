"""Likely causes of what was found, and what to do next. All of it is common practice; none of it is proof."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sdrcheck.channels.channel import Mark
from sdrcheck.evidence.case import CheckCase
from sdrcheck.findings.inspection import Reading
from sdrcheck.verdicts.judge import Verdict
from sdrcheck.visits.papers_check import Conclusion


@dataclass(frozen=True, slots=True)
class Cause:
    """One likely cause and the next step."""

    cause: str
    next_step: str
    mark: Mark = Mark.PRACTICE


_BY_QUANTITY: dict[str, tuple[Cause, ...]] = {
    "carrier offset": (
        Cause(
            "reference oscillator off by age, knock or temperature: the same error in ppm on every channel",
            "repeat on two more channels; the same ppm everywhere is the set's reference; confirm with a counter",
        ),
        Cause(
            "one channel wrong in the channel table or its programming: only that channel off",
            "compare with the other channels of this set; note the version of the channel table",
        ),
        Cause(
            "the dongle's own reference, where every set aboard shows the same error",
            "take the dongle's reference again: sdrcheck reference",
        ),
        Cause(
            "drift with temperature after key-on, or an unlocked synthesizer",
            "compare after 0 and 15 minutes; where the carrier wanders or jumps, do not use the set",
        ),
    ),
    "peak deviation": (
        Cause("limiter or microphone gain too high", "check at 1 kHz for 3 kHz deviation, and with loud speech"),
        Cause("microphone, its lead or the modulator's gain too low", "try another microphone of the same type"),
    ),
    "residual modulation": (
        Cause("earth loop or charger ripple", "repeat on battery alone; look for multiples of the mains frequency"),
        Cause("switching supply nearby", "the same line on all sets: supply and ferrites"),
    ),
    "modulation index": (
        Cause("audio path of the calling encoder tilted, or one tone weak", "compare the index of both tones"),
        Cause(
            "calling encoder modulates frequency instead of phase (no pre-emphasis)",
            "equal deviation on both tones says so: index 2 on one of them only",
        ),
    ),
    "tone": (Cause("calling encoder's clock or audio path", "compare both tones and the modulation rate"),),
    "modulation rate": (Cause("calling encoder's clock drifts", "look for symbols that fail late in long calls"),),
    "line": (
        Cause("dial set to the assigned frequency instead of 1700 Hz below it", "look at the dial and the mode"),
        Cause("reference oscillator off", "compare with other bands: constant ppm is the set's reference"),
    ),
    "level": (
        Cause("output filter or antenna relay on one channel", "check line quality there"),
        Cause("supply dips under load, thermal fold-back, output stage", "voltage at the radio terminals while keyed"),
        Cause("mismatch: the level changes with the cable's length", "do not trust a level on a bad line"),
    ),
    "carrier suppression": (Cause("balanced modulator out of adjustment", "adjust and repeat"),),
    "two-tone product": (Cause("bias, drive or load of the output stage", "repeat into a proper load at lower drive"),),
    "transient frequency": (Cause("synthesizer slow to lock", "repeat cold and warm; look for a wide burst"),),
    "occupied bandwidth": (Cause("limiter or low-pass after it", "look at the deviation with loud speech"),),
}

_BY_CONCLUSION: dict[str, tuple[Cause, ...]] = {
    "own identity": (
        Cause(
            "identity of a former flag or owner, a default, or a typing error when it was programmed",
            "hold it against the station licence; reprogramming needs the owner's and the licensing authority's leave",
        ),
    ),
    "identity and flag": (
        Cause("the ship changed her flag and the set was not reprogrammed", "ask for the licence of the present flag"),
    ),
    "position": (
        Cause("navigation receiver not connected, or its sentence not understood", "look at the set's display"),
        Cause("a position typed in by hand has grown old", "the set must warn after 4 hours"),
    ),
    "time": (Cause("frozen navigation input, or a clock set by hand", "compare with the ship's UTC display"),),
    "call asked for": (Cause("another call was chosen in the menu", "repeat with the menu read aloud"),),
    "ordinary receiver": (
        Cause("polarity or sideband exchanged, dots cut off by a slow key-on, or a noisy path", "look at the grid"),
    ),
    "distress attempt": (Cause("an older or faulty controller", "note the software version; the maker's workshop"),),
    "power step": (
        Cause(
            "power switch without effect, or the channel table lacks the reduction", "read the wattmeter at both steps"
        ),
    ),
}


def of_check(case: CheckCase) -> tuple[Cause, ...]:
    """The causes that fit what a check found, likeliest first as practice has them."""
    found: dict[Cause, None] = {}
    for reading in failing(case):
        for cause in _of_reading(reading):
            found[cause] = None
    for conclusion in case.conclusions:
        if conclusion.agrees is False:
            for cause in _of_conclusion(conclusion):
                found[cause] = None
    return tuple(found)


def failing(case: CheckCase) -> tuple[Reading, ...]:
    """Readings of the last try that miss their limit, proven or not."""
    words = (Verdict.FAIL, Verdict.FAIL_NOT_PROVEN)
    return tuple(r for t in case.transmissions for r in t.readings if r.verdict in words)


def _of_reading(reading: Reading) -> Iterator[Cause]:
    for stem, causes in _BY_QUANTITY.items():
        if reading.quantity.startswith(stem):
            yield from causes


def _of_conclusion(conclusion: Conclusion) -> tuple[Cause, ...]:
    return _BY_CONCLUSION.get(conclusion.about, ())
