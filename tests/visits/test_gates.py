"""The gates: no distress format into a cable that was not proven, no antenna back on a set that may still repeat.

Practice; the pause of 3.5 to 4.5 min between attempts is of Rec. ITU-R M.541, so five minutes outlast the longest.
"""

import datetime as dt
from pathlib import Path

import pytest

from sdrcheck.errors import VisitError
from sdrcheck.visits import gates, plan, results
from sdrcheck.visits.results import GateStep
from sdrcheck.visits.ship import Visit
from tests.visits import made

CH70 = 156_525_000.0
VISIT = made.visit()
PLAN = plan.make(VISIT)
SET = VISIT.sets[0]


def step(word: str, minute: int, passed: bool = True, visit: Visit = VISIT) -> GateStep:
    return GateStep(
        utc=made.NOW + dt.timedelta(minutes=minute),
        set="vhf-1",
        step=word,  # type: ignore[arg-type]
        passed=passed,
        detail="x",
        chain=visit.chain,
    )


def ledger(folder: Path, *steps: GateStep, keyed_at: int | None = None) -> results.Ledger:
    if keyed_at is not None:
        made.file_try(
            folder,
            "vhf-1/distress-format",
            made.inspection(made.call_transmission(*[made.distress_call()] * 5)),
            utc=made.NOW + dt.timedelta(minutes=keyed_at),
        )
    for one in steps:
        results.add(folder, one)
    return results.read(folder)


def test_longer_than_the_longest_pause_between_attempts() -> None:
    assert gates.SILENCE_S > 4.5 * 60


def test_closed_until_the_leak_check_passed_with_this_chain(tmp_path: Path) -> None:
    check = PLAN.check("vhf-1/distress-format")
    with pytest.raises(VisitError, match="leak check"):
        gates.require_distress_format(VISIT, PLAN, ledger(tmp_path), check)
    with pytest.raises(VisitError, match="passed leak check"):
        gates.require_distress_format(VISIT, PLAN, ledger(tmp_path, step("leak check", 0, passed=False)), check)
    passed = ledger(tmp_path, step("leak check", 1))
    gates.require_distress_format(VISIT, PLAN, passed, check)
    other = made.visit(made.VISIT.replace("db = 30.0", "db = 20.0"))
    with pytest.raises(VisitError, match=r"load with sampler 40 dB \+ pad 30 dB.*now it is"):
        gates.require_distress_format(other, plan.make(other), passed, check)


def test_never_on_an_antenna(tmp_path: Path) -> None:
    open_cable = made.visit(made.VISIT.replace("closed_cable = true", "closed_cable = false", 1))
    gate = gates.distress_format(open_cable, PLAN, ledger(tmp_path, step("leak check", 0)), open_cable.sets[0])
    assert not gate.open
    assert "never keyed on an antenna" in gate.wanted[0]


def test_other_checks_need_no_gate(tmp_path: Path) -> None:
    gates.require_distress_format(VISIT, PLAN, ledger(tmp_path), PLAN.check("vhf-1/ch70-call"))


@pytest.mark.parametrize(
    ("transmissions", "heard", "passed", "said"),
    [
        ((made.call_transmission(),), False, True, "not heard by"),
        ((made.call_transmission(),), True, False, "the cable leaks"),
        ((), False, False, "nothing proves that there was something to hear"),
        ((made.call_transmission(frequency_hz=2_187_500.0),), False, False, "no test call was found at 156.525 MHz"),
        ((made.call_transmission(made.distress_call()),), False, False, "holds a distress format"),
    ],
)
def test_leak_check(transmissions: tuple, heard: bool, passed: bool, said: str) -> None:
    found = gates.leak_check(
        PLAN, SET, made.inspection(*transmissions), listener="handheld, whip, 1 m away", heard=heard
    )
    assert found[0] is passed
    assert said in found[1]


def test_leak_check_wants_to_know_who_listened() -> None:
    with pytest.raises(VisitError, match="--listener"):
        gates.leak_check(PLAN, SET, made.inspection(made.call_transmission()), listener=" ", heard=False)


def test_antenna_back_wants_cancel_restart_and_silence_in_that_order(tmp_path: Path) -> None:
    assert gates.antenna_back(PLAN, ledger(tmp_path / "never"), SET).open
    folder = tmp_path / "keyed"
    seen = ledger(folder, keyed_at=0)
    assert gates.antenna_back(PLAN, seen, SET).wanted == ("the alert cancelled at the set",)
    with pytest.raises(VisitError, match="first the alert cancelled"):
        gates.require_order(PLAN, seen, SET, "silence")
    with pytest.raises(VisitError, match="first the alert cancelled"):
        gates.require_order(PLAN, seen, SET, "antenna back")
    gates.require_order(PLAN, seen, SET, "alert cancelled")
    seen = ledger(folder, step("alert cancelled", 1))
    assert gates.antenna_back(PLAN, seen, SET).wanted == ("the set switched off and on",)
    seen = ledger(folder, step("silence", 2))  # before the restart: it does not count
    assert not gates.antenna_back(PLAN, seen, SET).open
    seen = ledger(folder, step("set restarted", 3))
    assert "five minutes" in gates.antenna_back(PLAN, seen, SET).wanted[0]
    seen = ledger(folder, step("silence", 4, passed=False))
    assert not gates.antenna_back(PLAN, seen, SET).open
    seen = ledger(folder, step("silence", 9))
    assert gates.antenna_back(PLAN, seen, SET).open
    gates.require_order(PLAN, seen, SET, "antenna back")
    seen = ledger(folder, keyed_at=20)  # keyed again: all of it from the start
    assert gates.antenna_back(PLAN, seen, SET).wanted == ("the alert cancelled at the set",)


def quiet(**changes: object) -> tuple[bool, str]:
    transmissions = changes.pop("transmissions", ())
    facts = {"duration_s": 301.0, "start_utc": "2026-03-02T09:31:00Z"} | changes
    return gates.silence(made.inspection(*transmissions, **facts), CH70, made.NOW)  # type: ignore[arg-type, misc]


@pytest.mark.parametrize(
    ("changes", "passed", "said"),
    [
        ({}, True, "nothing on 156.525 MHz for 5 min 01 s"),
        ({"duration_s": 299.0}, False, "wanted are five minutes"),
        ({"lost_samples": 1}, False, "it has a hole"),
        ({"hash_matches": False}, False, "was changed"),
        ({"centre_frequency_hz": 157_525_000.0}, False, "does not cover 156.525 MHz"),
        ({"start_utc": None}, False, "does not say when"),
        ({"start_utc": "2026-03-02T09:29:59Z"}, False, "began before the set was restarted"),
        ({"transmissions": (made.call_transmission(made.distress_call(), start_s=231.0),)}, False, "231 s"),
        ({"transmissions": (made.carrier("16", 156_800_000.0),)}, True, "nothing on"),
    ],
)
def test_silence_is_witnessed_or_it_is_said_why_not(changes: dict, passed: bool, said: str) -> None:
    found = quiet(**changes)
    assert found[0] is passed, found
    assert said in found[1]
