"""Relations across transmissions. Every ship and identity here is invented."""

from __future__ import annotations

from typing import Any

import pytest

from sdrcheck.decoders.dsc.call import Call, OrdinaryReceiver
from sdrcheck.findings.inspection import BudgetTerm, Kind, Reading, Relation, Transmission
from sdrcheck.findings.relations import relate
from sdrcheck.receiver.reference import DRIFT, own_part

SHIP, OTHER, COAST = "211999990", "211999991", "002119999"
TAKEN = OrdinaryReceiver(accepted=True, reason="all checks fit")


def call(kind: str, start_s: float, **fields: Any) -> Call:
    fields.setdefault("end_s", start_s + 0.45)
    return Call(start_s=start_s, type=kind, error_check="ok", ordinary_receiver=TAKEN, **fields)


def keyed(*calls: Call, frequency_hz: float = 156.525e6, channel: str = "70", **fields: Any) -> Transmission:
    settings: dict[str, Any] = {
        "start_s": calls[0].start_s if calls else 0.0,
        "duration_s": 0.45,
        "start_utc": None,
        "leg": None,
        "emission": "G2B" if calls else "G3E",
        "kind": Kind.DSC_CALL if calls else Kind.VOICE,
        "condition": "call" if calls else "one tone",
        "calls": calls,
    }
    return Transmission(frequency_hz=frequency_hz, channel=channel, **(settings | fields))


def voice(start_s: float, channel: str = "72", frequency_hz: float = 156.625e6, **fields: Any) -> Transmission:
    return keyed(frequency_hz=frequency_hz, channel=channel, start_s=start_s, **fields)


def only(relations: tuple[Relation, ...], kind: str) -> Relation:
    (found,) = (relation for relation in relations if relation.kind == kind)
    return found


def test_call_and_its_acknowledgement() -> None:
    test = keyed(call("test call", 1.0, self_id=SHIP, address=COAST))
    answer = keyed(call("test acknowledgement", 4.65, self_id=COAST, address=SHIP))
    relation = only(relate([test, answer]), "call and acknowledgement")
    assert relation.between == (0, 1)
    assert relation.value == pytest.approx(3.2)  # from the end of the call to the start of the answer
    assert relation.unit == "s"
    assert "mirror" in relation.remark


def test_an_answer_to_somebody_else_is_none() -> None:
    test = keyed(call("test call", 1.0, self_id=SHIP, address=COAST))
    for wrong in (
        call("test acknowledgement", 4.0, self_id=COAST, address=OTHER),
        call("position reply", 4.0, self_id=COAST, address=SHIP),
    ):
        assert relate([test, keyed(wrong)]) == ()
    assert relate([keyed(call("test acknowledgement", 0.5, self_id=COAST, address=SHIP)), test]) == ()


def test_a_shore_group_answers_as_a_station() -> None:
    test = keyed(call("test call", 1.0, self_id=SHIP, address="003669999"))
    answer = keyed(call("test acknowledgement", 4.0, self_id="003669907", address=SHIP))
    assert "a shore group" in only(relate([test, answer]), "call and acknowledgement").remark


def test_the_later_of_two_unanswered_calls_is_answered() -> None:
    first = keyed(call("test call", 1.0, self_id=SHIP, address=OTHER))
    second = keyed(call("test call", 31.0, self_id=SHIP, address=OTHER))
    answer = keyed(call("test acknowledgement", 34.45, self_id=OTHER, address=SHIP))
    relation = only(relate([first, second, answer]), "call and acknowledgement")
    assert relation.between == (1, 2)
    assert relation.value == pytest.approx(3.0)


def test_a_late_answer_is_said_to_be_late() -> None:
    """Japan Operation Regulations art. 58-6: within five minutes, else a new call."""
    ask = keyed(call("routine individual call", 0.0, self_id=SHIP, address=OTHER))
    answer = keyed(call("able to comply acknowledgement", 301.0, self_id=OTHER, address=SHIP))
    assert "later than 5 min" in only(relate([ask, answer]), "call and acknowledgement").remark


def attempt(start_s: float, count: int = 5, gap_bits: float = 0.0, **fields: Any) -> Transmission:
    calls = [
        call("distress alert", start_s + 0.45 * number, self_id=SHIP, gap_before_bits=gap_bits if number else None)
        for number in range(count)
    ]
    return keyed(*calls, **fields)


