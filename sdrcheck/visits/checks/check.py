"""One planned check: what to do at the set, what it is dangerous for, what is read, and on what ground it is asked."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

from sdrcheck.channels.channel import Mark
from sdrcheck.findings.inspection import Kind
from sdrcheck.limits.limit import Limit, Standing


class How(enum.StrEnum):
    """What answers a check."""

    MEASURED = "measured"
    """A recording."""
    METERED = "metered"
    """A typed reading of a calibrated instrument."""
    SEEN = "seen"
    """A person looked or listened."""


class Power(enum.StrEnum):
    """Which power step the set is keyed with."""

    HIGH = "high"
    LOW = "low"
    AUTOMATIC = "automatic low"
    """Keyed at high; the set has to fall back by itself."""


class Stage(enum.IntEnum):
    """Order of work aboard: cold before hot, closed cable before air, restored last."""

    ARRIVAL = 0
    PAPERS = 1
    COLD = 2
    RECEIVE = 3
    SELF_TEST = 4
    CLOSED_CABLE = 5
    DISTRESS_FORMAT = 6
    ON_AIR = 7
    SUPPLIES = 8
    RESTORE = 9


@dataclass(frozen=True, slots=True)
class CallWanted:
    """What the selective call of a check has to be."""

    type: str
    format: str | None = None
    category: str | None = None
    telecommand_1: str | None = None
    attempts: int = 1
    """Calls without a gap in one keying."""


@dataclass(frozen=True, slots=True)
class Keying:
    """By what a keying is recognised as the one that a check asks for."""

    frequency_hz: float
    channel: str | None = None
    kinds: tuple[Kind, ...] = ()
    """Empty: any."""
    conditions: tuple[str, ...] = ()
    """Conditions under which the check's readings mean something; empty: any."""
    power: Power | None = None
    seconds: float = 0.0
    """It takes at least this long."""
    call: CallWanted | None = None


@dataclass(frozen=True, slots=True)
class MeterWanted:
    """A quantity to read from a calibrated instrument beside the recording."""

    quantity: str
    unit: str


@dataclass(frozen=True, slots=True)
class Check:
    """One planned check."""

    id: str
    set_id: str | None
    title: str
    how: How
    stage: Stage
    do: tuple[str, ...]
    """What to do at the set, step by step."""
    basis: str
    """Where the check comes from."""
    mark: Mark
    standing: Standing | None
    """Standing of the check itself; None for plain practice."""
    cautions: tuple[str, ...] = ()
    keying: Keying | None = None
    quantities: tuple[str, ...] = ()
    """Quantities read from the recording, named as in an inspection."""
    meters: tuple[MeterWanted, ...] = ()
    supply: str = "main"
    distress_format: bool = False
    say: str = ""
    """The same in few words, for a voice three metres away; empty where it is no part of a hands-free run."""
    limits: tuple[Limit, ...] = field(default=())
    """What its quantities are held against, filled in by the plan."""
