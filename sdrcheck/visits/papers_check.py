"""What was heard, held against the papers: each conclusion is a sentence with its reason. Nothing is decided here."""

from __future__ import annotations

import datetime as dt
import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sdrcheck.decoders.dsc.call import Call
from sdrcheck.findings.inspection import Inspection, Reading, Transmission
from sdrcheck.findings.wording import enumerate_words, format_position
from sdrcheck.quantities import COVERAGE_FACTOR
from sdrcheck.receiver.reference import own_part
from sdrcheck.visits.checks.check import CallWanted, Check, Power
from sdrcheck.visits.plan import Plan
from sdrcheck.visits.results import Ledger, Try
from sdrcheck.visits.ship import RadioSet, Visit, mismatched_country

BERTH_MINUTES = 1.0
"""How far a quay, an antenna and a chart may lie apart, in minutes of arc."""

TIME_MINUTES = 5.0
"""A call's time is that of its position, which may be some minutes old."""

NOTEWORTHY_PPM = 2.0
"""A common offset smaller than this is what good sets show; the tolerance on VHF is 10 ppm."""

SAME_PPM = 1.0
"""Least difference in ppm that is told apart, whatever the estimators claim: sets drift between two keyings."""


@dataclass(frozen=True, slots=True)
class Conclusion:
    """One thing held against the papers."""

    about: str
    agrees: bool | None
    """None: it cannot be said."""
    sentence: str
    reason: str
    check: str | None = None


def of_try(
    visit: Visit, radio: RadioSet | None, check: Check, inspection: Inspection, places: Sequence[int]
) -> tuple[Conclusion, ...]:
    """What the transmissions filed to a check say about the papers."""
    return tuple(_of_try(visit, radio, check, inspection, places))


def _of_try(
    visit: Visit, radio: RadioSet | None, check: Check, inspection: Inspection, places: Sequence[int]
) -> Iterator[Conclusion]:
    mine = [inspection.transmissions[place] for place in places]
    calls = [(t, call) for t in mine for call in t.calls]
    if radio is not None:
        for _, call in calls[:1]:  # the first call of a keying is the set's own; all of an attempt say the same
            yield from _identity(visit, radio, check, call)
            yield from _position(visit, check, call)
        for transmission, call in calls[:1]:
            yield from _time(visit, check, transmission, call, inspection)
    wanted = check.keying.call if check.keying else None
    if wanted is not None:
        yield from _asked_for(check, wanted, mine)
    for relation in inspection.relations:
        if set(relation.between) & set(places):
            yield Conclusion(relation.kind, None, relation.remark, "seen across transmissions", check.id)


def _identity(visit: Visit, radio: RadioSet, check: Check, call: Call) -> Iterator[Conclusion]:
    about, papers = "own identity", visit.identity_of(radio)
    if call.self_id is None or call.error_check == "failed":
        yield Conclusion(about, None, f"The identity in the {call.type} could not be read.", _why(call), check.id)
        return
    if papers is None:
        yield Conclusion(about, None, f"{radio.id} calls itself {call.self_id}.", "the papers name no MMSI", check.id)
        return
    if call.self_id == papers:
        yield Conclusion(
            about,
            True,
            f"{radio.id} calls itself {call.self_id}, as the papers say.",
            f"decoded from its {call.type}",
            check.id,
        )
    else:
        yield Conclusion(
            about,
            False,
            f"{radio.id} calls itself {call.self_id}; by the papers it is {papers}.",
            _identity_reason(visit, radio, call.self_id, papers),
            check.id,
        )
    country = mismatched_country(call.self_id, visit.ship.flag)
    if country:
        yield Conclusion(
            "identity and flag",
            False,
            f"The identity {call.self_id} begins with the digits of {country}, the ship's flag is {visit.ship.flag}.",
            "an identity of a former flag, or a typing error; reprogramming needs the owner's and the licensing "
            "authority's leave",
            check.id,
        )


