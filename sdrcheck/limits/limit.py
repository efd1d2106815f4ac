"""What a limit is: a span, and where it comes from."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

from sdrcheck.channels.channel import Mark


class Standing(enum.StrEnum):
    """How much weight a limit carries aboard. Only the first two may head a report."""

    SURVEY_ITEM = "survey item"
    REGULATION = "regulation"
    TYPE_TEST = "type test"
    SERVICE_ADVICE = "service advice"


class Declared(enum.StrEnum):
    """What the samples cannot show and the person at the set has to say."""

    ELECTRICAL_TONE = "the tone is fed in electrically"
    SOUND_LEVEL = "the tone is 1 kHz at 94 dB sound level"
    HIGH_POWER = "the set is on high power"
    LOW_POWER = "the set is on low power"


@dataclass(frozen=True, slots=True)
class Limit:
    """The span a quantity has to lie in. An open side is infinite."""

    id: str
    quantity: str
    unit: str
    source: str
    """Document, edition and clause."""
    standing: Standing
    mark: Mark
    low: float = -math.inf
    high: float = math.inf
    conditions: tuple[str, ...] = ()
    """Conditions of the signal under which it may be judged (measurements.condition); empty means any."""
    emissions: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()
    """Channel names it is for; empty means every channel of those emissions."""
    needs: tuple[Declared, ...] = ()
    """What somebody must have declared before it may be judged; a recording cannot tell."""
    ship_only: bool = False
    """It is not for what a coast station sends."""
    needs_meter: bool = False
    """Only a calibrated meter proves it: held against the dongle's reading it never yields a bare word."""
    note: str = ""

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"limit {self.id}: low {self.low} must lie below high {self.high}")
        if not self.source:
            raise ValueError(f"limit {self.id}: a limit needs its source")

    @property
    def doubtful(self) -> bool:
        """A doubtful limit, or one that only a meter proves, never yields a bare `pass` or `fail`."""
        return self.mark is Mark.DOUBTFUL or self.needs_meter
