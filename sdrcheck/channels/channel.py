"""One row of a channel plan."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Emission(enum.StrEnum):
    """Class of emission (RR Appendix 1), as far as this project meets it."""

    G3E = "G3E"
    G2B = "G2B"
    J3E = "J3E"
    F1B = "F1B"
    N0N = "N0N"
    UNKNOWN = "unknown"


class Leg(enum.StrEnum):
    """Which of a channel's two frequencies: the one ships send on, or the coast station's."""

    SHIP = "ship"
    COAST = "coast"


class Mark(enum.StrEnum):
    """How sure we are of a fact."""

    SEEN = "S"
    MEMORY = "M"
    DOUBTFUL = "M?"
    PRACTICE = "C"
    DERIVED = "D"


@dataclass(frozen=True, slots=True)
class Channel:
    """One frequency of a channel plan: what it is called, where it sits, what belongs on it.

    `frequency_hz` is the assigned frequency; for J3E telephony it is the (suppressed) carrier, as the trade names it.
    """

    name: str
    frequency_hz: int
    spacing_hz: int
    emission: Emission
    use: str
    source: str
    mark: Mark = Mark.SEEN
    leg: Leg | None = None
    calling: bool = False
    """Selective calls are expected here, so weak ones are looked for."""
    text: bool = False
    """Navigational text is broadcast here."""
    aliases: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.frequency_hz <= 0:
            raise ValueError(f"channel {self.name}: the frequency must be above 0 Hz, got {self.frequency_hz}")
