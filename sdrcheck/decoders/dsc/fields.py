"""The fields of a call: what each symbol means in its column, and how digits are packed. Read and written here alike.

Meanings after M.493 Table 3 (from revision -14 on Table A1-3), field encodings after §§5 and 8. Each row carries how
sure we are of it: seen in a national transposition, from memory, doubtful.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass

from sdrcheck.channels.channel import Mark
from sdrcheck.decoders.dsc.call import Area, Position
from sdrcheck.decoders.dsc.symbols import NO_INFORMATION, Category, EndOfSequence, Format

IDENTITY_SYMBOLS = 5
POSITION_SYMBOLS = 5
TIME_SYMBOLS = 2
ELEMENT_SYMBOLS = 3
FINE_ELEMENT_SYMBOLS = 4

POSITION_UNKNOWN = (99,) * POSITION_SYMBOLS
TIME_UNKNOWN = (88,) * TIME_SYMBOLS
POSITION_FOLLOWS = 55
"""In place of a frequency element: five position symbols follow (M.493 §8.3.2)."""

ODD_DIGITS, EVEN_DIGITS = 105, 106
"""First symbol of a telephone number (M.493 §8.3.3)."""


class CallType(enum.StrEnum):
    """Every type of call in the standard's message tables (4.1 to 4.10), in words."""

    DISTRESS_ALERT = "distress alert"
    EPIRB_ALERT = "EPIRB alert"
    MAN_OVERBOARD_ALERT = "man-overboard device alert"
    MAN_OVERBOARD_CLOSED_LOOP = "man-overboard device alert (closed loop)"
    DISTRESS_ACKNOWLEDGEMENT = "distress acknowledgement"
    SELF_CANCEL = "self-cancel"
    RELAY_INDIVIDUAL = "distress relay (individual)"
    RELAY_AREA = "distress relay (area)"
    RELAY_GROUP = "distress relay (group)"
    RELAY_ALL_SHIPS = "distress relay (all ships)"
    RELAY_ACKNOWLEDGEMENT = "relay acknowledgement"
    ALL_SHIPS_URGENCY = "all-ships urgency call"
    ALL_SHIPS_SAFETY = "all-ships safety call"
    ALL_SHIPS_ROUTINE = "all-ships routine call"
    AREA_URGENCY = "area urgency call"
    AREA_SAFETY = "area safety call"
    AREA_ROUTINE = "area routine call"
    GROUP_URGENCY = "group urgency call"
    GROUP_SAFETY = "group safety call"
    GROUP_ROUTINE = "routine group call"
    INDIVIDUAL_URGENCY = "individual urgency call"
    INDIVIDUAL_SAFETY = "individual safety call"
    INDIVIDUAL_ROUTINE = "routine individual call"
    ABLE_ACKNOWLEDGEMENT = "able to comply acknowledgement"
    UNABLE_ACKNOWLEDGEMENT = "unable to comply acknowledgement"
    TEST_CALL = "test call"
    TEST_ACKNOWLEDGEMENT = "test acknowledgement"
    POSITION_REQUEST = "position request"
    POSITION_REPLY = "position reply"
    POLLING_REQUEST = "polling request"
    POLLING_REPLY = "polling reply"
    MEDICAL_TRANSPORT = "medical transport call"
    NEUTRAL_CRAFT = "neutral craft call"
    SEMI_AUTOMATIC = "semi-automatic call"
    SEMI_AUTOMATIC_ACKNOWLEDGEMENT = "semi-automatic acknowledgement"
    SEMI_AUTOMATIC_END = "end of semi-automatic call"
    UNKNOWN = "unknown"


ALERTS = {CallType.DISTRESS_ALERT, CallType.EPIRB_ALERT, CallType.MAN_OVERBOARD_ALERT}
DISTRESS_TRAFFIC = {
    *ALERTS,
    CallType.MAN_OVERBOARD_CLOSED_LOOP,
    CallType.DISTRESS_ACKNOWLEDGEMENT,
    CallType.SELF_CANCEL,
    CallType.RELAY_INDIVIDUAL,
    CallType.RELAY_AREA,
    CallType.RELAY_GROUP,
    CallType.RELAY_ALL_SHIPS,
    CallType.RELAY_ACKNOWLEDGEMENT,
}
"""Every call that belongs to a distress: none of them is ever sent as a test."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a symbol says in its column."""

    words: str
    mark: Mark = Mark.SEEN
    obsolete: bool = False
    """Dropped from the standard; older sets still send it."""


