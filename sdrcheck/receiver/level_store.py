"""Where level references are remembered, by the dongle's serial."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import msgspec

from sdrcheck.receiver import kept
from sdrcheck.receiver.kept import KeptTerm
from sdrcheck.receiver.level import LevelReference

KIND = "levels"


class KeptLevel(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A level reference as it lies on disk; its terms are in dB."""

    constant_db: float
    gain_db: float
    frequency_hz: float
    taken_utc: datetime
    source: str
    terms: tuple[KeptTerm, ...]

    def level(self) -> LevelReference:
        """The level reference it was."""
        terms = tuple(term.term() for term in self.terms)
        return LevelReference(self.constant_db, terms, self.gain_db, self.frequency_hz, self.taken_utc, self.source)


def history(serial: str) -> tuple[LevelReference, ...]:
    """Every level reference kept for a dongle, oldest first. Raises ReceiverError when the file cannot be read."""
    return tuple(entry.level() for entry in kept.entries(KIND, serial, KeptLevel))


def latest(serial: str) -> LevelReference | None:
    """The newest level reference kept for a dongle, or None. The chain must be the one it was taken through."""
    whole = history(serial)
    return whole[-1] if whole else None


def keep(serial: str, level: LevelReference) -> Path:
    """Add a level reference to a dongle's file and say where that is."""
    entry = KeptLevel(
        constant_db=level.constant_db,
        gain_db=level.gain_db,
        frequency_hz=level.frequency_hz,
        taken_utc=level.taken_utc,
        source=level.source,
        terms=tuple(KeptTerm.of(term) for term in level.terms),
    )
    return kept.add(KIND, serial, entry)
