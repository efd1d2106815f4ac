"""Where frequency references are remembered, by the dongle's serial."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import msgspec

from sdrcheck.errors import ReceiverError
from sdrcheck.receiver import kept
from sdrcheck.receiver.kept import KeptTerm
from sdrcheck.receiver.reference import COUNTER, FrequencyReference

KIND = "references"


class KeptReference(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A reference as it lies on disk; its terms are in ppm."""

    correction_ppm: float
    source: str
    method: str
    taken_utc: datetime
    oscillator: str | None
    note: str
    terms: tuple[KeptTerm, ...]

    def reference(self) -> FrequencyReference:
        """The reference it was, as good as when it was taken."""
        return FrequencyReference.of_terms(
            self.correction_ppm,
            tuple(term.term() for term in self.terms),
            self.source,
            method=self.method,
            taken_utc=self.taken_utc,
            oscillator=self.oscillator,
            note=self.note,
        )


def history(serial: str) -> tuple[FrequencyReference, ...]:
    """Every reference kept for a dongle, oldest reading first. Raises ReceiverError when the file cannot be read."""
    entries = sorted(kept.entries(KIND, serial, KeptReference), key=lambda entry: entry.taken_utc)
    return tuple(entry.reference() for entry in entries)


def decisive(serial: str) -> tuple[FrequencyReference, ...]:
    """Those that decide, oldest first: a counter's, where there are any, for nothing else is traceable."""
    whole = history(serial)
    return tuple(one for one in whole if one.method == COUNTER) or whole


def latest(serial: str) -> FrequencyReference | None:
    """The newest reference that decides, as it was when taken (see `FrequencyReference.at`), or None."""
    whole = decisive(serial)
    return whole[-1] if whole else None


def keep(serial: str, reference: FrequencyReference) -> Path:
    """Add a reference to a dongle's file and say where that is. It needs the time when it was taken."""
    if reference.taken_utc is None:
        raise ReceiverError("a reference is kept with the time when it was taken")
    entry = KeptReference(
        correction_ppm=reference.correction_ppm,
        source=reference.source,
        method=reference.method,
        taken_utc=reference.taken_utc,
        oscillator=reference.oscillator,
        note=reference.note,
        terms=tuple(KeptTerm.of(term) for term in reference.terms),
    )
    return kept.add(KIND, serial, entry)
