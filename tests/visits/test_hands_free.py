"""The hands-free run as a state machine: every keying is answered, filed or refused aloud, and the run always ends."""

from dataclasses import dataclass

from sdrcheck.findings.inspection import Kind, Transmission
from sdrcheck.visits import plan
from sdrcheck.visits.checks.check import Check
from sdrcheck.visits.hands_free import Announcement, HandsFree, Sound
from tests.visits import made

PLAN = plan.make(made.visit())
CHECKS = PLAN.spoken("vhf-1")


@dataclass(frozen=True)
class Ended:
    """Stands for the engine's event: what counts is its `transmission`."""

    transmission: Transmission


@dataclass(frozen=True)
class Fault:
    sentence: str
    stopped: bool = False


def keyed(check: Check, start_s: float = 0.0) -> Transmission:
    """The keying that a check asks for."""
    keying = check.keying
    assert keying is not None
    assert keying.channel is not None
    if keying.call is not None:
        return made.call_transmission(start_s=start_s)
    low = keying.power is not None and keying.power != "high"
    modulated = bool(keying.conditions) and "unmodulated" not in keying.conditions
    return made.carrier(
        keying.channel,
        keying.frequency_hz,
        start_s=start_s,
        level_dbfs=-37.0 if low else -20.0,
        kind=Kind.VOICE if modulated else Kind.CARRIER,
        condition=keying.conditions[0],
    )


def run(*transmissions: Transmission | Fault) -> tuple[HandsFree, list[Announcement]]:
    state = HandsFree(CHECKS)
    events = [found if isinstance(found, Fault) else Ended(found) for found in transmissions]
    return state, list(state.run(events))


def test_a_run_without_a_slip_files_every_keying_in_order() -> None:
    state, said = run(*(keyed(check) for check in CHECKS))
    assert list(state.filed) == [check.id for check in CHECKS]
    assert [one.sound for one in said if one.sound is not Sound.NONE] == [Sound.HEARD] * len(CHECKS) + [Sound.FINISHED]
    assert state.left == []
    assert said[0].check is CHECKS[0]
    assert all(one.say for one in said)


def test_a_vhf_sets_sequence_fits_into_six_minutes() -> None:
    """Arithmetic, not a stopwatch: 4 s of speech, 8 s to change the channel, the keying, 2 s for the tone."""
    keying_s = sum(max(check.keying.seconds + 2, 1.0) for check in CHECKS if check.keying)
    assert keying_s + len(CHECKS) * (4 + 8 + 2) < 360
    assert max(len(check.say.split()) for check in CHECKS) <= 14


def test_wrong_channel_is_said_and_the_check_asked_for_again() -> None:
    wrong = made.carrier("72", 156_625_000.0)
    state, said = run(wrong, *(keyed(check) for check in CHECKS))
    assert said[1].sound is Sound.WRONG
    assert said[1].say == "That was channel 72. Please switch to channel 06."
    assert said[2].check is CHECKS[0]
    assert len(state.filed) == len(CHECKS)


def test_wrong_power_is_said() -> None:
    high = next(place for place, check in enumerate(CHECKS) if check.id.endswith("ch16-low"))
    before = [keyed(check) for check in CHECKS[:high]]
    _, said = run(*before, made.carrier("16", 156.8e6, level_dbfs=-20.5), keyed(CHECKS[high]))
    wrong = [one for one in said if one.sound is Sound.WRONG]
    assert [one.say for one in wrong] == ["That was high power. Please switch to low power and key again."]
    assert said[-2].check is CHECKS[high + 1]


def test_a_short_keying_and_a_modulated_one_are_refused() -> None:
    _, said = run(made.carrier("06", 156.3e6, duration_s=1.4))
    assert said[1].say == "Too short: 1.4 seconds. Please key 3 seconds."
    _, said = run(made.carrier("06", 156.3e6, kind=Kind.VOICE, condition="two tones"))
    assert said[1].say.startswith("That was keyed with two tones.")


def test_a_distress_alert_instead_of_a_test_call_is_named() -> None:
    place = next(place for place, check in enumerate(CHECKS) if check.id.endswith("ch70-call"))
    before = [keyed(check) for check in CHECKS[:place]]
    _, said = run(*before, made.call_transmission(made.distress_call()))
    assert said[-3].say == "That was a distress alert. Please send a test call."


def test_someone_ahead_of_the_list_is_followed() -> None:
    order = [CHECKS[1], CHECKS[0], *CHECKS[2:]]
    state, said = run(*(keyed(check) for check in order))
    assert len(state.filed) == len(CHECKS)
    assert "was filed there" in said[1].text
    assert said[1].sound is Sound.HEARD


def test_strangers_and_clicks_are_passed_over_in_silence() -> None:
    _, quiet = run(keyed(CHECKS[0]))
    _, said = run(
        made.carrier("16", 156.8e6, duration_s=0.03),
        keyed(CHECKS[0]),
        made.carrier("72", 156.625e6, level_dbfs=-75.0),
    )
    assert [one.text for one in said] == [one.text for one in quiet]


def test_three_wrong_keyings_leave_the_check_for_later_and_the_run_goes_on() -> None:
    wrong = [made.carrier("72", 156_625_000.0)] * 3
    state, said = run(*wrong, *(keyed(check) for check in CHECKS[1:]))
    assert state.left == [CHECKS[0]]
    assert len(state.filed) == len(CHECKS) - 1
    assert CHECKS[0].id in said[-1].text


def test_trouble_with_the_receiver_is_said_and_what_was_filed_stays() -> None:
    state, said = run(keyed(CHECKS[0]), Fault("the dongle was pulled out", stopped=True), keyed(CHECKS[1]))
    assert list(state.filed) == [CHECKS[0].id]
    assert "the dongle was pulled out" in [one.text for one in said]
    assert said[-1].sound is Sound.FINISHED
    assert state.left == list(CHECKS[1:])


def test_a_set_without_keyings_ends_at_once() -> None:
    assert [one.sound for one in HandsFree(()).run([])] == [Sound.FINISHED]
