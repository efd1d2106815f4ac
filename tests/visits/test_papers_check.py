"""What was heard against the papers: each conclusion is a sentence, and none is drawn from what could not be read."""

from pathlib import Path
from typing import Any

import pytest

from sdrcheck.decoders.dsc.call import OrdinaryReceiver, Position
from sdrcheck.findings.inspection import Relation
from sdrcheck.visits import papers_check, plan, results
from sdrcheck.visits.papers_check import Conclusion
from tests.visits import made

VISIT = made.visit()
PLAN = plan.make(VISIT)


def conclusions(check: str = "vhf-1/ch70-call", text: str = made.VISIT, **changes: Any) -> dict[str, Conclusion]:
    visit = made.visit(text)
    radio = visit.set_named(check.split("/")[0])
    made_call = made.distress_call(**changes) if "distress" in check else made.call(**changes)
    calls = [made_call] * 5 if "distress" in check else [made_call]
    found = papers_check.of_try(
        visit, radio, plan.make(visit).check(check), made.inspection(made.call_transmission(*calls)), (0,)
    )
    return {one.about: one for one in found}


def test_a_good_call_agrees_with_everything() -> None:
    found = conclusions()
    assert {about: one.agrees for about, one in found.items()} == {"own identity": True, "call asked for": True}


@pytest.mark.parametrize(
    ("identity", "reason"),
    [
        ("211999909", "the same digits in another order (places 8 and 9): a typing error is likely"),
        ("211999993", "it differs in digit 9: a typing error is likely"),
        ("211000000", "default that was never programmed"),
        ("219123456", "wrong or former identity"),
    ],
)
def test_another_identity_is_told_with_a_likely_reason(identity: str, reason: str) -> None:
    found = conclusions(self_id=identity)["own identity"]
    assert found.agrees is False
    assert f"calls itself {identity}; by the papers it is 211999990" in found.sentence
    assert reason in found.reason


def test_the_identity_of_the_other_set() -> None:
    text = made.VISIT.replace('id = "vhf-2"', 'id = "vhf-2"\nmmsi = "244123456"')
    assert "the identity of vhf-2" in conclusions(text=text, self_id="244123456")["own identity"].reason


def test_identity_digits_of_a_former_flag() -> None:
    found = conclusions(self_id="244999990")
    assert "Netherlands, the ship's flag is Germany" in found["identity and flag"].sentence


def test_a_broken_call_proves_nothing_about_the_identity() -> None:
    found = conclusions(self_id="219123456", error_check="failed")
    assert found["own identity"].agrees is None
    assert "error check failed" in found["own identity"].reason


@pytest.mark.parametrize(
    ("latitude", "longitude", "agrees"),
    [
        (54 + 10 / 60, 12 + 4 / 60, True),  # 54°10.5' 12°04.98' cut to whole minutes
        (54 + 11 / 60, 12 + 6 / 60, True),  # a minute of arc away: within field and berth
        (54 + 20 / 60, 12 + 4 / 60, False),
        (-54.175, 12.083, False),
    ],
)
def test_position_is_compared_no_finer_than_its_field(latitude: float, longitude: float, agrees: bool) -> None:
    position = Position(latitude=latitude, longitude=longitude, resolution_minutes=1.0)
    found = conclusions("vhf-1/distress-format", position=position)["position"]
    assert found.agrees is agrees
    assert "resolves 1'" in found.reason


def test_no_position_points_to_the_navigation_receiver() -> None:
    found = conclusions("vhf-1/distress-format", position=None)["position"]
    assert found.agrees is None
    assert "all nines" in found.reason


@pytest.mark.parametrize(("utc", "agrees"), [("09:28", True), ("09:29", True), ("09:20", False), ("21:29", False)])
def test_time_is_held_against_the_ships_utc(utc: str, agrees: bool) -> None:
    """The recording began at 09:29:00 by a laptop that is 2 s ahead; the call went out 2 s later, at 09:29:00."""
    found = conclusions("vhf-1/distress-format", utc=utc)["time"]
    assert found.agrees is agrees
    assert "sent at 09:29 by the ship's UTC" in found.sentence