FORMATS: dict[int, Meaning] = {
    Format.AREA: Meaning("geographic area"),
    Format.DISTRESS: Meaning("distress"),
    Format.GROUP: Meaning("group of ships"),
    Format.ALL_SHIPS: Meaning("all ships"),
    Format.INDIVIDUAL: Meaning("individual station"),
    Format.NATIONAL: Meaning("national use"),
    Format.SEMI_AUTOMATIC: Meaning("individual station, semi-automatic/automatic service", Mark.MEMORY),
}

CATEGORIES: dict[int, Meaning] = {
    Category.ROUTINE: Meaning("routine"),
    Category.SHIPS_BUSINESS: Meaning("ship's business", obsolete=True),
    Category.SAFETY: Meaning("safety"),
    Category.URGENCY: Meaning("urgency"),
    Category.DISTRESS: Meaning("distress"),
}

NATURES: dict[int, Meaning] = {
    100: Meaning("fire, explosion"),
    101: Meaning("flooding"),
    102: Meaning("collision"),
    103: Meaning("grounding"),
    104: Meaning("listing, in danger of capsizing"),
    105: Meaning("sinking"),
    106: Meaning("disabled and adrift"),
    107: Meaning("undesignated distress"),
    108: Meaning("abandoning ship"),
    109: Meaning("piracy/armed robbery attack", Mark.MEMORY),
    110: Meaning("man overboard", Mark.MEMORY),
    112: Meaning("EPIRB emission"),
}

FIRST_TELECOMMANDS: dict[int, Meaning] = {
    100: Meaning("F3E/G3E all modes telephony"),
    101: Meaning("F3E/G3E duplex telephony"),
    103: Meaning("polling"),
    104: Meaning("unable to comply"),
    105: Meaning("end of call"),
    106: Meaning("data"),
    109: Meaning("J3E telephony"),
    110: Meaning("distress acknowledgement"),
    111: Meaning("H3E telephony", obsolete=True),
    112: Meaning("distress relay"),
    113: Meaning("F1B/J2B teleprinter, FEC"),
    115: Meaning("F1B/J2B teleprinter, ARQ"),
    116: Meaning("F1B/J2B teleprinter, receive", obsolete=True),
    118: Meaning("test"),
    121: Meaning("ship position or location registration updating", Mark.MEMORY),
    126: Meaning("no information", Mark.MEMORY),
}

SECOND_TELECOMMANDS: dict[int, Meaning] = {
    100: Meaning("no reason given"),
    101: Meaning("congestion at maritime switching centre"),
    102: Meaning("busy"),
    103: Meaning("queue indication"),
    104: Meaning("station barred"),
    105: Meaning("no operator available"),
    106: Meaning("operator temporarily unavailable"),
    107: Meaning("equipment disabled"),
    108: Meaning("unable to use proposed channel"),
    109: Meaning("unable to use proposed mode"),
    110: Meaning("ships and aircraft of States not parties to an armed conflict"),
    111: Meaning("medical transports"),
    112: Meaning("pay-phone/public call office"),
    113: Meaning("facsimile/data", Mark.DOUBTFUL),
    115: Meaning("data V.21", Mark.DERIVED, obsolete=True),
    116: Meaning("data V.22", Mark.DERIVED, obsolete=True),
    117: Meaning("data V.22 bis", Mark.DERIVED, obsolete=True),
    118: Meaning("data V.23", Mark.DERIVED, obsolete=True),
    119: Meaning("data V.26 bis", Mark.DERIVED, obsolete=True),
    120: Meaning("data V.26 ter", Mark.DERIVED, obsolete=True),
    121: Meaning("data V.27 ter", Mark.DERIVED, obsolete=True),
    122: Meaning("data V.32", Mark.DERIVED, obsolete=True),
    126: Meaning("no information", Mark.MEMORY),
}

