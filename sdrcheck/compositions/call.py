"""Selective calls of every type, from words to bits, out of the same tables that the decoder reads with.

Everything is synthetic: what is made here proves only that encoder and decoder agree. Nothing here transmits; what must
stay in a closed cable says so (`needs_closed_cable`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal

from sdrcheck.decoders.dsc import fields
from sdrcheck.decoders.dsc.call import Area
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.decoders.dsc.identities import Holder, identify
from sdrcheck.decoders.dsc.symbols import (
    NO_INFORMATION,
    PHASING_DX,
    PHASING_RX,
    Category,
    EndOfSequence,
    Format,
    bits_of,
)
from sdrcheck.errors import CompositionError

Band = Literal["vhf", "mf"]
Message = Literal["alert", "reference", "channels", "nothing", "position", "number"]

RQ, BQ, OTHER = EndOfSequence.ACKNOWLEDGE_RQ, EndOfSequence.ACKNOWLEDGE_BQ, EndOfSequence.OTHER
EMPTY_ELEMENT = (NO_INFORMATION,) * fields.ELEMENT_SYMBOLS

_UNDESIGNATED = 107
CALLS_IN_AN_ATTEMPT = 5
"""A distress attempt on one frequency: five calls without a gap (M.541 Annex 1, 3.1.3.1)."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the standard's message tables: what a type of call is made of."""

    format: Format
    category: Category | None
    end: EndOfSequence
    message: Message
    first: int | None = None
    """First telecommand; None for telephony of the band."""
    second: int = NO_INFORMATION


ROWS: dict[CallType, Row] = {
    CallType.DISTRESS_ALERT: Row(Format.DISTRESS, None, OTHER, "alert"),
    CallType.EPIRB_ALERT: Row(Format.DISTRESS, None, OTHER, "alert"),
    CallType.MAN_OVERBOARD_ALERT: Row(Format.DISTRESS, None, OTHER, "alert"),
    CallType.MAN_OVERBOARD_CLOSED_LOOP: Row(Format.INDIVIDUAL, Category.DISTRESS, OTHER, "reference", 112),
    CallType.DISTRESS_ACKNOWLEDGEMENT: Row(Format.ALL_SHIPS, Category.DISTRESS, OTHER, "reference", 110),
    CallType.SELF_CANCEL: Row(Format.ALL_SHIPS, Category.DISTRESS, OTHER, "reference", 110),
    CallType.RELAY_INDIVIDUAL: Row(Format.INDIVIDUAL, Category.DISTRESS, RQ, "reference", 112),
    CallType.RELAY_AREA: Row(Format.AREA, Category.DISTRESS, OTHER, "reference", 112),
    CallType.RELAY_GROUP: Row(Format.GROUP, Category.DISTRESS, OTHER, "reference", 112),
    CallType.RELAY_ALL_SHIPS: Row(Format.ALL_SHIPS, Category.DISTRESS, OTHER, "reference", 112),
    CallType.RELAY_ACKNOWLEDGEMENT: Row(Format.INDIVIDUAL, Category.DISTRESS, BQ, "reference", 112),
    CallType.ALL_SHIPS_URGENCY: Row(Format.ALL_SHIPS, Category.URGENCY, OTHER, "channels"),
    CallType.ALL_SHIPS_SAFETY: Row(Format.ALL_SHIPS, Category.SAFETY, OTHER, "channels"),
    CallType.AREA_URGENCY: Row(Format.AREA, Category.URGENCY, OTHER, "channels"),
    CallType.AREA_SAFETY: Row(Format.AREA, Category.SAFETY, OTHER, "channels"),
    CallType.INDIVIDUAL_URGENCY: Row(Format.INDIVIDUAL, Category.URGENCY, RQ, "channels"),
    CallType.INDIVIDUAL_SAFETY: Row(Format.INDIVIDUAL, Category.SAFETY, RQ, "channels"),
    CallType.INDIVIDUAL_ROUTINE: Row(Format.INDIVIDUAL, Category.ROUTINE, RQ, "channels"),
    CallType.GROUP_ROUTINE: Row(Format.GROUP, Category.ROUTINE, OTHER, "channels"),
    CallType.ABLE_ACKNOWLEDGEMENT: Row(Format.INDIVIDUAL, Category.ROUTINE, BQ, "channels"),
    CallType.UNABLE_ACKNOWLEDGEMENT: Row(Format.INDIVIDUAL, Category.ROUTINE, BQ, "channels", 104, 100),
    CallType.TEST_CALL: Row(Format.INDIVIDUAL, Category.SAFETY, RQ, "nothing", 118),
    CallType.TEST_ACKNOWLEDGEMENT: Row(Format.INDIVIDUAL, Category.SAFETY, BQ, "nothing", 118),
    CallType.POSITION_REQUEST: Row(Format.INDIVIDUAL, Category.SAFETY, RQ, "nothing", 121),
    CallType.POSITION_REPLY: Row(Format.INDIVIDUAL, Category.SAFETY, BQ, "position", 121),
    CallType.POLLING_REQUEST: Row(Format.INDIVIDUAL, Category.SAFETY, RQ, "nothing", 103),
    CallType.POLLING_REPLY: Row(Format.INDIVIDUAL, Category.SAFETY, BQ, "nothing", 103),
    CallType.MEDICAL_TRANSPORT: Row(Format.ALL_SHIPS, Category.URGENCY, OTHER, "channels", None, 111),
    CallType.NEUTRAL_CRAFT: Row(Format.ALL_SHIPS, Category.URGENCY, OTHER, "channels", None, 110),
    CallType.SEMI_AUTOMATIC: Row(Format.SEMI_AUTOMATIC, Category.ROUTINE, RQ, "number"),
    CallType.SEMI_AUTOMATIC_ACKNOWLEDGEMENT: Row(Format.SEMI_AUTOMATIC, Category.ROUTINE, BQ, "number"),
    CallType.SEMI_AUTOMATIC_END: Row(Format.SEMI_AUTOMATIC, Category.ROUTINE, RQ, "number", 105),
}
"""M.493 tables 4.1 to 4.10.2. Doubtful: ends of group and area relays and of the closed loop, the category of polling,
and everything semi-automatic."""

