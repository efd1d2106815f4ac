"""Calls in words: worked calls, fault vectors V8 to V13, every row of the message tables, every irregularity's remark.

The layouts are those of Rec. ITU-R M.493-13 tables 4.1 to 4.10.2, seen in part [S], the rest from memory [M]; which is
which stands in the fact sheet's table and in `compositions.call.ROWS`. The calls are ours.
"""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sdrcheck.compositions.call import ROWS, Band, CallOrder, symbols_on_air
from sdrcheck.decoders.dsc import fields, interpret
from sdrcheck.decoders.dsc.call import Area, Call, Position
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.decoders.dsc.frame import read_frame
from sdrcheck.decoders.dsc.symbols import mirrored
from tests.decoders.dsc.worked import CALLS, Bits, bits_from, flipped, published, read_plain

E1 = CALLS["E1"]
ALARM = "This is a distress alert, not a test call."
EXCHANGE = "This call is part of a distress exchange, not a test call"


def told(bits: Bits, band: Band = "vhf", **options: Any) -> Call:
    return interpret.call(read_plain(bits), band=band, start_s=0.0, end_s=0.45, **options)


def told_symbols(information: list[int], band: Band = "vhf", **options: Any) -> Call:
    return told(bits_from(symbols_on_air(information)), band, **options)


def remarks_of(call: Call) -> list[str]:
    """The remarks, without the ones that every distress format carries."""
    return [remark for remark in call.remarks if not remark.startswith((ALARM, EXCHANGE))]


GROUNDING = {
    "nature_of_distress": "grounding",
    "position": Position(latitude=55 + 12 / 60, longitude=12 + 34 / 60, resolution_minutes=1.0),
    "utc": "15:36",
    "subsequent_communication": "F3E/G3E all modes telephony",
}
TELEPHONY = {"telecommand_1": "F3E/G3E all modes telephony", "telecommand_2": "no information"}
RQ, BQ, EOS = "acknowledgement requested (RQ)", "acknowledgement (BQ)", "end of sequence"
SHIP, OTHER_SHIP, COAST = "219012345", "257098760", "002191234"

WORDS: dict[str, dict[str, Any]] = {
    "E1": {
        "type": "distress alert",
        "format": "distress",
        "category": None,
        "self_id": SHIP,
        "address": None,
        **GROUNDING,
    }
    | {"end_of_sequence": EOS, "telecommand_1": None, "distress_id": None},
    "E2": {"type": "distress alert", "self_id": SHIP, "nature_of_distress": "undesignated distress", "position": None}
    | {"utc": None, "subsequent_communication": "J3E telephony"},
    "E3": {"type": "distress acknowledgement", "format": "all ships", "category": "distress", "self_id": COAST}
    | {"distress_id": SHIP, "telecommand_1": "distress acknowledgement", "end_of_sequence": EOS, **GROUNDING},
    "E4": {"type": "routine individual call", "category": "routine", "self_id": SHIP, "address": OTHER_SHIP}
    | {"called_station_receives": "72", "called_station_transmits": None, "end_of_sequence": RQ, **TELEPHONY},
    "E5": {"type": "able to comply acknowledgement", "self_id": OTHER_SHIP, "address": SHIP, "end_of_sequence": BQ}
    | {"called_station_receives": "72", **TELEPHONY},
    "E6": {"type": "test call", "category": "safety", "self_id": SHIP, "address": COAST, "telecommand_1": "test"}
    | {"called_station_receives": None, "called_station_transmits": None, "end_of_sequence": RQ},
    "E7": {"type": "test acknowledgement", "self_id": COAST, "address": SHIP, "end_of_sequence": BQ},
    "E8": {"type": "area urgency call", "category": "urgency", "self_id": SHIP, "telecommand_1": "J3E telephony"}
    | {"called_station_receives": "2182.0 kHz", "called_station_transmits": "2182.0 kHz", "end_of_sequence": EOS}
    | {
        "address": Area(
            north_west_latitude=56.0,
            north_west_longitude=4.0,
            south_extent_degrees=3.0,
            east_extent_degrees=12.0,
        )
    },
    "E9": {"type": "all-ships safety call", "self_id": COAST, "called_station_receives": "13", "end_of_sequence": EOS},
    "E10": {"type": "position request", "self_id": COAST, "address": OTHER_SHIP, "end_of_sequence": RQ},
    "E11": {"type": "position reply", "self_id": OTHER_SHIP, "address": COAST, "utc": "07:42", "end_of_sequence": BQ}
    | {"position": Position(latitude=59 + 59 / 60, longitude=10 + 7 / 60, resolution_minutes=1.0)},
    "E12": {"type": "distress relay (individual)", "self_id": OTHER_SHIP, "address": COAST, "distress_id": SHIP}
    | {"nature_of_distress": "sinking", "utc": "23:05", "telecommand_1": "distress relay", "end_of_sequence": RQ}
    | {"position": Position(latitude=48.5, longitude=-22.75, resolution_minutes=1.0)},
    "E13": {"type": "routine group call", "address": "021912345", "called_station_receives": "1078"},
    "E14": {"type": "unable to comply acknowledgement", "telecommand_1": "unable to comply"}
    | {"telecommand_2": "equipment disabled", "called_station_receives": None},
    "E15": {"type": "self-cancel", "self_id": SHIP, "distress_id": SHIP, **GROUNDING},
}


