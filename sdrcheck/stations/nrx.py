"""What a ship's receiver sends on its data port: IEC 61162-1 sentences NRX (received message) and NRM (its settings).

Field lists as reproduced in public documentation of sentence parsers; the escapes partly from memory. Only read: a
command to the ship's safety equipment is never made.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import reduce
from operator import xor

FREQUENCIES_KHZ = {"1": 490.0, "2": 518.0, "3": 4209.5}
_SENTENCE = re.compile(r"[$!]([A-Z0-9]{2})(NRX|NRM),([^*\r\n]*)\*([0-9A-Fa-f]{2})")
_ANY_SENTENCE = re.compile(r"[$!][A-Z0-9]{2}NR[XM],[^\r\n]*")
_ESCAPE = re.compile(r"\^([0-9A-Fa-f]{2})")


@dataclass(frozen=True, slots=True)
class Series:
    """One message put together from its NRX sentences. A piece that is missing is a `*` in the body."""

    identity: str | None
    body: str
    frequency_khz: float | None
    received: datetime | None
    characters: int | None
    """As the receiver counted them."""
    bad_characters: int | None
    correct: bool | None
    """The receiver called its syntax correct."""


@dataclass(frozen=True, slots=True)
class Mask:
    """A receiver's choice of stations and subjects, as an NRM report states it."""

    frequency_khz: float | None
    stations: frozenset[str]
    subjects: frozenset[str]


@dataclass(frozen=True, slots=True)
class Sentences:
    """Everything that could be read, and one plain sentence for everything that could not."""

    series: tuple[Series, ...]
    masks: tuple[Mask, ...]
    problems: tuple[str, ...]


def checksum(between: str) -> int:
    """Exclusive or of all characters between `$` and `*`."""
    return reduce(xor, between.encode("latin-1", "replace"), 0)


def unescaped(field: str) -> str:
    """Undo `^hh`."""
    return _ESCAPE.sub(lambda found: chr(int(found[1], 16)), field)


def is_nrx(text: str) -> bool:
    """Whether a text holds such sentences."""
    return _ANY_SENTENCE.search(text) is not None


def read(text: str) -> Sentences:
    """Read all NRX and NRM sentences in a text; what does not fit its checksum is left out and said."""
    pieces: list[list[str]] = []
    masks: list[Mask] = []
    problems: list[str] = []
    for line in _ANY_SENTENCE.findall(text):
        found = _SENTENCE.match(line)
        if found is None:
            problems.append(f"A sentence has no checksum and was left out: {line[:40]}")
            continue
        inside = line[1 : line.index("*", found.start(3))] if "*" in found[3] else line[1 : found.end(3)]
        if checksum(inside) != int(found[4], 16):
            problems.append(
                f"The checksum of a sentence is {checksum(inside):02X}, not {found[4].upper()}; left out: {line[:40]}"
            )
        elif found[2] == "NRM":
            masks.extend(_mask(found[3].split(",")))
        else:
            fields = found[3].split(",", 12)
            if len(fields) < 13 or not all(field.isdigit() for field in fields[:3]):
                problems.append(f"An NRX sentence lacks fields and was left out: {line[:40]}")
            else:
                pieces.append(fields)
    series = tuple(_joined(group, problems) for group in _groups(pieces))
    return Sentences(series, tuple(masks), tuple(problems))


def _groups(pieces: list[list[str]]) -> Iterator[list[list[str]]]:
    """Sentences of one message: same identifier and length, numbers rising."""
    open_groups: dict[tuple[str, str], list[list[str]]] = {}
    for fields in pieces:
        key = (fields[2], fields[0])
        group = open_groups.get(key)
        if group is not None and int(fields[1]) <= int(group[-1][1]):
            yield open_groups.pop(key)
            group = None
        if group is None:
            open_groups[key] = [fields]
        else:
            group.append(fields)
        if int(fields[1]) == int(fields[0]):
            yield open_groups.pop(key)
    yield from open_groups.values()


def _joined(group: list[list[str]], problems: list[str]) -> Series:
    total = int(group[0][0])
    by_number = {int(fields[1]): fields for fields in group}
    missing = [number for number in range(1, total + 1) if number not in by_number]
    head = by_number.get(1)
    name = head[3] if head and head[3] else None
    if missing:
        which = ", ".join(str(number) for number in missing)
        problems.append(
            f"Of message {name or 'without a head'} sentence {which} of {total} is missing; `*` stands there."
        )
    body = "".join(unescaped(by_number[number][12]) if number in by_number else "*" for number in range(1, total + 1))
    return Series(
        identity=name,
        body=body,
        frequency_khz=FREQUENCIES_KHZ.get(head[4]) if head else None,
        received=_moment(head) if head else None,
        characters=_whole(head[9]) if head else None,
        bad_characters=_whole(head[10]) if head else None,
        correct={"A": True, "V": False}.get(head[11]) if head else None,
    )


def _moment(head: list[str]) -> datetime | None:
    try:
        clock, day, month, year = head[5], int(head[6]), int(head[7]), int(head[8])
        return datetime(year, month, day, int(clock[:2]), int(clock[2:4]), int(float(clock[4:])), tzinfo=UTC)
    except (ValueError, IndexError):
        return None


def _whole(text: str) -> int | None:
    try:
        return round(float(text))
    except ValueError:
        return None


def _mask(fields: list[str]) -> Iterator[Mask]:
    if len(fields) < 5 or fields[4] != "R":
        return
    try:
        stations, subjects = (_letters(int(field, 16)) for field in fields[2:4])
    except ValueError:
        return
    yield Mask(FREQUENCIES_KHZ.get(fields[1]), stations, subjects)


def _letters(bits: int) -> frozenset[str]:
    return frozenset(chr(ord("A") + place) for place in range(26) if bits >> place & 1)
