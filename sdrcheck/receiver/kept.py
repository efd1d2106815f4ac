"""What is remembered of each dongle: a JSON file a dongle and kind of fact, newest last, nothing ever overwritten."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path
from typing import BinaryIO, TypeVar

import msgspec
import platformdirs

from sdrcheck.errors import ReceiverError
from sdrcheck.quantities import Term
from sdrcheck.recordings.syncing import sync_folder

_PATIENCE_S = 5.0
"""Another command needs a moment to add its entry."""

Entry = TypeVar("Entry", bound=msgspec.Struct)


class KeptTerm(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One term of a budget as it lies on disk, in the unit of what it belongs to."""

    name: str
    standard: float
    distribution: str

    @classmethod
    def of(cls, term: Term) -> KeptTerm:
        return cls(name=term.name, standard=term.standard, distribution=term.distribution)

    def term(self) -> Term:
        """The term it was."""
        return Term(self.name, self.standard, self.distribution)


def path_of(kind: str, serial: str) -> Path:
    """The file of one dongle's entries of a kind; any serial gives a plain file name."""
    plain = re.sub(r"[^A-Za-z0-9_-]", lambda found: f"%{ord(found[0]):02x}", serial)
    return Path(platformdirs.user_data_dir("sdrcheck")) / kind / f"{plain}.json"


def entries(kind: str, serial: str, entry: type[Entry]) -> tuple[Entry, ...]:
    """Every entry of a dongle, oldest first. Raises ReceiverError when the file cannot be read."""
    path = path_of(kind, serial)
    try:
        return msgspec.json.decode(path.read_bytes(), type=tuple[entry, ...])  # type: ignore[valid-type]
    except FileNotFoundError:
        return ()
    except (OSError, msgspec.DecodeError, UnicodeDecodeError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else problem
        raise ReceiverError(f"what is kept in {path} cannot be read ({reason}); move that file away") from None


def add(kind: str, serial: str, entry: Entry) -> Path:
    """Add an entry to a dongle's file and say where that is. Raises ReceiverError."""
    path = path_of(kind, serial)
    unfinished = path.with_suffix(".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = _only_one(unfinished)
        try:
            with file:
                whole = (*entries(kind, serial, type(entry)), entry)
                file.write(msgspec.json.format(msgspec.json.encode(whole), indent=2))
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(path)
        except BaseException:
            unfinished.unlink(missing_ok=True)
            raise
        sync_folder(path.parent)
    except OSError as problem:
        raise ReceiverError(f"nothing can be kept in {path}: {problem.strerror}") from None
    return path


def _only_one(unfinished: Path) -> BinaryIO:
    """Create the file that only one command at a time may have. Raises ReceiverError where another keeps it."""
    give_up = time.monotonic() + _PATIENCE_S
    while True:
        try:
            return unfinished.open("xb")
        except FileExistsError:
            if time.monotonic() > give_up:
                raise ReceiverError(
                    f"another command is writing {unfinished}; if none runs any more, remove that file"
                ) from None
            time.sleep(0.01)
