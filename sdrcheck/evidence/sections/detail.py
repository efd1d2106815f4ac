"""One check after another: readings with limits and meters beside, calls, messages, pictures, conclusions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.evidence.blocks import (
    Block,
    Cell,
    Column,
    Heading,
    Listing,
    Paragraph,
    Pictures,
    Ruler,
    Section,
    SymbolCell,
    Symbols,
    Table,
    Verbatim,
)
from sdrcheck.evidence.case import Case, CheckCase, TryCase
from sdrcheck.findings import call_words
from sdrcheck.findings.inspection import Reading, Transmission
from sdrcheck.findings.wording import (
    format_duration,
    format_limit,
    format_place,
    format_reading,
    format_value,
    format_verdict,
)
from sdrcheck.stations import printout as printouts
from sdrcheck.verdicts.judge import Verdict
from sdrcheck.visits.checks.check import How
from sdrcheck.visits.meters import Comparison, low_power_by_ratio
from sdrcheck.visits.papers_check import Conclusion
from sdrcheck.visits.results import MeterReading, Seen

MARK_WORDS = {"M": "from memory", "M?": "doubtful", "C": "practice", "D": "derived"}


def section(case: Case) -> Section:
    """Every check that was begun, by set."""
    return Section("detail", tuple(_blocks(case)), new_page=True)


def _blocks(case: Case) -> Iterator[Block]:
    yield Heading(1, "Check by check")
    begun = [one for one in case.checks if one.state.begun]
    if not begun:
        yield Paragraph("Nothing has been done yet.")
    groups: list[tuple[str | None, str]] = [(None, "The ship as a whole")]
    groups += [(radio.id, radio.title) for radio in case.visit.sets]
    for set_id, title in groups:
        mine = [one for one in begun if one.check.set_id == set_id]
        if mine:
            yield Heading(2, title)
        looked_at = [one for one in mine if one.check.how is How.SEEN]
        if looked_at:
            yield _looked_at(case, looked_at)
        for one in mine:
            if one.check.how is not How.SEEN:
                yield from check_blocks(case, one)


def _looked_at(case: Case, checks: Sequence[CheckCase]) -> Table:
    rows = []
    for one in checks:
        seen = "; ".join(_seen(case, entry) for entry in one.state.seen) or "–"
        reason = case.mask.text(one.state.outcome.reason) if one.state.outcome else ""
        rows.append(
            (
                Cell(one.check.title),
                Cell(seen),
                Cell(one.outcome + (f": {reason}" if reason else ""), strong=one.outcome == "deficient"),
            )
        )
    return Table((Column("Looked at", 2.2), Column("Seen", 2.6), Column("Outcome", 1.8)), tuple(rows), small=True)


def _seen(case: Case, entry: Seen) -> str:
    word = "as it should be" if entry.as_it_should else "not as it should be"
    note = f": {case.mask.text(entry.note)}" if entry.note else ""
    return f"{entry.utc:%H:%M} UTC, {word}{note}"


def check_blocks(case: Case, one: CheckCase, *, pictures: bool = True) -> Iterator[Block]:
    """Everything about one check."""
    yield Heading(3, f"{one.check.title}")
    outcome = one.state.outcome
    decided = f"Outcome: {one.outcome}"
    if outcome and outcome.reason:
        decided += f", {case.mask.text(outcome.reason).rstrip('.')}"
    proposed = f" The tool proposes: {one.proposal.sentence.rstrip('.')}." if one.state.tries else ""
    yield Paragraph(f"{one.check.id} · {decided}.{proposed}", style="small")
    for seen in one.state.seen:
        yield Paragraph(f"Seen{_by(seen.who)}, {_seen(case, seen)}.")
    loose = [(meter, comparison) for meter, comparison in one.comparisons if comparison is None]
    if loose:
        yield _meters(case, loose)
    for number, tried in enumerate(one.tries, 1):
        last = number == len(one.tries)
        yield from _try(case, one, tried, number, last=last, pictures=pictures and last)
    if one.printout_trouble:
        yield Paragraph(one.printout_trouble, style="caution")
    if one.printout is not None:
        yield from _printout(one.printout)
    if one.conclusions:
        yield Listing(tuple(conclusion(found) for found in one.conclusions))


def conclusion(found: Conclusion) -> str:
    """A conclusion with its reason."""
    reason = found.reason[:1].upper() + found.reason[1:].rstrip(".")
    return f"{'Look here: ' if found.agrees is False else ''}{found.sentence} {reason}.".replace(" .", "")


def _by(who: str) -> str:
    return f" by {who}" if who else ""


def _meters(case: Case, loose: Sequence[tuple[MeterReading, Comparison | None]]) -> Table:
    return Table(
        (Column("Calibrated meter", 2), Column("Reading", 1.5), Column("Instrument", 2), Column("Supply, note", 2)),
        tuple(
            (
                Cell(meter.quantity),
                Cell(format_value(meter.value, meter.uncertainty or 0.0, meter.unit), whole=True),
                Cell(_instrument(case, meter)),
                Cell(", ".join(word for word in (meter.supply, meter.note) if word)),
            )
            for meter, _ in loose
        ),
        small=True,
    )


def _instrument(case: Case, meter: MeterReading) -> str:
    found = case.visit.instrument_named(meter.instrument)
    if found is None:
        return meter.instrument or "not stated"
    due = f", due {found.due.isoformat()}" if found.due else ""
    overdue = " (overdue)" if found.due and found.due < meter.utc.date() else ""
    return f"{found.name}{due}{overdue}"


def _try(case: Case, one: CheckCase, tried: TryCase, number: int, *, last: bool, pictures: bool) -> Iterator[Block]:
    entry = tried.entry
    count = f"Try {number} of {len(one.tries)}" if len(one.tries) > 1 else "Recorded"
    supply = f", {entry.supply} supply" if entry.supply != "main" else ""
    tone = f", tone {entry.tone_source}" if entry.tone_source else ""
    yield Paragraph(
        f"{count} at {entry.utc:%Y-%m-%d %H:%M:%S} UTC{_by(entry.who)}{supply}{tone}; {entry.recording}", style="small"
    )
    if tried.trouble:
        yield Paragraph(tried.trouble, style="caution")
    for remark in entry.remarks:
        yield Paragraph(case.mask.text(remark))
    if not tried.transmissions and not tried.trouble:
        yield Paragraph("No keying in it fits the check.")
    for place, transmission in enumerate(tried.transmissions):
        yield from _transmission(case, one, transmission, last=last)
        if pictures and place < 2 and place < len(tried.pictures) and tried.pictures[place]:
            yield Pictures(tried.pictures[place])


def _transmission(case: Case, one: CheckCase, transmission: Transmission, *, last: bool) -> Iterator[Block]:
    kind = transmission.kind.value
    yield Paragraph(
        f"{format_place(transmission)}: {kind}, {transmission.condition}, {transmission.emission}, "
        f"{format_duration(transmission.duration_s)} from {transmission.start_s:.3f} s of the recording."
    )
    if transmission.readings:
        yield _readings(one, transmission, last=last)
    for call_number, call in enumerate(transmission.calls):
        yield from _call(call, call_number, transmission.calls)
    for message in transmission.messages:
        yield from _message(message)
    if transmission.remarks:
        yield Listing(transmission.remarks, small=True)
    by_ratio = _by_ratio(case, one, transmission) if last else ""
    if by_ratio:
        yield Paragraph(by_ratio)


def _readings(one: CheckCase, transmission: Transmission, *, last: bool) -> Table:
    beside = {comparison.quantity: (meter, comparison) for meter, comparison in one.comparisons if comparison and last}
    columns = [
        Column("Quantity", 1.6),
        Column("Value ± U (k = 2)", 1.7),
        Column("Limit", 1.9),
        Column("", 1.0),
        Column("Verdict", 1.0),
    ]
    if beside:
        columns.append(Column("Calibrated meter beside it", 2.0))
    rows = []
    for reading in transmission.readings:
        row = [
            Cell(reading.quantity),
            Cell(format_reading(reading), whole=True),
            Cell(_limit(reading)),
            Cell(ruler=_ruler(reading)),
            Cell(format_verdict(reading), strong=reading.verdict == Verdict.FAIL),
        ]
        if beside:
            row.append(Cell(_beside(*beside[reading.quantity]) if reading.quantity in beside else ""))
        rows.append(tuple(row))
    return Table(tuple(columns), tuple(rows), small=True)


def _limit(reading: Reading) -> str:
    if reading.limit is None:
        return "–"
    mark = MARK_WORDS.get(reading.limit.mark, "")
    standing = ", ".join(word for word in (reading.limit.standing, mark) if word)
    return f"{format_limit(reading.limit, reading.unit)} ({standing}; {reading.limit.id})"


def _ruler(reading: Reading) -> Ruler | None:
    if reading.limit is None or (reading.limit.low is None and reading.limit.high is None):
        return None
    return Ruler(low=reading.limit.low, high=reading.limit.high, value=reading.value, uncertainty=reading.uncertainty)


def _beside(meter: MeterReading, comparison: Comparison) -> str:
    shown = format_value(comparison.meter, comparison.meter_uncertainty or 0.0, comparison.unit)
    return f"{shown}; {comparison.sentence}"


def _call(call: Call, number: int, calls: Sequence[Call]) -> Iterator[Block]:
    name = "Call" if len(calls) == 1 else f"Call {number + 1} of {len(calls)}"
    gap = f", {abs(call.gap_before_bits):.1f} bit after the one before" if call.gap_before_bits is not None else ""
    earlier = next((place for place in range(number) if _same(calls[place], call)), None)
    if earlier is not None:
        yield Paragraph(f"{name}{gap}: says the same as call {earlier + 1}, good in every symbol.", style="small")
        return
    yield Paragraph(f"{name} at {call.start_s:.3f} s{gap}: {' '.join(call_words.sentences(call))}")
    cells = tuple(
        SymbolCell(_symbol(cell.first), _symbol(cell.second), _symbol(cell.accepted), cell.sound, cell.combined)
        for cell in call_words.grid(call)
    )
    if cells:
        yield Symbols(cells, title="Symbols, first and second copy, and what was accepted")
    if call.remarks:
        yield Listing(call.remarks, small=True)


def _same(one: Call, other: Call) -> bool:
    sound = all(cell.sound for cell in call_words.grid(other))
    return sound and call_words.sentences(one) == call_words.sentences(other)


def _symbol(symbol: int | None) -> str:
    if symbol is None:
        return ""
    return f"{symbol:02d}" if symbol >= 0 else "··"  # a masked one


def _message(message: Message) -> Iterator[Block]:
    name = "".join(part or "?" for part in (message.station, message.subject, message.number))
    end = "complete" if message.complete else "its end was not received"
    yield Paragraph(f"Message {name} at {message.start_s:.1f} s, {end}:")
    yield Verbatim(message.body)
    ratio = f" ({message.character_error_ratio:.1%})" if message.character_error_ratio is not None else ""
    yield Paragraph(
        f"{message.characters} characters; {message.character_errors} lost to an ordinary receiver{ratio}, "
        f"{message.character_errors_repaired} after joining both copies. {_receiver(message)}",
        style="small",
    )
    if message.remarks:
        yield Listing(message.remarks, small=True)


def _receiver(message: Message) -> str:
    receiver = message.ordinary_receiver
    would = "print" if receiver.printed else "not print"
    return f"A conforming receiver would {would} it: {receiver.reason.rstrip('.')}."


MOST_DIFFERENCES = 30


def _printout(found: printouts.Comparison) -> Iterator[Block]:
    """The ship's print-out held against the decode, place by place where they differ."""
    yield Paragraph(f"The ship's print-out against the air: {found.conclusion}")
    rows = []
    for pair in found.pairs:
        for difference in pair.differences[:MOST_DIFFERENCES]:
            rows.append(
                (
                    Cell(pair.identity or "?"),
                    Cell(str(difference.line)),
                    Cell(_around(difference.before, difference.dongle, difference.after)),
                    Cell(_around(difference.before, difference.ship, difference.after)),
                )
            )
        if len(pair.differences) > MOST_DIFFERENCES:
            more = len(pair.differences) - MOST_DIFFERENCES
            rows.append((Cell(pair.identity or "?"), Cell(""), Cell(f"and {more} more places"), Cell("")))
    if rows:
        yield Table(
            (
                Column("Message", 0.8),
                Column("Line", 0.4, right=True),
                Column("Heard", 3),
                Column("Printed by the ship", 3),
            ),
            tuple(rows),
            small=True,
        )
    if found.problems:
        yield Listing(found.problems, small=True)


def _around(before: str, middle: str, after: str) -> str:
    """A differing place with what stands around it; an empty one is shown as nothing between the marks."""
    return f"…{before}[{middle}]{after}…".replace("\n", " / ")


def _by_ratio(case: Case, one: CheckCase, low: Transmission) -> str:
    """Low power as metered high power less the measured ratio, where both are there."""
    if not one.check.id.endswith("-low") or one.check.set_id is None:
        return ""
    high = next((other for other in case.checks if other.check.id == one.check.id.removesuffix("low") + "high"), None)
    if high is None or not high.transmissions:
        return ""
    metered = [meter for meter in high.state.meters if meter.quantity == "forward power" and meter.unit == "W"]
    top, level = high.transmissions[0].reading("level"), low.reading("level")
    if not metered or metered[-1].value <= 0 or top is None or level is None:
        return ""
    watts, spread = low_power_by_ratio(metered[-1], top, level)
    return (
        f"Low power by ratio: about {format_value(watts, spread, 'W')}, from {metered[-1].value:g} W metered on high "
        f"power and {top.value - level.value:.1f} dB between the steps."
    )