_CARRIED: dict[Message, frozenset[str]] = {
    "alert": frozenset({"nature", "position", "utc", "subsequent"}),
    "reference": frozenset({"first_telecommand", "distress_id", "nature", "position", "utc", "subsequent"}),
    "channels": frozenset({"first_telecommand", "second_telecommand", "receive", "transmit", "position"}),
    "nothing": frozenset({"first_telecommand", "second_telecommand", "receive", "transmit"}),
    "position": frozenset({"first_telecommand", "second_telecommand", "position", "utc"}),
    "number": frozenset({"first_telecommand", "second_telecommand", "receive", "transmit", "telephone"}),
}
"""What of an order goes into each kind of message."""
_IN_WORDS = {
    "first_telecommand": "first telecommand",
    "second_telecommand": "second telecommand",
    "distress_id": "identity in distress",
    "nature": "nature of distress",
    "position": "position",
    "utc": "time",
    "subsequent": "subsequent communication",
    "receive": "working channel",
    "transmit": "channel to send on",
    "telephone": "telephone number",
}
_NATURE_FIXED = {CallType.EPIRB_ALERT, CallType.MAN_OVERBOARD_ALERT, CallType.MAN_OVERBOARD_CLOSED_LOOP}

_BY_AREA_ON_MF = {CallType.MEDICAL_TRANSPORT, CallType.NEUTRAL_CRAFT}
"""To all ships on VHF, to an area on MF and HF."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CallOrder:
    """A call in words. What its type has no use for must be left out; what is left out says "no information"."""

    type: CallType
    self_id: str
    band: Band = "vhf"
    to: str | None = None
    area: Area | None = None
    distress_id: str | None = None
    nature: int | None = None
    """Undesignated where not given."""
    position: tuple[float, float] | None = None
    """Latitude and longitude in degrees."""
    utc: str | None = None
    subsequent: int | None = None
    category: Category | None = None
    first_telecommand: int | None = None
    second_telecommand: int | None = None
    receive: tuple[int, ...] | None = None
    """Frequency or channel element on which the called station receives, as packed by `fields`."""
    transmit: tuple[int, ...] | None = None
    telephone: str | None = None
    end: int | None = None

    def information(self) -> list[int]:
        """The information symbols: format specifier once, through the EOS. Raises CompositionError."""
        row = ROWS.get(self.type)
        if row is None:
            known = ", ".join(known_type.value for known_type in ROWS)
            raise CompositionError(f"no layout for a call of type {self.type.value!r}; known are {known}")
        try:
            return self._information(row)
        except ValueError as problem:
            raise CompositionError(f"{self.type.value}: {problem}") from None

    def _information(self, row: Row) -> list[int]:
        format_specifier = self._format(row)
        symbols = [int(format_specifier)]
        if format_specifier == Format.AREA:
            if self.area is None:
                raise ValueError("it needs an area (north-west corner and sides)")
            symbols += fields.pack_area(self.area)
        elif format_specifier not in (Format.DISTRESS, Format.ALL_SHIPS):
            if self.to is None:
                raise ValueError("it needs the called station's identity")
            symbols += fields.pack_identity(self.to)
        self._refuse_unused(format_specifier, row)
        if row.category is not None:
            symbols.append(int(self.category or row.category))
        elif self.category is not None:
            raise ValueError("a distress alert has no category")
        symbols += fields.pack_identity(self.self_id)
        symbols += self._message(row)
        symbols.append(int(row.end if self.end is None else self.end))
        return symbols

    def _format(self, row: Row) -> Format:
        if self.type in _BY_AREA_ON_MF and self.band == "mf":
            return Format.AREA
        if self.type is CallType.RELAY_ACKNOWLEDGEMENT and self.to is None:
            return Format.ALL_SHIPS
        if self.type is CallType.MAN_OVERBOARD_CLOSED_LOOP and identify(self.to or "").holder is Holder.GROUP:
            return Format.GROUP
        return row.format

    def _refuse_unused(self, format_specifier: Format, row: Row) -> None:
        for field, words in _IN_WORDS.items():
            if getattr(self, field) is not None and field not in _CARRIED[row.message]:
                raise ValueError(f"it carries no {words}")
        if self.nature is not None and self.type in _NATURE_FIXED:
            raise ValueError("its nature of distress is fixed")
        if row.message == "channels" and self.position is not None and (self.receive or self.transmit):
            raise ValueError("it carries a position or a working channel, not both")
        if self.area is not None and format_specifier != Format.AREA:
            raise ValueError("it has no area")
        if self.to is not None and format_specifier in (Format.DISTRESS, Format.ALL_SHIPS, Format.AREA):
            raise ValueError("it is not addressed to one identity")

    def _telephony(self) -> int:
        return 100 if self.band == "vhf" else 109

    def _message(self, row: Row) -> list[int]:
        if row.message == "alert":
            return self._alert()
        first = row.first if self.first_telecommand is None else self.first_telecommand
        first = self._telephony() if first is None else first
        if row.message == "reference":
            return [first, *self._distress_identity(), *self._alert()]
        second = row.second if self.second_telecommand is None else self.second_telecommand
        symbols = [first, second]
        if row.message == "position":
            return [*symbols, fields.POSITION_FOLLOWS, *self._position(), *self._time()]
        if row.message == "channels" and self.receive is None and self.position is not None:
            return [*symbols, fields.POSITION_FOLLOWS, *self._position()]
        symbols += (self.receive or EMPTY_ELEMENT) + (self.transmit or EMPTY_ELEMENT)
        if row.message == "number" and self.telephone is not None:
            symbols += fields.pack_telephone(self.telephone)
        return symbols

    def _distress_identity(self) -> tuple[int, ...]:
        if self.type in (CallType.SELF_CANCEL, CallType.MAN_OVERBOARD_CLOSED_LOOP):
            if self.distress_id not in (None, self.self_id):
                raise ValueError("the distress is the sender's own; leave its identity out")
            return fields.pack_identity(self.self_id)
        if self.distress_id is None:
            return (NO_INFORMATION,) * fields.IDENTITY_SYMBOLS
        return fields.pack_identity(self.distress_id)

    def _alert(self) -> list[int]:
        nature, subsequent = _UNDESIGNATED if self.nature is None else self.nature, self._telephony()
        if self.type is CallType.EPIRB_ALERT:
            nature, subsequent = 112, NO_INFORMATION
        elif self.type in (CallType.MAN_OVERBOARD_ALERT, CallType.MAN_OVERBOARD_CLOSED_LOOP):
            nature, subsequent = 110, NO_INFORMATION
        if nature not in fields.NATURES:
            raise ValueError(f"{nature} is no nature of distress")
        if self.subsequent is not None:
            subsequent = self.subsequent
        return [nature, *self._position(), *self._time(), subsequent]

    def _position(self) -> tuple[int, ...]:
        return fields.POSITION_UNKNOWN if self.position is None else fields.pack_position(*self.position)

    def _time(self) -> tuple[int, ...]:
        return fields.TIME_UNKNOWN if self.utc is None else fields.pack_time(self.utc)

    def usual_dots(self) -> int:
        """Bits of dot pattern that go with the call (M.493 §3.4)."""
        if self.band == "vhf":
            return 20
        answer = ROWS[self.type].end is BQ
        return 20 if answer or (self.to or "").startswith("00") else 200


def needs_closed_cable(information: Sequence[int]) -> bool:
    """Whether a receiver that heard the call would raise an alarm or take it for an answer.

    Every distress or urgency category, relay, acknowledgement and self-cancel, and every call to all ships or an area:
    judged by the symbols, whatever the call was named.
    """
    format_specifier = information[0]
    if format_specifier in (Format.DISTRESS, Format.ALL_SHIPS, Format.AREA) or information[-1] == BQ:
        return True
    category, first = information[6], information[12]
    return category in (Category.DISTRESS, Category.URGENCY) or first in (110, 112)


def error_check_of(information: Sequence[int]) -> int:
    """The ECC: exclusive-or of all information symbols, format specifier and EOS once each (M.493 §10)."""
    return reduce(xor, information)


def symbols_on_air(
    information: Sequence[int],
    *,
    ecc: int | None = None,
    second_format: int | None = None,
    expansion: Sequence[int] = (),
) -> list[int]:
    """Both copies in the order of sending: DX, RX, DX, RX …, from the phasing to the last ECC.

    `information` runs from the format specifier, once, through the EOS. `expansion` (specifiers and data) follows with
    an EOS and ECC of its own, behind the two extra EOS; where it belongs is not settled, so it is experimental.
    """
    end = information[-1]
    sequence = [
        information[0],
        information[0] if second_format is None else second_format,
        *information[1:],
        error_check_of(information) if ecc is None else ecc,
        end,
        end,
    ]
    if expansion:
        tail = [*expansion, int(OTHER)]
        sequence += [*tail, error_check_of(tail), int(OTHER), int(OTHER)]
    dx = [PHASING_DX] * 6 + sequence
    rx = [*PHASING_RX, *sequence[:-2]]
    return [symbol for pair in zip(dx, rx, strict=True) for symbol in pair]


def bits_on_air(symbols: Sequence[int], dots: int = 20, first_dot: int = 1) -> list[int]:
    """The dot pattern and ten bits for each symbol, 1 = Y."""
    return [(first_dot + place) % 2 for place in range(dots)] + [bit for s in symbols for bit in bits_of(s)]


def call_bits(information: Sequence[int], *, dots: int = 20) -> list[int]:
    """A whole correct call as bits, 1 = Y, from the first dot to the last bit of the ECC's second copy."""
    return bits_on_air(symbols_on_air(information), dots)


def copy_places(character: int) -> tuple[int, int]:
    """Where the two copies of a character stand in `symbols_on_air`; the format specifier is character 1.

    Its second sending is left out of the count, as in the list of information symbols.
    """
    position = 0 if character == 1 else character
    return 2 * (6 + position), 2 * (8 + position) + 1
