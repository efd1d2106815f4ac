"""`sdrcheck printout`: the ship's own receiver's print-out held against what the dongle decoded."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sdrcheck.cli.arguments import FREQUENCY, IDENTITIES, LETTERS

if TYPE_CHECKING:
    from sdrcheck.decoders.navtex.message import Message
    from sdrcheck.stations.printout import Comparison, Difference

STRICT_STATUS = 3


@click.command()
@click.argument("heard", metavar="RECORDING|INSPECTION")
@click.argument("ship", metavar="PRINTOUT")
@click.option("--stations", type=LETTERS, help="Station letters selected on the ship's receiver, for example LS.")
@click.option(
    "--rejected", type=LETTERS, default="", help="Subject letters rejected on the ship's receiver, for example EF."
)
@click.option("--stored", type=IDENTITIES, default="", help="Identities it held before, for example LB20,LE31.")
@click.option("--rate", type=FREQUENCY, help="Samples a second of a bare recording.")
@click.option("--centre", type=FREQUENCY, help="Centre frequency of a recording that does not say.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
@click.option("--strict", is_flag=True, help="Exit with 3 when the ship missed a message or received one badly.")
def command(
    heard: str,
    ship: str,
    stations: str | None,
    rejected: str,
    stored: tuple[str, ...],
    rate: float | None,
    centre: float | None,
    as_json: bool,
    strict: bool,
) -> int:
    """Compare message by message: what both have, what the ship missed, where the characters differ, and why.

    RECORDING holds the broadcast, INSPECTION is a saved `inspect --json`. PRINTOUT is a text file, pasted text (-),
    or a log of NRX sentences.
    """
    import msgspec

    from sdrcheck.decoders.navtex.receiver import Settings
    from sdrcheck.stations.printout import Verdict, compare, decoded_text, ship_side

    text, problems = decoded_text(_bytes(ship))
    side = ship_side(text)
    side = msgspec.structs.replace(side, problems=(*problems, *side.problems))
    settings = Settings(
        side.stations if stations is None else frozenset(stations),
        side.rejected | frozenset(rejected),
    )
    found = compare(_messages(heard, rate, centre), side, settings, stored)
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode(found), indent=2).decode())
    else:
        _print(found)
    wanting = any(pair.verdict in (Verdict.MISSED, Verdict.WEAK) for pair in found.pairs)
    return STRICT_STATUS if strict and wanting else 0


def _bytes(name: str) -> bytes:
    from sdrcheck.errors import RecordingError

    if name == "-":
        return sys.stdin.buffer.read()
    try:
        return Path(name).read_bytes()
    except OSError as problem:
        raise RecordingError(
            f"the print-out {name} cannot be read ({problem.strerror}); give a text file or -"
        ) from None


def _messages(name: str, rate: float | None, centre: float | None) -> list[Message]:
    import msgspec

    from sdrcheck.bench import Settings, collect, run
    from sdrcheck.errors import RecordingError
    from sdrcheck.findings.inspection import Inspection
    from sdrcheck.sources.recording import RecordingSource

    if name.endswith(".json"):
        try:
            inspection = Inspection.from_json(Path(name).read_bytes())
        except (OSError, msgspec.DecodeError) as problem:
            raise RecordingError(
                f"{name} is no saved inspection ({problem}); make one with: sdrcheck inspect --json"
            ) from None
    else:
        inspection = collect(run(RecordingSource(name, rate, centre), Settings(frames_per_s=0)))
    return [message for transmission in inspection.transmissions for message in transmission.messages]


def _print(found: Comparison) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    for line, strong in lines(found):
        console.print(Text(line, style="bold" if strong else ""))


def lines(found: Comparison) -> Iterator[tuple[str, bool]]:
    """The comparison in words, a line each, and whether the line is a heading."""
    from sdrcheck.evidence.printable import printable

    for number, pair in enumerate(found.pairs, 1):
        yield f"{number}  {pair.identity or 'without identity'}: {pair.verdict}", True
        if pair.found == "both":
            yield (
                f"   {pair.characters} characters; {pair.ship_errors} bad on the ship only, {pair.dongle_errors} "
                f"on the dongle only, {pair.both_errors} on both",
                False,
            )
        for reason in pair.reasons:
            yield f"   {reason}", False
        for difference in pair.differences[:40]:
            yield "   " + printable(_line(difference)), False
        if len(pair.differences) > 40:
            yield f"   … and {len(pair.differences) - 40} more places", False
    for problem in found.problems:
        yield f"note: {printable(problem)}", False
    if not found.pairs:
        yield "Neither side has a message.", False
    yield found.conclusion, True


def _line(difference: Difference) -> str:
    """`line 3: air  …WEST [8] EXPECT…   ship  …WEST [*] EXPECT…`."""
    before, after = (part.replace("\n", "¶") for part in (difference.before, difference.after))
    air, ship = (part.replace("\n", "¶") for part in (difference.dongle, difference.ship))
    return f"line {difference.line}: air …{before}[{air}]{after}…  ship …{before}[{ship}]{after}…"
