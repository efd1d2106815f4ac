"""Everything a report stands on, read once: the visit, its plan, every try with its inspection, and what follows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from sdrcheck.errors import SdrcheckError, VisitError
from sdrcheck.evidence.masking import Mask
from sdrcheck.evidence.pictures import SUFFIX, Picture
from sdrcheck.findings.inspection import Inspection, Transmission
from sdrcheck.recordings import open_recording
from sdrcheck.stations import printout as printouts
from sdrcheck.visits import document, papers_check, plan, results, ship, text_side
from sdrcheck.visits.checks.check import Check
from sdrcheck.visits.meters import Comparison, compare
from sdrcheck.visits.papers_check import Conclusion
from sdrcheck.visits.plan import Plan
from sdrcheck.visits.proposal import Proposal, propose
from sdrcheck.visits.results import CheckState, Ledger, MeterReading, Try
from sdrcheck.visits.ship import Doubt, RadioSet, Visit


@dataclass(frozen=True, slots=True)
class TryCase:
    """One try, with what was found in it."""

    entry: Try
    inspection: Inspection | None
    """None where it is missing or was changed since; `trouble` says so."""
    transmissions: tuple[Transmission, ...]
    pictures: tuple[tuple[Picture, ...], ...]
    """For each of `transmissions`; empty where none were kept."""
    trouble: str = ""
    sha512: str | None = None
    """Of the recording's samples: as filed, else as the recording states it (one filed while it still ran)."""


@dataclass(frozen=True, slots=True)
class CheckCase:
    """One planned check and all that belongs to it."""

    check: Check
    radio: RadioSet | None
    state: CheckState
    tries: tuple[TryCase, ...]
    conclusions: tuple[Conclusion, ...]
    """Of the last try, and of the whole visit where they are about this check."""
    proposal: Proposal
    comparisons: tuple[tuple[MeterReading, Comparison | None], ...]
    printout: printouts.Comparison | None = None
    """The ship's last print-out against the last try."""
    printout_trouble: str = ""

    @property
    def last(self) -> TryCase | None:
        return self.tries[-1] if self.tries else None

    @property
    def transmissions(self) -> tuple[Transmission, ...]:
        """Those of the last try."""
        return self.last.transmissions if self.last else ()

    @property
    def outcome(self) -> str:
        """The outcome's word, or `open` where nobody has set one."""
        return self.state.outcome.outcome if self.state.outcome else "open"


@dataclass(frozen=True, slots=True)
class Case:
    """A whole visit, gathered for a report."""

    folder: Path
    visit: Visit
    plan: Plan
    ledger: Ledger
    checks: tuple[CheckCase, ...]
    doubts: tuple[Doubt, ...]
    across: tuple[Conclusion, ...]
    """What shows only across checks."""
    mask: Mask
    now: dt.datetime

    def of_set(self, set_id: str | None) -> tuple[CheckCase, ...]:
        return tuple(one for one in self.checks if one.check.set_id == set_id)

    def check(self, check_id: str) -> CheckCase:
        """One check's case; raises VisitError where the plan has no such check."""
        self.plan.check(check_id)
        return next(one for one in self.checks if one.check.id == check_id)


def gather(path: Path, *, now: dt.datetime, masked: bool = True) -> Case:
    """Read a visit's folder for a report. A damaged inspection is told in its place and stops nothing else."""
    visit = document.load(path)
    folder = document.locate(path).parent
    made = plan.make(visit)
    ledger = results.read(folder)
    mask = Mask(visit.own_identities | _sent_by_own_sets(made, ledger), off=not masked)
    across = _across(visit, made, ledger)
    checks = tuple(_check_case(visit, check, ledger, across, mask) for check in made.checks)
    return Case(
        folder,
        visit,
        made,
        ledger,
        checks,
        ship.doubts(visit, _day_of_the_readings(visit, ledger, now)),
        across,
        mask,
        now,
    )


