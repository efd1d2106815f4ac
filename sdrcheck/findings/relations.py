"""What shows only across transmissions: call and answer, attempt and repeat, high and low power, one oscillator.

Each relation is a plain sentence with its reason. Delays run from the end of the call to the start of what follows.
Operating rules are those of Rec. ITU-R M.541 and M.493 as national rules carry them; what the pattern points to is
common practice.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.findings.inspection import Kind, Reading, Relation, Transmission
from sdrcheck.findings.sidebands import PRODUCT, beside
from sdrcheck.findings.wording import enumerate_words, format_place, format_value
from sdrcheck.quantities import COVERAGE_FACTOR
from sdrcheck.receiver.reference import own_part

CALLS_IN_ATTEMPT = 5
"""A distress attempt on one frequency: five calls without a gap (M.541 A1 3.1.3.1)."""
GAP_BITS = 1.0
"""What still counts as no gap between two calls of an attempt."""
REPEAT_S = (210.0, 270.0)
"""An attempt is repeated 3.5 to 4.5 minutes after its start (Japan RER art. 40-5(1); counting point from memory)."""
SEVERAL_FREQUENCIES_S = 60.0
"""An attempt over several frequencies ends within a minute (M.541 A1 3.1.3.2, from memory)."""
REPEAT_WATCH_S = 600.0
"""Later than this two attempts are no longer called a repeat."""
ANSWER_S = 300.0
"""An answer comes within five minutes; later it goes out as a new call (Japan Operation Regulations art. 58-6)."""
FOLLOW_ON_S = 300.0
"""Traffic that begins on the named channel within this time is taken to follow from the call."""

POWER_RATIO_DB = (14.0, 24.0)
"""25 W to 1 W and to 0.1 W."""
POWER_STEP_DB = 6.0
"""Least difference of level that is taken for a change of the power setting."""

SAME_PPM = 0.3
"""Least difference in ppm that is told apart: sets drift between two keyings."""

FOLLOW_ON_CARRIER_HZ = {
    2_187_500: 2_182_000,
    4_207_500: 4_125_000,
    6_312_000: 6_215_000,
    8_414_500: 8_291_000,
    12_577_000: 12_290_000,
    16_804_500: 16_420_000,
}
"""Telephone carrier that goes with each distress calling frequency (RR Appendix 15; IMO A.806(19))."""

ALERTS = (CallType.DISTRESS_ALERT, CallType.EPIRB_ALERT, CallType.MAN_OVERBOARD_ALERT)
RELAYS = (
    CallType.RELAY_INDIVIDUAL,
    CallType.RELAY_AREA,
    CallType.RELAY_GROUP,
    CallType.RELAY_ALL_SHIPS,
)
_INDIVIDUAL = (CallType.INDIVIDUAL_URGENCY, CallType.INDIVIDUAL_SAFETY, CallType.INDIVIDUAL_ROUTINE)
ANSWERS: dict[str, tuple[str, ...]] = {
    CallType.TEST_ACKNOWLEDGEMENT: (CallType.TEST_CALL,),
    CallType.POSITION_REPLY: (CallType.POSITION_REQUEST,),
    CallType.POLLING_REPLY: (CallType.POLLING_REQUEST,),
    CallType.ABLE_ACKNOWLEDGEMENT: _INDIVIDUAL,
    CallType.UNABLE_ACKNOWLEDGEMENT: (
        *_INDIVIDUAL,
        CallType.TEST_CALL,
        CallType.POSITION_REQUEST,
        CallType.POLLING_REQUEST,
    ),
    CallType.SEMI_AUTOMATIC_ACKNOWLEDGEMENT: (CallType.SEMI_AUTOMATIC,),
    CallType.DISTRESS_ACKNOWLEDGEMENT: ALERTS,
    CallType.SELF_CANCEL: ALERTS,
    CallType.RELAY_ACKNOWLEDGEMENT: RELAYS,
}
"""What each kind of answer answers."""


@dataclass(frozen=True, slots=True)
class _Heard:
    """A call and the transmission that it was in."""

    index: int
    call: Call
    transmission: Transmission


def relate(transmissions: Sequence[Transmission]) -> tuple[Relation, ...]:
    """Find what relates the transmissions of one inspection; indexes count from 0 in the order given."""
    heard = sorted(
        (_Heard(index, call, one) for index, one in enumerate(transmissions) for call in one.calls),
        key=lambda one: one.call.start_s,
    )
    sidebands = tuple(beside(transmissions))
    products = {one.between[-1] for one in sidebands if one.kind == PRODUCT}
    return (
        *_answers(heard),
        *_attempts(heard),
        *_follow_ons(heard, transmissions),
        *_power_steps(transmissions),
        *sidebands,
        *_oscillators(transmissions, products),
    )


# -- calls and answers ------------------------------------------------------------------------------------------------


def _answers(heard: Sequence[_Heard]) -> Iterator[Relation]:
    answered: set[int] = set()
    for place, answer in enumerate(heard):
        asked = ANSWERS.get(answer.call.type)
        if asked is None:
            continue
        for earlier in range(place - 1, -1, -1):
            call = heard[earlier]
            if earlier not in answered and call.call.type in asked and _mirrored(call.call, answer.call):
                if call.call.type not in (*ALERTS, *RELAYS):  # those may be acknowledged by several
                    answered.add(earlier)
                yield _answer(call, answer)
                break


def _mirrored(call: Call, answer: Call) -> bool:
    """The answer goes back to who called, from who was called; a shore group answers as one of its stations."""
    if answer.type in (CallType.DISTRESS_ACKNOWLEDGEMENT, CallType.SELF_CANCEL):
        return call.self_id is not None and answer.distress_id == call.self_id
    if answer.type == CallType.RELAY_ACKNOWLEDGEMENT:
        return call.distress_id is not None and answer.distress_id == call.distress_id
    if call.self_id is None or answer.address != call.self_id:
        return False
    return answer.self_id == call.address or _shore_group(call.address)


def _shore_group(address: object) -> bool:
    return isinstance(address, str) and address.startswith("00")


def _answer(call: _Heard, answer: _Heard) -> Relation:
    delay = answer.call.start_s - call.call.end_s
    whole = answer.call.start_s - call.call.start_s
    sentence = (
        f"The {answer.call.type} from {answer.call.self_id or 'an unread identity'} answers the {call.call.type} of "
        f"{call.call.self_id} {delay:.2f} s after its end ({whole:.2f} s after its start)"
    )
    if answer.call.type == CallType.SELF_CANCEL:
        kind = "alert and self-cancel"
        sentence += ": the ship withdraws its own alert"
    else:
        kind = "call and acknowledgement"
        if answer.call.type not in (CallType.DISTRESS_ACKNOWLEDGEMENT, CallType.RELAY_ACKNOWLEDGEMENT):
            mirrored = answer.call.self_id == call.call.address
            sentence += (
                "; the identities mirror each other"
                if mirrored
                else f"; the call went to {call.call.address}, a shore group"
            )
        if delay > ANSWER_S:
            sentence += f"; later than {ANSWER_S / 60:.0f} min an answer should be a call of its own"
    return Relation(
        kind=kind,
        between=tuple(dict.fromkeys((call.index, answer.index))),
        value=delay,
        unit="s",
        remark=f"{sentence}.",
    )


# -- distress attempts ------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Attempt:
    """Alerts of one ship that belong together: one keying, or several frequencies within a minute."""

    identity: str | None
    alerts: list[_Heard]

    @property
    def start_s(self) -> float:
        return self.alerts[0].call.start_s

    @property
    def keyings(self) -> tuple[int, ...]:
        return tuple(dict.fromkeys(alert.index for alert in self.alerts))

    def takes(self, alert: _Heard) -> bool:
        if alert.call.self_id != self.identity:
            return False
        if alert.index in self.keyings:
            return True
        frequencies = {one.transmission.frequency_hz for one in self.alerts}
        soon = alert.call.start_s - self.start_s <= SEVERAL_FREQUENCIES_S
        return soon and alert.transmission.frequency_hz not in frequencies


def _attempts(heard: Sequence[_Heard]) -> Iterator[Relation]:
    attempts: list[_Attempt] = []
    for alert in heard:
        if alert.call.type not in ALERTS:
            continue
        fitting = next((attempt for attempt in reversed(attempts) if attempt.takes(alert)), None)
        if fitting:
            fitting.alerts.append(alert)
        else:
            attempts.append(_Attempt(alert.call.self_id, [alert]))
    for place, attempt in enumerate(attempts):
        yield _attempt(attempt)
        before = next((one for one in reversed(attempts[:place]) if one.identity == attempt.identity), None)
        if before is not None and attempt.start_s - before.start_s <= REPEAT_WATCH_S:
            yield _repeat(before, attempt, heard)


def _attempt(attempt: _Attempt) -> Relation:
    count = len(attempt.alerts)
    who = attempt.identity or "an unread identity"
    if len(attempt.keyings) > 1:
        places = enumerate_words(format_place(alert.transmission) for alert in attempt.alerts)
        sentence = f"A distress attempt of {who} over several frequencies: {places}."
    else:
        gaps = [alert.call.gap_before_bits for alert in attempt.alerts if alert.call.gap_before_bits is not None]
        calls = f"{count} call" + "s" * (count != 1)
        sentence = f"A distress attempt of {who}: {calls} in one keying"
        if gaps:
            sentence += f", gaps of at most {max(gaps, key=abs):.1f} bit"
        if count == CALLS_IN_ATTEMPT and all(abs(gap) <= GAP_BITS for gap in gaps):
            sentence += ", as it should be (five without a gap)."
        elif count == CALLS_IN_ATTEMPT:
            sentence += "; there should be no gap."
        else:
            sentence += f"; {CALLS_IN_ATTEMPT} without a gap make an attempt on one frequency."
    return Relation(kind="distress attempt", between=attempt.keyings, value=float(count), unit="calls", remark=sentence)


def _repeat(before: _Attempt, after: _Attempt, heard: Sequence[_Heard]) -> Relation:
    interval = after.start_s - before.start_s
    time = f"{interval:.1f} s ({interval / 60:.2f} min)"
    sentence = f"The distress attempt of {after.identity} is repeated {time} after its start"
    if REPEAT_S[0] <= interval <= REPEAT_S[1]:
        sentence += ", within the 3.5 to 4.5 min that it should be"
    else:
        sentence += "; it should be 3.5 to 4.5 min"
    stopped = next(
        (
            one.call.type
            for one in heard
            if one.call.type in (CallType.DISTRESS_ACKNOWLEDGEMENT, CallType.SELF_CANCEL)
            and one.call.distress_id == after.identity
            and before.start_s < one.call.start_s < after.start_s
        ),
        None,
    )
    if stopped:
        sentence += f". A {stopped} came between: the repetition should have stopped"
    return Relation(
        kind="distress attempt and repeat",
        between=tuple(dict.fromkeys((*before.keyings, *after.keyings))),
        value=interval,
        unit="s",
        remark=f"{sentence}.",
    )


# -- what follows a call ----------------------------------------------------------------------------------------------


def _follow_ons(heard: Sequence[_Heard], transmissions: Sequence[Transmission]) -> Iterator[Relation]:
    followed: set[int] = set()
    spoken = [(index, one) for index, one in enumerate(transmissions) if one.kind in (Kind.VOICE, Kind.CARRIER)]
    for index, other in sorted(spoken, key=lambda item: item[1].start_s):
        leading = [
            place
            for place, one in enumerate(heard)
            if place not in followed and 0 <= other.start_s - one.call.end_s <= FOLLOW_ON_S and _leads_to(one, other)
        ]
        if not leading:
            continue
        followed.update(leading)
        last = heard[leading[-1]]
        delay = other.start_s - last.call.end_s
        yield Relation(
            kind="call and follow-on",
            between=(last.index, index),
            value=delay,
            unit="s",
            remark=(
                f"{_upper(format_place(other))} was keyed {delay:.1f} s after the {last.call.type} that leads there."
            ),
        )


def _leads_to(one: _Heard, other: Transmission) -> bool:
    call = one.call
    if call.type in (*ALERTS, CallType.DISTRESS_ACKNOWLEDGEMENT):
        carrier = FOLLOW_ON_CARRIER_HZ.get(round(one.transmission.frequency_hz))
        return other.channel == "16" if carrier is None else round(other.frequency_hz) == carrier
    if call.type in (CallType.TEST_CALL, CallType.TEST_ACKNOWLEDGEMENT):
        return False
    named = {place for place in (call.called_station_receives, call.called_station_transmits) if place}
    khz = other.frequency_hz / 1e3
    return other.channel in named or bool({f"{khz:.1f} kHz", f"{khz:.2f} kHz"} & named)


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


# -- levels -----------------------------------------------------------------------------------------------------------


def _power_steps(transmissions: Sequence[Transmission]) -> Iterator[Relation]:
    by_place: dict[tuple[float, str | None], list[tuple[int, Reading]]] = {}
    for index, one in enumerate(transmissions):
        level = one.reading("level")
        if level is None or one.kind not in (Kind.VOICE, Kind.CARRIER, Kind.DSC_CALL) or one.emission == "J3E":
            continue  # a sideband's level is that of the sound
        sender = one.calls[0].self_id if one.kind is Kind.DSC_CALL and one.calls else None
        if one.kind is Kind.DSC_CALL and sender is None:
            continue
        by_place.setdefault((one.frequency_hz, sender), []).append((index, level))
    for levels in by_place.values():
        if len(levels) > 1:
            yield from _power_step(levels, transmissions)


def _power_step(levels: list[tuple[int, Reading]], transmissions: Sequence[Transmission]) -> Iterator[Relation]:
    ordered = sorted(levels, key=lambda one: one[1].value)
    steps = [upper[1].value - lower[1].value for lower, upper in itertools.pairwise(ordered)]
    widest = max(range(len(steps)), key=steps.__getitem__)
    if steps[widest] < POWER_STEP_DB:
        return
    low, high = ordered[: widest + 1], ordered[widest + 1 :]
    ratio = statistics.fmean(r.value for _, r in high) - statistics.fmean(r.value for _, r in low)
    spread = math.hypot(max(r.uncertainty for _, r in high), max(r.uncertainty for _, r in low))
    place = format_place(transmissions[ordered[0][0]])
    apart = format_value(ratio, spread, "dB") if spread >= 0.05 else f"{ratio:.1f} dB"
    sentence = f"On {place} two powers were keyed, {apart} apart; a 25 W set's high and low lie 14 to 24 dB apart. "
    if POWER_RATIO_DB[0] - spread <= ratio <= POWER_RATIO_DB[1] + spread:
        sentence += "If it was one set, its low power is the metered high power less this ratio."
    else:
        sentence += "Was it one set, and was the dongle neither overloaded nor moved?"
    yield Relation(
        kind="high and low power",
        between=tuple(sorted(index for index, _ in ordered)),
        value=ratio,
        unit="dB",
        remark=sentence,
    )


# -- frequencies ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Offset:
    index: int
    transmission: Transmission
    reading: Reading

    @property
    def ppm(self) -> float:
        return self.reading.value

    @property
    def place(self) -> str:
        return f"channel {self.transmission.channel}" if self.transmission.channel else format_place(self.transmission)


def _oscillators(transmissions: Sequence[Transmission], products: Collection[int]) -> Iterator[Relation]:
    offsets = [
        _Offset(index, one, reading)
        for index, one in enumerate(transmissions)
        if (reading := one.reading("carrier offset, relative")) is not None
        and one.leg != "coast"
        and index not in products
    ]
    senders = {one.transmission.calls[0].self_id for one in offsets if one.transmission.calls} - {None}
    own = _strongest_sender(offsets)
    for sender in sorted(senders, key=str) or [None]:
        mine = [
            one
            for one in offsets
            if (one.transmission.calls and one.transmission.calls[0].self_id == sender)
            or (not one.transmission.calls and sender == own)
        ]
        for band in (
            [one for one in mine if one.transmission.frequency_hz > 30e6],
            [one for one in mine if one.transmission.frequency_hz <= 30e6],
        ):
            yield from _oscillator(band)


def _strongest_sender(offsets: Sequence[_Offset]) -> str | None:
    """The set on the cable is the strongest; keyings that name nobody are taken to be its own."""
    calls = [one for one in offsets if one.transmission.calls and one.transmission.calls[0].self_id]
    if not calls:
        return None

    def level(one: _Offset) -> float:
        reading = one.transmission.reading("level")
        return reading.value if reading else -math.inf

    return max(calls, key=level).transmission.calls[0].self_id


def _oscillator(offsets: Sequence[_Offset]) -> Iterator[Relation]:
    if len({one.transmission.frequency_hz for one in offsets}) < 2:
        return
    middle = statistics.median(one.ppm for one in offsets)
    apart = [one for one in offsets if abs(one.ppm - middle) > max(SAME_PPM, _own_uncertainty(one, offsets))]
    between = tuple(one.index for one in offsets)
    listed = enumerate_words(f"{one.place} {one.ppm:+.2f} ppm" for one in offsets)
    if not apart:
        whole = min(one.reading.uncertainty for one in offsets)
        if abs(middle) > whole:
            why = (
                "an equal error in ppm everywhere points to the set's reference oscillator; if every set aboard shows "
                "it, suspect the dongle's"
            )
        else:
            why = f"no more than the {whole:.1f} ppm that the dongle's own reference leaves open"
        yield Relation(
            kind="same ppm on several channels",
            between=between,
            value=middle,
            unit="ppm",
            remark=f"The same offset of about {middle:+.2f} ppm on several channels ({listed}): {why}.",
        )
        return
    places = {one.transmission.frequency_hz for one in apart}
    if len(places) == 1 and len({one.transmission.frequency_hz for one in offsets}) >= 3:
        odd = apart[0]
        rest = statistics.median(one.ppm for one in offsets if one.transmission.frequency_hz not in places)
        yield Relation(
            kind="one channel off",
            between=between,
            value=odd.ppm - rest,
            unit="ppm",
            remark=(
                f"Only {odd.place} is off, by {odd.ppm - rest:+.2f} ppm against the others ({listed}): one channel "
                "alone points to its programming, not to the oscillator."
            ),
        )
        return
    yield Relation(
        kind="different ppm on several channels",
        between=between,
        value=max(one.ppm for one in offsets) - min(one.ppm for one in offsets),
        unit="ppm",
        remark=(
            f"The offsets differ from channel to channel ({listed}): a drifting oscillator, a programming error, or "
            "more than one set. Key a third channel to tell them apart."
        ),
    )


def _own_uncertainty(one: _Offset, others: Sequence[_Offset]) -> float:
    """Expanded uncertainty in ppm without what all these readings share."""
    if not one.reading.terms:
        return one.reading.uncertainty
    mine, *rest = ({term.name: term.standard for term in each.reading.terms} for each in (one, *others))
    return COVERAGE_FACTOR * own_part(mine, rest)
