"""From symbols to a call in the words of Rec. ITU-R M.493, with a plain remark for everything a technician should see.

The layouts are the standard's message tables (4.1 to 4.10.2 of revision -13). Nothing is repaired here: a field that
cannot be read is null, and the remark holds what was received.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

from sdrcheck.decoders.dsc import fields, sending
from sdrcheck.decoders.dsc.call import Area, Call, Expansion, OrdinaryReceiver, Position
from sdrcheck.decoders.dsc.fields import CallType, Meaning
from sdrcheck.decoders.dsc.frame import ExpansionFrame, Frame
from sdrcheck.decoders.dsc.identities import Holder, identify
from sdrcheck.decoders.dsc.sending import BAND_NAMES
from sdrcheck.decoders.dsc.symbols import NO_INFORMATION, Category, EndOfSequence, Format

Band = Literal["vhf", "mf"]

RQ, BQ, OTHER = EndOfSequence.ACKNOWLEDGE_RQ, EndOfSequence.ACKNOWLEDGE_BQ, EndOfSequence.OTHER

DISTRESS_ACKNOWLEDGEMENT, DISTRESS_RELAY = 110, 112
POLLING, UNABLE, END_OF_CALL, TEST, POSITION_REPORT = 103, 104, 105, 118, 121
MAN_OVERBOARD, EPIRB_EMISSION = 110, 112
NEUTRAL, MEDICAL = 110, 111

RELAYS: dict[int, CallType] = {
    Format.INDIVIDUAL: CallType.RELAY_INDIVIDUAL,
    Format.AREA: CallType.RELAY_AREA,
    Format.GROUP: CallType.RELAY_GROUP,
    Format.ALL_SHIPS: CallType.RELAY_ALL_SHIPS,
}

INDIVIDUAL_EXCHANGES: dict[int | None, tuple[CallType, CallType]] = {
    TEST: (CallType.TEST_CALL, CallType.TEST_ACKNOWLEDGEMENT),
    POSITION_REPORT: (CallType.POSITION_REQUEST, CallType.POSITION_REPLY),
    POLLING: (CallType.POLLING_REQUEST, CallType.POLLING_REPLY),
    UNABLE: (CallType.UNABLE_ACKNOWLEDGEMENT, CallType.UNABLE_ACKNOWLEDGEMENT),
}
"""First telecommand of an individual call: what the call is, and what its answer is."""


def _by_category(urgency: CallType, safety: CallType, routine: CallType) -> dict[int, CallType]:
    return {
        Category.URGENCY: urgency,
        Category.SAFETY: safety,
        Category.ROUTINE: routine,
        Category.SHIPS_BUSINESS: routine,
    }


ORDINARY_TYPES: dict[int, dict[int, CallType]] = {
    Format.ALL_SHIPS: _by_category(CallType.ALL_SHIPS_URGENCY, CallType.ALL_SHIPS_SAFETY, CallType.ALL_SHIPS_ROUTINE),
    Format.AREA: _by_category(CallType.AREA_URGENCY, CallType.AREA_SAFETY, CallType.AREA_ROUTINE),
    Format.GROUP: _by_category(CallType.GROUP_URGENCY, CallType.GROUP_SAFETY, CallType.GROUP_ROUTINE),
    Format.INDIVIDUAL: _by_category(
        CallType.INDIVIDUAL_URGENCY, CallType.INDIVIDUAL_SAFETY, CallType.INDIVIDUAL_ROUTINE
    ),
    Format.SEMI_AUTOMATIC: {},
}

LAWFUL_ENDS: dict[CallType, tuple[int, ...]] = {
    **dict.fromkeys(CallType, (OTHER,)),
    CallType.RELAY_INDIVIDUAL: (RQ,),
    CallType.RELAY_ACKNOWLEDGEMENT: (BQ,),
    CallType.INDIVIDUAL_URGENCY: (RQ,),
    CallType.INDIVIDUAL_SAFETY: (RQ,),
    CallType.INDIVIDUAL_ROUTINE: (RQ,),
    CallType.ABLE_ACKNOWLEDGEMENT: (BQ,),
    CallType.UNABLE_ACKNOWLEDGEMENT: (BQ,),
    CallType.TEST_CALL: (RQ,),
    CallType.TEST_ACKNOWLEDGEMENT: (BQ,),
    CallType.POSITION_REQUEST: (RQ,),
    CallType.POSITION_REPLY: (BQ,),
    CallType.POLLING_REQUEST: (RQ,),
    CallType.POLLING_REPLY: (BQ,),
    CallType.SEMI_AUTOMATIC: (RQ,),
    CallType.SEMI_AUTOMATIC_ACKNOWLEDGEMENT: (BQ,),
    CallType.SEMI_AUTOMATIC_END: (RQ, BQ),
    CallType.UNKNOWN: (RQ, BQ, OTHER),
}
"""M.493 §9; that of group and area relays and of a closed-loop device is doubtful."""


def call(
    frame: Frame,
    *,
    band: Band,
    start_s: float,
    end_s: float,
    dot_pattern_bits: int | None = None,
    inverted: bool = False,
    gap_before_bits: float | None = None,
) -> Call:
    """Interpret a frame; `band` is "mf" for medium and short wave alike.

    `start_s` and `end_s` are seconds from the start of the recording; `dot_pattern_bits` is None where it was cut off.
    `inverted` says that B and Y came exchanged (the frame is given as it was meant).
    """
    reading = _Reading(frame, band)
    reading.read()
    remarks = [
        *reading.remarks,
        *sending.dot_pattern_remarks(dot_pattern_bits, band, reading.type, reading.end_symbol, reading.called),
        *sending.remarks(frame, inverted, band),
    ]
    ordinary = frame.ordinary_receiver
    if inverted:
        ordinary = OrdinaryReceiver(
            accepted=False, reason="the keying is inverted: phasing reads 2 and 16 to 23, not 125 and 111 to 104"
        )
    return Call(
        start_s=start_s,
        end_s=end_s,
        gap_before_bits=gap_before_bits,
        type=reading.type.value,
        format=reading.format,
        category=reading.category,
        self_id=reading.self_id,
        address=reading.address,
        distress_id=reading.distress_id,
        nature_of_distress=reading.nature,
        position=reading.position,
        utc=reading.utc,
        telecommand_1=reading.telecommand_1,
        telecommand_2=reading.telecommand_2,
        called_station_receives=reading.receives,
        called_station_transmits=reading.transmits,
        telephone_number=reading.telephone_number,
        subsequent_communication=reading.subsequent,
        end_of_sequence=reading.end,
        expansion=reading.expansions,
        symbols=frame.symbols,
        error_check=frame.error_check,
        first_copy=frame.first_copy,
        second_copy=frame.second_copy,
        combined=frame.combined,
        phasing=frame.phasing_received,
        dot_pattern_bits=dot_pattern_bits,
        inverted=inverted,
        ordinary_receiver=ordinary,
        remarks=tuple(remarks),
    )


class _Broken(Exception):
    """The call's characters ended inside a field."""


