"""What a watch wrote down: one folder, a journal line an event, each kept event a recording with its inspection."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import msgspec

from sdrcheck.errors import SourceError

JOURNAL = "watch.jsonl"
MARK = ".marked"
INSPECTION = ".inspection.json"
_ENDINGS = (".sigmf-meta", ".sigmf-data", INSPECTION)


class Line(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One event of a watch."""

    utc: str
    event: str
    """`started`, `kept`, `heard` (and let go), `hole`, `removed`, `trouble` or `ended`."""
    sentence: str
    kept: str | None = None
    """Base name of the recording, where one was kept."""
    kind: str | None = None
    channel: str | None = None
    seconds: float | None = None
    lost_samples: int = 0


class Journal:
    """Appends lines, each safely on disk before the next thing happens."""

    def __init__(self, folder: Path) -> None:
        """Open or begin the journal of a folder; raises SourceError where it cannot be written."""
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._file = (folder / JOURNAL).open("ab", buffering=0)
        except OSError as problem:
            raise SourceError(f"{folder} cannot be written ({problem.strerror}); choose another folder") from None

    def write(self, line: Line) -> None:
        """Add a line. A full disk loses the line and never the watch."""
        try:
            self._file.write(msgspec.json.encode(line) + b"\n")
        except OSError:
            return

    def close(self) -> None:
        self._file.close()


def lines(folder: Path) -> Iterator[Line]:
    """Read a journal; a last line that was cut off is passed over."""
    try:
        text = (folder / JOURNAL).read_bytes()
    except OSError as problem:
        raise SourceError(
            f"{folder / JOURNAL} cannot be read ({problem.strerror}); is that a watch's folder?"
        ) from None
    for raw in text.splitlines():
        try:
            yield msgspec.json.decode(raw, type=Line)
        except msgspec.DecodeError:
            continue


def daily_summary(folder: Path) -> str:
    """Plain lines, one a day: how many of which kind, holes, losses, what was removed."""
    days: dict[str, list[Line]] = {}
    for line in lines(folder):
        days.setdefault(line.utc[:10], []).append(line)
    return "\n".join(_day(day, entries) for day, entries in sorted(days.items()))


def _day(day: str, entries: list[Line]) -> str:
    heard = Counter(line.kind for line in entries if line.event in ("kept", "heard") and line.kind)
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(heard.items())) or "nothing heard"
    kept = sum(line.event == "kept" for line in entries)
    holes = [line for line in entries if line.event == "hole"]
    parts = [f"{day}: {kinds}; {kept} kept"]
    if holes:
        parts.append(f"{len(holes)} holes of {sum(line.seconds or 0 for line in holes):.0f} s in all")
    if lost := sum(line.lost_samples for line in entries):
        parts.append(f"{lost} samples lost")
    if removed := sum(line.event == "removed" for line in entries):
        parts.append(f"{removed} removed to stay within the disk budget")
    return "; ".join(parts) + "."


def kept_names(folder: Path) -> list[str]:
    """Base names of the kept events, oldest first (names begin with their time)."""
    return sorted(path.name.removesuffix(".sigmf-meta") for path in folder.glob("*.sigmf-meta"))


def mark(folder: Path, name: str) -> None:
    """Mark a kept event so that it is never removed; raises SourceError where there is none of that name."""
    if name not in kept_names(folder):
        raise SourceError(f"{folder} keeps nothing named {name!r}; give the base name of one of its recordings")
    (folder / (name + MARK)).touch()


def make_room(folder: Path, budget_bytes: int) -> list[str]:
    """Remove the oldest unmarked events until the folder fits its budget; returns what was removed."""
    sizes = {name: sum(_size(folder / (name + ending)) for ending in _ENDINGS) for name in kept_names(folder)}
    total, removed = sum(sizes.values()), []
    for name in sizes:
        if total <= budget_bytes:
            break
        if (folder / (name + MARK)).exists():
            continue
        for ending in _ENDINGS:
            (folder / (name + ending)).unlink(missing_ok=True)
        total -= sizes[name]
        removed.append(name)
    return removed


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def name_of(moment: datetime, place: str, kind: str) -> str:
    """A base name that sorts by time: `20261125T124105.3Z-70-dsc-call`."""
    stamp = f"{moment:%Y%m%dT%H%M%S}.{moment.microsecond // 100_000}Z"
    words = "-".join(f"{place} {kind}".lower().replace(".", "p").split())
    return f"{stamp}-{words}"
