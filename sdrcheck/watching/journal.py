"""What a watch wrote down: one folder, a journal line an event, each kept event a recording with its inspection."""

from __future__ import annotations

import io
import os
from collections import Counter
from collections.abc import Collection, Iterator
from datetime import datetime
from pathlib import Path

import msgspec

from sdrcheck.errors import SourceError
from sdrcheck.recordings.sigmf import DATA, META

JOURNAL = "watch.jsonl"
MARK = ".marked"
INSPECTION = ".inspection.json"
_ENDINGS = (META, DATA, INSPECTION)


class Line(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One event of a watch."""

    utc: str
    event: str
    """`started`, `kept`, `heard` (and let go), `doubt` (of one kept before), `hole`, `clock`, `removed`, `trouble`,
    `summary` or `ended`."""
    sentence: str
    kept: str | None = None
    """Base name of the recording, where one was kept, or removed again."""
    kind: str | None = None
    channel: str | None = None
    seconds: float | None = None
    lost_samples: int = 0


class Journal:
    """Appends lines, each out of our hands before the next thing happens."""

    def __init__(self, folder: Path) -> None:
        """Open or begin the journal of a folder; raises SourceError where it cannot be written."""
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._file = _opened(folder)
            self._torn = _is_torn(self._file)
        except OSError as problem:
            raise SourceError(f"{folder} cannot be written ({problem.strerror}); choose another folder") from None

    def write(self, line: Line) -> None:
        """Add a line. A full disk loses the line and never the watch."""
        try:
            self._follow()
            text = b"\n" * self._torn + msgspec.json.encode(line) + b"\n"
            self._torn = self._file.write(text) < len(text)
        except OSError:
            return

    def _follow(self) -> None:
        """Go on in a new file where ours was moved away, or its folder is back after it was gone."""
        try:
            if os.path.samestat(os.fstat(self._file.fileno()), (self.folder / JOURNAL).stat()):
                return
        except FileNotFoundError:
            pass
        anew = _opened(self.folder)
        self._file.close()
        self._file, self._torn = anew, _is_torn(anew)

    def close(self) -> None:
        self._file.close()


def _opened(folder: Path) -> io.FileIO:
    return (folder / JOURNAL).open("a+b", buffering=0)


def _is_torn(file: io.FileIO) -> bool:
    """Whether the last line was cut off, by a full disk or a lost power supply."""
    if file.seek(0, io.SEEK_END) == 0:
        return False
    file.seek(-1, io.SEEK_END)
    return file.read(1) != b"\n"


def lines(folder: Path) -> Iterator[Line]:
    """Read a journal; a line that was cut off or spoilt is passed over."""
    try:
        text = (folder / JOURNAL).read_bytes()
    except OSError as problem:
        raise SourceError(
            f"{folder / JOURNAL} cannot be read ({problem.strerror}); is that a watch's folder?"
        ) from None
    for raw in text.splitlines():
        try:
            yield msgspec.json.decode(raw, type=Line)
        except (msgspec.DecodeError, UnicodeDecodeError):
            continue


def daily_summary(folder: Path, day: str | None = None) -> str:
    """Plain lines, one a day (or that of one `day`, 2026-03-14): how many of which kind, holes, losses, removals."""
    days: dict[str, list[Line]] = {}
    for line in lines(folder):
        days.setdefault(line.utc[:10], []).append(line)
    return "\n".join(_day(name, entries) for name, entries in sorted(days.items()) if day in (None, name))


def _day(day: str, entries: list[Line]) -> str:
    heard = Counter(line.kind for line in entries if line.event in ("kept", "heard") and line.kind)
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(heard.items())) or "nothing heard"
    kept = sum(line.event == "kept" for line in entries)
    holes = [line for line in entries if line.event == "hole"]
    parts = [f"{day}: {kinds}; {kept} kept"]
    if holes:
        plural = "s" if len(holes) > 1 else ""
        parts.append(f"{len(holes)} hole{plural}, {sum(line.seconds or 0 for line in holes):.0f} s in all")
    if lost := sum(line.lost_samples for line in entries):
        parts.append(f"{lost} samples lost")
    if removed := sum(line.event == "removed" for line in entries):
        parts.append(f"{removed} removed to stay within the disk budget")
    return "; ".join(parts) + "."


def kept_names(folder: Path) -> list[str]:
    """Base names of the kept events that are still there, oldest first (names begin with their time).

    Only what the journal says was kept: other recordings in the folder are none of the watch's.
    """
    names: set[str] = set()
    for line in lines(folder):
        if line.kept is not None and line.event == "kept":
            names.add(line.kept)
        elif line.kept is not None and line.event == "removed":
            names.discard(line.kept)
    return sorted(name for name in names if (folder / (name + META)).exists())


def is_marked(folder: Path, name: str) -> bool:
    return (folder / (name + MARK)).exists()


def named(folder: Path, words: str) -> str:
    """The kept event of that base name, or the only one that has `words` in its name; `last` is the newest.

    Raises SourceError where there is none, or more than one.
    """
    names = kept_names(folder)
    if not names:
        raise SourceError(f"{folder} keeps nothing; is that a watch's folder?")
    if words == "last":
        return names[-1]
    found = [words] if words in names else [name for name in names if words in name]
    if len(found) != 1:
        count = f"{len(found)} events" if found else "nothing"
        raise SourceError(f"{folder} keeps {count} named {words!r}; give the whole name, see sdrcheck watch --list")
    return found[0]


def mark(folder: Path, name: str, *, marked: bool = True) -> None:
    """Mark a kept event so that it is never removed, or take the mark off. Raises SourceError where it cannot."""
    path = folder / (named(folder, name) + MARK)
    try:
        if marked:
            path.touch()
        else:
            path.unlink(missing_ok=True)
    except OSError as problem:
        raise SourceError(f"{path} cannot be written ({problem.strerror})") from None


def make_room(folder: Path, budget_bytes: int, spare: Collection[str] = ()) -> Iterator[str]:
    """Remove the oldest unmarked events until all that is kept fits the budget; yields the name of each.

    Those named in `spare` stay, as they are still being written. Raises SourceError where one cannot be removed.
    """
    sizes = {name: sum(_size(folder / (name + ending)) for ending in _ENDINGS) for name in kept_names(folder)}
    total = sum(sizes.values())
    for name in sizes:
        if total <= budget_bytes:
            break
        if name in spare or is_marked(folder, name):
            continue
        try:
            for ending in _ENDINGS:
                (folder / (name + ending)).unlink(missing_ok=True)
        except OSError as problem:
            raise SourceError(f"{folder / name} cannot be removed ({problem.strerror})") from None
        total -= sizes[name]
        yield name


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def write_whole(path: Path, data: bytes) -> None:
    """Put a whole new file in place of the old one, so that at every moment one of them is there."""
    new = path.with_name(path.name + ".new")
    try:
        new.write_bytes(data)
        new.replace(path)
    except OSError:
        new.unlink(missing_ok=True)
        raise


def name_of(moment: datetime, place: str, kind: str) -> str:
    """A base name that sorts by time: `20261125T124105.3Z-70-dsc-call`."""
    stamp = f"{moment:%Y%m%dT%H%M%S}.{moment.microsecond // 100_000}Z"
    words = "-".join(f"{place} {kind}".lower().replace(".", "p").split())
    return f"{stamp}-{words}"
