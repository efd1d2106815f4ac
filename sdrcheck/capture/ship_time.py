"""The computer's UTC held against the ship's UTC display, as a person reads it off and types it in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta

READING_S = 1.0
"""How well a person presses a key at the second that a display shows (k = 2); common practice."""


@dataclass(frozen=True, slots=True)
class ShipTime:
    """What the ship showed, and how far the computer was ahead of it."""

    shown: str
    host_minus_ship_s: float
    uncertainty_s: float = READING_S


def compare(shown: str, host_utc: datetime) -> ShipTime:
    """Compare `HH:MM:SS` on the ship's display with the computer's UTC at the same moment, whichever day is nearer.

    Raises ValueError where that is no time of day, or of another zone.
    """
    ship = time.fromisoformat(shown)
    if ship.utcoffset():
        raise ValueError(f"{shown} is not UTC")
    ahead = host_utc.replace(tzinfo=None) - datetime.combine(host_utc.date(), ship.replace(tzinfo=None))
    half_a_day = timedelta(hours=12)
    ahead = (ahead + half_a_day) % timedelta(days=1) - half_a_day
    return ShipTime(shown, ahead.total_seconds())
