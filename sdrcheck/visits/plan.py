"""From the ship's sets and sea areas to the checks that apply, in working order.

Nothing here pretends to be the statutory list: `Plan.not_covered` says what only calibrated instruments and the
surveyor can do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from sdrcheck.channels import plan as channel_plan
from sdrcheck.errors import VisitError
from sdrcheck.limits import sets as limit_sets
from sdrcheck.limits.limit import Declared, Limit
from sdrcheck.visits.checks import appliances, mf_hf, text_receiver, vhf, whole_ship
from sdrcheck.visits.checks.check import Check, How, Keying, Power
from sdrcheck.visits.ship import RadioSet, SetKind, Visit

_CHECKS_OF: dict[SetKind, Callable[[RadioSet], Iterator[Check]]] = {
    SetKind.VHF: vhf.checks,
    SetKind.VHF_DSC: vhf.checks,
    SetKind.MF_DSC: mf_hf.checks,
    SetKind.MF_HF_DSC: mf_hf.checks,
    SetKind.NAVTEX: text_receiver.checks,
    SetKind.PORTABLE_VHF: appliances.checks,
    SetKind.SART: appliances.checks,
    SetKind.EPIRB: appliances.checks,
}


@dataclass(frozen=True, slots=True)
class Plan:
    """The checks of one visit, in working order."""

    checks: tuple[Check, ...]
    not_covered: tuple[str, ...]
    remarks: tuple[str, ...] = ()

    def check(self, check_id: str) -> Check:
        """The check of that name; raises VisitError naming near ones."""
        found = next((check for check in self.checks if check.id == check_id), None)
        if found is None:
            near = [check.id for check in self.checks if check_id.split("/")[0] in check.id] or [
                check.id for check in self.checks
            ]
            raise VisitError(f"there is no check {check_id!r} in this visit; there are: {', '.join(near[:20])}")
        return found

    def of_set(self, set_id: str) -> tuple[Check, ...]:
        """The checks of one set, in working order."""
        return tuple(check for check in self.checks if check.set_id == set_id)

    def spoken(self, set_id: str) -> tuple[Check, ...]:
        """The keyings of one set that a hands-free run goes through."""
        return tuple(check for check in self.of_set(set_id) if check.say and check.how is How.MEASURED)


def make(visit: Visit) -> Plan:
    """Make the plan of a visit; raises VisitError where a set names a channel that is on no plan."""
    if visit.job.limit_set not in limit_sets.LIMIT_SETS:
        known = ", ".join(limit_sets.LIMIT_SETS)
        raise VisitError(f"job.limit_set: there is no limit set {visit.job.limit_set!r}; there are {known}")
    checks = list(whole_ship.checks())
    for radio in visit.sets:
        checks.extend(_CHECKS_OF[radio.kind](radio))
    ordered = sorted(checks, key=lambda check: check.stage)  # stable: within a stage, set by set as the file has them
    return Plan(
        checks=tuple(replace(check, limits=limits_of(check, visit.job.limit_set)) for check in ordered),
        not_covered=whole_ship.NOT_COVERED,
        remarks=tuple(_missing(visit)),
    )


def limits_of(check: Check, limit_set: str) -> tuple[Limit, ...]:
    """What the quantities of a check are held against, whatever way the test tone will come in."""
    if check.keying is None:
        return ()
    keying = check.keying
    channel = channel_plan.channel_at(keying.frequency_hz)
    emission = channel.emission.value if channel else "unknown"
    conditions = (keying.conditions or (("call",) if keying.call else ("message",)))[:1]
    found = (
        limit_sets.choose(limit_set, quantity, emission, condition, channel, "electrical", declared_by(keying))
        for quantity in check.quantities
        for condition in conditions
    )
    return tuple(dict.fromkeys(limit for limit in found if limit is not None))


def declared_by(keying: Keying) -> frozenset[Declared]:
    """What a check declares of the keying it asks for."""
    power = {Power.HIGH: Declared.HIGH_POWER, Power.LOW: Declared.LOW_POWER}
    return frozenset({power[keying.power]} if keying.power in power else ())


def _missing(visit: Visit) -> Iterator[str]:
    kinds = {radio.kind for radio in visit.sets}
    areas = set(visit.ship.sea_areas)
    if not areas:
        yield "No sea areas are given, so whether a set is missing cannot be said."
    if areas and SetKind.VHF_DSC not in kinds:
        yield "No VHF set with selective calling is listed, and every sea area asks for one."
    if areas & {"A2", "A3", "A4"} and not kinds & {SetKind.MF_DSC, SetKind.MF_HF_DSC}:
        yield "No MF set is listed, and sea area A2 asks for one (beyond A2 a satellite set may stand beside it)."
    if "A4" in areas and SetKind.MF_HF_DSC not in kinds:
        yield "No MF/HF set is listed, and sea area A4 asks for one."
    if areas and SetKind.NAVTEX not in kinds:
        yield "No NAVTEX receiver is listed."
    if not visit.sets:
        yield "No sets are listed, so only the checks of the ship as a whole are planned."
