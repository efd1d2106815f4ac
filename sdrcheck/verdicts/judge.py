"""The four verdicts: the non-binary rule of ILAC-G8:09/2019, clause 4.2.3, with guard band w = U.

ILAC-G8's own words for the two in the middle are conditional pass and conditional fail; aboard, "conditional" already
means something else, so they are called `pass, not proven` and `fail, not proven`.
"""

from __future__ import annotations

import enum

from sdrcheck.limits.limit import Limit
from sdrcheck.quantities import Measured


class Verdict(enum.StrEnum):
    """How a reading stands against its limit."""

    PASS = "pass"
    PASS_NOT_PROVEN = "pass, not proven"
    FAIL_NOT_PROVEN = "fail, not proven"
    FAIL = "fail"


def judge(found: Measured, limit: Limit) -> Verdict:
    """Pass or fail outright only when the uncertainty interval stays on one side of the limit."""
    if found.unit != limit.unit:
        raise ValueError(f"{limit.quantity} is limited in {limit.unit}, but was measured in {found.unit}")
    margin = min(found.value - limit.low, limit.high - found.value)
    proven = abs(margin) >= found.uncertainty and not limit.doubtful
    if margin >= 0:
        return Verdict.PASS if proven else Verdict.PASS_NOT_PROVEN
    return Verdict.FAIL if proven else Verdict.FAIL_NOT_PROVEN
