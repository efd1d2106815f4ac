"""Measure the recordings again: do the same numbers come out that the report stands on?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sdrcheck.errors import SdrcheckError
from sdrcheck.findings.inspection import Inspection, Transmission
from sdrcheck.findings.wording import format_place, format_reading
from sdrcheck.visits import results

SAME_START_S = 0.05
NOT_IN_THE_BUNDLE = ("level at the set",)
"""Stands on a level reference that is kept with the dongle; `level`, which it is made of, is compared."""
PART_OF_UNCERTAINTY = 0.01
"""Two computers may differ in the last bits; a hundredth of the uncertainty is far more than that, and harmless."""


@dataclass(frozen=True, slots=True)
class Again:
    """What came out of measuring one recording again."""

    recording: str
    inspection: str
    compared: int
    """Readings, calls and messages held against each other."""
    differences: tuple[str, ...]


def measure_again(folder: Path, inspect: Callable[[Path, Inspection, str | None], Inspection]) -> Iterator[Again]:
    """Inspect each recording that a try stands on once more, and compare.

    `inspect` gets the recording, the inspection it is held against (its reference and limits) and the tone's source.
    """
    ledger = results.read(folder)
    done: set[str] = set()
    fresh: dict[tuple[str, str | None], Inspection] = {}
    for entry in ledger.tries():
        if entry.inspection in done:
            continue
        done.add(entry.inspection)
        try:
            old = ledger.inspection(entry)
            key = (entry.recording, entry.tone_source)
            if key not in fresh:
                fresh[key] = inspect(results.inside(folder, entry.recording), old, entry.tone_source)
        except SdrcheckError as problem:
            yield Again(entry.recording, entry.inspection, 0, (str(problem),))
            continue
        compared = sum(len(t.readings) + len(t.calls) + len(t.messages) for t in old.transmissions)
        yield Again(entry.recording, entry.inspection, compared, tuple(differences(old, fresh[key])))


def differences(old: Inspection, new: Inspection) -> Iterator[str]:
    """What of an inspection does not come out again, in sentences. Transmissions are matched by time and frequency."""
    for before in old.transmissions:
        where = f"{format_place(before)} at {before.start_s:.2f} s"
        after = min(
            (one for one in new.transmissions if abs(one.frequency_hz - before.frequency_hz) < 500),
            key=lambda one: abs(one.start_s - before.start_s),
            default=None,
        )
        if after is None or abs(after.start_s - before.start_s) > SAME_START_S:
            yield f"{where}: the transmission is not found again"
            continue
        yield from _of_transmission(where, before, after)


def _of_transmission(where: str, before: Transmission, after: Transmission) -> Iterator[str]:
    for name in ("kind", "condition", "emission", "channel"):
        if getattr(before, name) != getattr(after, name):
            yield f"{where}: {name} was {getattr(before, name)}, is {getattr(after, name)}"
    for reading in before.readings:
        if reading.quantity in NOT_IN_THE_BUNDLE:
            continue
        again = after.reading(reading.quantity)
        if again is None:
            yield f"{where}: {reading.quantity} does not come out again"
            continue
        allowed = PART_OF_UNCERTAINTY * reading.uncertainty + 1e-9 * abs(reading.value)
        if abs(again.value - reading.value) > allowed or again.verdict != reading.verdict:
            yield (
                f"{where}: {reading.quantity} was {format_reading(reading)} ({reading.verdict or 'not judged'}), "
                f"is {format_reading(again)} ({again.verdict or 'not judged'})"
            )
    if [call.symbols for call in before.calls] != [call.symbols for call in after.calls]:
        yield f"{where}: the calls do not read the same again"
    if [message.body for message in before.messages] != [message.body for message in after.messages]:
        yield f"{where}: the messages do not read the same again"
