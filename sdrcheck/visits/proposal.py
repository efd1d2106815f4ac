"""What the tool proposes for a check. It proposes and gives its reasons; the outcome is a person's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sdrcheck.findings.inspection import Reading, Transmission
from sdrcheck.findings.wording import enumerate_words, format_limit, format_reading
from sdrcheck.limits.limit import Standing
from sdrcheck.verdicts.judge import Verdict
from sdrcheck.visits.checks.check import Check, How
from sdrcheck.visits.papers_check import Conclusion
from sdrcheck.visits.results import CheckState

HEADING = (Standing.SURVEY_ITEM.value, Standing.REGULATION.value)
"""Standings that may weigh on an outcome; a type-test figure missed on the quay is advice."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """One of the outcome's words, or empty where nothing can be proposed."""

    outcome: str
    reasons: tuple[str, ...]

    @property
    def sentence(self) -> str:
        reasons = "; ".join(self.reasons)
        if not self.outcome:
            return f"no proposal: {reasons}"
        return f"{self.outcome}: {reasons}" if reasons else self.outcome


def propose(
    check: Check, state: CheckState, transmissions: Sequence[Transmission], conclusions: Sequence[Conclusion]
) -> Proposal:
    """Propose an outcome from the last try's transmissions, what was seen, and what the papers say."""
    against = [found.sentence for found in conclusions if found.agrees is False]
    if check.how is How.SEEN:
        if not state.seen:
            return Proposal("", ("nobody has looked yet",))
        last = state.seen[-1]
        return Proposal("satisfactory" if last.as_it_should else "deficient", (last.note,) if last.note else ())
    if check.how is How.METERED:
        if not state.meters:
            return Proposal("", ("no meter reading yet",))
        return Proposal("", ("a meter's reading is held against its limit by the person who took it",))
    if not state.tries:
        return Proposal("", ("not recorded yet",))
    if not transmissions:
        return Proposal("", ("the last try holds no keying that fits the check",))
    judged = [r for t in transmissions for r in t.readings if r.verdict and r.limit]
    weighty = [r for r in judged if r.limit and r.limit.standing in HEADING]
    advice = [r for r in judged if r.limit and r.limit.standing not in HEADING]
    failed = telling([one for one in weighty if one.verdict == Verdict.FAIL])
    unproven = telling([one for one in weighty if one.verdict in (Verdict.PASS_NOT_PROVEN, Verdict.FAIL_NOT_PROVEN)])
    missed = telling([one for one in advice if one.verdict == Verdict.FAIL])
    if failed or against:
        return Proposal("deficient", (*(_said(one) for one in failed), *against))
    if unproven:
        said = [f"{_said(one)} is {one.verdict}" for one in unproven]
        return Proposal("", (*said, "use a calibrated instrument"))
    if not weighty and check.keying is not None and check.keying.call is None:
        reasons = tuple(f"advice: {_said(one)}" for one in missed)
        return Proposal("", (*reasons, "no reading of the weight of a survey item or regulation could be judged"))
    inside = enumerate_words(dict.fromkeys(one.quantity for one in weighty))
    reasons = (f"{inside} inside the limits",) if inside else ("the call agrees with the papers and the check",)
    return Proposal("satisfactory", (*reasons, *(f"advice: {_said(one)}" for one in missed)))


def telling(readings: Sequence[Reading]) -> list[Reading]:
    """Readings without those that tell the same finding a second time, in other units or line by line."""
    names = {reading.quantity for reading in readings}
    doubles = {"carrier offset, relative", "line B offset", "line Y offset"} if "carrier offset" in names else set()
    doubles |= {"modulation rate"} if "modulation rate error" in names else set()
    return [reading for reading in readings if reading.quantity not in doubles]


def _said(reading: Reading) -> str:
    limit = format_limit(reading.limit, reading.unit)
    return f"{reading.quantity} {format_reading(reading)} (limit {limit})"
