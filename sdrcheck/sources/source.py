"""The protocol that every source of samples speaks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class IqBlock:
    """A run of samples exactly as the source gave them.

    `raw` holds I, Q, I, Q … in the numpy type of `datatype` (SigMF's name: cu8, ci8, ci16_le, cf32_le; rf32_le for
    one-channel receiver sound, which has no Q).
    `first_sample` counts complex samples since the source was opened, the lost ones included.
    `frequency_hz` is the centre from this block on, where the source changed it; None means as before.
    """

    raw: NDArray[Any]
    first_sample: int
    datatype: str = "cu8"
    lost_before: int = 0
    frequency_hz: float | None = None

    @property
    def count(self) -> int:
        """Complex samples in this block."""
        return self.raw.size if self.datatype.startswith("r") else self.raw.size // 2


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


@runtime_checkable
class IqSource(Protocol):
    """Anywhere IQ comes from. Opened by its constructor; `close()` from any thread ends `blocks()` within a second."""

    @property
    def facts(self) -> SourceFacts: ...

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the samples in order until they end. Raises SourceLost when the source stops answering."""
        ...

    def close(self) -> None: ...


NUMPY_TYPES: dict[str, np.dtype[Any]] = {
    "cu8": np.dtype(np.uint8),
    "ci8": np.dtype(np.int8),
    "ci16_le": np.dtype("<i2"),
    "cf32_le": np.dtype("<f4"),
    "rf32_le": np.dtype("<f4"),
}
"""Numpy type of one component of each SigMF datatype that we read."""