@pytest.mark.parametrize("name", CALLS)
def test_worked_call_in_words(name: str) -> None:
    worked = CALLS[name]
    call = told(worked.bits, "vhf" if worked.band == "vhf" else "mf", dot_pattern_bits=worked.dots)
    for field, value in WORDS[name].items():
        found = getattr(call, field)
        if isinstance(value, Position):
            assert found.latitude == pytest.approx(value.latitude)
            assert found.longitude == pytest.approx(value.longitude)
            assert found.resolution_minutes == value.resolution_minutes
        else:
            assert found == value, field
    assert call.symbols == worked.symbols
    assert call.error_check == "ok"
    unknown = ["The position is given as unknown.", "The time is given as unknown."]
    assert remarks_of(call) == (unknown if name == "E2" else [])


def test_v8_inverted_keying_is_named() -> None:
    """The modem turns the bits back and says so; the symbols on the air were 127 − s."""
    on_air = bits_from([mirrored(symbol) for symbol in E1.on_air])
    call = told(1 - on_air, inverted=True)
    assert call.symbols == E1.symbols
    assert call.inverted
    assert not call.ordinary_receiver.accepted
    assert any("keying is inverted" in remark and "127 − s" in remark for remark in call.remarks)
    assert any("wrong sideband" in remark for remark in told(1 - on_air, "mf", inverted=True).remarks)


def test_v9_end_not_allowed() -> None:
    call = told_symbols([*E1.information[:-1], 117])
    assert call.type == "distress alert"
    assert any("EOS not allowed: 117" in remark and "it should be 127" in remark for remark in call.remarks)


def test_v10_tenth_digit() -> None:
    information = list(E1.information)
    information[5] = 57
    call = told_symbols(information)
    assert call.self_id == "219012345"
    assert any("tenth digit of the self-identification is 7, not 0" in remark for remark in call.remarks)


def test_v11_minutes_out_of_range_across_symbol_borders() -> None:
    information = list(E1.information)
    information[7:12] = [5, 57, 20, 12, 34]
    call = told_symbols(information)
    assert call.position is None
    assert "Position 0557201234: latitude minutes 72 are out of range." in call.remarks