ENDS: dict[int, Meaning] = {
    EndOfSequence.ACKNOWLEDGE_RQ: Meaning("acknowledgement requested (RQ)"),
    EndOfSequence.ACKNOWLEDGE_BQ: Meaning("acknowledgement (BQ)"),
    EndOfSequence.OTHER: Meaning("end of sequence"),
}

UNABLE_REASONS = range(100, 110)
"""Second telecommands that go with `unable to comply`, and only with it."""

EXPANSIONS: dict[int, tuple[str, int, Mark]] = {
    100: ("enhanced position resolution", 4, Mark.MEMORY),
    101: ("source and datum of position", 3, Mark.DOUBTFUL),
    102: ("ship's speed", 2, Mark.MEMORY),
    103: ("ship's course", 2, Mark.MEMORY),
    104: ("additional station identification", 10, Mark.DOUBTFUL),
    105: ("enhanced geographic area", 12, Mark.DOUBTFUL),
    106: ("number of persons on board", 2, Mark.MEMORY),
}
"""Meaning and number of data symbols of each expansion specifier (Rec. ITU-R M.821); 104 has up to that many."""

POSITION_SOURCES = (
    "invalid",
    "differential GPS",
    "GPS",
    "differential Loran-C",
    "Loran-C",
    "GLONASS",
    "radar fix",
    "Decca",
    "other source",
)
DATUMS = ("WGS-84", "WGS-72", "other datum")
IDENTIFICATION_CHARACTERS = "0123456789 ABCDEFGHIJKLMNOPQRSTUVWXYZ.,-/ "
"""Character of each symbol in expansion 104; 10 is not used."""


def digits(symbols: Sequence[int]) -> str | None:
    """Join symbols 00 to 99 into their digits; None where one of them is a service command."""
    return None if any(symbol > 99 for symbol in symbols) else "".join(f"{symbol:02d}" for symbol in symbols)


def pairs(text: str) -> tuple[int, ...]:
    """Pack an even number of decimal digits into symbols."""
    if len(text) % 2 or not text.isdecimal():
        raise ValueError(f"an even number of digits is needed, got {text!r}")
    return tuple(int(text[i : i + 2]) for i in range(0, len(text), 2))


def pack_identity(identity: str) -> tuple[int, ...]:
    """Pack nine digits and the trailing 0 into five symbols (M.493 §5.2)."""
    if len(identity) != 9 or not identity.isdecimal():
        raise ValueError(f"an identity has nine digits, got {identity!r}")
    return pairs(identity + "0")


@dataclass(frozen=True, slots=True)
class Quadrant:
    """The first digit of a position: which signs the degrees have."""

    north: int
    east: int


QUADRANTS = (Quadrant(1, 1), Quadrant(1, -1), Quadrant(-1, 1), Quadrant(-1, -1))
"""0 = NE, 1 = NW, 2 = SE, 3 = SW."""


def read_position(text: str) -> Position | str:
    """Read ten digits as a position, or say in words what is out of range."""
    quadrant, latitude, longitude = int(text[0]), (int(text[1:3]), int(text[3:5])), (int(text[5:8]), int(text[8:10]))
    if quadrant >= len(QUADRANTS):
        return f"quadrant {quadrant} does not exist"
    for name, (degrees, minutes), most in (("latitude", latitude, 90), ("longitude", longitude, 180)):
        if minutes > 59:
            return f"{name} minutes {minutes:02d} are out of range"
        if degrees * 60 + minutes > most * 60:
            return f"{name} {degrees}°{minutes:02d}' is out of range"
    signs = QUADRANTS[quadrant]
    return Position(
        latitude=signs.north * (latitude[0] + latitude[1] / 60),
        longitude=signs.east * (longitude[0] + longitude[1] / 60),
        resolution_minutes=1.0,
    )