def _identity_reason(visit: Visit, radio: RadioSet, found: str, papers: str) -> str:
    other = next((one.id for one in visit.sets if one.id != radio.id and one.mmsi == found), None)
    if other:
        return f"that is the identity of {other} in this visit file"
    if found == visit.ship.mmsi:
        return "it is the ship's own identity; the set's entry in the visit file says otherwise"
    wrong = [str(place + 1) for place, (one, two) in enumerate(zip(found, papers, strict=False)) if one != two]
    if len(found) == len(papers) and sorted(found) == sorted(papers):
        return f"the same digits in another order (places {enumerate_words(wrong)}): a typing error is likely"
    if len(wrong) <= 2:
        return f"it differs in digit {enumerate_words(wrong)}: a typing error is likely"
    if set(found) <= {"0"} or found.endswith("00000"):
        return "it looks like a default that was never programmed"
    return "wrong or former identity in the set; held against the licence, it is for the authority to put right"


def _position(visit: Visit, check: Check, call: Call) -> Iterator[Conclusion]:
    job = visit.job
    if call.position is None:
        if check.keying and check.keying.call and check.keying.call.format == "distress":
            yield Conclusion(
                "position",
                None,
                "The call carries no position.",
                "all nines mean that the set knows none: look at the navigation receiver's connection",
                check.id,
            )
        return
    shown = format_position(call.position)
    if job.latitude is None or job.longitude is None:
        yield Conclusion(
            "position", None, f"The call says {shown}.", "the visit file does not say where she lies", check.id
        )
        return
    north = abs(call.position.latitude - job.latitude) * 60
    east_degrees = (call.position.longitude - job.longitude + 180) % 360 - 180
    east = abs(east_degrees) * 60
    resolution = call.position.resolution_minutes
    agrees = north <= resolution + BERTH_MINUTES and east <= resolution + BERTH_MINUTES / math.cos(
        math.radians(min(abs(job.latitude), 89.0))
    )
    away = math.hypot(north, east * math.cos(math.radians(job.latitude)))
    yield Conclusion(
        "position",
        agrees,
        f"The call says {shown}; that is {away:.1f} nautical miles from where she lies.",
        f"the field resolves {resolution:g}' and is cut, not rounded"
        + ("" if agrees else "; an old or mistyped position"),
        check.id,
    )


def _time(
    visit: Visit, check: Check, transmission: Transmission, call: Call, inspection: Inspection
) -> Iterator[Conclusion]:
    start = inspection.recording.start_utc
    if call.utc is None or start is None:
        return
    laptop = dt.datetime.fromisoformat(start.replace("Z", "+00:00")) + dt.timedelta(seconds=call.start_s)
    true = laptop - dt.timedelta(seconds=visit.clock.laptop_minus_ship_s if visit.clock else 0)
    hours, minutes = (int(part) for part in call.utc.split(":"))
    late = (true.hour * 60 + true.minute + true.second / 60 - hours * 60 - minutes + 720) % 1440 - 720
    compared = "the ship's UTC" if visit.clock else "the laptop's clock, which was not compared with the ship's UTC"
    agrees = -1.5 <= late <= TIME_MINUTES
    yield Conclusion(
        "time",
        agrees,
        f"The call says {call.utc} UTC; it was sent at {true:%H:%M} by {compared}.",
        "the field holds the time of the position, in whole minutes"
        + ("" if agrees else "; frozen or mistyped, or the set's clock is wrong"),
        check.id,
    )