@pytest.mark.parametrize(
    ("name", "dots", "remarked"),
    [
        ("E1", 20, False),
        ("E1", 14, False),
        ("E1", 200, True),  # V12
        ("E1", 6, True),
        ("E2", 200, False),
        ("E2", 20, True),  # V12
        ("E6", 20, False),
        ("E6", 200, True),
        ("E7", 20, False),
        ("E8", 200, False),
        ("E8", 20, True),
        ("E12", 20, False),
        ("E12", 200, False),
    ],
)
def test_v12_dot_pattern_length(name: str, dots: int, remarked: bool) -> None:
    """M.493 §3.4: 20 bits on VHF; on MF/HF 200 to ships and in distress, 20 to coast stations and in answers."""
    worked = CALLS[name]
    call = told(worked.bits, "vhf" if worked.band == "vhf" else "mf", dot_pattern_bits=dots)
    assert any("dot pattern" in remark for remark in call.remarks) is remarked
    assert call.dot_pattern_bits == dots


def test_v13_gap_is_carried_through() -> None:
    """Whether an attempt is complete shows only across its calls; each carries its own gap."""
    assert told(E1.bits, gap_before_bits=0.0).gap_before_bits == 0.0
    assert told(E1.bits).gap_before_bits is None


def test_remarks_on_repairs() -> None:
    assert remarks_of(told(flipped(E1.bits, (11, 0, 3)))) == [
        "Characters that failed their own check: 1 of 17 in the first copy, 0 in the second."
    ]
    v2 = told(flipped(E1.bits, (11, 0, 3), (13, 1, 3)))
    assert v2.error_check == "inferred"
    assert "Character 5 was lost and is inferred from the ECC, which then proves nothing." in v2.remarks
    v3 = told(flipped(E1.bits, (11, 0, 0), (11, 0, 1)))
    assert "The two copies of character 5 differ (33 and 34); the ECC fits 34." in v3.remarks
    combined = told(flipped(E1.bits, (11, 0, 3), (13, 1, 6)))
    assert "No copy of character 5 was good; both together gave what was sent." in combined.remarks
    wrong = told(bits_from(symbols_on_air(E1.information, ecc=121)))
    assert "The ECC is wrong: it does not fit the characters, so none of them is sure." in wrong.remarks
    other = told(bits_from(symbols_on_air(E1.information, second_format=100)))
    assert "The format specifier should stand twice, but reads 100 beside 112." in other.remarks


def test_a_call_read_through_noise_says_so_briefly() -> None:
    random = np.random.default_rng(4)
    received = (CALLS["E6"].bits * 2.0 - 1.0) * 1.4 + random.standard_normal(CALLS["E6"].bits.size)
    frame = read_frame(2.8 * received, (received > 0).astype(np.uint8))
    call = interpret.call(frame, band="vhf", start_s=0.0, end_s=0.6)
    assert call.symbols == CALLS["E6"].symbols
    assert any(remark.startswith("No copy of characters ") and "–" in remark for remark in call.remarks)
    assert not any("format specifier" in remark for remark in call.remarks)
    assert all(len(remark) < 160 for remark in call.remarks)


def test_cut_call_is_still_a_finding() -> None:
    call = told(E1.bits[:300])
    assert call.type == "distress alert"
    assert call.self_id == SHIP
    assert call.nature_of_distress == "grounding"
    assert call.position is None
    assert call.error_check == "not received"
    assert any("breaks off" in remark for remark in call.remarks)
    assert any("ends before the call does" in remark for remark in call.remarks)


def test_nothing_but_phasing() -> None:
    call = told(E1.bits[:130])
    assert call.symbols == (112,)
    assert told(E1.bits[:90]).symbols == ()
    assert told(E1.bits[:90]).type == "unknown"


def test_every_call_of_a_distress_exchange_says_that_it_is_no_test() -> None:
    assert any(remark.startswith(ALARM) for remark in told(E1.bits).remarks)
    assert any("channel 16" in remark for remark in told(E1.bits).remarks)
    for name in ("E3", "E12", "E15"):
        assert any(remark.startswith(EXCHANGE) for remark in told(CALLS[name].bits).remarks)
    for name in ("E4", "E6", "E9"):
        assert not any("distress" in remark for remark in told(CALLS[name].bits).remarks)


AREA = Area(north_west_latitude=56.0, north_west_longitude=4.0, south_extent_degrees=3.0, east_extent_degrees=12.0)
NOT_ON = {
    "vhf": {CallType.RELAY_AREA, CallType.AREA_URGENCY, CallType.AREA_SAFETY},
    "mf": {CallType.ALL_SHIPS_URGENCY, CallType.ALL_SHIPS_SAFETY},
}


