"""What an inspection finds in the recordings of `captures/`, against what their README says was put there."""

from __future__ import annotations

from functools import cache

import pytest

from sdrcheck import bench
from sdrcheck.decoders.dsc.call import Call
from sdrcheck.findings.inspection import Inspection, Transmission
from sdrcheck.sources.recording import RecordingSource
from tests.conftest import REPOSITORY

SHIP, COAST = "211999990", "002119990"
TEST_CALL = (120, 0, 21, 19, 99, 0, 108, 21, 19, 99, 99, 0, 118, 126, 126, 126, 126, 126, 126, 126, 117, 10)
"""The ECC by hand: 120 120 109 126 29 29 113 100 119 20 119 119 1, then 127 after seven times 126, and 10 after 117."""


@cache
def inspected(name: str) -> Inspection:
    source = RecordingSource(REPOSITORY / "captures" / f"{name}.sigmf-meta")
    return bench.collect(bench.run(source, bench.Settings(frames_per_s=0)))


def value(transmission: Transmission, quantity: str) -> float:
    reading = transmission.reading(quantity)
    assert reading is not None, quantity
    return reading.value


def only_call(transmission: Transmission) -> Call:
    assert transmission.channel == "70"
    (call,) = transmission.calls
    assert call.error_check == "ok"
    return call


def test_voice_72() -> None:
    high, low = inspected("voice-72").transmissions
    for transmission in (high, low):
        assert transmission.channel == "72"
        assert value(transmission, "carrier offset") == pytest.approx(141.0, abs=6.0)
        assert value(transmission, "peak deviation, up") == pytest.approx(3000.0, rel=0.025)
        assert value(transmission, "modulating tone") == pytest.approx(1000.0, abs=1.5)
    assert value(high, "level") - value(low, "level") == pytest.approx(17.0, abs=0.2)


@pytest.mark.parametrize("name", ["test-call", "no-pre-emphasis"])
def test_test_calls(name: str) -> None:
    (transmission,) = inspected(name).transmissions
    call = only_call(transmission)
    assert (call.type, call.self_id, call.address) == ("test call", SHIP, COAST)
    assert call.symbols == TEST_CALL
    assert call.dot_pattern_bits == 20
    assert call.ordinary_receiver.accepted
    assert call.remarks == ()
    index_b = 2.0 if name == "test-call" else 2.0 * 1300 / 2100
    assert value(transmission, "modulation index, B") == pytest.approx(index_b, abs=0.04)
    assert value(transmission, "modulation index, Y") == pytest.approx(2.0, abs=0.04)
    assert value(transmission, "carrier offset") == pytest.approx(141.0, abs=8.0)


def test_answered_test_call() -> None:
    found = inspected("test-call-answered-CLOSED-CABLE-ONLY")
    call, answer = (only_call(transmission) for transmission in found.transmissions)
    assert (call.type, answer.type) == ("test call", "test acknowledgement")
    assert (answer.self_id, answer.address) == (COAST, SHIP)
    assert answer.start_s - call.end_s == pytest.approx(3.2, abs=0.02)


def test_distress_attempt() -> None:
    (transmission,) = inspected("distress-attempt-CLOSED-CABLE-ONLY").transmissions
    assert [call.type for call in transmission.calls] == ["distress alert"] * 5
    assert all(call.error_check == "ok" and call.self_id == SHIP for call in transmission.calls)
    assert all(call.position is None and call.utc is None for call in transmission.calls)
    gaps = [call.gap_before_bits for call in transmission.calls]
    assert gaps[0] is None
    assert gaps[1:] == pytest.approx([0.0] * 4, abs=0.5)


def test_over_deviating_set() -> None:
    (transmission,) = inspected("over-deviating-77").transmissions
    assert transmission.channel == "77"
    assert value(transmission, "carrier offset") == pytest.approx(-2300.0, abs=6.0)
    deviation = transmission.reading("peak deviation, up")
    assert deviation is not None
    assert deviation.value == pytest.approx(6200.0, rel=0.025)
    assert deviation.verdict == "fail"


def test_two_channels_at_once() -> None:
    voice, call = inspected("two-channels").transmissions
    assert voice.channel == "72"
    assert only_call(call).symbols == TEST_CALL
    assert voice.start_s < call.start_s < voice.start_s + voice.duration_s
