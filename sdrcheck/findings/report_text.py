"""The inspection on the terminal: readable at a glance, at 80 columns, and without colour.

What came off the air, or out of somebody's file name, is printed as text and never as markup; characters that could
move the cursor or turn the line around are shown by their code.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable, Iterator

from rich.console import Console
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from sdrcheck.channels.channel import Mark
from sdrcheck.channels.plan import frequency_text
from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.findings import call_words
from sdrcheck.findings.inspection import AppliedLimit, Inspection, Reading, Relation, Transmission
from sdrcheck.findings.wording import (
    enumerate_words,
    format_duration,
    format_limit,
    format_place,
    format_reading,
    format_value,
)
from sdrcheck.limits.sets import LIMIT_SETS
from sdrcheck.verdicts.judge import Verdict

INDENT = 3
GRID_COLUMNS = 16
PHASING_SYMBOLS = 14

_UNPRINTABLE = ("Cc", "Cf", "Co", "Cn", "Cs", "Zl", "Zp")
"""Unicode categories: control, format (among them the ones that turn text around), unassigned, line separators."""

_VERDICTS = {  # verdict -> sign in front of the row, style
    Verdict.PASS: (" ", "green"),
    Verdict.PASS_NOT_PROVEN: ("?", "yellow"),
    Verdict.FAIL_NOT_PROVEN: ("?", "yellow"),
    Verdict.FAIL: ("!", "bold red"),
}
_MARKS = {
    Mark.MEMORY: ", from memory",
    Mark.DOUBTFUL: ", doubtful",
    Mark.PRACTICE: ", practice",
    Mark.DERIVED: ", derived",
}

UNCERTAINTY = (
    "Uncertainties are expanded, k = 2 (about 95 %). “Not proven” means that the uncertainty reaches across the limit, "
    "or that the limit is doubtful or proven by a calibrated meter only."
)
CAUTION = (
    "A second witness, no certificate: calibrated instruments, local rules and licensed persons decide. Never send a "
    "distress alert to test; other people's traffic is secret."
)


def render(inspection: Inspection, console: Console) -> None:
    """Print the whole report."""
    _print_head(inspection, console)
    if len(inspection.transmissions) > 1:
        _print_glance(inspection, console)
    for number, transmission in enumerate(inspection.transmissions, 1):
        render_transmission(transmission, number, console)
    if inspection.relations:
        console.print(Rule(Text("across transmissions"), align="left", characters="-"))
        for relation in inspection.relations:
            _bullet(f"{_numbers(relation)}: {relation.remark}", console)
        console.print()
    _print_foot(inspection, console)


def render_transmission(transmission: Transmission, number: int, console: Console) -> None:
    """Print one transmission: heading, readings, calls, messages, remarks."""
    title = f"{number}  {format_place(transmission)}  {_kind(transmission)}"
    console.print(Rule(Text(_printable(title), style="bold"), align="left", characters="-"))
    utc = f"{transmission.start_utc}, " if transmission.start_utc else ""
    _line(
        f"{utc}{transmission.start_s:.3f} s from the start, {format_duration(transmission.duration_s)} long, "
        f"{transmission.emission}",
        console,
    )
    if transmission.readings:
        console.print(Padding(_readings_table(transmission.readings), (1, 0, 0, 0), expand=False))
    else:
        _line("Nothing could be measured.", console)
    for place, call in enumerate(transmission.calls):
        _print_call(call, place, transmission.calls, console)
    for message in transmission.messages:
        _print_message(message, console)
    if transmission.stray_text.strip():
        console.print()
        _line("Text outside any message:", console)
        _quote(transmission.stray_text, console)
    if transmission.remarks:
        console.print()
        for remark in transmission.remarks:
            _bullet(remark, console)
    console.print()


def at_a_glance(transmission: Transmission) -> str:
    """One line that says what a transmission was and how it stands: for lists."""
    verdicts = [reading.verdict for reading in transmission.readings]
    counts = {verdict: verdicts.count(verdict) for verdict in Verdict}
    not_proven = counts[Verdict.PASS_NOT_PROVEN] + counts[Verdict.FAIL_NOT_PROVEN]
    parts = [
        f"{count} {word}"
        for count, word in ((counts[Verdict.FAIL], "fail"), (not_proven, "not proven"), (counts[Verdict.PASS], "pass"))
        if count
    ]
    refused = sum(not call.ordinary_receiver.accepted for call in transmission.calls)
    if refused:
        parts.insert(0, "call an ordinary receiver refuses")
    return ", ".join(parts) or "not judged"


# -- head and foot ----------------------------------------------------------------------------------------------------


def _print_head(inspection: Inspection, console: Console) -> None:
    recording = inspection.recording
    rows = [("recording", recording.path)]
    rate = recording.sample_rate_hz
    rate_text = f"{rate / 1e6:g} MS/s" if rate >= 1e6 else f"{rate / 1e3:g} kS/s"
    centre = frequency_text(recording.centre_frequency_hz)
    start = f", from {recording.start_utc}" if recording.start_utc else ", start time unknown"
    rows.append(("", f"{format_duration(recording.duration_s)} at {rate_text} around {centre}{start}"))
    seal = {
        True: "SHA-512 fits what the recording says of itself",
        False: "SHA-512 DOES NOT FIT: the samples are not those that were recorded",
        None: "no SHA-512 to hold it against",
    }[recording.hash_matches]
    rows.append(("", seal))
    trouble = []
    if recording.clipped_fraction:
        trouble.append(f"{recording.clipped_fraction:.3%} of the samples clipped")
    if recording.lost_samples:
        trouble.append(f"{recording.lost_samples} samples lost")
    if trouble:
        rows.append(("", f"{_upper(enumerate_words(trouble))}."))
    reference = inspection.reference
    correction = format_value(reference.correction_ppm, reference.uncertainty_ppm, "ppm", signed=True)
    rows.append(("reference", f"{correction}; {reference.source}"))
    limit_set = LIMIT_SETS.get(inspection.limit_set)
    rows.append(("limits", f"{inspection.limit_set}: {limit_set.title}" if limit_set else inspection.limit_set))
    for name, words in rows:
        _wrapped(words, console, f"{name:<11}", " " * 11)
    for remark in (*recording.remarks, *inspection.remarks):
        _bullet(remark, console)
    console.print()
    if not inspection.transmissions:
        console.print("No transmission was found.")


def _print_glance(inspection: Inspection, console: Console) -> None:
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(justify="right", no_wrap=True)
    table.add_column(justify="right", no_wrap=True)
    for _ in range(3):
        table.add_column()
    for number, one in enumerate(inspection.transmissions, 1):
        place = f"channel {one.channel}" if one.channel else format_place(one)
        leg = f" {one.leg}" if one.leg else ""
        table.add_row(
            str(number),
            f"{one.start_s:.1f} s",
            Text(_printable(place + leg)),
            Text(_printable(_kind(one))),
            Text(at_a_glance(one), style=_worst_style(one)),
        )
    console.print(Padding(table, (0, 0, 1, INDENT), expand=False))


def _worst_style(transmission: Transmission) -> str:
    verdicts = {reading.verdict for reading in transmission.readings}
    for verdict in (Verdict.FAIL, Verdict.FAIL_NOT_PROVEN, Verdict.PASS_NOT_PROVEN, Verdict.PASS):
        if verdict in verdicts:
            return _VERDICTS[verdict][1]
    return ""


def _print_foot(inspection: Inspection, console: Console) -> None:
    used: dict[tuple[str, str], list[str]] = {}  # source and standing -> identifiers
    for transmission in inspection.transmissions:
        for reading in transmission.readings:
            if reading.limit is not None:
                names = used.setdefault((reading.limit.source, reading.limit.standing), [])
                if reading.limit.id not in names:
                    names.append(reading.limit.id)
    if used:
        console.print(Rule(Text("limits used"), align="left", characters="-"))
        for (source, standing), names in used.items():
            _bullet(f"{'; '.join(names)} ({standing}): {source}", console)
        console.print()
        _wrapped(UNCERTAINTY, console, "", "")
    _wrapped(CAUTION, console, "", "")


# -- readings ---------------------------------------------------------------------------------------------------------


def _readings_table(readings: Iterable[Reading]) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, show_header=True, header_style="default")
    table.add_column("", no_wrap=True, width=1)
    table.add_column("quantity", no_wrap=True)
    table.add_column("value", no_wrap=True)
    table.add_column("limit", min_width=15)
    table.add_column("verdict", min_width=9)
    for reading in readings:
        sign, style = _VERDICTS[Verdict(reading.verdict)] if reading.verdict else (" ", "")
        limit = ""
        if reading.limit is not None:
            standing = reading.limit.standing + _MARKS.get(Mark(reading.limit.mark), "")
            limit = f"{_span(reading.limit)}\n{standing}"
        table.add_row(
            Text(sign, style=style),
            Text(_printable(reading.quantity)),
            Text(format_reading(reading)),
            Text(limit),
            Text(reading.verdict or "", style=style),
        )
    return table


def _span(limit: AppliedLimit) -> str:
    """The span of a limit in the reading's own unit; the table is narrow."""
    if limit.low is not None and limit.high == -limit.low:
        return f"within ±{limit.high:.7g}"
    return format_limit(limit, "")