def order_of(call_type: CallType, band: Band) -> CallOrder:
    """Some lawful call of the type."""
    row = ROWS[call_type]
    by_area = row.format == 102 or (band == "mf" and call_type in (CallType.MEDICAL_TRANSPORT, CallType.NEUTRAL_CRAFT))
    channels = row.message in ("channels", "number")
    working = fields.pack_channel("72") if band == "vhf" else fields.pack_frequency(2182e3)
    addressed = row.format in (114, 120, 123)
    own = call_type in (CallType.SELF_CANCEL, CallType.MAN_OVERBOARD_CLOSED_LOOP)
    distressed = row.message in ("alert", "reference", "position") and call_type is not CallType.EPIRB_ALERT
    return CallOrder(
        type=call_type,
        self_id="972191234" if "man-overboard" in call_type.value else SHIP,
        band=band,
        to=("021912345" if row.format == 114 else COAST) if addressed else None,
        area=AREA if by_area else None,
        distress_id=OTHER_SHIP if row.message == "reference" and not own else None,
        position=(-33.5, -70.25) if distressed else None,
        utc="04:05" if distressed else None,
        receive=working if channels else None,
        transmit=working if channels and band == "mf" else None,
        telephone="0123456" if row.message == "number" else None,
    )


@pytest.mark.parametrize("band", ["vhf", "mf"])
@pytest.mark.parametrize("call_type", ROWS, ids=str)
def test_every_row_comes_back_in_words(call_type: CallType, band: Band) -> None:
    """Our own encoder and interpreter agree on every row, and a lawful call gives no remark."""
    order = order_of(call_type, band)
    call = told_symbols(order.information(), band, dot_pattern_bits=order.usual_dots())
    assert call.type == call_type
    assert call.self_id == order.self_id
    if order.to:
        assert call.address == order.to
    if order.area:
        assert call.address == AREA
    if order.position:
        assert call.position is not None
        assert (call.position.latitude, call.position.longitude) == pytest.approx((-33.5, -70.25))
        assert call.utc == "04:05"
    if order.distress_id:
        assert call.distress_id == OTHER_SHIP
    if order.receive:
        assert call.called_station_receives == ("72" if band == "vhf" else "2182.0 kHz")
    if order.telephone:
        assert call.telephone_number == "0123456"
    elsewhere = call_type in NOT_ON[band]
    assert len(remarks_of(call)) == int(elsewhere), call.remarks


def changed(name: str, at: int, *symbols: int) -> list[int]:
    information = list(CALLS[name].information)
    information[at : at + len(symbols)] = symbols
    return information