def test_distress_attempt_of_five_without_a_gap() -> None:
    """M.541 A1 3.1.3.1 and Japan Operation Regulations art. 75: five consecutive calls, no gap between them."""
    relation = only(relate([attempt(2.0)]), "distress attempt")
    assert (relation.between, relation.value, relation.unit) == ((0,), 5.0, "calls")
    assert "as it should be" in relation.remark
    assert "there should be no gap" in only(relate([attempt(2.0, gap_bits=12.0)]), "distress attempt").remark
    assert "5 without a gap make" in only(relate([attempt(2.0, count=3)]), "distress attempt").remark


@pytest.mark.parametrize(
    ("interval_s", "words"),
    [(240.0, "within the 3.5 to 4.5 min"), (209.0, "it should be 3.5 to 4.5 min"), (271.0, "it should be")],
)
def test_repeat_of_an_attempt(interval_s: float, words: str) -> None:
    """Japan RER art. 40-5(1): repeated after an irregular interval between 3.5 and 4.5 min."""
    relation = only(relate([attempt(2.0), attempt(2.0 + interval_s)]), "distress attempt and repeat")
    assert relation.between == (0, 1)
    assert relation.value == pytest.approx(interval_s)
    assert words in relation.remark


def test_a_repeat_after_an_acknowledgement_is_remarked_upon() -> None:
    answer = keyed(call("distress acknowledgement", 20.0, self_id=COAST, distress_id=SHIP))
    found = relate([attempt(2.0), answer, attempt(242.0)])
    assert "should have stopped" in only(found, "distress attempt and repeat").remark
    acknowledged = only(found, "call and acknowledgement")
    assert acknowledged.between == (0, 1)
    assert acknowledged.value == pytest.approx(20.0 - (2.0 + 5 * 0.45))


def test_self_cancel() -> None:
    cancel = keyed(call("self-cancel", 30.0, self_id=SHIP, distress_id=SHIP))
    assert only(relate([attempt(2.0), cancel]), "alert and self-cancel").between == (0, 1)


def test_attempt_over_several_frequencies() -> None:
    """M.541 A1 3.1.3.2 (from memory): one call a frequency, all within a minute."""
    first = attempt(0.0, count=1, frequency_hz=2187.5e3, channel="2187.5")
    second = attempt(9.0, count=1, frequency_hz=8414.5e3, channel="8414.5")
    relation = only(relate([first, second]), "distress attempt")
    assert relation.between == (0, 1)
    assert "several frequencies" in relation.remark


def test_traffic_follows_the_call_that_names_its_channel() -> None:
    ask = keyed(call("routine individual call", 0.0, self_id=SHIP, address=OTHER, called_station_receives="72"))
    answer = keyed(
        call("able to comply acknowledgement", 5.0, self_id=OTHER, address=SHIP, called_station_receives="72")
    )
    found = relate([ask, answer, voice(12.0), voice(30.0), voice(40.0, "16", 156.8e6)])
    relation = only(found, "call and follow-on")
    assert relation.between == (1, 2)
    assert relation.value == pytest.approx(12.0 - 5.45)


def test_voice_on_the_distress_channel_follows_an_alert() -> None:
    """RR Appendix 15: channel 16 on VHF; the telephone carrier of the same band on MF/HF."""
    assert only(relate([attempt(0.0), voice(20.0, "16", 156.8e6)]), "call and follow-on").between == (0, 1)
    mf = attempt(0.0, frequency_hz=2187.5e3, channel="2187.5")
    assert only(relate([mf, voice(60.0, "2182", 2182e3)]), "call and follow-on").between == (0, 1)
    assert not [r for r in relate([mf, voice(60.0, "4125", 4125e3)]) if r.kind == "call and follow-on"]


def level(value: float) -> Reading:
    return Reading(quantity="level", value=value, unit="dBFS", uncertainty=0.2)


@pytest.mark.parametrize(
    ("low", "words"), [(-30.0, "is the metered high power less this ratio."), (-18.0, "Was it one set")]
)
def test_high_and_low_power(low: float, words: str) -> None:
    """25 W to 1 W is 14.0 dB and to 0.1 W 24.0 dB (IMO A.803(19): 6 to 25 W and 0.1 to 1 W)."""
    found = relate([voice(1.0, readings=(level(-10.0),)), voice(9.0, readings=(level(low),))])
    relation = only(found, "high and low power")
    assert relation.between == (0, 1)
    assert relation.value == pytest.approx(-10.0 - low)
    assert words in relation.remark


