"""What is to be said beside a verdict: limits that would have said otherwise, and what no reading here can prove."""

from __future__ import annotations

import math

from sdrcheck.limits.limit import Limit
from sdrcheck.quantities import Measured
from sdrcheck.verdicts.judge import Verdict, judge

_PASSING = (Verdict.PASS, Verdict.PASS_NOT_PROVEN)


def dissent(found: Measured, limits: tuple[Limit, ...]) -> tuple[str, ...]:
    """A sentence for each further limit that puts the value on the other side than the first, which judges.

    And one more where the uncertainty is wider than the first limit's span, so that no pass can ever be proven.
    """
    if not limits:
        return ()
    first, *others = limits
    passes = judge(found, first) in _PASSING
    return _beyond_proof(found, first) + tuple(
        f"The {first.quantity} of {found.value:+.6g} {found.unit} lies {_side(passes)} {_span(first)} "
        f"({first.standing}, {first.id}), but {_side(not passes)} {_span(other)} ({other.standing}, {other.id})."
        for other in others
        if (judge(found, other) in _PASSING) is not passes
    )


def _beyond_proof(found: Measured, limit: Limit) -> tuple[str, ...]:
    span = limit.high - limit.low
    if found.uncertainty <= span / 2 or judge(found, limit) is Verdict.FAIL:
        return ()
    largest = max(found.terms, key=lambda term: term.standard)
    known = float(f"{found.uncertainty:.1e}")
    return (
        f"The {limit.quantity} is known to ±{known:g} {found.unit} only, and the limit is {_span(limit)}: "
        f"no pass can be proven, whatever the value. What weighs most is the {largest.name}.",
    )


def _side(passes: bool) -> str:
    return "inside" if passes else "outside"


def _span(limit: Limit) -> str:
    if math.isinf(limit.low):
        return f"at most {limit.high:.6g} {limit.unit}"
    if math.isinf(limit.high):
        return f"at least {limit.low:.6g} {limit.unit}"
    if limit.low == -limit.high:
        return f"±{limit.high:.6g} {limit.unit}"
    return f"{limit.low:.6g} to {limit.high:.6g} {limit.unit}"
