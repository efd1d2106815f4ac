"""All checks on a page or two: how each was answered, what was decided, and what the tool would have proposed."""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.evidence.blocks import Block, Cell, Column, Heading, Listing, Section, Table
from sdrcheck.evidence.case import Case, CheckCase


def section(case: Case) -> Section:
    """The table of all checks in working order, and what the plan does not cover."""
    return Section("overview", tuple(_blocks(case)))


def _blocks(case: Case) -> Iterator[Block]:
    yield Heading(1, "All checks, in working order")
    yield Table(
        (
            Column("Check", 1.7),
            Column("", 2.6),
            Column("Answered", 0.9),
            Column("Tries", 0.5, right=True),
            Column("Outcome", 1.1),
            Column("Reason, or what the tool proposes", 3.2),
        ),
        tuple(_row(case, one) for one in case.checks),
        small=True,
    )
    yield Heading(2, "What this plan does not cover")
    yield Listing((*case.plan.not_covered, *case.plan.remarks), small=True)


def _row(case: Case, one: CheckCase) -> tuple[Cell, ...]:
    outcome = one.state.outcome
    said = case.mask.text(outcome.reason) if outcome else (one.proposal.sentence if one.state.answered else "")
    prefix = "" if outcome or not one.proposal.outcome else "proposed: "
    return (
        Cell(one.check.id),
        Cell(one.check.title),
        Cell(one.check.how.value if one.state.answered else "–"),
        Cell(str(len(one.tries)) if one.tries else "–"),
        Cell(one.outcome, strong=one.outcome == "deficient"),
        Cell(f"{prefix}{said}" if said else ""),
    )
