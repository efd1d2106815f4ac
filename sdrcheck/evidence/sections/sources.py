"""Annex: every limit that was used, with its document, standing and how sure we are of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sdrcheck.evidence.blocks import Block, Cell, Column, Heading, Paragraph, Section, Table
from sdrcheck.evidence.case import Case, CheckCase
from sdrcheck.evidence.sections.detail import MARK_WORDS
from sdrcheck.findings.inspection import AppliedLimit
from sdrcheck.findings.wording import format_limit
from sdrcheck.limits.limit import Standing


def section(case: Case) -> Section:
    """All limits that a reading of the visit was held against."""
    return Section("sources", tuple(blocks(case.checks, case.visit.job.limit_set)))


def blocks(checks: Iterable[CheckCase], limit_set: str) -> Iterator[Block]:
    """The table of limits, weightiest standing first."""
    used: dict[tuple[str, str], tuple[AppliedLimit, str]] = {}
    spans: dict[tuple[str, str], list[str]] = {}
    for one in checks:
        for tried in one.tries:
            for transmission in tried.transmissions:
                for reading in transmission.readings:
                    if reading.limit is not None:
                        key = (reading.limit.id, reading.quantity)
                        used.setdefault(key, (reading.limit, reading.unit))
                        spans.setdefault(key, []).append(format_limit(reading.limit, reading.unit))
    yield Heading(1, "Annex: limits and their sources")
    yield Paragraph(
        f"Set of limits: {limit_set}. Standing says how much weight a limit carries aboard: a survey item or a "
        "regulation may head a report; a type-test figure missed on the quay is advice. A source marked “from memory” "
        "was not at hand when the limit was written down: confirm it in the edition in force.",
        style="small",
    )
    if not used:
        yield Paragraph("No reading was held against a limit.")
        return
    order = [standing.value for standing in Standing]
    rows = sorted(used.items(), key=lambda item: (order.index(item[1][0].standing), item[0]))
    yield Table(
        (
            Column("Limit", 0.9),
            Column("Quantity", 1.6),
            Column("Span", 1.5),
            Column("Standing", 1.1),
            Column("Source", 4),
        ),
        tuple(
            (
                Cell(limit.id),
                Cell(key[1]),
                Cell(format_limit(limit, unit) + (" and so on, by channel" if len(set(spans[key])) > 1 else "")),
                Cell(limit.standing),
                Cell(limit.source + (f" ({MARK_WORDS[limit.mark]})" if limit.mark in MARK_WORDS else "")),
            )
            for key, (limit, unit) in rows
        ),
        small=True,
    )
