"""The filtered IQ of one transmission: where measurements and decoders both start."""

from __future__ import annotations

from dataclasses import dataclass, field

from sdrcheck.channels.channel import Channel
from sdrcheck.filters.iq import Complex


@dataclass(frozen=True, slots=True, eq=False)
class Opening:
    """The samples about a key-on in a filter wider than the channel's, on the same centre."""

    iq: Complex
    sample_rate_hz: float
    key_on: int
    """Index in `iq` where the channel's own filter saw the transmission begin."""
    half_width_hz: float
    """So far to either side of the centre it sees."""


@dataclass(frozen=True, slots=True, eq=False)
class Excerpt:
    """One transmission in its channel's filter, with some of the quiet before and after it.

    `iq` is complex64, full scale 1.0, 0 Hz being `centre_hz` as the receiver indicated it (no reference correction is
    applied here). VHF telephony and calls come at 40 to 64 kS/s, flat to ±11 kHz; F1B at 1 to 4 kS/s, flat to ±400 Hz;
    J3E at 8 to 16 kS/s, flat from −500 Hz to +4 kHz about the carrier frequency.
    """

    iq: Complex
    sample_rate_hz: float
    centre_hz: float
    start_s: float
    """Time of `iq[0]` from the start of the recording, by the indicated sample clock."""
    key_on: int
    """Index in `iq` where the transmission rises out of the noise."""
    key_off: int
    """Index in `iq` just after its end."""
    noise_density: float
    """Noise power per hertz beside the transmission, full scale squared per hertz."""
    channel: Channel | None = None
    """The channel it lies on; None where it lies off the plan."""
    cut_at_start: bool = False
    """The transmission was already on the air when the samples began (or this is not its first piece)."""
    cut_at_end: bool = False
    clipped_fraction: float = 0.0
    lost: tuple[tuple[int, int], ...] = ()
    """Places (index in `iq`) and lengths (in samples of `iq`) of lost samples; they are filled with zeros."""
    edge_uncertainty_s: float = 0.001
    """How well `key_on` and `key_off` are known; a weak call found by its content has wide ones."""
    opening: Opening | None = None
    """Of an FM channel, where its key-on was followed."""
    remarks: tuple[str, ...] = field(default=())
    """Sentences about the surroundings that a technician should read (image suspected, neighbour strong, …)."""

    @property
    def keyed(self) -> Complex:
        """The samples between key-on and key-off."""
        return self.iq[self.key_on : self.key_off]

    @property
    def duration_s(self) -> float:
        return (self.key_off - self.key_on) / self.sample_rate_hz

    @property
    def key_on_s(self) -> float:
        """Time of key-on from the start of the recording."""
        return self.start_s + self.key_on / self.sample_rate_hz


@dataclass(frozen=True, slots=True, eq=False)
class BitTrack:
    """The bits of one call or text as the decoder placed them, for the measurements that need to know them.

    Bit k is on the air from `first_bit_s` + k / `rate_bd` (seconds from `Excerpt.iq[0]`). In
    `bits` 1 = Y and 0 = B, as the calling standard counts (for navigational text 1 = B); `one_is` says which.
    """

    bits: tuple[int, ...]
    first_bit_s: float
    rate_bd: float
    offset_hz: float
    """Carrier (or centre) offset from `Excerpt.centre_hz` that the decoder settled on, for a start."""
    one_is: str = "Y"
    inverted: bool = False
    """The two tones were exchanged on the air; `bits` are given as they were meant."""
