"""The ship's print-out beside what the dongle heard: filed to a check, compared, and put as conclusions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec

from sdrcheck.decoders.navtex.receiver import Settings
from sdrcheck.errors import RecordingError, VisitError
from sdrcheck.findings.inspection import Transmission
from sdrcheck.stations.printout import Comparison, Verdict, compare, decoded_text, ship_side
from sdrcheck.visits import results
from sdrcheck.visits.papers_check import Conclusion
from sdrcheck.visits.results import Printout

FOLDER = "printouts"
_AGREES = {
    Verdict.PASS: True,
    Verdict.ONLY_SHIP: True,
    Verdict.WEAK: False,
    Verdict.MISSED: False,
    Verdict.EXPLAINED: None,
    Verdict.DONGLE_WEAK: None,
}


def compared(folder: Path, entry: Printout, transmissions: Sequence[Transmission]) -> Comparison:
    """Hold a filed print-out against the messages of a try; raises VisitError where the file was changed or is gone."""
    path = results.inside(folder, entry.file)
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise VisitError(f"the print-out {path} cannot be read ({problem.strerror})") from None
    if results.sha512_of(data) != entry.file_sha512:
        raise VisitError(f"the print-out {path} was changed since it was filed; its sum does not fit")
    return of_bytes(data, entry, transmissions)


def of_bytes(data: bytes, entry: Printout, transmissions: Sequence[Transmission]) -> Comparison:
    """Hold the bytes of a print-out against the messages of a try."""
    try:
        text, problems = decoded_text(data)
        side = ship_side(text)
    except RecordingError as problem:
        raise VisitError(str(problem)) from None
    side = msgspec.structs.replace(side, problems=(*problems, *side.problems))
    settings = Settings(
        frozenset(entry.stations.upper()) if entry.stations else side.stations,
        side.rejected | frozenset(entry.rejected.upper()),
    )
    messages = [message for transmission in transmissions for message in transmission.messages]
    return compare(messages, side, settings, entry.stored)


def conclusions(check_id: str, found: Comparison) -> tuple[Conclusion, ...]:
    """What the comparison says, a sentence a message."""
    return tuple(
        Conclusion(
            "print-out",
            _AGREES[pair.verdict],
            f"Message {pair.identity or 'without identity'}: {pair.verdict.value}.",
            " ".join(pair.reasons),
            check_id,
        )
        for pair in found.pairs
    )
