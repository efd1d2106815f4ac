"""The ship's print-out held against what the dongle decoded: which messages both have, what the ship missed, and why.

The rule of 4 %: a message counts as received below that character error ratio (IMO MSC.148(77) §6.2.3, A.525(13)).
What follows for the receiver is common practice; only an identity that was new, or 00, and was not shown is a fault.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime

import msgspec
from rapidfuzz.distance import Levenshtein

from sdrcheck.decoders.navtex.message import Message
from sdrcheck.decoders.navtex.receiver import NOT_REJECTABLE, SATISFACTORY_RATIO, Settings
from sdrcheck.errors import RecordingError
from sdrcheck.stations import nrx

LOST = "*"
STOPS_ABOVE_RATIO = 0.33
"""Above this a receiver gives a message up (from memory of the receiver's type test)."""
_LEAST_ALIKE = 0.6
"""Texts without an identity are taken for the same message when at least so much of them agrees."""
_HEADER = re.compile(r"(?:ZCZC\s+)?([A-Z])([A-Z])(\d{2})\b")
_SURROUNDINGS = 12
_NOISE_ALLOWED, _NOISE_SHARE = 16, 0.05
"""Characters of line noise, and their share, up to which bytes are taken for text; a picture has more."""
_NEVER_SHOWN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


class ShipMessage(msgspec.Struct, frozen=True, kw_only=True):
    """One message as the ship's receiver showed it."""

    identity: str | None
    """B1 to B4."""
    body: str
    frequency_khz: float | None = None
    received: datetime | None = None
    complete: bool | None = None


class ShipSide(msgspec.Struct, frozen=True, kw_only=True):
    """Everything read from the ship's side."""

    messages: tuple[ShipMessage, ...]
    stations: frozenset[str] | None = None
    """Stations selected, where the receiver reported its settings."""
    rejected: frozenset[str] = frozenset()
    problems: tuple[str, ...] = ()


class Verdict(enum.StrEnum):
    """What a pair of receptions says of the ship's receiver."""

    PASS = "received by the ship"
    WEAK = "received by the ship with too many errors"
    MISSED = "missed by the ship"
    EXPLAINED = "not shown, as its settings or memory explain"
    DONGLE_WEAK = "the dongle received too badly to say"
    ONLY_SHIP = "received by the ship, not by the dongle"


class Difference(msgspec.Struct, frozen=True, kw_only=True):
    """One place where the texts differ, with what stands around it."""

    dongle: str
    ship: str
    before: str
    after: str
    line: int
    """Line of the dongle's text, counting from 1."""


class Pair(msgspec.Struct, frozen=True, kw_only=True):
    """One message on both sides, or on one."""

    identity: str | None
    found: str
    """`both`, `only the dongle` or `only the ship`."""
    verdict: Verdict
    reasons: tuple[str, ...]
    characters: int = 0
    ship_errors: int = 0
    """Places lost or wrong on the ship where the dongle has a character."""
    dongle_errors: int = 0
    """Places lost by the dongle where the ship has a character."""
    both_errors: int = 0
    ship_error_ratio: float | None = None
    dongle_error_ratio: float | None = None
    """As an ordinary receiver would have counted what the dongle heard."""
    differences: tuple[Difference, ...] = ()


class Comparison(msgspec.Struct, frozen=True, kw_only=True):
    """The whole result."""

    schema: str = "sdrcheck.printout/1"
    pairs: tuple[Pair, ...]
    problems: tuple[str, ...]
    conclusion: str


# -- the ship's side --------------------------------------------------------------------------------------------------


def decoded_text(data: bytes) -> tuple[str, tuple[str, ...]]:
    """Text from bytes in whatever encoding a receiver or an editor left, and what was odd about them.

    Raises RecordingError for what is no text at all.
    """
    problems = []
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16", "replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252", "replace")
            problems.append("The print-out is not UTF-8; it was read as Windows-1252.")
    noise = len(_NEVER_SHOWN.findall(text)) + text.count("\ufffd")
    if noise > max(_NOISE_ALLOWED, _NOISE_SHARE * len(text)):
        raise RecordingError("the print-out is no text; give a text file with what the ship's receiver printed")
    if noise:
        problems.append(f"{noise} characters are line noise and were left out.")
    return _NEVER_SHOWN.sub("", text).replace("\ufffd", LOST), tuple(problems)


def ship_side(text: str) -> ShipSide:
    """Read a print-out, pasted text or NRX sentences. Raises RecordingError where there is nothing to read."""
    if nrx.is_nrx(text):
        return _from_sentences(nrx.read(text))
    messages = tuple(_from_text(text))
    if not messages:
        raise RecordingError(
            "the print-out holds no text; paste what the ship's receiver printed, or its NRX sentences"
        )
    return ShipSide(messages=messages)


def _from_sentences(read: nrx.Sentences) -> ShipSide:
    messages = tuple(
        ShipMessage(
            identity=series.identity,
            body=_without_repeated_head(series.body, series.identity),
            frequency_khz=series.frequency_khz,
            received=series.received,
            complete=series.correct,
        )
        for series in read.series
    )
    mask = read.masks[-1] if read.masks else None
    every = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    return ShipSide(
        messages=messages,
        stations=mask.stations if mask else None,
        rejected=every - mask.subjects if mask else frozenset(),
        problems=read.problems,
    )


def _from_text(text: str) -> Iterator[ShipMessage]:
    """Cut a print-out at its headers; text before the first one is a message without identity."""
    identity: str | None = None
    lines: list[str] = []

    def ended(complete: bool | None) -> Iterator[ShipMessage]:
        body = normalised("\n".join(lines))
        if identity is not None or len(body) > 2:
            yield ShipMessage(identity=identity, body=body, complete=complete)

    for line in text.splitlines():
        head = _HEADER.match(line.strip())
        if head:
            yield from ended(None)
            identity, lines = "".join(head.groups()), [line.strip()[head.end() :]]
        elif line.strip() in ("NNNN", "NNN", "ZCZC"):
            if line.strip().startswith("N"):
                yield from ended(True)
                identity, lines = None, []
        else:
            lines.append(line)
    yield from ended(None)


def _without_repeated_head(body: str, identity: str | None) -> str:
    """Some receivers repeat B1 to B4 as the first line."""
    first, _, rest = body.lstrip().partition("\n")
    return normalised(rest if identity is not None and first.strip() == identity else body)


def normalised(text: str) -> str:
    """Line ends alike, no trailing blanks, at most one empty line in a row, none at the ends."""
    lines = [line.rstrip() for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    kept = [line for place, line in enumerate(lines) if line or (place and lines[place - 1])]
    return "\n".join(kept).strip("\n")


# -- the comparison ---------------------------------------------------------------------------------------------------


def compare(
    heard: Sequence[Message],
    ship: ShipSide,
    settings: Settings | None = None,
    already_stored: Iterable[str] = (),
) -> Comparison:
    """Hold the ship's side against the dongle's messages.

    `settings` are those of the ship's receiver as far as known; `already_stored` the identities it had before.
    """
    known = settings or Settings(ship.stations, ship.rejected)
    stored = set(already_stored)
    left = list(ship.messages)
    pairs = []
    for message in heard:
        identity = _identity(message)
        match = _match(message, identity, left)
        if match is not None:
            left.remove(match)
            pairs.append(_both(message, identity, match))
        else:
            pairs.append(_only_dongle(message, identity, known, stored, ship))
        if identity is not None and not identity.endswith("00"):
            stored.add(identity)
    pairs.extend(_only_ship(message) for message in left)
    return Comparison(pairs=tuple(pairs), problems=ship.problems, conclusion=_conclusion(pairs))


def _identity(message: Message) -> str | None:
    parts = (message.station, message.subject, message.number)
    return None if None in parts else "".join(part for part in parts if part)


def _match(message: Message, identity: str | None, ship: Sequence[ShipMessage]) -> ShipMessage | None:
    """The same identity; without one on either side, the text that agrees best."""
    named = [one for one in ship if identity is not None and one.identity == identity]
    candidates = named or [one for one in ship if one.identity is None or identity is None]
    if not candidates:
        return None
    body = normalised(message.body)

    def alike(one: ShipMessage) -> float:
        return Levenshtein.normalized_similarity(body, one.body)

    best = max(candidates, key=alike)
    return best if named or alike(best) >= _LEAST_ALIKE else None


def _both(message: Message, identity: str | None, ship: ShipMessage) -> Pair:
    dongle_text, ship_text = normalised(message.body), normalised(ship.body)
    counts = {"characters": 0, "ship": 0, "dongle": 0, "both": 0}
    differences = []
    for step in Levenshtein.opcodes(dongle_text, ship_text):
        start, end = step.src_start, step.src_end
        mine, theirs = dongle_text[start:end], ship_text[step.dest_start : step.dest_end]
        counts["characters"] += max(len(mine), len(theirs))
        if step.tag == "equal":
            counts["both"] += mine.count(LOST)
            continue
        _count(mine, theirs, counts)
        differences.append(
            Difference(
                dongle=mine,
                ship=theirs,
                before=dongle_text[max(start - _SURROUNDINGS, 0) : start],
                after=dongle_text[end : end + _SURROUNDINGS],
                line=dongle_text.count("\n", 0, start) + 1,
            )
        )
    characters = max(counts["characters"], 1)
    ratio = (counts["ship"] + counts["both"]) / characters
    verdict, reasons = _judged(ratio, message)
    return Pair(
        identity=identity or ship.identity,
        found="both",
        verdict=verdict,
        reasons=reasons,
        characters=characters,
        ship_errors=counts["ship"],
        dongle_errors=counts["dongle"],
        both_errors=counts["both"],
        ship_error_ratio=ratio,
        dongle_error_ratio=message.character_error_ratio,
        differences=tuple(differences),
    )


def _count(mine: str, theirs: str, counts: dict[str, int]) -> None:
    """Whose error each differing place is: a `*` is its own side's; else the ship's, the dongle having its check."""
    for place in range(max(len(mine), len(theirs))):
        here = mine[place] if place < len(mine) else None
        there = theirs[place] if place < len(theirs) else None
        if here == LOST and there == LOST:
            counts["both"] += 1
        elif here == LOST:
            counts["dongle"] += 1
        else:
            counts["ship"] += 1


def _judged(ratio: float, message: Message) -> tuple[Verdict, tuple[str, ...]]:
    percent = f"{100 * ratio:.1f} % of the characters are lost or wrong on the ship"
    if ratio < SATISFACTORY_RATIO:
        return Verdict.PASS, (f"{percent}, below 4 %.",)
    if (message.character_error_ratio or 0.0) >= SATISFACTORY_RATIO:
        return Verdict.WEAK, (
            f"{percent}, above 4 %; the dongle, too, heard it badly: weak reception at this berth, no fault proven.",
        )
    if ratio < STOPS_ABOVE_RATIO:
        return Verdict.WEAK, (
            f"{percent}, above 4 %, while the dongle heard it well: look at the ship's antenna, feed and noise aboard.",
        )
    return Verdict.WEAK, (f"{percent}: a receiver gives a message up above a third.",)


def _only_dongle(message: Message, identity: str | None, settings: Settings, stored: set[str], ship: ShipSide) -> Pair:
    verdict, reasons = _why_not_shown(message, identity, settings, stored, bool(ship.messages))
    return Pair(
        identity=identity,
        found="only the dongle",
        verdict=verdict,
        reasons=reasons,
        characters=message.characters,
        dongle_error_ratio=message.character_error_ratio,
    )


def _why_not_shown(
    message: Message, identity: str | None, settings: Settings, stored: set[str], ship_shows_others: bool
) -> tuple[Verdict, tuple[str, ...]]:
    ratio = message.character_error_ratio
    if identity is None:
        return Verdict.DONGLE_WEAK, (
            "The dongle did not receive its B1 to B4; a receiver prints nothing without them.",
        )
    if ratio is None or ratio >= SATISFACTORY_RATIO:
        return Verdict.DONGLE_WEAK, ("The dongle itself lost 4 % of it or more: weak reception, nothing is proven.",)
    station, subject, number = identity[0], identity[1], identity[2:]
    if number == "00":
        return Verdict.MISSED, ("Its number is 00: no setting and no memory may suppress it.",)
    if settings.stations is not None and station not in settings.stations:
        return Verdict.EXPLAINED, (f"Station {station} is not selected on the ship's receiver.",)
    if subject in settings.rejected and subject not in NOT_REJECTABLE:
        return Verdict.EXPLAINED, (f"Subject {subject} is rejected on the ship's receiver.",)
    if identity in stored:
        return Verdict.EXPLAINED, (f"{identity} was stored already, so its repeat is suppressed (for 60 to 72 hours).",)
    if message.ordinary_receiver.reason and not message.ordinary_receiver.printed:
        return Verdict.DONGLE_WEAK, (
            f"An ordinary receiver would not have printed it: {message.ordinary_receiver.reason}.",
        )
    reasons = [f"The dongle heard it with {100 * ratio:.1f} % errors, and it was new to the ship as far as is known."]
    if subject in NOT_REJECTABLE:
        reasons.append(f"Subject {subject} cannot be rejected (L only on sets since July 2005).")
    if settings.stations is None:
        reasons.append(
            "The ship's choice of stations and subjects was not stated: look at it before calling it a fault."
        )
    if not ship_shows_others:
        reasons.append("The ship showed nothing at all: antenna, its feed, the frequency chosen, paper, noise aboard.")
    else:
        reasons.append("Other messages came through: compare their times and stations first.")
    return Verdict.MISSED, tuple(reasons)


def _only_ship(message: ShipMessage) -> Pair:
    lost = message.body.count(LOST)
    return Pair(
        identity=message.identity,
        found="only the ship",
        verdict=Verdict.ONLY_SHIP,
        reasons=("The dongle was not listening then, or heard too little: improve its antenna; the ship passes here.",),
        characters=len(message.body),
        ship_errors=lost,
        ship_error_ratio=lost / len(message.body) if message.body else None,
    )


def _conclusion(pairs: Sequence[Pair]) -> str:
    missed = [pair.identity or "?" for pair in pairs if pair.verdict is Verdict.MISSED]
    weak = [pair.identity or "?" for pair in pairs if pair.verdict is Verdict.WEAK]
    passed = sum(pair.verdict in (Verdict.PASS, Verdict.ONLY_SHIP) for pair in pairs)
    if missed:
        return (
            f"The ship missed {', '.join(missed)}, which the dongle heard well. Check station, subject and frequency "
            "chosen, and whether it was stored before; only then is it the receiver's fault."
        )
    if weak:
        return f"The ship received {', '.join(weak)} with too many errors: antenna, feed or noise on the ship's side."
    if passed:
        return "What the ship should have shown, it shows: it received the station."
    return "Nothing is proven either way; try another slot or station."
