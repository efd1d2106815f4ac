"""Reports: a whole visit, or one finding for the workshop. Sections in, one document out, rendered elsewhere."""

from __future__ import annotations

from collections.abc import Callable

from sdrcheck import __version__
from sdrcheck.errors import VisitError
from sdrcheck.evidence.blocks import Report, Section
from sdrcheck.evidence.case import Case
from sdrcheck.evidence.sections import (
    across,
    detail,
    finding,
    method,
    overview,
    papers,
    recordings,
    sources,
    summary,
)

SECTIONS: tuple[Callable[[Case], Section], ...] = (
    summary.section,
    papers.section,
    overview.section,
    detail.section,
    across.section,
    method.section,
    sources.section,
    recordings.section,
)
"""The parts of a visit's report, in order; a new part is a file in `sections/` and a line here."""


def of_visit(case: Case) -> Report:
    """The report of a whole visit."""
    return _report(case, "Radio visit report", tuple(section(case) for section in SECTIONS))


def of_finding(case: Case, check_id: str) -> Report:
    """The fault report of one check; raises VisitError where nothing was done for it yet."""
    one = case.check(check_id)
    if not one.state.begun:
        raise VisitError(f"nothing was done for {check_id} yet, so there is no finding to report")
    sections = (
        finding.first_page(case, one),
        finding.evidence(case, one),
        Section("method", tuple(method.blocks([one])), new_page=True),
        Section("sources", tuple(sources.blocks([one], case.visit.job.limit_set))),
        Section("recordings", tuple(recordings.blocks([one]))),
    )
    return _report(case, "Fault report", sections)


def _report(case: Case, title: str, sections: tuple[Section, ...]) -> Report:
    visit = case.visit
    return Report(
        title=title,
        subject=visit.title or f"{visit.ship.name}, {case.now:%Y-%m-%d}",
        running=f"{title} · {visit.ship.name}",
        foot=f"A second witness; it certifies nothing. Made {case.now:%Y-%m-%d %H:%M} UTC by sdrcheck {__version__}.",
        author=visit.job.who,
        date=f"{case.now:%Y-%m-%d}",
        invented=visit.invented,
        sections=tuple(section for section in sections if section.blocks),
    )
