"""What the window does to a visit: long actions, each through the functions that the command line files with. No Qt."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from sdrcheck.cli.evidence import REPORTS
from sdrcheck.cli.visit_check import file_recording, may_be_recorded
from sdrcheck.cli.visit_gate import distress_check, file_step
from sdrcheck.cli.visit_options import now_utc
from sdrcheck.errors import VisitError
from sdrcheck.findings.inspection import Inspection, Transmission
from sdrcheck.visits import document, plan
from sdrcheck.visits.checks.check import Check
from sdrcheck.visits.gates import SILENCE_S
from sdrcheck.visits.matching import near
from sdrcheck.visits.results import Filed
from sdrcheck.visits.ship import SetKind
from sdrcheck_gui.feed import Session
from sdrcheck_gui.jobs import Job
from sdrcheck_gui.keeping import AFTER_S, free_name, keep_keying, waited_for
from sdrcheck_gui.keyings import Keying

if TYPE_CHECKING:
    from sdrcheck.evidence.bundle import Packed
    from sdrcheck.evidence.case import Case

ANSWER_S = 5.0
"""Kept after a call, so that its answer is in the recording too."""
HANDS_FREE_TONE = "acoustic"
"""One person cannot hold more than a sounder to the microphone, as `sdrcheck visit run` takes it, too."""
_SAME_S = 0.3
_SPARE_S = 5.0
_JUST_NOW_S = 0.3
"""A recording from now on begins with the newest samples that are remembered."""


def make_visit(folder: Path, ship: str, who: str, kinds: tuple[SetKind, ...]) -> Path:
    """Make a visit's folder with a file to fill in, as `sdrcheck visit new` does."""
    path = folder / document.FILE_NAME
    if path.exists():
        raise VisitError(f"{path} is there already; open it, or choose another folder")
    document.write_whole(path, document.blank(ship, who, now_utc(), kinds).encode())
    return path


def gathered(path: Path) -> Case:
    """Everything that is known of a visit now; as all its sentences can be copied, masked as in the report."""
    from sdrcheck.evidence import case

    return case.gather(path, now=now_utc())


def attach_keying(
    job: Job,
    visit_path: Path,
    check_id: str,
    session: Session,
    keying: Keying,
    how: Literal["live", "hands-free"] = "live",
) -> Filed:
    """Keep a keying in the visit's folder, inspect it, and file it as a try."""
    from sdrcheck.evidence.bundle import safe_name
    from sdrcheck.evidence.filing import RECORDINGS

    check, folder = may_be_recorded(visit_path, check_id)
    found = keying.transmission
    if found is None:
        raise VisitError(f"{keying.lane} is still on the air; wait until the keying is over")
    calls = check.keying is not None and check.keying.call is not None
    base = folder / RECORDINGS / f"{safe_name(check_id)}-{now_utc():%Y%m%dT%H%M%SZ}"
    keeping = keep_keying(job, session, keying, base, ANSWER_S if calls and how == "live" else AFTER_S)
    return file_recording(
        visit_path,
        check_id,
        keeping.path,
        choose=lambda inspection: _the_same(check, found, keeping.start_s, inspection),
        how=how,
        tone_source=session.judging.tone_source or (HANDS_FREE_TONE if how == "hands-free" else None),
        tell=lambda part: job.tell(part, "inspecting"),
    )


def _the_same(check: Check, found: Transmission, start_s: float, inspection: Inspection) -> tuple[int, ...] | None:
    """Where in the inspection of what was kept the chosen keying stands, and, of a call, what answered it."""
    for place, one in enumerate(inspection.transmissions):
        if abs(one.start_s + start_s - found.start_s) > _SAME_S or abs(one.frequency_hz - found.frequency_hz) > 500:
            continue
        if check.keying is None or check.keying.call is None or not one.calls:
            return (place,)
        later = range(place + 1, len(inspection.transmissions))
        every = inspection.transmissions
        return (place, *(n for n in later if every[n].calls and near(every[n], check.keying)))
    return None


def check_leaks(
    job: Job, visit_path: Path, set_id: str, session: Session, keying: Keying, listener: str, heard: bool
) -> tuple[bool, str]:
    """File a leak check on the chosen test call; gives whether it passed, and why."""
    from sdrcheck.evidence.filing import RECORDINGS

    folder = document.locate(visit_path).parent
    base = folder / RECORDINGS / f"{set_id}-leak-check-{now_utc():%Y%m%dT%H%M%SZ}"
    return file_step(
        visit_path,
        set_id,
        "leak check",
        keep_keying(job, session, keying, base).path,
        listener=listener,
        heard=heard,
        tell=lambda part: job.tell(part, "inspecting"),
    )


def witness_silence(job: Job, visit_path: Path, set_id: str, session: Session) -> tuple[bool, str]:
    """Record the five minutes from now on and file whether the set's frequency was silent."""
    from sdrcheck.evidence.filing import RECORDINGS

    folder = document.locate(visit_path).parent
    distress_check(plan.make(document.load(visit_path)), set_id, "silence")
    now_s = session.memory_span_s[1]
    base = free_name(folder / RECORDINGS / f"{set_id}-silence-{now_utc():%Y%m%dT%H%M%SZ}")
    base.parent.mkdir(parents=True, exist_ok=True)
    seconds = SILENCE_S + _SPARE_S
    keeping = session.keep_from(base, max(now_s - _JUST_NOW_S, 0.0), now_s + seconds, "witness of a silence")
    kept = waited_for(job, keeping, seconds, "recording five minutes")
    return file_step(visit_path, set_id, "silence", kept.path, tell=lambda part: job.tell(part, "inspecting"))


@dataclass(frozen=True, slots=True)
class Written:
    """A report on disk, and its pages as PNG pictures."""

    path: Path
    pages: tuple[bytes, ...]


def write_report(
    job: Job, visit_path: Path, paper: str, masked: bool = True, check_id: str | None = None, dots: float = 96.0
) -> Written:
    """Write the report of a visit, or of one check's fault, where `sdrcheck evidence` writes it."""
    from sdrcheck.evidence import case, report
    from sdrcheck.evidence.bundle import safe_name
    from sdrcheck.evidence.renderers import typst

    job.tell(None, "reading the visit")
    whole = case.gather(visit_path, now=now_utc(), masked=masked)
    made = report.of_visit(whole) if check_id is None else report.of_finding(whole, check_id)
    name = "report.pdf" if check_id is None else f"fault-{safe_name(check_id)}.pdf"
    path = whole.folder / REPORTS / name
    job.tell(0.2, "typesetting")
    data = typst.pdf(made, typst.PAPERS[paper])
    job.tell(0.6, "drawing its pages")
    pages = tuple(typst.pages(made, typst.PAPERS[paper], dots))
    with job.whole("writing"):
        document.write_whole(path, data)
    return Written(path, pages)


def pack(job: Job, visit_path: Path, destination: Path) -> Packed:
    """Pack a visit into a folder of bundles."""
    from sdrcheck.evidence import bundle

    return bundle.pack(visit_path, destination, now=now_utc(), tell=lambda part: job.tell(part, "packing"))
