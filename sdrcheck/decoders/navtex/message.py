"""A navigational-text message as it was received: the contract's object."""

from __future__ import annotations

import msgspec


class ShipReceiver(msgspec.Struct, frozen=True, kw_only=True):
    """What a conforming ship's receiver would have done with the message."""

    printed: bool
    stored: bool
    alarm: bool
    reason: str


class Message(msgspec.Struct, frozen=True, kw_only=True):
    """One message from ZCZC to NNNN, as far as it was received."""

    station: str | None
    """B1, the transmitter."""
    subject: str | None
    """B2, the subject indicator."""
    number: str | None
    """B3B4, the serial number."""
    body: str
    """The text; a lost character is `*`."""
    complete: bool
    """NNNN was seen."""
    characters: int
    character_errors: int
    """Both copies bad, as an ordinary receiver counts."""
    character_errors_repaired: int
    """Left over after soft combination."""
    first_copy_errors: int
    second_copy_errors: int
    character_error_ratio: float | None
    start_s: float
    end_s: float
    start_utc: str | None
    """No decoder knows a clock: filled in where the transmission is put together."""
    phasing_s: float | None
    ordinary_receiver: ShipReceiver
    remarks: tuple[str, ...] = ()
