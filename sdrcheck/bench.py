"""The bench: one streaming engine from a source's blocks to findings. It yields events, prints nothing and knows no Qt.

A recording and a dongle go through the same `run`; `collect` gathers the events of one run into an `Inspection`.
Events are frozen and their arrays are never reused, so they may be handed to another thread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels.channel import Channel
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.findings.assembly import Judging
from sdrcheck.findings.inspection import RecordingFacts, ReferenceFacts, Transmission


@dataclass(frozen=True, slots=True)
class Settings(Judging):
    """How one run of the engine goes; what it inherits says how findings are corrected and judged."""

    frames_per_s: float = 10.0
    """Spectrum frames a second of air; 0 for none."""
    frame_bins: int = 1024
    """Most bins a spectrum frame has."""
    channels: tuple[Channel, ...] | None = None
    """Watch only these; None watches the whole span, on and off the plan."""


@dataclass(frozen=True, slots=True, eq=False)
class SpectrumFrame:
    """The whole span's power, averaged over one stretch of time. Frames may be skipped; results may not."""

    start_s: float
    """Time of its first sample from the start of the recording, by the indicated sample clock."""
    duration_s: float
    low_hz: float
    """Frequency of the first bin."""
    step_hz: float
    """From one bin to the next, upwards."""
    power_dbfs: NDArray[np.float32]
    """Power in each bin in dB of full scale; empty bins read −200."""
    clipped_fraction: float = 0.0
    lost_samples: int = 0
    """Samples lost since the frame before."""


@dataclass(frozen=True, slots=True)
class TransmissionStarted:
    """A channel was keyed. `number` is the same in all events of one transmission."""

    number: int
    start_s: float
    frequency_hz: float
    channel: Channel | None


@dataclass(frozen=True, slots=True)
class CharactersArrived:
    """Text that came in while the transmission goes on."""

    number: int
    time_s: float
    channel: Channel | None
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class TransmissionEnded:
    """A transmission is over, measured, decoded and judged. The excerpt holds at most its first 60 s."""

    number: int
    transmission: Transmission
    excerpt: Excerpt


@dataclass(frozen=True, slots=True)
class SourceFault:
    """Something is wrong with the samples: some were lost, or they stopped coming. Findings so far stay whole."""

    time_s: float
    sentence: str
    lost_samples: int = 0
    stopped: bool = False
    """No more samples come; `Finished` follows."""


@dataclass(frozen=True, slots=True)
class Finished:
    """The last event of every run."""

    recording: RecordingFacts
    reference: ReferenceFacts
    limit_set: str
    remarks: tuple[str, ...] = ()


Event = SpectrumFrame | TransmissionStarted | CharactersArrived | TransmissionEnded | SourceFault | Finished
