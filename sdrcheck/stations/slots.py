"""When a navigational-text station is due: 24 letters, ten minutes each, every four hours from 0000 UTC.

The letter's slot is the rule (course pages and Rec. ITU-R R16 as seen); published times come first, since some stations
keep others. Many use a slot only when there is traffic, so a silent slot alone says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWX"
SLOT = timedelta(minutes=10)
PERIOD_MINUTES = 240
DAY_MINUTES = 1440
EARLY = timedelta(minutes=5)
"""A station may begin this much before its time (seen in a reception log)."""
LATE = timedelta(minutes=10)
"""And run on this much after its slot."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One slot of a station, UTC."""

    start: datetime
    by_rule: bool
    """The time follows from the letter; none was published."""

    @property
    def end(self) -> datetime:
        return self.start + SLOT

    def open_at(self, when: datetime) -> bool:
        """The slot is running at `when`, early beginners and overrunners allowed for."""
        return self.start - EARLY <= when < self.end + LATE


def minutes_of(letter: str) -> tuple[int, ...]:
    """The six slot starts of a letter in minutes of the day; raises ValueError outside A to X."""
    if len(letter) != 1 or letter not in LETTERS:
        raise ValueError(f"a transmitter is a letter from A to X, got {letter!r}")
    first = LETTERS.index(letter) * 10
    return tuple(range(first, DAY_MINUTES, PERIOD_MINUTES))


def letter_at(when_utc: datetime) -> str:
    """The letter whose slot by the rule is running."""
    return LETTERS[(when_utc.hour * 60 + when_utc.minute) % PERIOD_MINUTES // 10]


def slot_after(when_utc: datetime, minutes: tuple[int, ...], *, by_rule: bool) -> Slot:
    """The slot that is running at `when_utc`, else the next one; `minutes` are starts in minutes of the day."""
    return next(slot for slot in _around(when_utc, minutes, by_rule) if slot.end > when_utc)


def open_slot(when_utc: datetime, minutes: tuple[int, ...], *, by_rule: bool) -> Slot | None:
    """The slot in which something heard at `when_utc` would belong, early beginners and overrunners allowed for."""
    open_ones = [slot for slot in _around(when_utc, minutes, by_rule) if slot.open_at(when_utc)]
    return min(open_ones, key=lambda slot: abs(slot.start - when_utc), default=None)


def _around(when_utc: datetime, minutes: tuple[int, ...], by_rule: bool) -> list[Slot]:
    midnight = when_utc.replace(hour=0, minute=0, second=0, microsecond=0)
    return [
        Slot(midnight + timedelta(days=day, minutes=minute), by_rule)
        for day in (-1, 0, 1)
        for minute in sorted(minutes)
    ]


def clock_text(minute: int) -> str:
    """`0040` for a minute of the day."""
    return f"{minute // 60:02d}{minute % 60:02d}"
