"""What the lookout tells: a keying has begun, is over, goes on; samples of a text channel; spectra."""

from __future__ import annotations

from dataclasses import dataclass

from sdrcheck.channels.channel import Channel
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.filters.iq import Complex
from sdrcheck.filters.spectrum import Density


@dataclass(frozen=True, slots=True)
class Begun:
    """A transmission that will be told of to its end."""

    number: int
    start_s: float
    centre_hz: float
    channel: Channel | None


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """The next samples of a text channel, for decoders that read as it comes."""

    channel: Channel
    iq: Complex
    sample_rate_hz: float
    start_s: float
    centre_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """A transmission, or the next piece of a very long one."""

    number: int
    excerpt: Excerpt
    occupied_hz: float
    """How wide the signal was when it was found."""
    last: bool = True
    weak: bool = False
    """Found only by its energy over a long time; it counts if it can be read."""
    instead: tuple[Heard, ...] = ()
    """What the ordinary detector made of the same stretch: to be told where the weak one cannot be read."""


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Power densities of consecutive blocks, shape (blocks, bins), lowest bin first; good until the next sighting."""

    start_s: float
    block_s: float
    densities: Density


Sighting = Begun | Samples | Heard | Spectrum