def pack_position(latitude: float, longitude: float) -> tuple[int, ...]:
    """Pack degrees, cut to whole minutes, into five symbols (M.493 §8.1.2)."""
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError(f"no such position: latitude {latitude}, longitude {longitude}")
    quadrant = QUADRANTS.index(Quadrant(-1 if latitude < 0 else 1, -1 if longitude < 0 else 1))
    north, east = _minutes(latitude), _minutes(longitude)
    return pairs(f"{quadrant}{north // 60:02d}{north % 60:02d}{east // 60:03d}{east % 60:02d}")


def _minutes(degrees: float) -> int:
    # A minute given as a decimal fraction of a degree must not be cut to the one below it.
    return math.floor(abs(degrees) * 60 + 1e-6)


def position_fraction(latitude: float, longitude: float) -> tuple[int, ...]:
    """The four symbols of expansion 100: what `pack_position` cut off, in 0.0001 minute."""
    rest = [round(max(abs(degrees) * 60 - _minutes(degrees), 0.0) * 10_000) for degrees in (latitude, longitude)]
    return pairs("".join(f"{min(part, 9_999):04d}" for part in rest))


def refined(position: Position, text: str) -> Position:
    """A position with the eight digits of expansion 100 added to its minutes."""
    north, east = int(text[:4]) / 10_000, int(text[4:]) / 10_000
    return Position(
        latitude=position.latitude + math.copysign(north / 60, position.latitude),
        longitude=position.longitude + math.copysign(east / 60, position.longitude),
        resolution_minutes=0.0001,
    )


def read_time(text: str) -> str | None:
    """Read four digits as HH:MM, or None where there is no such time."""
    return f"{text[:2]}:{text[2:]}" if int(text[:2]) < 24 and int(text[2:]) < 60 else None


def pack_time(utc: str) -> tuple[int, ...]:
    """Pack HH:MM into two symbols (M.493 §8.1.3)."""
    hours, _, minutes = utc.partition(":")
    if len(hours) != 2 or len(minutes) != 2 or read_time(hours + minutes) is None:
        raise ValueError(f"a time is written HH:MM, got {utc!r}")
    return pairs(hours + minutes)


def read_area(text: str) -> Area | str:
    """Read ten digits as a geographic area (M.493 §5.3), or say in words what is out of range."""
    quadrant, latitude, longitude = int(text[0]), int(text[1:3]), int(text[3:6])
    if quadrant >= len(QUADRANTS):
        return f"quadrant {quadrant} does not exist"
    if latitude > 90 or longitude > 180:
        return f"the corner at latitude {latitude}°, longitude {longitude}° is out of range"
    signs = QUADRANTS[quadrant]
    return Area(
        north_west_latitude=float(signs.north * latitude),
        north_west_longitude=float(signs.east * longitude),
        south_extent_degrees=float(text[6:8]),
        east_extent_degrees=float(text[8:10]),
    )


def pack_area(area: Area) -> tuple[int, ...]:
    """Pack an area of whole degrees into five symbols."""
    north, east = area.north_west_latitude, area.north_west_longitude
    if not (-90 <= north <= 90 and -180 <= east <= 180):
        raise ValueError(f"no such corner: latitude {north}, longitude {east}")
    sides = area.south_extent_degrees, area.east_extent_degrees
    if any(side != int(side) for side in (north, east, *sides)) or not all(0 <= side <= 99 for side in sides):
        raise ValueError("an area has whole degrees and sides up to 99 degrees")
    quadrant = QUADRANTS.index(Quadrant(-1 if north < 0 else 1, -1 if east < 0 else 1))
    return pairs(f"{quadrant}{abs(int(north)):02d}{abs(int(east)):03d}{int(sides[0]):02d}{int(sides[1]):02d}")


def element_length(first_symbol: int) -> int:
    """How many symbols a frequency or channel element has, by its first."""
    return FINE_ELEMENT_SYMBOLS if 40 <= first_symbol <= 49 else ELEMENT_SYMBOLS


