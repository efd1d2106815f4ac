"""The protocol that every source of samples speaks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

from numpy.typing import NDArray

from sdrcheck.recordings.datatypes import NUMPY_TYPES, components
from sdrcheck.recordings.facts import ReceptionFacts

__all__ = ["NUMPY_TYPES", "IqBlock", "IqSource", "SourceFacts", "Tuning"]


@dataclass(frozen=True, slots=True, eq=False)
class IqBlock:
    """A run of samples exactly as the source gave them.

    `raw` holds I, Q, I, Q … in the numpy type of `datatype` (SigMF's name: cu8, ci8, ci16_le, cf32_le; ri16_le or
    rf32_le for one-channel receiver sound, which has no Q).
    `first_sample` counts complex samples since the source was opened, the lost ones included.
    `frequency_hz` is the centre from this block on, where the source changed it; None means as before.
    """

    raw: NDArray[Any]
    first_sample: int
    datatype: str = "cu8"
    lost_before: int = 0
    frequency_hz: float | None = None
    lost_within: int = 0
    """Where the loss was found only by the clock: it lies somewhere in this many samples before the block, or at 0
    just before it."""
    start_utc: str | None = None
    """RFC 3339 of the first sample, where a recording states it anew."""
    prompt: bool = False
    """It came as soon as any did: nothing before its end is missing that was not told."""

    @property
    def count(self) -> int:
        """Complex samples in this block."""
        return self.raw.size // components(self.datatype)


@dataclass(frozen=True, slots=True)
class SourceFacts:
    """What a source knows of itself when it is opened."""

    name: str
    sample_rate_hz: float
    centre_hz: float
    datatype: str
    start_utc: str | None = None
    """RFC 3339 of the first sample, as the host's clock had it."""
    sample_count: int | None = None
    """Complex samples to come, where that is known (a recording)."""
    serial: str | None = None
    gain_db: float | None = None
    frequency_step_hz: float = 0.0
    """The tuner's synthesis step: the true centre lies within ± half of it of the requested one."""
    audio: bool = False
    """Receiver sound on upper sideband: one channel, 0 Hz is the dial frequency `centre_hz`."""
    host_utc_error_s: float | None = None
    told_late_s: float = 0.0
    """How long after a loss of samples it may come out at the latest."""
    remarks: tuple[str, ...] = ()
    """Plain sentences about this source that belong into every result."""

    def reception(self) -> ReceptionFacts:
        """What of this belongs beside the samples in a recording."""
        return ReceptionFacts(
            gain_db=self.gain_db,
            serial=self.serial,
            frequency_step_hz=self.frequency_step_hz or None,
            host_utc_error_s=self.host_utc_error_s,
            receiver_sound=self.audio or None,
            remarks=self.remarks,
        )


@runtime_checkable
class IqSource(Protocol):
    """Anywhere IQ comes from. Opened by its constructor; `close()` from any thread ends `blocks()` within a second."""

    @property
    def facts(self) -> SourceFacts: ...

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the samples in order until they end. Raises SourceLost when the source stops answering."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Tuning:
    """What a person wants of a source; None leaves it to the source, and each takes what it can use."""

    centre_hz: float | None = None
    sample_rate_hz: float | None = None
    gain_db: float | None = None
    speed: float | None = 1.0
    """How fast a recording plays, 1 as it was; None is as fast as it is read."""
    iq: bool = False
    """Two channels of sound are I and Q."""
    computed_centre: bool = False
    """Take the dongle's centre from the tuner's arithmetic instead of from what was asked for."""
