"""The first page: what was tested, what was found, what was decided, and what the second witness cannot say."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sdrcheck.evidence.blocks import (
    Block,
    Cell,
    Column,
    Facts,
    Heading,
    Listing,
    Paragraph,
    Section,
    Signatures,
    Table,
)
from sdrcheck.evidence.case import Case, CheckCase
from sdrcheck.findings.inspection import Reading
from sdrcheck.findings.wording import enumerate_words, format_limit, format_reading
from sdrcheck.verdicts.judge import Verdict
from sdrcheck.visits.checks.check import How
from sdrcheck.visits.proposal import HEADING, telling
from sdrcheck.visits.results import OUTCOMES

CANNOT_SAY = (
    "It certifies nothing and decides nothing. Calibrated instruments, the surveyor, the flag and local rules do.",
    "Its levels are relative: power and line quality of record come from the calibrated meters written beside them.",
    "“Not proven” means that the uncertainty reaches across the limit, or that the limit itself is doubtful.",
    "What was not keyed into its cable it did not hear; silence proves nothing unless something was due.",
)


def section(case: Case) -> Section:
    """The first page of a visit's report."""
    return Section("summary", tuple(_blocks(case)))


def _blocks(case: Case) -> Iterator[Block]:
    yield identity(case)
    yield Paragraph(_counted(case), style="strong")
    found = list(_to_act_on(case))
    yield Heading(2, "What was found, and what to do about it")
    if found:
        yield Listing(tuple(text for _, text in found), tuple(lead for lead, _ in found), numbered=True)
    else:
        yield Paragraph("No check was found deficient, and no survey item or regulation is missed.")
    open_points = list(_left_open(case))
    if open_points:
        yield Heading(2, "Not settled by this witness")
        yield Listing(tuple(open_points), small=True)
    yield Heading(2, "Outcomes, as set by the person who signs")
    yield _outcomes(case)
    yield Heading(2, "What this second witness cannot say")
    yield Listing(CANNOT_SAY, small=True)
    yield Signatures((f"{case.visit.job.who}, who set the outcomes", "for the ship"))


def identity(case: Case) -> Facts:
    """Ship, place, time and persons."""
    ship, job = case.visit.ship, case.visit.job
    rows = (
        ("Ship", ship.name),
        ("Where", job.where or "not stated"),
        ("Call sign, MMSI", " · ".join(word for word in (ship.call_sign, ship.mmsi) if word) or "not stated"),
        ("When", f"{job.started:%Y-%m-%d %H:%M} UTC" if job.started else "not stated"),
        ("IMO number, flag", " · ".join(word for word in (ship.imo_number, ship.flag) if word) or "not stated"),
        ("Who", " · ".join(word for word in (job.who, job.firm) if word)),
        ("Sea areas", ", ".join(ship.sea_areas) or "not stated"),
        ("Purpose", job.purpose or "not stated"),
    )
    return Facts(rows)


def _counted(case: Case) -> str:
    planned = len(case.checks)
    settled = [one for one in case.checks if one.state.outcome]
    by_word = [
        f"{sum(one.outcome == word for one in settled)} {word}"
        for word in OUTCOMES
        if any(one.outcome == word for one in settled)
    ]
    how = [f"{sum(one.check.how is how and one.state.answered for one in case.checks)} {how.value}" for how in How]
    sets = enumerate_words(radio.title for radio in case.visit.sets) or "no sets"
    outcomes = enumerate_words(by_word) if by_word else "no outcome set"
    rest = f", {planned - len(settled)} still open" if planned > len(settled) else ""
    return f"Tested: {sets}. {planned} checks planned: {outcomes}{rest}. Answered so far: {enumerate_words(how)}."


