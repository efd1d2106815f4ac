"""Composing calls: the worked calls come out bit by bit; what must stay in a closed cable is known by its symbols."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.compositions.call import (
    ROWS,
    CallOrder,
    bits_on_air,
    call_bits,
    copy_places,
    error_check_of,
    needs_closed_cable,
    symbols_on_air,
)
from sdrcheck.decoders.dsc import fields
from sdrcheck.decoders.dsc.call import Area
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.decoders.dsc.symbols import Category
from sdrcheck.errors import CompositionError
from tests.decoders.dsc.worked import CALLS, Worked

SHIP, OTHER_SHIP, COAST, GROUP = "219012345", "257098760", "002191234", "021912345"
AREA = Area(north_west_latitude=56.0, north_west_longitude=4.0, south_extent_degrees=3.0, east_extent_degrees=12.0)
ALERT = {"nature": 103, "position": (55 + 12 / 60, 12 + 34 / 60), "utc": "15:36"}

ORDERS = {
    "E1": CallOrder(type=CallType.DISTRESS_ALERT, self_id=SHIP, **ALERT),
    "E2": CallOrder(type=CallType.DISTRESS_ALERT, self_id=SHIP, band="mf"),
    "E3": CallOrder(type=CallType.DISTRESS_ACKNOWLEDGEMENT, self_id=COAST, distress_id=SHIP, **ALERT),
    "E4": CallOrder(type=CallType.INDIVIDUAL_ROUTINE, self_id=SHIP, to=OTHER_SHIP, receive=fields.pack_channel("72")),
    "E5": CallOrder(type=CallType.ABLE_ACKNOWLEDGEMENT, self_id=OTHER_SHIP, to=SHIP, receive=fields.pack_channel("72")),
    "E6": CallOrder(type=CallType.TEST_CALL, self_id=SHIP, to=COAST, band="mf"),
    "E7": CallOrder(type=CallType.TEST_ACKNOWLEDGEMENT, self_id=COAST, to=SHIP, band="mf"),
    "E8": CallOrder(
        type=CallType.AREA_URGENCY,
        self_id=SHIP,
        area=AREA,
        band="mf",
        receive=fields.pack_frequency(2182e3),
        transmit=fields.pack_frequency(2182e3),
    ),
    "E9": CallOrder(type=CallType.ALL_SHIPS_SAFETY, self_id=COAST, receive=fields.pack_channel("13")),
    "E10": CallOrder(type=CallType.POSITION_REQUEST, self_id=COAST, to=OTHER_SHIP),
    "E11": CallOrder(
        type=CallType.POSITION_REPLY, self_id=OTHER_SHIP, to=COAST, position=(59 + 59 / 60, 10 + 7 / 60), utc="07:42"
    ),
    "E12": CallOrder(
        type=CallType.RELAY_INDIVIDUAL,
        self_id=OTHER_SHIP,
        to=COAST,
        band="mf",
        distress_id=SHIP,
        nature=105,
        position=(48.5, -22.75),
        utc="23:05",
    ),
    "E13": CallOrder(type=CallType.GROUP_ROUTINE, self_id=SHIP, to=GROUP, receive=fields.pack_channel("1078")),
    "E14": CallOrder(type=CallType.UNABLE_ACKNOWLEDGEMENT, self_id=OTHER_SHIP, to=SHIP, second_telecommand=107),
    "E15": CallOrder(type=CallType.SELF_CANCEL, self_id=SHIP, **ALERT),
}


@pytest.mark.parametrize("worked", CALLS.values(), ids=CALLS)
def test_worked_call_comes_out_bit_by_bit(worked: Worked) -> None:
    """The table is ours (its head says how it was made), written by another script than this composer."""
    order = ORDERS[worked.name]
    information = order.information()
    assert tuple(information) == worked.information
    assert error_check_of(information) == worked.ecc
    assert tuple(symbols_on_air(information)) == worked.on_air
    assert np.array_equal(call_bits(information, dots=0), worked.bits)
    assert order.usual_dots() == worked.dots


@pytest.mark.parametrize(("name", "seconds"), [("E1", 0.450), ("E2", 7.2)])
def test_published_lengths(name: str, seconds: float) -> None:
    """A distress alert takes 0.45 s on VHF and 7.2 s on MF/HF (Japanese GMDSS training text; M.541)."""
    worked = CALLS[name]
    rate_bd = 1200 if worked.band == "vhf" else 100
    assert len(call_bits(worked.information, dots=worked.dots)) / rate_bd == pytest.approx(seconds)


def test_epirb_alert_is_as_published() -> None:
    """IMO performance standard for VHF DSC EPIRBs, clause 7: nature 112, position 9s, time 8s, no follow-on (126)."""
    information = CallOrder(type=CallType.EPIRB_ALERT, self_id=SHIP).information()
    assert information == [112, 21, 90, 12, 34, 50, 112, 99, 99, 99, 99, 99, 88, 88, 126, 127]


def test_test_call_is_as_published() -> None:
    """Japanese notice 567 of 1990, figure 5: category 108, 118 126, six times 126, EOS 117, the answer 122."""
    call = CallOrder(type=CallType.TEST_CALL, self_id=SHIP, to=COAST).information()
    assert call[6] == 108
    assert call[12:] == [118, 126, *[126] * 6, 117]
    answer = CallOrder(type=CallType.TEST_ACKNOWLEDGEMENT, self_id=COAST, to=SHIP).information()
    assert answer[12:] == [118, 126, *[126] * 6, 122]


HARMLESS = {
    CallType.INDIVIDUAL_SAFETY,
    CallType.INDIVIDUAL_ROUTINE,
    CallType.GROUP_ROUTINE,
    CallType.TEST_CALL,
    CallType.POSITION_REQUEST,
    CallType.POLLING_REQUEST,
    CallType.SEMI_AUTOMATIC,
    CallType.SEMI_AUTOMATIC_END,
}


@pytest.mark.parametrize("call_type", ROWS, ids=str)
def test_closed_cable_is_asked_for_all_but_a_few(call_type: CallType) -> None:
    row = ROWS[call_type]
    addressed = row.format in (114, 120, 123)
    order = CallOrder(
        type=call_type, self_id=SHIP, to=COAST if addressed else None, area=AREA if row.format == 102 else None
    )
    assert needs_closed_cable(order.information()) is (call_type not in HARMLESS)


def test_renaming_does_not_dodge_the_closed_cable() -> None:
    """The symbols decide: a test call sent as urgency, or ended as an answer, is asked for too."""
    for change in ({"category": Category.URGENCY}, {"end": 122}, {"first_telecommand": 112}):
        order = CallOrder(type=CallType.TEST_CALL, self_id=SHIP, to=COAST, **change)  # type: ignore[arg-type]
        assert needs_closed_cable(order.information()), change


@pytest.mark.parametrize(
    ("order", "sentence"),
    [
        (CallOrder(type=CallType.TEST_CALL, self_id=SHIP), "needs the called station's identity"),
        (CallOrder(type=CallType.AREA_SAFETY, self_id=SHIP), "needs an area"),
        (CallOrder(type=CallType.TEST_CALL, self_id="12345", to=COAST), "nine digits"),
        (CallOrder(type=CallType.DISTRESS_ALERT, self_id=SHIP, to=COAST), "not addressed to one identity"),
        (CallOrder(type=CallType.DISTRESS_ALERT, self_id=SHIP, category=Category.SAFETY), "has no category"),
        (CallOrder(type=CallType.DISTRESS_ALERT, self_id=SHIP, nature=111), "no nature of distress"),
        (CallOrder(type=CallType.DISTRESS_ALERT, self_id=SHIP, utc="25:00"), "HH:MM"),
        (CallOrder(type=CallType.TEST_CALL, self_id=SHIP, to=COAST, area=AREA), "has no area"),
        (CallOrder(type=CallType.SELF_CANCEL, self_id=SHIP, distress_id=OTHER_SHIP), "the sender's own"),
        (CallOrder(type=CallType.UNKNOWN, self_id=SHIP), "no layout"),
        (CallOrder(type=CallType.TEST_CALL, self_id=SHIP, to=COAST, position=(55.2, 12.5)), "it carries no position"),
        (CallOrder(type=CallType.TEST_CALL, self_id=SHIP, to=COAST, utc="12:00"), "it carries no time"),
        (CallOrder(type=CallType.TEST_CALL, self_id=SHIP, to=COAST, nature=100), "it carries no nature of distress"),
        (CallOrder(type=CallType.TEST_CALL, self_id=SHIP, to=COAST, telephone="1"), "it carries no telephone number"),
        (CallOrder(type=CallType.POSITION_REPLY, self_id=SHIP, to=COAST, distress_id=SHIP), "no identity in distress"),
        (CallOrder(type=CallType.DISTRESS_ALERT, self_id=SHIP, first_telecommand=100), "no first telecommand"),
        (
            CallOrder(type=CallType.DISTRESS_ALERT, self_id=SHIP, receive=fields.pack_channel("72")),
            "no working channel",
        ),
        (CallOrder(type=CallType.EPIRB_ALERT, self_id=SHIP, nature=100), "nature of distress is fixed"),
        (
            CallOrder(
                type=CallType.INDIVIDUAL_ROUTINE,
                self_id=SHIP,
                to=COAST,
                position=(55.2, 12.5),
                receive=fields.pack_channel("72"),
            ),
            "not both",
        ),
    ],
)
def test_order_that_makes_no_call_says_why(order: CallOrder, sentence: str) -> None:
    with pytest.raises(CompositionError, match=sentence):
        order.information()


def test_copies_stand_five_symbols_apart() -> None:
    """M.493 §1.6/§2 [S]: the second copy follows after four other characters."""
    on_air = symbols_on_air([112, *range(1, 15), 127])
    for character in range(1, 17):
        first, second = copy_places(character)
        assert second - first == 5
        assert on_air[first] == on_air[second]
    assert on_air[copy_places(5)[0]] == 4


def test_dots_alternate() -> None:
    assert bits_on_air([], dots=6) == [1, 0, 1, 0, 1, 0]
    assert bits_on_air([], dots=3, first_dot=0) == [0, 1, 0]
