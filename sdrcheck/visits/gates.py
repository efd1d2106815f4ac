"""Two gates that nobody walks through by accident.

*Before any distress format*: a test call went into the load while a second receiver with a short whip heard nothing.
25 W behind 80 dB of screening is about −92 dBm at 100 m, some 20 dB above a 1 µV watch receiver: a leaking cable rings
the neighbour's alarm.

*Before the antenna goes back*: the alert cancelled at the set, the set switched off and on, and five minutes of silence
on that frequency witnessed by a capture, because an unacknowledged alert repeats after 3.5 to 4.5 minutes and would
then radiate. Both are practice; the interval is of Rec. ITU-R M.541.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from sdrcheck.channels.channel import Mark
from sdrcheck.channels.plan import frequency_text
from sdrcheck.decoders.dsc.fields import FORMATS, CallType
from sdrcheck.decoders.dsc.symbols import Format
from sdrcheck.errors import VisitError
from sdrcheck.findings.inspection import Inspection, Kind
from sdrcheck.findings.wording import format_duration
from sdrcheck.visits.checks.check import Check
from sdrcheck.visits.plan import Plan
from sdrcheck.visits.results import Ledger
from sdrcheck.visits.ship import RadioSet, Visit

SILENCE_S = 300.0
"""Five minutes: longer than the longest pause of 4.5 min between two attempts."""

NEAR_HZ = 10_000.0
"""On VHF, what lies this near to the frequency breaks the silence."""

NEAR_MF_HZ = 250.0
MARK = Mark.PRACTICE


@dataclass(frozen=True, slots=True)
class Gate:
    """Whether a gate is open, and what is still wanted."""

    open: bool
    wanted: tuple[str, ...]


def distress_format(visit: Visit, plan: Plan, ledger: Ledger, radio: RadioSet) -> Gate:
    """May a distress format be keyed on this set?"""
    wanted = []
    if not radio.closed_cable:
        wanted.append(
            f"the visit file does not say that {radio.id} works into a closed cable (closed_cable = true); "
            "a distress format is never keyed on an antenna"
        )
    if not any(check.distress_format for check in plan.of_set(radio.id)):
        wanted.append(f"no distress-format check is planned for {radio.id}")
    checks = [step for step in ledger.gate_steps(radio.id) if step.step == "leak check"]
    if not checks:
        wanted.append("the leak check: a test call into the load while a second receiver with a short whip listens")
    elif not checks[-1].passed:
        wanted.append(f"a passed leak check (the last one did not pass: {checks[-1].detail})")
    elif checks[-1].chain != visit.chain:
        wanted.append(
            f"a new leak check: the last one was made with the chain “{checks[-1].chain}”, now it is “{visit.chain}”"
        )
    return Gate(not wanted, tuple(wanted))


def require_distress_format(visit: Visit, plan: Plan, ledger: Ledger, check: Check) -> None:
    """Raise VisitError, saying what is wanted, where a distress-format check may not be done yet."""
    if not check.distress_format or check.set_id is None:
        return
    radio = find_set(visit, check.set_id)
    gate = distress_format(visit, plan, ledger, radio)
    if not gate.open:
        raise VisitError(f"{check.id} stays closed; still wanted: {'; '.join(gate.wanted)}")


def leak_check(plan: Plan, radio: RadioSet, inspection: Inspection, *, listener: str, heard: bool) -> tuple[bool, str]:
    """Did the leak check pass, and why? The test call must be in the recording, or nothing was there to be heard."""
    frequencies = [c.keying.frequency_hz for c in plan.of_set(radio.id) if c.distress_format and c.keying is not None]
    if not frequencies:
        raise VisitError(f"no distress-format check is planned for {radio.id}, so it needs no leak check")
    if not listener.strip():
        raise VisitError("say which second receiver listened, where, and how: --listener")
    calls = [
        call
        for transmission in inspection.transmissions
        if _near(transmission.frequency_hz, frequencies[0])
        for call in transmission.calls
    ]
    if any(call.format == FORMATS[Format.DISTRESS].words for call in calls):
        return False, "the recording holds a distress format; the leak check is made with a test call only"
    if not any(call.type == CallType.TEST_CALL for call in calls):
        return False, (
            f"no test call was found at {frequency_text(frequencies[0])} in the recording, "
            "so nothing proves that there was something to hear"
        )
    if heard:
        return False, f"heard by {listener}: the cable leaks; find where, and repeat"
    return True, f"test call recorded in the cable, not heard by {listener}"


def antenna_back(plan: Plan, ledger: Ledger, radio: RadioSet) -> Gate:
    """May the antenna go back on this set? Wants nothing where no distress format was keyed."""
    keyed = [
        entry.utc
        for check in plan.of_set(radio.id)
        if check.distress_format
        for entry in ledger.of_check(check.id).tries
    ]
    if not keyed:
        return Gate(True, ())
    steps = ledger.gate_steps(radio.id)
    wanted = []
    after = max(keyed)
    for word, asked in (
        ("alert cancelled", "the alert cancelled at the set"),
        ("set restarted", "the set switched off and on"),
        ("silence", "five minutes of silence on that frequency, witnessed by a capture"),
    ):
        done = [step.utc for step in steps if step.step == word and step.passed and step.utc >= after]
        if not done:
            wanted.append(asked)
            break  # the steps have an order: what comes after a missing one does not count
        after = max(done)
    return Gate(not wanted, tuple(wanted))


def require_order(plan: Plan, ledger: Ledger, radio: RadioSet, step: str) -> None:
    """Raise VisitError where a step of the way to “antenna back” comes before the one it stands on."""
    gate = antenna_back(plan, ledger, radio)
    order = {"alert cancelled": 0, "set restarted": 1, "silence": 2, "antenna back": 3}
    if step not in order or gate.open:
        return
    asked = {"the alert": 0, "the set": 1, "five min": 2}
    next_step = next(place for words, place in asked.items() if gate.wanted[0].startswith(words))
    if order[step] > next_step:
        raise VisitError(f"{radio.id}: “{step}” cannot be filed yet; first {gate.wanted[0]}")


def silence(inspection: Inspection, frequency_hz: float, not_before: dt.datetime) -> tuple[bool, str]:
    """Was the frequency silent for five minutes after that moment, as far as this capture can witness?"""
    facts = inspection.recording
    place = frequency_text(frequency_hz)
    edge = facts.sample_rate_hz / 2 * 0.9  # the last tenth is in the filter's slope
    if abs(frequency_hz - facts.centre_frequency_hz) > edge:
        return False, f"the capture does not cover {place}"
    if facts.duration_s < SILENCE_S:
        return False, f"the capture lasts {format_duration(facts.duration_s)}, wanted are five minutes"
    if facts.lost_samples > 0:
        return False, f"{facts.lost_samples} samples were lost in the capture, so it has a hole; repeat it"
    if facts.hash_matches is False:
        return False, "the capture was changed since it was made"
    if facts.start_utc is None:
        return False, "the capture does not say when it was made"
    if dt.datetime.fromisoformat(facts.start_utc.replace("Z", "+00:00")) < not_before:
        return False, "the capture began before the set was restarted"
    broken = [t for t in inspection.transmissions if _near(t.frequency_hz, frequency_hz)]
    if broken:
        calls = [call.type for t in broken for call in t.calls]
        what = f" ({calls[0]})" if calls else f" ({broken[0].kind.value})" if broken[0].kind is not Kind.UNKNOWN else ""
        return False, f"{place} was keyed {broken[0].start_s:.0f} s after the start of the capture{what}"
    return True, f"nothing on {place} for {format_duration(facts.duration_s)}"


def _near(frequency_hz: float, wanted_hz: float) -> bool:
    return abs(frequency_hz - wanted_hz) <= (NEAR_HZ if wanted_hz > 30e6 else NEAR_MF_HZ)


def find_set(visit: Visit, set_id: str) -> RadioSet:
    """The set of that id; raises VisitError naming those there are."""
    radio = visit.set_named(set_id)
    if radio is None:
        known = ", ".join(one.id for one in visit.sets) or "none"
        raise VisitError(f"there is no set {set_id!r} in this visit; there are: {known}")
    return radio