class _Reading:
    """One pass over a call's characters, filling the fields that its format has."""

    def __init__(self, frame: Frame, band: Band) -> None:
        self.frame = frame
        self.band = band
        self.characters = list(frame.symbols[: frame.body])
        self.at = 0
        self.remarks: list[str] = []
        self.type = CallType.UNKNOWN
        self.format: str | None = None
        self.category: str | None = None
        self.self_id: str | None = None
        self.address: str | Area | None = None
        self.distress_id: str | None = None
        self.nature: str | None = None
        self.position: Position | None = None
        self.utc: str | None = None
        self.telecommand_1: str | None = None
        self.telecommand_2: str | None = None
        self.receives: str | None = None
        self.transmits: str | None = None
        self.telephone_number: str | None = None
        self.subsequent: str | None = None
        self.end: str | None = None
        self.expansions: tuple[Expansion, ...] = ()
        self.end_symbol = frame.symbols[frame.body] if len(frame.symbols) > frame.body else None
        self.category_symbol: int | None = None
        self.commands: tuple[int | None, int | None] = (None, None)
        self.nature_symbol: int | None = None
        self.called: str | None = None

    # -- the pass ------------------------------------------------------------------------------------------------

    def read(self) -> None:
        if self.end_symbol is not None:
            known = fields.ENDS.get(self.end_symbol)
            self.end = known.words if known else None
            if not known:
                self.note(
                    f"The sequence ends with symbol {self.end_symbol}, which is no end of sequence (117, 122, 127)."
                )
        try:
            self._read_characters()
        except _Broken:
            self.note(
                "The call breaks off: only its first " + _count(len(self.characters), "character") + " could be read."
            )
        self.type = self._named()
        self._judge_end()
        self._judge_test()
        if self.frame.expansion:
            self._read_expansions(self.frame.expansion)

    def _read_characters(self) -> None:
        format_specifier = self.take()
        self.format = self.words(fields.FORMATS, format_specifier, "format specifier")
        layouts: dict[int, Callable[[], None]] = {
            Format.DISTRESS: self._alert,
            Format.ALL_SHIPS: self._all_ships,
            Format.AREA: self._area,
            Format.GROUP: self._group,
            Format.INDIVIDUAL: self._individual,
            Format.SEMI_AUTOMATIC: self._semi_automatic,
        }
        if format_specifier not in layouts:
            if format_specifier == Format.NATIONAL:
                self.note("Format specifier 121 is reserved for national use; its characters are shown as received.")
            return
        layouts[format_specifier]()
        left = self.characters[self.at :]
        if left:
            self.note(f"{_count(len(left), 'character')} more than the layout has: {_listed(left)}.")

    def _alert(self) -> None:
        self.self_id = self._identity("self-identification", sender=True)
        self._distress_message()

    def _all_ships(self) -> None:
        self._category()
        self.self_id = self._identity("self-identification", sender=True)
        if self.category_symbol == Category.ROUTINE:
            self.note("A routine call to all ships does not exist in the editions from 2009 on.")
        elif self.category_symbol != Category.DISTRESS and self.band == "mf":
            self.note("On MF/HF an urgency or safety call goes to an area (102), not to all ships (116).")
        self._message()

    def _area(self) -> None:
        text = self._digits(fields.POSITION_SYMBOLS, "area")
        if text is not None:
            area = fields.read_area(text)
            if isinstance(area, Area):
                self.address = area
            else:
                self.note(f"Area {text}: {area}.")
        if self.band == "vhf":
            self.note("Calls to a geographic area are for MF and HF only.")
        self._category()
        self.self_id = self._identity("self-identification", sender=True)
        self._message()

    def _group(self) -> None:
        self.address = self._identity("address", group=True)
        self._category()
        self.self_id = self._identity("self-identification", sender=True)
        self._message()

    def _individual(self) -> None:
        self.address = self.called = self._identity("address")
        self._category()
        self.self_id = self._identity("self-identification", sender=True)
        self._message()

    def _semi_automatic(self) -> None:
        self.address = self.called = self._identity("address")
        self._category()
        self.self_id = self._identity("self-identification", sender=True)
        self._telecommands()
        self._frequencies(before_number=True)
        if self._more():
            self._telephone()

    # -- messages ------------------------------------------------------------------------------------------------

    def _message(self) -> None:
        if self.category_symbol == Category.DISTRESS and self._next() != TEST:
            self._distress_reference()
        else:
            self._telecommands()
            self._frequencies()

    def _distress_reference(self) -> None:
        """A message about a distress: telecommand, the ship's identity, and its alert (acknowledgement or relay)."""
        command = self.take()
        self.commands = (command, None)
        self.telecommand_1 = self.words(fields.FIRST_TELECOMMANDS, command, "first telecommand")
        if command not in (DISTRESS_ACKNOWLEDGEMENT, DISTRESS_RELAY):
            self.note(f"Category distress goes with telecommand 110 or 112, not {command}.")
        self.distress_id = self._identity("identity of the ship in distress", may_lack=True)
        self._distress_message()

    def _distress_message(self) -> None:
        self.nature_symbol = self.take()
        self.nature = self.words(fields.NATURES, self.nature_symbol, "nature of distress")
        self._position(expected_unknown=self.nature_symbol == EPIRB_EMISSION)
        self._time(expected_unknown=self.nature_symbol == EPIRB_EMISSION)
        subsequent = self.take()
        self.subsequent = self.words(fields.FIRST_TELECOMMANDS, subsequent, "subsequent communication")
        usual = (100, NO_INFORMATION) if self.band == "vhf" else (109, 113, NO_INFORMATION)
        if subsequent not in usual and self.subsequent and not fields.FIRST_TELECOMMANDS[subsequent].obsolete:
            self.note(
                f"Subsequent communication {subsequent} ({self.subsequent}) does not belong in a distress call on "
                f"{BAND_NAMES[self.band]}."
            )

    def _telecommands(self) -> None:
        first, second = self.take(), self.take()
        self.commands = (first, second)
        self.telecommand_1 = self.words(fields.FIRST_TELECOMMANDS, first, "first telecommand")
        self.telecommand_2 = self.words(fields.SECOND_TELECOMMANDS, second, "second telecommand")
        if first == UNABLE and second not in fields.UNABLE_REASONS:
            self.note("Unable to comply is sent without a reason (100 to 109).")
        if first != UNABLE and second in fields.UNABLE_REASONS:
            self.note(f"The reason {second} ({self.telecommand_2}) belongs to unable to comply (104) only.")
        if second in (NEUTRAL, MEDICAL) and first in (104, 105, 106, 110, 112, 118):
            self.note(f"Second telecommand {second} does not go with first telecommand {first}.")
        if first == END_OF_CALL and self.frame.symbols[0] != Format.SEMI_AUTOMATIC:
            self.note("End of call (105) belongs to the semi-automatic/automatic service only.")
        if (first in (109, 111, 113, 115) and self.band == "vhf") or (first in (100, 101) and self.band == "mf"):
            self.note(f"First telecommand {first} ({self.telecommand_1}) is not used on {BAND_NAMES[self.band]}.")

    def _frequencies(self, before_number: bool = False) -> None:
        """Frequency or channel elements, or a position in their place; as many as are there."""
        elements: list[str | None] = []
        while self._more() and len(elements) < 2:
            first = self._next()
            if before_number and first in (fields.ODD_DIGITS, fields.EVEN_DIGITS):
                break
            if first == fields.POSITION_FOLLOWS and not elements:
                self.take()
                self._position()
                if self.commands[0] == POSITION_REPORT and self._more():
                    self._time()
                return
            element = self.take_many(fields.element_length(first))
            if all(symbol == NO_INFORMATION for symbol in element):
                elements.append(None)
                continue
            text = fields.read_element(element)
            if text is None:
                self.note(f"Frequency or channel element {_listed(element)} has no known form.")
            elif (self.band == "vhf") != (element[0] == 90):
                self.note(f"The element {text} is not one for {BAND_NAMES[self.band]}.")
            elements.append(text)
        if len(elements) < 2 and not before_number:
            left_out = (
                "Both frequency or channel elements are"
                if not elements
                else "The second frequency or channel element is"
            )
            self.note(f"{left_out} left out, as in some older sets.")
        self.receives, self.transmits = (*elements, None, None)[:2]

    def _telephone(self) -> None:
        first = self.take()
        if first not in (fields.ODD_DIGITS, fields.EVEN_DIGITS):
            self.note(f"The telephone number begins with symbol {first}, not with 105 or 106.")
            return
        symbols = self.characters[self.at :]
        self.at = len(self.characters)
        self.telephone_number, padded = fields.read_telephone(first, symbols)
        if symbols and self.telephone_number is None:
            self.note(f"The telephone number {_listed(symbols)} holds symbols that are no digits.")
        if padded == "nowhere":
            self.note("The telephone number should have an odd count of digits, but no padding 0 was found.")
        elif padded == "behind":
            self.note("The telephone number was read with its padding 0 behind; usual is in front (not settled).")

    # -- fields --------------------------------------------------------------------------------------------------

    def note(self, sentence: str) -> None:
        self.remarks.append(sentence)

    def take(self) -> int:
        return self.take_many(1)[0]

    def take_many(self, count: int) -> list[int]:
        if self.at + count > len(self.characters):
            raise _Broken
        taken = self.characters[self.at : self.at + count]
        self.at += count
        return taken

    def _next(self) -> int:
        if not self._more():
            raise _Broken
        return self.characters[self.at]

    def _more(self) -> bool:
        return self.at < len(self.characters)

    def words(self, column: dict[int, Meaning], symbol: int, name: str) -> str | None:
        """The meaning of a symbol in its column; a remark where it has none, or only had one once."""
        meaning = column.get(symbol)
        if meaning is None:
            self.note(f"Symbol {symbol} is no {name}.")
            return None
        if meaning.obsolete:
            self.note(
                f"{name.capitalize()} {symbol} ({meaning.words}) is obsolete: editions from 2009 on have it no more."
            )
        return meaning.words

    def _category(self) -> None:
        self.category_symbol = self.take()
        self.category = self.words(fields.CATEGORIES, self.category_symbol, "category")

    def _digits(self, count: int, name: str) -> str | None:
        symbols = self.take_many(count)
        text = fields.digits(symbols)
        if text is None:
            self.note(f"The {name} {_listed(symbols)} holds symbols that are no digits.")
        return text

    def _identity(self, name: str, *, sender: bool = False, group: bool = False, may_lack: bool = False) -> str | None:
        if may_lack and self.characters[self.at : self.at + 5] == [NO_INFORMATION] * 5:
            self.take_many(5)
            self.note("The identity of the ship in distress is given as unknown.")
            return None
        text = self._digits(fields.IDENTITY_SYMBOLS, name)
        if text is None:
            return None
        identity = identify(text[:9])
        if text[9] != "0":
            self.note(
                f"The tenth digit of the {name} is {text[9]}, not 0; only one of several sets of a ship has another "
                "(M.1080)."
            )
        if identity.holder is Holder.INVALID:
            self.note(f"The {name} {text[:9]} has no valid form of a maritime identity.")
        elif identity.mid is not None and identity.country is None:
            self.note(f"The {name} {text[:9]} has country digits {identity.mid}, which are not in my list.")
        if group and identity.holder is not Holder.GROUP:
            self.note(f"The {name} {text[:9]} is no group identity (0, then the country digits).")
        if not group and identity.holder is Holder.GROUP:
            whose = "a group cannot be the sender" if sender else "a group is called with format specifier 114"
            self.note(f"The {name} {text[:9]} is a group identity: {whose}.")
        return text[:9]

    def _position(self, expected_unknown: bool = False) -> None:
        symbols = tuple(self.take_many(fields.POSITION_SYMBOLS))
        if symbols == fields.POSITION_UNKNOWN:
            if not expected_unknown:
                self.note("The position is given as unknown.")
            return
        text = fields.digits(symbols)
        found = fields.read_position(text) if text else "it holds symbols that are no digits"
        if isinstance(found, Position):
            self.position = found
        else:
            self.note(f"Position {text or _listed(symbols)}: {found}.")

    def _time(self, expected_unknown: bool = False) -> None:
        symbols = tuple(self.take_many(fields.TIME_SYMBOLS))
        if symbols == fields.TIME_UNKNOWN:
            if not expected_unknown:
                self.note("The time is given as unknown.")
            return
        text = fields.digits(symbols)
        self.utc = fields.read_time(text) if text else None
        if self.utc is None:
            self.note(f"Time {text or _listed(symbols)}: there is no such time.")

    # -- judging the whole ---------------------------------------------------------------------------------------

    def _named(self) -> CallType:
        """The type of call, from as many of its fields as could be read."""
        format_specifier = self.frame.symbols[0] if self.frame.symbols else None
        own_device = (self.self_id or "").startswith("972")
        if format_specifier == Format.DISTRESS:
            if self.nature_symbol == EPIRB_EMISSION:
                return CallType.EPIRB_ALERT
            if self.nature_symbol == MAN_OVERBOARD and own_device:
                return CallType.MAN_OVERBOARD_ALERT
            return CallType.DISTRESS_ALERT
        if self.category_symbol is None or format_specifier not in ORDINARY_TYPES:
            return CallType.UNKNOWN
        first, second = self.commands
        answer = self.end_symbol == BQ
        if format_specifier == Format.SEMI_AUTOMATIC:
            if first == END_OF_CALL:
                return CallType.SEMI_AUTOMATIC_END
            return CallType.SEMI_AUTOMATIC_ACKNOWLEDGEMENT if answer else CallType.SEMI_AUTOMATIC
        if self.category_symbol == Category.DISTRESS and first in (DISTRESS_ACKNOWLEDGEMENT, DISTRESS_RELAY):
            if own_device and self.distress_id == self.self_id:
                return CallType.MAN_OVERBOARD_CLOSED_LOOP
            if answer:
                return CallType.RELAY_ACKNOWLEDGEMENT
            if first == DISTRESS_RELAY:
                return RELAYS[format_specifier]
            own = self.distress_id is not None and self.distress_id == self.self_id
            return CallType.SELF_CANCEL if own else CallType.DISTRESS_ACKNOWLEDGEMENT
        if format_specifier == Format.INDIVIDUAL:
            if first in INDIVIDUAL_EXCHANGES:
                return INDIVIDUAL_EXCHANGES[first][1 if answer else 0]
            if answer:
                return CallType.ABLE_ACKNOWLEDGEMENT
        elif self.category_symbol == Category.URGENCY and format_specifier != Format.GROUP:
            if second == MEDICAL:
                return CallType.MEDICAL_TRANSPORT
            if second == NEUTRAL:
                return CallType.NEUTRAL_CRAFT
        return ORDINARY_TYPES[format_specifier].get(self.category_symbol, CallType.UNKNOWN)

    def _judge_end(self) -> None:
        if self.end_symbol is None or self.end is None:
            return
        if self.end_symbol not in LAWFUL_ENDS[self.type]:
            allowed = " or ".join(str(int(symbol)) for symbol in LAWFUL_ENDS[self.type])
            self.note(
                f"EOS not allowed: {self.end_symbol} ({self.end}) ends a call of type {self.type}; "
                f"it should be {allowed}."
            )

    def _judge_test(self) -> None:
        if self.commands[0] == TEST and self.category_symbol not in (Category.SAFETY, None):
            self.note(
                f"The telecommand says test, but the category is {self.category or 'unknown'}; "
                "a test call is sent as safety."
            )
        if self.type in fields.ALERTS:
            where = "channel 16" if self.band == "vhf" else "the telephone frequency of every band it went out on"
            self.note(
                "This is a distress alert, not a test call. If a test was meant and it was radiated, stop the set, "
                f"cancel by voice on {where} and tell the coast guard; distress formats belong in a closed cable."
            )
        elif self.type is CallType.RELAY_ACKNOWLEDGEMENT and self.commands[0] == DISTRESS_ACKNOWLEDGEMENT:
            self.note("The relay acknowledgement carries telecommand 110; 112 is usual (which of them is not settled).")
        elif self.type in (CallType.DISTRESS_ACKNOWLEDGEMENT, CallType.SELF_CANCEL) and self.address is not None:
            self.note("A distress acknowledgement is addressed to all ships; this one is not.")
        if self.type in fields.DISTRESS_TRAFFIC - fields.ALERTS:
            self.note("This call is part of a distress exchange, not a test call: it must never be radiated as a test.")

    def _read_expansions(self, frame: ExpansionFrame) -> None:
        found: list[Expansion] = []
        body = list(frame.symbols[: frame.body])
        while body:
            specifier = body.pop(0)
            if specifier not in fields.EXPANSIONS:
                self.note(f"Symbol {specifier} behind the call is no expansion specifier; the rest is left unread.")
                break
            meaning, length, _ = fields.EXPANSIONS[specifier]
            if body and body[0] in (110, NO_INFORMATION):
                length = 1
            elif specifier == 104:
                length = next((i for i, symbol in enumerate(body) if symbol > 99), len(body))
            data = tuple(body[:length])
            del body[:length]
            found.append(
                Expansion(
                    specifier=specifier,
                    meaning=meaning,
                    value=fields.read_expansion(specifier, data),
                    symbols=data,
                    error_check=frame.error_check,
                )
            )
            text = fields.digits(data)
            if specifier == 100 and self.position and text and len(text) == 8 and frame.error_check == "ok":
                self.position = fields.refined(self.position, text)
        self.expansions = tuple(found)
        if frame.error_check == "failed":
            self.note("The ECC behind the expansion does not fit it (what it covers is not settled).")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _listed(symbols: Sequence[int]) -> str:
    return " ".join(f"{symbol:02d}" for symbol in symbols)
