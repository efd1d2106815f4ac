"""Which limits are judged together, and which of several judges a reading.

A set is chosen by name. Of the limits in it that fit a reading, one made for its channel judges before the rest, then
one that somebody's declaration called for; among equals the weightiest standing judges: survey item, regulation, type
test, service advice (a set may turn that order round). The others are kept by `applicable`, so that nothing is hidden:
±1.5 kHz of the type test stays visible beside the regulation's 10 ppm.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from sdrcheck.channels.channel import Channel, Emission, Leg
from sdrcheck.limits import (
    en_300_162,
    en_300_338,
    imo_a803,
    imo_a805,
    imo_a806,
    itu_m489,
    itu_m493,
    itu_m540,
    itu_m1084,
    japan_2026,
    practice,
    rr_appendix_2,
    usa_2026,
)
from sdrcheck.limits.limit import Declared, Limit, Standing

_SURVEY, _RULE, _TYPE, _ADVICE = (
    Standing.SURVEY_ITEM,
    Standing.REGULATION,
    Standing.TYPE_TEST,
    Standing.SERVICE_ADVICE,
)
REGULATION_FIRST = (_SURVEY, _RULE, _TYPE, _ADVICE)
TYPE_TEST_FIRST = (_TYPE, _SURVEY, _RULE, _ADVICE)


@dataclass(frozen=True, slots=True)
class LimitSet:
    """Limits that are judged together. `order` says which standing judges first; others are left out."""

    name: str
    title: str
    limits: tuple[Limit, ...]
    order: tuple[Standing, ...] = REGULATION_FIRST


def _only(limits: tuple[Limit, ...], *ids: str) -> tuple[Limit, ...]:
    return tuple(limit for limit in limits if limit.id in ids)


_INTERNATIONAL = (
    *rr_appendix_2.LIMITS,
    *itu_m489.LIMITS,
    *itu_m493.LIMITS,
    *itu_m540.LIMITS,
    *imo_a803.LIMITS,
    *imo_a806.LIMITS,
    *imo_a805.LIMITS,
)
_TYPE_TEST = (*en_300_162.LIMITS, *en_300_338.LIMITS)
_SUPPRESSED_CARRIER = _only(usa_2026.LIMITS, "F17")

_SETS = (
    LimitSet(
        "marine",
        "international rules (RR, ITU-R, IMO); where they are silent, type-test figures of EN and service advice",
        (*_INTERNATIONAL, *_SUPPRESSED_CARRIER, *_TYPE_TEST, *practice.LIMITS),
    ),
    LimitSet(
        "regulation",
        "international rules only; no type-test figures, no advice",
        (*_INTERNATIONAL, *_SUPPRESSED_CARRIER),
        (_SURVEY, _RULE),
    ),
    LimitSet(
        "type-test",
        "type-test figures of EN first, for a set approved to them; international rules where EN is silent",
        (*_INTERNATIONAL, *_SUPPRESSED_CARRIER, *_TYPE_TEST, *practice.LIMITS),
        TYPE_TEST_FIRST,
    ),
    LimitSet(
        "usa",
        "47 CFR Part 80, and international rules where it carries the same",
        (
            *usa_2026.LIMITS,
            *rr_appendix_2.LIMITS,
            *_only(itu_m489.LIMITS, "V11"),
            *itu_m493.LIMITS,
            *itu_m540.LIMITS,
            *imo_a805.LIMITS,
            *_only(imo_a803.LIMITS, "V07", "V05, ceiling"),
            *_only(imo_a806.LIMITS, "F07, B", "F07, Y"),
        ),
        (_SURVEY, _RULE, _ADVICE),
    ),
    LimitSet(
        "japan",
        "Japan, Radio Equipment Regulations of April 2026, and international rules where they carry the same",
        (
            *japan_2026.LIMITS,
            *rr_appendix_2.LIMITS,
            *_only(itu_m489.LIMITS, "V11"),
            *itu_m493.LIMITS,
            *itu_m540.LIMITS,
            *imo_a805.LIMITS,
            *_only(imo_a803.LIMITS, "V05", "V10", "V05, ceiling"),
            *imo_a806.LIMITS,
        ),
        (_SURVEY, _RULE),
    ),
    LimitSet(
        "narrow",
        "VHF telephony on 12.5 kHz channels (Rec. ITU-R M.1084); power, hum and calls as on 25 kHz",
        (
            *itu_m1084.LIMITS,
            *itu_m493.LIMITS,
            *imo_a803.LIMITS,
            *imo_a805.LIMITS,
            *_only(en_300_162.LIMITS, "V24"),
        ),
    ),
)

LIMIT_SETS: dict[str, LimitSet] = {limit_set.name: limit_set for limit_set in _SETS}
"""The named sets, the default first."""

DEFAULT = "marine"


def every_limit() -> tuple[Limit, ...]:
    """Every limit in any set, once."""
    return tuple(dict.fromkeys(limit for limit_set in _SETS for limit in limit_set.limits))


def limit_set(name: str) -> LimitSet:
    """The set of that name; raises ValueError naming those there are."""
    if name not in LIMIT_SETS:
        raise ValueError(f"there is no limit set {name!r}; there are {', '.join(LIMIT_SETS)}")
    return LIMIT_SETS[name]


def choose(
    set_name: str,
    quantity: str,
    emission: str,
    condition: str,
    channel: Channel | None,
    tone_source: str | None,
    declared: Collection[Declared] = (),
) -> Limit | None:
    """The limit that judges a reading, or None where nothing in the set can be held against it."""
    return next(iter(applicable(set_name, quantity, emission, condition, channel, tone_source, declared)), None)


def applicable(
    set_name: str,
    quantity: str,
    emission: str,
    condition: str,
    channel: Channel | None,
    tone_source: str | None,
    declared: Collection[Declared] = (),
) -> tuple[Limit, ...]:
    """Every limit of the set that fits a reading, the one that judges first.

    `tone_source` is "electrical", "acoustic" or None for not declared. An unmodulated carrier is judged as what its
    channel is for. A tolerance in ppm is turned into hertz, and one in hertz into ppm, by the channel's frequency.
    """
    chosen = limit_set(set_name)
    said = {*declared, *((Declared.ELECTRICAL_TONE,) if tone_source == "electrical" else ())}
    if channel is not None and emission in (Emission.N0N, Emission.UNKNOWN):
        emission = channel.emission
    from_ashore = channel is not None and (channel.leg is Leg.COAST or channel.text)
    fitting = []
    for limit in chosen.limits:
        converted = _in_the_unit_of(quantity, limit, channel)
        if (
            converted is not None
            and limit.standing in chosen.order
            and (not limit.emissions or emission in limit.emissions)
            and (not limit.conditions or condition in limit.conditions)
            and (not limit.channels or (channel is not None and channel.name in limit.channels))
            and said.issuperset(limit.needs)
            and not (limit.ship_only and from_ashore)
        ):
            fitting.append(converted)
    return tuple(sorted(fitting, key=lambda limit: _rank(limit, chosen)))


def _rank(limit: Limit, chosen: LimitSet) -> tuple[bool, bool, int]:
    called_for = any(need is not Declared.ELECTRICAL_TONE for need in limit.needs)
    return (not limit.channels, not called_for, chosen.order.index(limit.standing))


def _in_the_unit_of(quantity: str, limit: Limit, channel: Channel | None) -> Limit | None:
    """The limit as one of `quantity`, or None where it is of something else."""
    if limit.quantity == quantity:
        return limit
    if channel is None or {limit.quantity, quantity} != {"carrier offset", "carrier offset, relative"}:
        return None
    ppm_of_hz = 1e6 / channel.frequency_hz
    factor, unit = (1 / ppm_of_hz, "Hz") if quantity == "carrier offset" else (ppm_of_hz, "ppm")
    return replace(limit, quantity=quantity, unit=unit, low=limit.low * factor, high=limit.high * factor)