@pytest.mark.parametrize(
    ("information", "band", "remark"),
    [
        (changed("E1", 6, 111), "vhf", "Symbol 111 is no nature of distress."),
        (changed("E1", 7, 99, 99, 99, 99, 99), "vhf", "The position is given as unknown."),
        (changed("E1", 12, 88, 88), "vhf", "The time is given as unknown."),
        (changed("E1", 12, 25, 10), "vhf", "Time 2510: there is no such time."),
        (changed("E1", 12, 25, 112), "vhf", "Time 25 112: there is no such time."),
        (changed("E1", 7, 45, 51, 20, 12, 34), "vhf", "quadrant 4 does not exist"),
        (changed("E1", 7, 9, 51, 20, 12, 34), "vhf", "latitude 95°12' is out of range"),
        (changed("E1", 7, 5, 51, 21, 92, 34), "vhf", "longitude 192°34' is out of range"),
        (changed("E1", 7, 5, 51, 20, 12, 74), "vhf", "longitude minutes 74 are out of range"),
        (changed("E1", 14, 109), "vhf", "Subsequent communication 109 (J3E telephony) does not belong"),
        (changed("E1", 14, 111), "vhf", "Subsequent communication 111 (H3E telephony) is obsolete"),
        (changed("E1", 14, 100), "mf", "Subsequent communication 100"),
        (changed("E1", 1, 12, 34, 56, 78, 90), "vhf", "The self-identification 123456789 has no valid form"),
        (changed("E1", 1, 29, 90, 12, 34, 50), "vhf", "has country digits 299, which are not in my list"),
        (changed("E1", 1, 2, 19, 12, 34, 50), "vhf", "a group cannot be the sender"),
        (changed("E1", 1, 21, 90, 112, 34, 50), "vhf", "21 90 112 34 50 holds symbols that are no digits"),
        (changed("E4", 1, 2, 19, 12, 34, 50), "vhf", "a group is called with format specifier 114"),
        (changed("E13", 1, 21, 90, 12, 34, 50), "vhf", "is no group identity"),
        (changed("E4", 6, 106), "vhf", "Category 106 (ship's business) is obsolete"),
        (changed("E4", 6, 107), "vhf", "Symbol 107 is no category."),
        (changed("E4", 12, 109), "vhf", "First telecommand 109 (J3E telephony) is not used on VHF."),
        (changed("E4", 12, 106, 118), "vhf", "Second telecommand 118 (data V.23) is obsolete"),
        (changed("E4", 12, 102), "vhf", "Symbol 102 is no first telecommand."),
        (changed("E4", 12, 105), "vhf", "belongs to the semi-automatic/automatic service only"),
        (changed("E4", 13, 102), "vhf", "The reason 102 (busy) belongs to unable to comply (104) only."),
        (changed("E14", 13, 126), "vhf", "Unable to comply is sent without a reason"),
        (changed("E6", 13, 111), "mf", "Second telecommand 111 does not go with first telecommand 118."),
        (changed("E6", 6, 100), "mf", "The telecommand says test, but the category is routine"),
        (changed("E6", 6, 112), "mf", "The telecommand says test, but the category is distress"),
        (changed("E4", 14, 2, 18, 20), "vhf", "The element 2182.0 kHz is not one for VHF."),
        (changed("E8", 14, 90, 0, 16), "mf", "The element 16 is not one for MF/HF."),
        (changed("E4", 14, 85, 1, 2), "vhf", "Frequency or channel element 85 01 02 has no known form."),
        ([*CALLS["E4"].information[:17], 117], "vhf", "The second frequency or channel element is left out"),
        ([*CALLS["E4"].information[:14], 117], "vhf", "Both frequency or channel elements are left out"),
        ([*CALLS["E4"].information[:-1], 1, 2, 117], "vhf", "2 characters more than the layout has: 01 02."),
        (changed("E9", 1, 100), "vhf", "A routine call to all ships does not exist"),
        (list(CALLS["E9"].information), "mf", "goes to an area (102), not to all ships (116)"),
        (list(CALLS["E8"].information), "vhf", "Calls to a geographic area are for MF and HF only."),
        (changed("E8", 1, 95, 60, 4, 3, 12), "mf", "Area 9560040312: quadrant 9 does not exist."),
        (changed("E3", 7, 111), "vhf", "Category distress goes with telecommand 110 or 112, not 111."),
        (changed("E3", 8, 126, 126, 126, 126, 126), "vhf", "identity of the ship in distress is given as unknown"),
        ([*changed("E12", 12, 110)[:-1], 122], "mf", "The relay acknowledgement carries telecommand 110"),
        ([*changed("E12", 12, 110)[:-1], 127], "mf", "A distress acknowledgement is addressed to all ships"),
        ([*CALLS["E12"].information[:-1], 127], "mf", "EOS not allowed: 127"),
        ([*CALLS["E15"].information[:-1], 117], "vhf", "EOS not allowed: 117"),
        ([121, *CALLS["E4"].information[1:]], "vhf", "Format specifier 121 is reserved for national use"),
        ([*E1.information[:-1], 100], "vhf", "The sequence ends with symbol 100, which is no end of sequence"),
    ],
)  # fmt: skip
def test_irregularity_gets_its_remark(information: list[int], band: Band, remark: str) -> None:
    call = told_symbols(information, band)
    assert any(remark in found for found in call.remarks), call.remarks
    assert call.symbols[:-1] == tuple(information)