def _day_of_the_readings(visit: Visit, ledger: Ledger, now: dt.datetime) -> dt.date:
    """The day that calibration dates are held against: a report written later does not make good readings bad."""
    read = [filed.entry.utc for filed in ledger.filed if isinstance(filed.entry, results.MeterReading)]
    return (max(read) if read else visit.job.started or now).date()


def _across(visit: Visit, made: Plan, ledger: Ledger) -> tuple[Conclusion, ...]:
    try:
        return papers_check.of_visit(visit, made, ledger)
    except VisitError as problem:
        return (Conclusion("across checks", None, "Nothing could be held against each other.", str(problem)),)


def _sent_by_own_sets(made: Plan, ledger: Ledger) -> frozenset[str]:
    """Identities that the ship's own sets were found to use, right or wrong."""
    found = set()
    for check in made.checks:
        if check.keying is None or check.keying.call is None:
            continue
        for entry in ledger.of_check(check.id).tries:
            try:
                filed = ledger.transmissions(entry)
            except VisitError:
                continue
            found |= {call.self_id for transmission in filed[:1] for call in transmission.calls[:1] if call.self_id}
    return frozenset(found)


def _check_case(visit: Visit, check: Check, ledger: Ledger, across: Sequence[Conclusion], mask: Mask) -> CheckCase:
    radio = visit.set_named(check.set_id) if check.set_id else None
    state = ledger.of_check(check.id)
    tries = tuple(_try_case(ledger, entry, mask) for entry in state.tries)
    conclusions: tuple[Conclusion, ...] = ()
    if tries and tries[-1].inspection is not None:
        conclusions = papers_check.of_try(visit, radio, check, tries[-1].inspection, tries[-1].entry.transmissions)
    printout, trouble = _printout(ledger.folder, state, tries)
    if printout is not None:
        conclusions += text_side.conclusions(check.id, printout)
    conclusions += tuple(one for one in across if one.check == check.id)
    conclusions = tuple(
        Conclusion(one.about, one.agrees, mask.text(one.sentence), mask.text(one.reason), one.check)
        for one in conclusions
    )
    found = tries[-1].transmissions if tries else ()
    comparisons = tuple((meter, compare(meter, found[0]) if found else None) for meter in state.meters)
    proposal = propose(check, state, found, conclusions)
    return CheckCase(check, radio, state, tries, conclusions, proposal, comparisons, printout, trouble)


def _printout(folder: Path, state: CheckState, tries: Sequence[TryCase]) -> tuple[printouts.Comparison | None, str]:
    if not state.printouts or not tries:
        return None, ""
    try:
        return text_side.compared(folder, state.printouts[-1], tries[-1].transmissions), ""
    except VisitError as problem:
        return None, str(problem)


def _try_case(ledger: Ledger, entry: Try, mask: Mask) -> TryCase:
    try:
        inspection = ledger.inspection(entry)
    except VisitError as problem:
        return TryCase(entry, None, (), (), str(problem), entry.recording_sha512)
    every = inspection.transmissions
    places = [place for place in entry.transmissions if place < len(every)]
    kept = _pictures(ledger.folder, entry)
    return TryCase(
        entry,
        inspection,
        tuple(mask.transmission(every[place]) for place in places),
        tuple(kept.get(str(place), ()) for place in places),
        sha512=entry.recording_sha512 or _stated(ledger.folder, entry),
    )


def _stated(folder: Path, entry: Try) -> str | None:
    """The seal that a recording's own description states."""
    try:
        return open_recording(results.inside(folder, entry.recording)).stated_sha512
    except SdrcheckError:
        return None


def _pictures(folder: Path, entry: Try) -> dict[str, tuple[Picture, ...]]:
    path = results.inside(folder, entry.inspection.removesuffix(".json") + SUFFIX)
    try:
        return msgspec.json.decode(path.read_bytes(), type=dict[str, tuple[Picture, ...]])
    except (OSError, msgspec.DecodeError, UnicodeDecodeError):
        return {}
