"""Annex: how it was measured, how sure it is, and by which rule it was judged, ILAC-G8's own words included."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from sdrcheck.evidence.blocks import Block, Cell, Column, Heading, Listing, Paragraph, Section, Table
from sdrcheck.evidence.case import Case, CheckCase
from sdrcheck.findings.inspection import Reading
from sdrcheck.findings.wording import decimals_for, format_number, format_reading
from sdrcheck.verdicts.judge import Verdict

MOST_BUDGETS = 12

ILAC_WORDS = (  # ILAC-G8:09/2019, 4.2.3; TL tolerance limit, w guard band
    (Verdict.PASS, "Pass", "the reading lies inside the limit by at least U"),
    (Verdict.PASS_NOT_PROVEN, "Conditional Pass", "inside the limit, by less than U (between TL − w and TL)"),
    (Verdict.FAIL_NOT_PROVEN, "Conditional Fail", "outside the limit, by less than U (between TL and TL + w)"),
    (Verdict.FAIL, "Fail", "outside the limit by at least U"),
)


def section(case: Case) -> Section:
    """Rule of decision, uncertainty, budgets, agreement with meters."""
    return Section("method", tuple(blocks(case.checks)), new_page=True)


def blocks(checks: Sequence[CheckCase]) -> Iterator[Block]:
    """The annex for these checks."""
    yield Heading(1, "Annex: method")
    yield Heading(2, "Rule of decision")
    yield Paragraph(
        "Readings are judged by the non-binary rule of ILAC-G8:09/2019, clause 4.2.3, with a guard band as wide as the "
        "expanded uncertainty (w = U, k = 2). At the edge of “pass” the risk of accepting what is outside the limit is "
        "below 2.5 %. A limit that is doubtful, or that only a calibrated meter can prove, never yields a bare word. "
        "Aboard, “conditional” already means something else, so two of the four words are different here:"
    )
    yield Table(
        (Column("In this report", 1.3), Column("ILAC-G8's own word", 1.3), Column("Meaning", 4)),
        tuple((Cell(ours.value), Cell(theirs), Cell(meaning)) for ours, theirs, meaning in ILAC_WORDS),
        small=True,
    )
    yield Heading(2, "Uncertainty")
    yield Listing(
        (
            "Every value carries an expanded uncertainty U = 2·u, about 95 % where the degrees of freedom are many. "
            "Its terms combine as a root sum of squares (JCGM 100). Values are rounded to two significant digits of U.",
            "Frequencies are corrected by δ = (indicated − true)/true of the receiver's reference; true = "
            "indicated/(1 + δ). The same δ goes for everything timed by the sample clock.",
            "Level is relative to full scale (dBFS) unless a level at the set is given; the dongle's gain moves with "
            "temperature. A level never fails a set by itself.",
            "A calibrated meter's reading is compared by E_n = (tool − meter)/√(U² + U²): they agree where |E_n| ≤ 1 "
            "(ISO 13528).",
            "The condition of the signal belongs to a reading: what a condition cannot support is absent, not wrong. "
            "Distortion is not judged for a sounder at the microphone.",
        ),
        small=True,
    )
    budgets = list(_budgets(checks))
    if budgets:
        yield Heading(2, "Uncertainty budgets")
        yield Paragraph(
            "Standard uncertainties in the unit of the reading. Where a quantity was read more than once, the "
            "budget of its first reading stands for the others.",
            style="small",
        )
        yield Table(
            (
                Column("Reading", 2.6),
                Column("Term", 2.4),
                Column("Distribution", 1.1),
                Column("u", 1.1, right=True),
                Column("share of u²", 0.9, right=True),
            ),
            tuple(budgets),
            small=True,
        )
    methods = _methods(checks)
    if methods:
        yield Heading(2, "How each quantity was read")
        yield Table(
            (Column("Quantity", 3), Column("Method, with the length of the first reading", 4)),
            tuple((Cell(", ".join(quantities)), Cell(method)) for method, quantities in methods.items()),
            small=True,
        )


def _methods(checks: Iterable[CheckCase]) -> dict[str, list[str]]:
    """Methods and what was read by them; of a quantity on one emission only its first reading's method is told."""
    first: dict[tuple[str, str], str] = {}
    for one in checks:
        for transmission in one.transmissions:
            for reading in transmission.readings:
                if reading.method:
                    first.setdefault((transmission.emission, reading.quantity), reading.method)
    grouped: dict[str, list[str]] = {}
    for (emission, quantity), method in first.items():
        grouped.setdefault(f"{emission}: {method}", []).append(quantity)
    return grouped


def _budgets(checks: Iterable[CheckCase]) -> Iterator[tuple[Cell, ...]]:
    shown: set[str] = set()
    for one in checks:
        for transmission in one.transmissions:
            for reading in transmission.readings:
                if reading.quantity in shown or not reading.terms or reading.limit is None:
                    continue
                if len(shown) == MOST_BUDGETS:
                    return
                shown.add(reading.quantity)
                yield from _budget(one, reading)


def _budget(one: CheckCase, reading: Reading) -> Iterator[tuple[Cell, ...]]:
    total = sum(term.standard**2 for term in reading.terms)
    decimals = decimals_for(reading.uncertainty / 2, reading.value) + 1
    first = f"{reading.quantity}: {format_reading(reading)} ({one.check.id})"
    for place, term in enumerate(sorted(reading.terms, key=lambda term: -term.standard)):
        yield (
            Cell(first if place == 0 else ""),
            Cell(term.name),
            Cell(term.distribution),
            Cell(f"{format_number(term.standard, decimals)} {reading.unit}", whole=True),
            Cell(f"{term.standard**2 / total:.0%}" if total else "–"),
        )