def _asked_for(check: Check, wanted: CallWanted, transmissions: Sequence[Transmission]) -> Iterator[Conclusion]:
    calls = [call for t in transmissions for call in t.calls]
    if not calls:
        yield Conclusion(
            "call asked for",
            False if transmissions else None,
            f"No {wanted.type} could be read.",
            "nothing was decoded in the keying" if transmissions else "nothing was keyed on that frequency",
            check.id,
        )
        return
    call = calls[0]
    differs = [
        f"{name} is {found or 'missing'}, asked for was {asked}"
        for name, asked, found in (
            ("the format", wanted.format, call.format),
            ("the category", wanted.category, call.category),
            ("the first telecommand", wanted.telecommand_1, call.telecommand_1),
        )
        if asked is not None and found != asked
    ]
    if differs:
        yield Conclusion("call asked for", False, f"It was a {call.type}: {'; '.join(differs)}.", _why(call), check.id)
    else:
        yield Conclusion("call asked for", True, f"It was a {call.type}, as the check asks for.", _why(call), check.id)
    if not call.ordinary_receiver.accepted:
        yield Conclusion(
            "ordinary receiver",
            False,
            "An ordinary receiver would not have taken this call.",
            call.ordinary_receiver.reason,
            check.id,
        )
    if wanted.attempts > 1:
        yield from _attempts(check, wanted.attempts, transmissions)


def _attempts(check: Check, attempts: int, transmissions: Sequence[Transmission]) -> Iterator[Conclusion]:
    for number, transmission in enumerate(t for t in transmissions if t.calls):
        gaps = [call.gap_before_bits for call in transmission.calls if call.gap_before_bits is not None]
        whole = len(transmission.calls) == attempts
        tight = all(gap <= 1 for gap in gaps)
        spread = f"; gaps of up to {max(gaps):.1f} bit" if gaps else ""
        yield Conclusion(
            "distress attempt",
            whole and tight,
            f"Attempt {number + 1}: {len(transmission.calls)} calls in one keying, {attempts} are asked for{spread}.",
            "five consecutive calls without a gap (ITU-R M.541 annex 1, 3.1.3.1)",
            check.id,
        )


def _why(call: Call) -> str:
    return {
        "ok": "the call's own error check fits",
        "failed": "the call's own error check failed",
        "not received": "the call's error check was not received",
        "inferred": "the call's error check was inferred from the rest",
    }[call.error_check]


# -- across a whole visit ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Offset:
    set_id: str
    place: str
    frequency_hz: float
    ppm: float
    whole: float
    """Expanded uncertainty in ppm."""
    terms: dict[str, float]
    """Standard uncertainties in ppm by name."""

    def own(self, others: Sequence[_Offset]) -> float:
        """Expanded uncertainty in ppm without what all these readings share."""
        if not self.terms:
            return self.whole
        return COVERAGE_FACTOR * own_part(self.terms, [one.terms for one in others])


def of_visit(visit: Visit, plan: Plan, ledger: Ledger) -> tuple[Conclusion, ...]:
    """What shows only across checks: whose oscillator, whose programming, whose dongle; low power against high."""
    offsets = list(_offsets(plan, ledger))
    conclusions = [found for radio in visit.sets for found in _one_set(radio, offsets)]
    conclusions += list(_every_set(visit, offsets))
    conclusions += [found for radio in visit.sets for found in _power_steps(plan, ledger, radio)]
    return tuple(conclusions)


def _last_transmission(ledger: Ledger, check: Check) -> Transmission | None:
    tries: tuple[Try, ...] = ledger.of_check(check.id).tries
    found = ledger.transmissions(tries[-1]) if tries else ()
    return found[0] if found else None


def _offsets(plan: Plan, ledger: Ledger) -> Iterator[_Offset]:
    for check in plan.checks:
        transmission = _last_transmission(ledger, check) if check.set_id and check.keying else None
        if transmission is None or check.set_id is None:
            continue
        offset = transmission.reading("carrier offset")
        if offset is None or offset.unit != "Hz":
            continue
        scale = 1e6 / transmission.frequency_hz
        yield _Offset(
            check.set_id,
            f"channel {transmission.channel}" if transmission.channel else f"{transmission.frequency_hz / 1e3:g} kHz",
            transmission.frequency_hz,
            offset.value * scale,
            offset.uncertainty * scale,
            {term.name: term.standard * scale for term in offset.terms},
        )


