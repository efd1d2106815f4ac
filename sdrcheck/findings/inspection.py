"""The result of an inspection, as typed objects; `--json` is these objects and nothing else."""

from __future__ import annotations

import enum
import math
from typing import Any

import msgspec

from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.limits.limit import Limit
from sdrcheck.quantities import Measured

SCHEMA = "sdrcheck.inspection/1"


class Kind(enum.StrEnum):
    """What sort of transmission it was."""

    DSC_CALL = "DSC call"
    NAVTEX = "NAVTEX"
    VOICE = "voice"
    CARRIER = "carrier"
    DATA_BURST = "data burst"
    UNKNOWN = "unknown"


class AppliedLimit(msgspec.Struct, frozen=True, kw_only=True):
    """The limit a reading was held against. An open side is null."""

    low: float | None
    high: float | None
    id: str
    source: str
    standing: str
    mark: str

    @classmethod
    def of(cls, limit: Limit) -> AppliedLimit:
        return cls(
            low=limit.low if math.isfinite(limit.low) else None,
            high=limit.high if math.isfinite(limit.high) else None,
            id=limit.id,
            source=limit.source,
            standing=limit.standing.value,
            mark=limit.mark.value,
        )


class BudgetTerm(msgspec.Struct, frozen=True, kw_only=True):
    """One term of an uncertainty budget: a standard uncertainty in the reading's unit."""

    name: str
    standard: float
    distribution: str


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One measured quantity, its expanded uncertainty (k = 2), and how it stands."""

    quantity: str
    value: float
    unit: str
    uncertainty: float
    limit: AppliedLimit | None = None
    verdict: str | None = None
    """One of verdicts.judge.Verdict, or null where nothing is judged."""
    terms: tuple[BudgetTerm, ...] = ()
    method: str = ""

    @classmethod
    def of(cls, quantity: str, found: Measured, limit: Limit | None = None, verdict: str | None = None) -> Reading:
        return cls(
            quantity=quantity,
            value=found.value,
            unit=found.unit,
            uncertainty=found.uncertainty,
            limit=AppliedLimit.of(limit) if limit else None,
            verdict=verdict,
            terms=tuple(BudgetTerm(name=t.name, standard=t.standard, distribution=t.distribution) for t in found.terms),
            method=found.method,
        )


class Transmission(msgspec.Struct, frozen=True, kw_only=True):
    """One keying (or its piece, where it was very long), and all that is known of it."""

    start_s: float
    duration_s: float
    start_utc: str | None
    frequency_hz: float
    channel: str | None
    leg: str | None
    emission: str
    kind: Kind
    condition: str
    readings: tuple[Reading, ...] = ()
    calls: tuple[Call, ...] = ()
    messages: tuple[Message, ...] = ()
    stray_text: str = ""
    remarks: tuple[str, ...] = ()

    def reading(self, quantity: str) -> Reading | None:
        """The reading of one quantity, or None where there is none."""
        return next((reading for reading in self.readings if reading.quantity == quantity), None)

    def moved(self, by_s: float) -> Transmission:
        """The same transmission on a time axis that starts `by_s` earlier: another recording's."""
        replace = msgspec.structs.replace
        return replace(
            self,
            start_s=self.start_s + by_s,
            calls=tuple(replace(call, start_s=call.start_s + by_s, end_s=call.end_s + by_s) for call in self.calls),
            messages=tuple(replace(one, start_s=one.start_s + by_s, end_s=one.end_s + by_s) for one in self.messages),
        )


class Relation(msgspec.Struct, frozen=True, kw_only=True):
    """Something that shows only across transmissions."""

    kind: str
    between: tuple[int, ...]
    value: float | None
    unit: str | None
    remark: str


class RecordingFacts(msgspec.Struct, frozen=True, kw_only=True):
    """The recording that was inspected."""

    path: str
    sha512: str | None
    hash_matches: bool | None
    sample_rate_hz: float
    centre_frequency_hz: float
    start_utc: str | None
    duration_s: float
    clipped_fraction: float
    lost_samples: int
    remarks: tuple[str, ...] = ()


class ReferenceFacts(msgspec.Struct, frozen=True, kw_only=True):
    """The frequency reference that was applied: δ = (indicated − true)/true in ppm."""

    correction_ppm: float
    uncertainty_ppm: float
    source: str


class Inspection(msgspec.Struct, frozen=True, kw_only=True):
    """Everything found in a recording."""

    schema: str = SCHEMA
    recording: RecordingFacts
    reference: ReferenceFacts
    limit_set: str
    transmissions: tuple[Transmission, ...] = ()
    relations: tuple[Relation, ...] = ()
    remarks: tuple[str, ...] = ()

    def to_json(self) -> bytes:
        """The contract's JSON document, UTF-8, indented."""
        return msgspec.json.format(msgspec.json.encode(self), indent=2)

    @classmethod
    def from_json(cls, text: bytes | str) -> Inspection:
        """Read a saved inspection; raises msgspec.DecodeError where it is none, or damaged."""
        try:
            return msgspec.json.decode(text, type=cls)
        except UnicodeDecodeError:
            raise msgspec.DecodeError("it is not UTF-8 text") from None


def json_schema() -> dict[str, Any]:
    """JSON Schema of the document, made from the types."""
    return msgspec.json.schema(Inspection)
