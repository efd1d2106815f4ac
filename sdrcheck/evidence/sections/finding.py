"""The fault report's own part: one finding, so well told that the workshop believes it."""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.evidence import causes
from sdrcheck.evidence.blocks import Block, Cell, Column, Facts, Heading, Listing, Paragraph, Section, Signatures, Table
from sdrcheck.evidence.case import Case, CheckCase
from sdrcheck.evidence.sections import detail, papers, summary
from sdrcheck.findings.inspection import Reading
from sdrcheck.findings.wording import format_limit, format_reading
from sdrcheck.visits.proposal import HEADING


def first_page(case: Case, one: CheckCase) -> Section:
    """Symptom, limit, likely causes, what to do next, how it was connected."""
    return Section("finding", tuple(_first_page(case, one)))


def evidence(case: Case, one: CheckCase) -> Section:
    """The check itself, all its tries and pictures."""
    return Section("evidence", (Heading(1, "Evidence"), *detail.check_blocks(case, one)), new_page=True)


def _first_page(case: Case, one: CheckCase) -> Iterator[Block]:
    yield summary.identity(case)
    yield Heading(2, "The set")
    yield Facts(tuple(_set_rows(case, one)))
    yield Heading(2, "Symptom")
    symptoms = list(_symptoms(case, one))
    if symptoms:
        yield Listing(tuple(symptoms))
    else:
        yield Paragraph("The last try of this check shows nothing that misses a limit or contradicts the papers.")
    failing = causes.failing(one)
    if failing:
        yield Heading(2, "Limit")
        yield Table(
            (Column("Reading", 2.4), Column("Limit", 1.6), Column("Standing", 1), Column("Source", 3)),
            tuple(_limit_row(reading) for reading in failing),
            small=True,
        )
        if not any(reading.limit and reading.limit.standing in HEADING for reading in failing):
            yield Paragraph("None of these limits is a survey item or a regulation: this is advice, not a deficiency.")
    likely = causes.of_check(one)
    yield Heading(2, "Likely causes, and what to do next (common practice, not proof)")
    if likely:
        yield Table(
            (Column("Likely cause", 3), Column("Next step", 3)),
            tuple((Cell(cause.cause), Cell(cause.next_step)) for cause in likely),
            small=True,
        )
    else:
        yield Paragraph("No common cause is known to this program; ask the maker's workshop.")
    yield Heading(2, "How it was connected")
    yield Facts(tuple(_connection(case, one)), columns=1)
    calibrated = [comparison for _, comparison in one.comparisons if comparison]
    if calibrated:
        yield Paragraph(f"A calibrated instrument beside it: {'; '.join(c.sentence for c in calibrated)}.")
    else:
        yield Paragraph("No calibrated instrument was read beside it: confirm with one before parts are changed.")
    yield Paragraph(
        "Only licensed or authorised persons open approved equipment or program identities; seals and warranty are the "
        "owner's matter.",
        style="small",
    )
    yield Signatures((f"{case.visit.job.who}", "workshop"))


def _set_rows(case: Case, one: CheckCase) -> Iterator[tuple[str, str]]:
    radio = one.radio
    if radio is None:
        return
    yield "Set", radio.title
    yield "Serial", radio.serial or "not stated"
    yield "Software", ", ".join(word for word in (radio.software, radio.channel_file) if word) or "not stated"
    yield "Identity by the papers", case.visit.identity_of(radio) or "not stated"
    yield "Check", one.check.title
    yield "Outcome", one.outcome


def _symptoms(case: Case, one: CheckCase) -> Iterator[str]:
    outcome = one.state.outcome
    if outcome and outcome.reason:
        yield case.mask.text(outcome.reason)
    for reading in causes.failing(one):
        yield f"{reading.quantity} {format_reading(reading)}: {reading.verdict}"
    for found in one.conclusions:
        if found.agrees is False:
            yield detail.conclusion(found).removeprefix("Look here: ")
    for found in case.across:
        if found.check is None and found.agrees is not True and one.check.set_id and one.check.set_id in found.sentence:
            yield detail.conclusion(found).removeprefix("Look here: ")


def _limit_row(reading: Reading) -> tuple[Cell, ...]:
    assert reading.limit is not None
    return (
        Cell(f"{reading.quantity} {format_reading(reading)}"),
        Cell(format_limit(reading.limit, reading.unit)),
        Cell(reading.limit.standing),
        Cell(reading.limit.source),
    )


def _connection(case: Case, one: CheckCase) -> Iterator[tuple[str, str]]:
    radio = one.radio
    if radio is not None:
        where = "closed cable" if radio.closed_cable else "not a closed cable"
        yield "Set", ", ".join(word for word in (where, radio.connection, radio.antenna) if word)
    yield "Chain", case.visit.chain
    yield "Frequency reference", papers.reference_text(case.visit.reference)
    if one.last:
        yield "Recording", one.last.entry.recording