def _one_set(radio: RadioSet, offsets: Sequence[_Offset]) -> Iterator[Conclusion]:
    mine = [one for one in offsets if one.set_id == radio.id]
    if len({one.frequency_hz for one in mine}) < 2:
        return
    middle = statistics.median(one.ppm for one in mine)
    apart = [one for one in mine if abs(one.ppm - middle) > max(SAME_PPM, one.own(mine))]
    least = min(one.whole for one in mine)
    about = "frequency pattern"
    if not apart and abs(middle) > max(least, NOTEWORTHY_PPM):
        yield Conclusion(
            about,
            None,
            f"{radio.id} is off by the same {middle:+.1f} ppm on all {len(mine)} keyings.",
            "an equal error in ppm everywhere points to the set's reference oscillator (practice); confirm with a "
            "calibrated counter",
        )
    elif not apart:
        yield Conclusion(
            about,
            True,
            f"{radio.id} lies at {middle:+.1f} ppm on all {len(mine)} keyings, known to ±{least:.1f} ppm.",
            "no common offset that would be worth looking for",
        )
    elif len({one.frequency_hz for one in apart}) == 1 and len(mine) >= 3:
        wrong = apart[0]
        yield Conclusion(
            about,
            None,
            f"Only {wrong.place} of {radio.id} is off ({wrong.ppm:+.1f} ppm); the others lie at {middle:+.1f} ppm.",
            "one channel alone points to the channel table or its programming, not to the oscillator (practice)",
        )
    else:
        places = enumerate_words(dict.fromkeys(f"{one.place} {one.ppm:+.1f} ppm" for one in mine))
        yield Conclusion(
            about,
            None,
            f"The channels of {radio.id} do not share one error: {places}.",
            "drift while warming up, or an unlocked synthesizer; repeat after fifteen minutes (practice)",
        )


def _every_set(visit: Visit, offsets: Sequence[_Offset]) -> Iterator[Conclusion]:
    by_set = {
        radio.id: [one for one in offsets if one.set_id == radio.id]
        for radio in visit.sets
        if any(one.set_id == radio.id for one in offsets)
    }
    if len(by_set) < 2:
        return
    middles = {set_id: statistics.median(one.ppm for one in mine) for set_id, mine in by_set.items()}
    own = max(one.own(offsets) for one in offsets)
    middle = statistics.median(middles.values())
    if abs(middle) > max(NOTEWORTHY_PPM, own) and all(
        abs(ppm - middle) <= max(SAME_PPM, own) for ppm in middles.values()
    ):
        yield Conclusion(
            "frequency pattern",
            None,
            f"Every set aboard is off by the same {middle:+.1f} ppm ({enumerate_words(middles)}): suspect the dongle.",
            "sets have oscillators of their own; what they share is the receiver that measured them. Take its "
            "reference again",
        )


def _power_steps(plan: Plan, ledger: Ledger, radio: RadioSet) -> Iterator[Conclusion]:
    levels: dict[Power, list[tuple[Check, Reading]]] = {}
    for check in plan.of_set(radio.id):
        transmission = _last_transmission(ledger, check) if check.keying and check.keying.power else None
        level = transmission.reading("level") if transmission else None
        if level is not None and check.keying is not None and check.keying.power is not None and check.supply == "main":
            levels.setdefault(check.keying.power, []).append((check, level))
    high = levels.get(Power.HIGH, [])
    if not high:
        return
    for check, low in (*levels.get(Power.LOW, ()), *levels.get(Power.AUTOMATIC, ())):
        same = [one for one in high if one[0].keying and check.keying and one[0].keying.channel == check.keying.channel]
        top = (same or high)[0][1]
        ratio = top.value - low.value
        automatic = check.keying is not None and check.keying.power is Power.AUTOMATIC
        fits = 12 <= ratio <= 26 if not automatic else ratio >= 12
        yield Conclusion(
            "power step",
            fits,
            f"{radio.id}, {check.title.split(',')[0]}: {ratio:.1f} dB below high power.",
            "25 W against 1 to 0.1 W is 14 to 24 dB; through the dongle's level alone, so held loosely (practice)",
            check.id,
        )