def test_format_and_category_are_those_asked_for() -> None:
    found = conclusions(category="routine", telecommand_1="F3E/G3E all modes telephony")["call asked for"]
    assert found.agrees is False
    assert "the category is routine, asked for was safety" in found.sentence


def test_a_distress_attempt_is_five_calls_without_a_gap() -> None:
    assert conclusions("vhf-1/distress-format", gap_before_bits=0.0)["distress attempt"].agrees is True
    assert conclusions("vhf-1/distress-format", gap_before_bits=40.0)["distress attempt"].agrees is False


def test_what_an_ordinary_receiver_would_refuse_is_said() -> None:
    refused = OrdinaryReceiver(accepted=False, reason="only two phasing symbols")
    assert conclusions(ordinary_receiver=refused)["ordinary receiver"].reason == "only two phasing symbols"


def test_an_acknowledgement_with_its_delay_is_passed_on() -> None:
    relation = Relation(kind="call and acknowledgement", between=(0, 1), value=3.1, unit="s", remark="after 3.1 s")
    found = papers_check.of_try(
        VISIT,
        VISIT.sets[0],
        PLAN.check("vhf-1/ch70-call"),
        made.inspection(made.call_transmission(), made.call_transmission(), relations=(relation,)),
        (0,),
    )
    assert "after 3.1 s" in [one.sentence for one in found]


def patterns(folder: Path, offsets_ppm: dict[str, float]) -> list[Conclusion]:
    for check, ppm in offsets_ppm.items():
        keying = PLAN.check(check).keying
        assert keying is not None
        assert keying.channel is not None
        transmission = made.carrier(keying.channel, keying.frequency_hz, offset_hz=ppm * keying.frequency_hz / 1e6)
        made.file_try(folder, check, made.inspection(transmission))
    found = papers_check.of_visit(VISIT, PLAN, results.read(folder))
    return [one for one in found if one.about == "frequency pattern"]


def test_the_same_ppm_on_all_channels_points_to_the_oscillator(tmp_path: Path) -> None:
    found = patterns(tmp_path, {"vhf-1/ch06-high": 7.1, "vhf-1/ch16-high": 7.2, "vhf-1/ch88-high": 7.1})
    assert len(found) == 1
    assert "+7.1 ppm on all 3 keyings" in found[0].sentence
    assert "reference oscillator" in found[0].reason


def test_one_channel_alone_points_to_the_programming(tmp_path: Path) -> None:
    found = patterns(tmp_path, {"vhf-1/ch06-high": 0.3, "vhf-1/ch16-high": 0.2, "vhf-1/ch88-high": 31.8})
    assert "Only channel 88" in found[0].sentence
    assert "programming" in found[0].reason


def test_the_same_ppm_on_every_set_points_to_the_dongle(tmp_path: Path) -> None:
    keyings = {f"vhf-{n}/ch{c}-high": 7.1 for n in (1, 2) for c in ("06", "16")}
    assert any("suspect the dongle" in one.sentence for one in patterns(tmp_path, keyings))
    keyings = {f"vhf-{n}/ch{c}-high": 7.1 * n for n in (1, 2) for c in ("06", "16")}
    assert not any("dongle" in one.sentence for one in patterns(tmp_path / "b", keyings))


def test_an_offset_inside_the_uncertainty_is_no_finding(tmp_path: Path) -> None:
    found = patterns(tmp_path, {"vhf-1/ch06-high": 0.4, "vhf-1/ch16-high": 0.4})
    assert found[0].agrees is True


def test_low_power_by_its_ratio(tmp_path: Path) -> None:
    for check, level in (("vhf-1/ch16-high", -20.0), ("vhf-1/ch16-low", -37.0), ("vhf-1/ch15-auto", -21.0)):
        keying = PLAN.check(check).keying
        assert keying is not None
        assert keying.channel is not None
        transmission = made.carrier(keying.channel, keying.frequency_hz, level_dbfs=level)
        made.file_try(tmp_path, check, made.inspection(transmission))
    found = {one.check: one for one in papers_check.of_visit(VISIT, PLAN, results.read(tmp_path)) if one.check}
    assert found["vhf-1/ch16-low"].agrees is True
    assert "17.0 dB below high power" in found["vhf-1/ch16-low"].sentence
    assert found["vhf-1/ch15-auto"].agrees is False