def test_position_in_place_of_a_frequency() -> None:
    call = told_symbols(changed("E4", 14, 55, 5, 51, 20, 12, 34), "mf")
    assert call.position is not None
    assert call.called_station_receives is None


def test_expansion_refines_the_position() -> None:
    """Expansion 100 is everyday traffic: shown, the position refined, and no remark."""
    bits = bits_from(symbols_on_air(E1.information, expansion=[100, 50, 0, 25, 0]))
    call = told(bits)
    assert remarks_of(call) == []
    assert call.expansion[0].meaning == "enhanced position resolution"
    assert call.expansion[0].error_check == "ok"
    assert call.position is not None
    assert call.position.latitude == pytest.approx(55 + 12.5 / 60)
    assert call.position.longitude == pytest.approx(12 + 34.25 / 60)
    assert call.position.resolution_minutes == 0.0001


@pytest.mark.parametrize(
    ("data", "value"),
    [
        ([101, 2, 10, 0], "GPS, resolution 10, WGS-84"),
        ([102, 1, 23], "12.3 kn"),
        ([103, 27, 5], "270.5°"),
        ([104, 11, 12, 41, 1], "AB 1"),
        ([106, 0, 7], "7"),
        ([102, 126], "not available"),
        ([103, 110], "asked for"),
    ],
)
def test_expansions_in_words(data: list[int], value: str) -> None:
    """Rec. ITU-R M.821, layouts from memory [M], order of 101 and characters of 104 doubtful [M?]."""
    call = told(bits_from(symbols_on_air(E1.information, expansion=data)))
    assert [expansion.value for expansion in call.expansion] == [value]


def test_columns_hold_the_published_symbols() -> None:
    """Symbols 100 to 127 by column, with their marks (tests/published/selective_call_symbols.csv)."""
    columns = {
        "format": fields.FORMATS,
        "category": fields.CATEGORIES,
        "nature": fields.NATURES,
        "first telecommand": fields.FIRST_TELECOMMANDS,
        "second telecommand": fields.SECOND_TELECOMMANDS,
    }
    rows = [row for row in published("selective_call_symbols.csv") if row["column"] in columns]
    for name, column in columns.items():
        assert set(column) == {int(row["symbol"]) for row in rows if row["column"] == name}, name
    for row in rows:
        meaning = columns[row["column"]][int(row["symbol"])]
        assert meaning.mark.value == row["mark"], row
        told_words, meant = (set(_words(text)) for text in (meaning.words, row["meaning"]))
        assert told_words & meant, row
        assert meaning.obsolete == ("(old" in row["meaning"]), row


def _words(text: str) -> list[str]:
    return [word for word in "".join(c if c.isalnum() else " " for c in text.lower()).split() if len(word) > 2]


@settings(max_examples=300, deadline=None)
@given(
    format_specifier=st.sampled_from([102, 112, 114, 116, 120, 121, 123, 99]),
    body=st.lists(st.integers(0, 127) | st.sampled_from([100, 108, 110, 112, 126, 55, 105, 99, 88]), max_size=32),
    end=st.sampled_from([117, 122, 127, 100]),
    expansion=st.lists(st.integers(0, 127), max_size=14),
    band=st.sampled_from(["vhf", "mf"]),
)
def test_whatever_is_sent_becomes_a_finding(
    format_specifier: int, body: list[int], end: int, expansion: list[int], band: Band
) -> None:
    """Nonsense never raises, loses no symbol that was found, and holds nothing that is no number in JSON."""
    call = told(bits_from(symbols_on_air([format_specifier, *body, end], expansion=expansion)), band)
    assert len(call.first_copy) == len(call.second_copy) == len(call.symbols)
    assert msgspec.json.decode(msgspec.json.encode(call), type=Call) == call
    assert all(remark.endswith(".") and "\n" not in remark for remark in call.remarks)