# -- calls ------------------------------------------------------------------------------------------------------------


def _print_call(call: Call, place: int, calls: tuple[Call, ...], console: Console) -> None:
    console.print()
    title = "Call" if len(calls) == 1 else f"Call {place + 1} of {len(calls)}"
    title += f" at {call.start_s:.3f} s"
    if call.gap_before_bits is not None:
        title += f", {abs(call.gap_before_bits):.1f} bit after the one before"
    same = next((earlier for earlier in range(place) if _same_words(calls[earlier], call)), None)
    if same is not None and _clean(call):
        _line(f"{title}: the same as call {same + 1}, good in every symbol.", console, style="bold")
        return
    if same is not None:
        _line(f"{title}: says the same as call {same + 1}.", console, style="bold")
    else:
        _line(f"{title}:", console, style="bold")
        for sentence in call_words.sentences(call):
            _line(sentence, console)
    _line(f"{_preamble(call)}.", console)
    for row in _grid_rows(call):
        console.print(Text(" " * INDENT + row), soft_wrap=True)
    for remark in call.remarks:
        _bullet(remark, console)


def _clean(call: Call) -> bool:
    return len(call.phasing) == PHASING_SYMBOLS and all(cell.sound for cell in call_words.grid(call))


def _same_words(one: Call, other: Call) -> bool:
    return call_words.sentences(one) == call_words.sentences(other)


