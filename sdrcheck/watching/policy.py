"""What a watch keeps: which channels and kinds, whose calls, how much disk."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import msgspec

from sdrcheck.evidence.masking import Mask
from sdrcheck.findings.inspection import Kind, Transmission

KINDS = {"calls": Kind.DSC_CALL, "messages": Kind.NAVTEX, "voice": Kind.VOICE}


@dataclass(frozen=True, slots=True)
class Policy:
    """Rules of one watch."""

    only: str | None = None
    """`calls`, `messages` or `voice`; None keeps every kind."""
    own: frozenset[str] = frozenset()
    """Identities of the sets under test."""
    others: bool = False
    """Keep other stations' calls too; without it they are counted, masked and let go."""
    before_s: float = 2.0
    after_s: float = 0.5
    budget_bytes: int = 10_000_000_000
    longest_s: float = 900.0
    """No more of one keying is kept: longer than any text slot, shorter than a stuck key takes to fill a disk."""

    def wants(self, found: Transmission) -> bool:
        """Whether a transmission is of a kind that is kept, and not somebody else's business."""
        if self.only is not None and found.kind is not KINDS[self.only]:
            return False
        if found.kind is Kind.DATA_BURST:
            return self.others
        return self.others or not self.strangers_only(found)

    def strangers_only(self, found: Transmission) -> bool:
        """All calls in it are between other stations. One that did not come whole is not known to be."""
        return bool(found.calls) and all(
            call.error_check in ("ok", "inferred") and not self.concerns_own(call_identities(call))
            for call in found.calls
        )

    def shown(self, found: Transmission) -> Transmission:
        """What may be written down of it: calls that name no own identity, broken ones among them, are masked."""
        masked_one = Mask(self.own, off=self.others).transmission(found)
        calls = (
            call if self.concerns_own(call_identities(call)) else hidden
            for call, hidden in zip(found.calls, masked_one.calls, strict=True)
        )
        return msgspec.structs.replace(masked_one, calls=tuple(calls))

    def concerns_own(self, identities: Iterable[str]) -> bool:
        return any(identity in self.own for identity in identities)


def call_identities(call: object) -> tuple[str, ...]:
    """Every identity that a call names."""
    named = (getattr(call, name, None) for name in ("self_id", "address", "distress_id"))
    return tuple(identity for identity in named if isinstance(identity, str))


def masked(identity: str) -> str:
    """An identity that is not ours to show: its country code stays, the rest does not."""
    return identity[:3] + "x" * max(len(identity) - 3, 0)