def read_element(symbols: Sequence[int]) -> str | None:
    """Read a frequency or channel element as text; None where it has no known form (M.493 §8.3.2, Table 5).

    A VHF channel is given as its name ("06", "72", "1078"), a frequency in kilohertz ("2182.0 kHz").
    """
    text = digits(symbols)
    if text is None:
        return None
    if text[0] in "012":
        return f"{int(text) / 10:.1f} kHz"
    if text[0] == "3":
        return f"ITU channel {int(text[1:])}"
    if text[0] == "4":
        return f"{int(text[1:]) / 100:.2f} kHz"
    if text[:2] == "90":
        return f"{int(text[2:]):02d}"
    return None


def pack_channel(name: str) -> tuple[int, ...]:
    """Pack a VHF channel name of up to four digits: 90, then the digits."""
    if not name.isdecimal() or len(name) > 4:
        raise ValueError(f"a VHF channel has up to four digits, got {name!r}")
    return pairs(f"90{int(name):04d}")


def pack_frequency(frequency_hz: float, fine: bool = False) -> tuple[int, ...]:
    """Pack a frequency below 30 MHz in steps of 100 Hz, or with `fine` in steps of 10 Hz (seven digits behind a 4).

    The layout of the fine form is doubtful (from memory of revision -14).
    """
    step = 10 if fine else 100
    if not 0 < frequency_hz < 30e6 or abs(frequency_hz / step - round(frequency_hz / step)) > 1e-6:
        raise ValueError(f"a frequency is below 30 MHz in whole steps of {step} Hz, got {frequency_hz:g} Hz")
    count = round(frequency_hz / step)
    return pairs(f"4{count:07d}" if fine else f"{count:06d}")


def pack_itu_channel(number: int) -> tuple[int, ...]:
    """Pack an MF/HF working channel: 3, then five digits."""
    if not 0 < number < 100_000:
        raise ValueError(f"an MF/HF channel has up to five digits, got {number}")
    return pairs(f"3{number:05d}")


def read_telephone(first_symbol: int, symbols: Sequence[int]) -> tuple[str | None, str | None]:
    """Read a telephone number and, where its digits are odd, say which end was padded."""
    text = digits(symbols)
    if not text or first_symbol == EVEN_DIGITS:
        return text or None, None
    if text[0] == "0":
        return text[1:], "in front"
    return (text[:-1], "behind") if text[-1] == "0" else (text, "nowhere")


def pack_telephone(number: str) -> tuple[int, ...]:
    """Pack a telephone number of up to sixteen digits; an odd one is padded with a 0 in front (doubtful)."""
    if not number.isdecimal() or len(number) > 16:
        raise ValueError(f"a telephone number has up to sixteen digits, got {number!r}")
    odd = len(number) % 2
    return (ODD_DIGITS if odd else EVEN_DIGITS, *pairs("0" * odd + number))


def read_expansion(specifier: int, symbols: Sequence[int]) -> str:
    """Say in words what the data of one expansion hold (layouts from memory)."""
    if tuple(symbols) == (110,):
        return "asked for"
    if tuple(symbols) == (NO_INFORMATION,):
        return "not available"
    if specifier == 104:
        return "".join(
            IDENTIFICATION_CHARACTERS[symbol] if symbol < len(IDENTIFICATION_CHARACTERS) else "*" for symbol in symbols
        )
    text = digits(symbols)
    if text is None or len(symbols) != EXPANSIONS[specifier][1]:
        return "unreadable: " + " ".join(str(symbol) for symbol in symbols)
    if specifier == 100:
        return f"0.{text[:4]}' of latitude, 0.{text[4:]}' of longitude"
    if specifier == 101:
        source = POSITION_SOURCES[int(text[:2])] if int(text[:2]) < len(POSITION_SOURCES) else f"source {text[:2]}"
        datum = DATUMS[int(text[4:])] if int(text[4:]) < len(DATUMS) else f"datum {text[4:]}"
        return f"{source}, resolution {text[2:4]}, {datum}"
    if specifier == 102:
        return f"{int(text) / 10:.1f} kn"
    if specifier == 103:
        return f"{int(text) / 10:.1f}°"
    return str(int(text)) if specifier == 106 else text
