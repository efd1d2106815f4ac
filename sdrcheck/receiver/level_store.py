"""Where level references are remembered, by the dongle's serial."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import msgspec

from sdrcheck.receiver import kept
from sdrcheck.receiver.attenuation import Element
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
    chain: tuple[Element, ...] = ()

    def level(self) -> LevelReference:
        """The level reference it was."""
        return LevelReference(
            self.constant_db,
            tuple(term.term() for term in self.terms),
            self.gain_db,
            self.frequency_hz,
            self.taken_utc,
            self.source,
            self.chain,
        )


def history(serial: str) -> tuple[LevelReference, ...]:
    """Every level reference kept for a dongle, oldest first. Raises ReceiverError when the file cannot be read."""
    return tuple(entry.level() for entry in kept.entries(KIND, serial, KeptLevel))


def latest(serial: str) -> LevelReference | None:
    """The newest level reference kept for a dongle, or None."""
    whole = history(serial)
    return whole[-1] if whole else None


def fitting(serial: str, gain_db: float | None, frequency_hz: float) -> LevelReference | None:
    """The newest level reference of a dongle that holds at this gain and frequency, else the newest of all, or None."""
    holding = [one for one in history(serial) if gain_db is not None and one.holds_at(gain_db, frequency_hz)]
    return holding[-1] if holding else latest(serial)


def keep(serial: str, level: LevelReference) -> Path:
    """Add a level reference to a dongle's file and say where that is."""
    entry = KeptLevel(
        constant_db=level.constant_db,
        gain_db=level.gain_db,
        frequency_hz=level.frequency_hz,
        taken_utc=level.taken_utc,
        source=level.source,
        terms=tuple(KeptTerm.of(term) for term in level.terms),
        chain=level.chain,
    )
    return kept.add(KIND, serial, entry)
