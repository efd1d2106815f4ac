"""Where frequency references are remembered: one JSON file a dongle, newest last, nothing ever overwritten."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import msgspec
import platformdirs

from sdrcheck.errors import ReceiverError
from sdrcheck.quantities import Term
from sdrcheck.receiver.reference import FrequencyReference

SCHEMA = "sdrcheck.references/1"


class StoredTerm(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One term of a reference's budget, in ppm."""

    name: str
    standard_ppm: float
    distribution: str


class StoredReference(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A reference as it lies on disk."""

    correction_ppm: float
    source: str
    method: str
    taken_utc: datetime
    oscillator: str | None
    note: str
    terms: tuple[StoredTerm, ...]


class StoredHistory(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All references of one dongle, oldest first."""

    schema: str = SCHEMA
    serial: str
    references: tuple[StoredReference, ...] = ()


def folder() -> Path:
    """The folder of the stored references."""
    return Path(platformdirs.user_data_dir("sdrcheck")) / "references"


def history(serial: str) -> tuple[FrequencyReference, ...]:
    """Every reference kept for a dongle, oldest first. Raises ReceiverError when the file cannot be read."""
    path = _path(serial)
    try:
        stored = msgspec.json.decode(path.read_bytes(), type=StoredHistory)
    except FileNotFoundError:
        return ()
    except (OSError, msgspec.DecodeError) as problem:
        raise ReceiverError(f"the references kept in {path} cannot be read ({problem}); move that file away") from None
    return tuple(_reference(entry) for entry in stored.references)


def latest(serial: str) -> FrequencyReference | None:
    """The newest reference kept for a dongle, as it was when taken (see `FrequencyReference.at`), or None."""
    kept = history(serial)
    return kept[-1] if kept else None


def keep(serial: str, reference: FrequencyReference) -> Path:
    """Add a reference to a dongle's file and say where that is. It needs the time when it was taken."""
    if reference.taken_utc is None:
        raise ReceiverError("a reference is kept with the time when it was taken")
    references = tuple(_stored(kept) for kept in (*history(serial), reference))
    path = _path(serial)
    document = msgspec.json.encode(StoredHistory(serial=serial, references=references))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_suffix(".new")
        unfinished.write_bytes(msgspec.json.format(document, indent=2))
        unfinished.replace(path)
    except OSError as problem:
        raise ReceiverError(f"the reference cannot be kept in {path}: {problem.strerror}") from None
    return path


def _path(serial: str) -> Path:
    return folder() / (re.sub(r"[^A-Za-z0-9_-]", lambda found: f"%{ord(found[0]):02x}", serial) + ".json")


def _reference(entry: StoredReference) -> FrequencyReference:
    return FrequencyReference.of_terms(
        entry.correction_ppm,
        tuple(Term(term.name, term.standard_ppm, term.distribution) for term in entry.terms),
        entry.source,
        method=entry.method,
        taken_utc=entry.taken_utc,
        oscillator=entry.oscillator,
        note=entry.note,
    )


def _stored(reference: FrequencyReference) -> StoredReference:
    assert reference.taken_utc is not None
    return StoredReference(
        correction_ppm=reference.correction_ppm,
        source=reference.source,
        method=reference.method,
        taken_utc=reference.taken_utc,
        oscillator=reference.oscillator,
        note=reference.note,
        terms=tuple(
            StoredTerm(name=t.name, standard_ppm=t.standard, distribution=t.distribution) for t in reference.terms
        ),
    )
