"""A selective call as it was received: the contract's object, in the words of Rec. ITU-R M.493."""

from __future__ import annotations

from typing import Literal

import msgspec

ErrorCheck = Literal["ok", "failed", "not received", "inferred"]


class Position(msgspec.Struct, frozen=True, kw_only=True):
    """Degrees, north and east positive; the field's own resolution in minutes of arc."""

    latitude: float
    longitude: float
    resolution_minutes: float


class Area(msgspec.Struct, frozen=True, kw_only=True):
    """A geographic area address: a Mercator rectangle by its north-west corner (M.493 §5.3)."""

    north_west_latitude: float
    north_west_longitude: float
    south_extent_degrees: float
    east_extent_degrees: float


class OrdinaryReceiver(msgspec.Struct, frozen=True, kw_only=True):
    """What a receiver with hard decisions and the standard's acceptance rules would have done with the call."""

    accepted: bool
    reason: str


class Expansion(msgspec.Struct, frozen=True, kw_only=True):
    """One expansion sequence behind the basic call (Rec. ITU-R M.821)."""

    specifier: int
    meaning: str
    value: str
    symbols: tuple[int, ...]
    error_check: ErrorCheck = "not received"


class Call(msgspec.Struct, frozen=True, kw_only=True):
    """One call, with everything that could be read of it. Fields that the format does not have are null."""

    start_s: float
    """Start of the dot pattern, seconds from the start of the recording."""
    end_s: float
    gap_before_bits: float | None = None
    """Bits between the end of the call before it in the same keying and its own dot pattern; null for the first."""
    type: str
    format: str | None = None
    category: str | None = None
    self_id: str | None = None
    address: str | Area | None = None
    distress_id: str | None = None
    nature_of_distress: str | None = None
    position: Position | None = None
    utc: str | None = None
    telecommand_1: str | None = None
    telecommand_2: str | None = None
    called_station_receives: str | None = None
    called_station_transmits: str | None = None
    telephone_number: str | None = None
    subsequent_communication: str | None = None
    end_of_sequence: str | None = None
    expansion: tuple[Expansion, ...] = ()
    symbols: tuple[int, ...] = ()
    """Accepted information symbols: format specifier once, through EOS and ECC."""
    error_check: ErrorCheck
    first_copy: tuple[int | None, ...] = ()
    second_copy: tuple[int | None, ...] = ()
    combined: tuple[int, ...] = ()
    """Indexes into `symbols` recovered only by using both copies' soft values."""
    phasing: tuple[int, ...] = ()
    dot_pattern_bits: int | None = None
    inverted: bool = False
    ordinary_receiver: OrdinaryReceiver
    remarks: tuple[str, ...] = ()
