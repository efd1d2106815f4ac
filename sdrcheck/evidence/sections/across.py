"""What shows only across checks, and the way through the gates."""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.evidence.blocks import Block, Cell, Column, Heading, Listing, Section, Table
from sdrcheck.evidence.case import Case
from sdrcheck.evidence.sections import detail


def section(case: Case) -> Section:
    """Patterns over channels and sets, power steps, leak checks, silence."""
    return Section("across", tuple(_blocks(case)))


def _blocks(case: Case) -> Iterator[Block]:
    if case.across:
        yield Heading(1, "Across checks and sets")
        yield Listing(tuple(detail.conclusion(one) for one in case.across))
    steps = [step for radio in case.visit.sets for step in case.ledger.gate_steps(radio.id)]
    if steps:
        yield Heading(2, "Gates: before a distress format, and before an antenna went back")
        yield Table(
            (Column("UTC", 1.2), Column("Set", 0.8), Column("Step", 1.2), Column("Passed", 0.6), Column("", 4)),
            tuple(
                (
                    Cell(f"{step.utc:%Y-%m-%d %H:%M:%S}"),
                    Cell(step.set),
                    Cell(step.step),
                    Cell("yes" if step.passed else "no", strong=not step.passed),
                    Cell(case.mask.text(step.detail)),
                )
                for step in steps
            ),
            small=True,
        )