def _preamble(call: Call) -> str:
    dots = (
        f"Dot pattern {call.dot_pattern_bits} bit"
        if call.dot_pattern_bits is not None
        else "Dot pattern not seen whole"
    )
    if len(call.phasing) == PHASING_SYMBOLS:
        return f"{dots}, phasing complete"
    received = " ".join(str(symbol) for symbol in call.phasing)
    return f"{dots}, phasing {len(call.phasing)} of {PHASING_SYMBOLS}" + (f": {received}" if received else "")


def _grid_rows(call: Call) -> Iterator[str]:
    """The symbols, both copies where they are not all good: `--` a failed check, `!` wrong, `+` by both together."""
    cells = call_words.grid(call)
    if not cells:
        return
    whole = all(cell.sound for cell in cells)
    rows: list[tuple[str, list[str]]] = []
    if whole:
        rows.append(("symbols", [f"{cell.accepted:02d} " for cell in cells if cell.accepted is not None]))
    else:
        rows.append(("first", [_copy(cell.first, cell.accepted) for cell in cells]))
        rows.append(("second", [_copy(cell.second, cell.accepted) for cell in cells]))
        rows.append(
            (
                "taken",
                ["--  " if c.accepted is None else f"{c.accepted:02d}{'+' if c.combined else ' '}" for c in cells],
            )
        )
    yield "Symbols, both copies good:" if whole else "Symbols (-- check failed, ! wrong, + only from both copies):"
    for start in range(0, len(cells), GRID_COLUMNS):
        for name, values in rows:
            label = "" if whole else name
            yield (f"{label:<7}" + "".join(f"{value:>4}" for value in values[start : start + GRID_COLUMNS])).rstrip()


def _copy(symbol: int | None, accepted: int | None) -> str:
    if symbol is None:
        return "-- "
    return f"{symbol:02d}{'!' if accepted is not None and symbol != accepted else ' '}"


# -- messages ---------------------------------------------------------------------------------------------------------


def _print_message(message: Message, console: Console) -> None:
    console.print()
    name = "".join(part or "?" for part in (message.station, message.subject, message.number))
    end = "complete" if message.complete else "its end was not received"
    _line(f"Message {name} at {message.start_s:.1f} s, {end}:", console, style="bold")
    _quote(message.body, console)
    ratio = f" ({message.character_error_ratio:.1%})" if message.character_error_ratio is not None else ""
    _line(
        f"{message.characters} characters; {message.character_errors} lost to an ordinary receiver{ratio}, "
        f"{message.character_errors_repaired} after joining both copies; errors in the first copy "
        f"{message.first_copy_errors}, in the second {message.second_copy_errors}.",
        console,
    )
    receiver = message.ordinary_receiver
    would = [
        f"{'' if does else 'not '}{verb}"
        for does, verb in ((receiver.printed, "print it"), (receiver.stored, "store it"))
    ]
    alarm = " and sound the alarm" if receiver.alarm else ""
    _line(f"A conforming receiver would {' and '.join(would)}{alarm}: {receiver.reason.rstrip('.')}.", console)
    for remark in message.remarks:
        _bullet(remark, console)


# -- words ------------------------------------------------------------------------------------------------------------


def _kind(transmission: Transmission) -> str:
    kind = transmission.kind.value
    count = len(transmission.calls) or len(transmission.messages)
    if count > 1:
        kind += f" ×{count}"
    plain = transmission.condition in ("call", "message", "unmodulated", "unknown")
    return kind if plain else f"{kind}, {transmission.condition}"


def _numbers(relation: Relation) -> str:
    return enumerate_words(str(index + 1) for index in relation.between)


def _line(words: str, console: Console, style: str = "") -> None:
    _wrapped(words, console, " " * INDENT, " " * INDENT, style)


def _bullet(words: str, console: Console) -> None:
    _wrapped(words, console, " " * INDENT + "- ", " " * (INDENT + 2))


def _wrapped(words: str, console: Console, first: str, rest: str, style: str = "") -> None:
    lines = textwrap.wrap(
        _printable(words), console.width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )
    console.print(Text("\n".join(lines), style=style), soft_wrap=True)


def _quote(words: str, console: Console) -> None:
    for line in words.replace("\r\n", "\n").replace("\r", "\n").strip("\n").split("\n"):
        console.print(Text(f"{' ' * INDENT}| {_printable(line)}"), soft_wrap=True)


def _printable(words: str) -> str:
    """The same text with characters shown by their code that would move the cursor or turn the line around."""
    return "".join(f"<U+{ord(c):04X}>" if unicodedata.category(c) in _UNPRINTABLE else c for c in words)


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]