def test_the_level_of_a_sideband_is_that_of_its_sound_and_no_power() -> None:
    place = {"channel": "2182", "frequency_hz": 2_182_000.0, "emission": "J3E"}
    readings = [
        Reading(
            quantity="level",
            value=value,
            unit="dBFS",
            uncertainty=0.01,
            terms=(BudgetTerm(name="noise", standard=0.005, distribution="normal"),),
        )
        for value in (-10.0, -22.0)
    ]
    found = relate([voice(1.0, readings=(readings[0],), **place), voice(9.0, readings=(readings[1],), **place)])
    assert not [relation for relation in found if relation.kind == "high and low power"]


def test_equal_powers_and_other_channels_are_no_power_step() -> None:
    same = [voice(1.0, readings=(level(-10.0),)), voice(9.0, readings=(level(-12.0),))]
    other = [voice(1.0, readings=(level(-10.0),)), voice(9.0, "06", 156.3e6, readings=(level(-30.0),))]
    assert relate(same) == relate(other) == ()


def offset(ppm: float, *, reference: float = 0.15, own: float = 0.01) -> tuple[Reading, ...]:
    return (
        Reading(
            quantity="carrier offset, relative",
            value=ppm,
            unit="ppm",
            uncertainty=2 * (reference**2 + own**2) ** 0.5,
            terms=(
                BudgetTerm(name="frequency reference", standard=reference, distribution="normal"),
                BudgetTerm(name="estimator", standard=own, distribution="normal"),
            ),
        ),
    )


CHANNELS = (("72", 156.625e6), ("06", 156.3e6), ("13", 156.65e6))


def offsets(*ppm: float, **given: float) -> list[Transmission]:
    return [
        voice(float(10 * number), *CHANNELS[number], readings=offset(value, **given))
        for number, value in enumerate(ppm)
    ]


def test_same_ppm_points_to_the_oscillator() -> None:
    relation = only(relate(offsets(7.61, 7.55, 7.6)), "same ppm on several channels")
    assert relation.value == pytest.approx(7.6)
    assert relation.unit == "ppm"
    assert "reference oscillator" in relation.remark
    assert "leaves open" in only(relate(offsets(0.1, 0.1)), "same ppm on several channels").remark


def test_one_channel_alone_points_to_programming() -> None:
    relation = only(relate(offsets(0.1, 9.0, 0.1)), "one channel off")
    assert relation.value == pytest.approx(8.9)
    assert "channel 06" in relation.remark


def test_drift_between_two_readings_is_only_what_was_added_in_between() -> None:
    """0.5 ppm from the first reading on and 1.3 ppm at the last: the two are no closer known than 1.2 ppm."""
    noise = {"estimator": 0.01}
    early, late = {DRIFT: 0.5, **noise}, {DRIFT: 1.3, **noise}
    assert own_part(early, [early, late]) == 0.0
    assert own_part(late, [early, late]) == pytest.approx(1.2)
    assert own_part({"estimator": 0.02}, [noise]) == 0.02  # other terms are shared only where they are equal


def test_two_that_differ_cannot_be_told_apart() -> None:
    relation = only(relate(offsets(0.1, 9.0)), "different ppm on several channels")
    assert relation.value == pytest.approx(8.9)


def test_the_reference_s_own_uncertainty_does_not_blur_a_difference() -> None:
    """An uncorrected dongle is off by the same ppm on every channel, so differences stay visible."""
    assert only(relate(offsets(0.1, 9.0, 0.1, reference=57.7)), "one channel off")


def test_another_ship_s_offset_is_not_mixed_in() -> None:
    mine = keyed(call("test call", 1.0, self_id=SHIP, address=COAST), readings=(*offset(5.0), level(-10.0)))
    theirs = keyed(
        call("test acknowledgement", 5.0, self_id=COAST, address=SHIP), readings=(*offset(0.0), level(-50.0))
    )
    spoken = voice(20.0, readings=offset(5.05))
    relation = only(relate([mine, theirs, spoken]), "same ppm on several channels")
    assert relation.between == (0, 2)


def test_nothing_relates_nothing() -> None:
    assert relate([]) == ()
    assert relate([voice(1.0)]) == ()