def _to_act_on(case: Case) -> Iterator[tuple[str, str]]:
    """Deficient by the person's word, then what weighs as much and has no outcome yet. Only weighty limits."""
    groups: dict[tuple[str | None, str], list[CheckCase]] = {}
    for one in case.checks:
        outcome = one.state.outcome
        if outcome and outcome.outcome == "deficient":
            groups.setdefault((one.check.set_id, outcome.reason), []).append(one)
    for (set_id, reason), ones in groups.items():
        titles = "; ".join(one.check.title for one in ones)
        lead = f"{set_id}: {titles}: deficient." if set_id else f"{titles}: deficient."
        yield lead, f"{_sentence(case.mask.text(reason))} {_why(ones)}".strip()
    for one in case.checks:
        if one.state.outcome is None and one.proposal.outcome == "deficient":
            reasons = _sentence("; ".join(one.proposal.reasons))
            yield f"{_name(one)}: no outcome yet, the tool proposes deficient.", reasons
    for found in case.across:
        if found.check is None and found.agrees is not True:
            yield "Seen across checks.", f"{_sentence(found.sentence)} {_sentence(found.reason)}"


def _why(ones: Sequence[CheckCase]) -> str:
    """The readings and papers behind an outcome, weighty ones only."""
    parts = []
    for one in ones:
        place = f"{_place(one)}: " if len(ones) > 1 else ""
        missed = [reading for t in one.transmissions for reading in t.readings if _missed(reading)]
        parts += [f"{place}{weighty_sentence(reading)}" for reading in telling(missed)]
        parts += [found.sentence.rstrip(".") for found in one.conclusions if found.agrees is False]
    return _sentence("; ".join(dict.fromkeys(parts)))


def _place(one: CheckCase) -> str:
    return f"channel {one.check.keying.channel}" if one.check.keying and one.check.keying.channel else one.check.title


def _missed(reading: Reading) -> bool:
    return (
        reading.limit is not None
        and reading.limit.standing in HEADING
        and reading.verdict in (Verdict.FAIL, Verdict.FAIL_NOT_PROVEN)
    )


def weighty_sentence(reading: Reading) -> str:
    """A reading against its limit in one phrase."""
    assert reading.limit is not None
    limit = format_limit(reading.limit, reading.unit)
    return f"{reading.quantity} {format_reading(reading)}, limit {limit} ({reading.limit.standing}): {reading.verdict}"


def _left_open(case: Case) -> Iterator[str]:
    for one in case.checks:
        unproven = [
            reading
            for transmission in one.transmissions
            for reading in transmission.readings
            if reading.limit is not None
            and reading.limit.standing in HEADING
            and reading.verdict in (Verdict.PASS_NOT_PROVEN, Verdict.FAIL_NOT_PROVEN)
        ]
        if unproven:
            said = "; ".join(weighty_sentence(reading) for reading in telling(unproven))
            yield f"{_name(one)}: {said}. Use a calibrated instrument."
        disagreeing = [comparison for _, comparison in one.comparisons if comparison and comparison.agrees is False]
        for comparison in disagreeing:
            yield f"{_name(one)}, {comparison.quantity}: {comparison.sentence}."
    yield from case.ledger.unreadable


def _outcomes(case: Case) -> Table:
    columns = (Column("", 2.2), *(Column(word, 1.0, right=True) for word in (*OUTCOMES, "open")))
    groups = [(None, "The ship as a whole"), *((radio.id, radio.title) for radio in case.visit.sets)]
    rows = []
    for set_id, title in groups:
        mine = case.of_set(set_id)
        counts = [sum(one.outcome == word for one in mine) for word in (*OUTCOMES, "open")]
        deficient = counts[OUTCOMES.index("deficient")] > 0
        cells = [
            Cell(str(count) if count else "–", strong=bool(count) and word == "deficient")
            for word, count in zip((*OUTCOMES, "open"), counts, strict=True)
        ]
        rows.append((Cell(title, strong=deficient), *cells))
    return Table(columns, tuple(rows), small=True)


def _name(one: CheckCase) -> str:
    return f"{one.check.set_id}, {one.check.title}" if one.check.set_id else one.check.title


def _sentence(text: str) -> str:
    text = text.strip()
    if not any(letter.isdigit() for letter in text.partition(" ")[0]):  # a set's own name stays as it is
        text = text[:1].upper() + text[1:]
    return text if not text or text.endswith((".", "!", "?")) else f"{text}."
