"""Is this keying the one that a check asks for? The hands-free run says it aloud; filing a recording picks by it."""

from __future__ import annotations

from collections.abc import Sequence

from sdrcheck.channels.plan import frequency_text
from sdrcheck.findings.inspection import Kind, Transmission
from sdrcheck.visits.checks.check import Check, Keying

SHORTEST_S = 1.0
"""A keying shorter than this is a slip of the thumb, where the check asks for a spoken or silent carrier."""


def tolerance_hz(frequency_hz: float) -> float:
    """How far a keying may lie from its frequency and still be meant for it."""
    return 10_000.0 if frequency_hz > 30e6 else 1_000.0


def near(found: Transmission, keying: Keying) -> bool:
    """It lies on the check's frequency, whatever it is."""
    return abs(found.frequency_hz - keying.frequency_hz) <= tolerance_hz(keying.frequency_hz)


def objection(check: Check, found: Transmission) -> str:
    """Why a keying is not the one asked for, as it is said aloud; empty where it is. Power is not looked at here."""
    keying = check.keying
    assert keying is not None
    if not near(found, keying):
        return f"That was {place(found)}. Please {_wanted_place(keying)}."
    if keying.call is None and found.duration_s < max(SHORTEST_S, keying.seconds * 0.8):
        return f"Too short: {found.duration_s:.1f} seconds. Please key {keying.seconds:.0f} seconds."
    if keying.kinds and found.kind not in (*keying.kinds, Kind.UNKNOWN):
        return f"That was {_article(found.kind.value)}. {check.say}"
    if keying.call is not None:
        if not found.calls:
            return "A call was keyed, but could not be read. Please send it again."
        if found.calls[0].type != keying.call.type:
            return f"That was {_article(found.calls[0].type)}. Please send a {keying.call.type}."
    if keying.conditions and found.condition not in (*keying.conditions, "unknown"):
        return f"That was keyed with {_condition(found.condition)}. {check.say}"
    return ""


def places_of(check: Check, transmissions: Sequence[Transmission]) -> tuple[int, ...]:
    """Which transmissions of an inspection belong to a check: those it asks for, else all on its frequency."""
    keying = check.keying
    if keying is None:
        return ()
    fitting = tuple(n for n, found in enumerate(transmissions) if not objection(check, found))
    if keying.call is not None and fitting:
        # what follows on the same frequency is the answer, or the attempt's repeat
        return tuple(
            n for n, found in enumerate(transmissions) if n >= fitting[0] and found.calls and near(found, keying)
        )
    return fitting or tuple(n for n, found in enumerate(transmissions) if near(found, keying))


def place(found: Transmission) -> str:
    """Where a keying lay, as one says it."""
    return f"channel {found.channel}" if found.channel else frequency_text(found.frequency_hz)


def _wanted_place(keying: Keying) -> str:
    if keying.channel and keying.frequency_hz > 30e6:
        return f"switch to channel {keying.channel}"
    return f"tune to {frequency_text(keying.frequency_hz)}"


def _article(words: str) -> str:
    return f"an {words}" if words[:1].lower() in "aeiou" else f"a {words}"


def _condition(condition: str) -> str:
    return {"unmodulated": "no modulation", "speech": "speech", "one tone": "a tone"}.get(condition, condition)
