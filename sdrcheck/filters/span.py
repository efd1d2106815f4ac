"""The span that is received: which channels of the plan lie in it, and which slot a signal in it is given."""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.filters import channeliser as bank
from sdrcheck.filters import keying
from sdrcheck.filters.bands import MF_HF, VHF, Band
from sdrcheck.filters.channeliser import Passband
from sdrcheck.filters.track import Slot

Marks = NDArray[np.bool_]

BESIDE_HZ = 600.0
"""Narrow channels no further apart than this lie in each other's filters; on the plan neighbours are 500 Hz apart."""
_EDGE_OF_SPAN = 0.07
"""The outermost part of the span on either side: filters fall off there, and off the plan nothing is looked for."""
_LOWEST_SOUND_HZ = 100.0
_LEAST_SOUND_RATE_HZ = 5_000.0
"""Faster than any excerpt of two lines, so that nobody takes what is wide for one."""
_SOUND_PIECE_S = 900.0
"""Two lines in receiver sound have no reader that follows them: a whole slot is kept, a few megabytes at such rates."""
_TWO_LINES_HZ = 1_200.0
_DIAL_HZ = 100.0
"""A dial so near to the carrier of a telephony channel stands on it."""
_SPEECH_LOW_HZ, _SPEECH_HIGH_HZ = 350.0, 2_700.0
"""What a receiver lets through on a telephony channel (JP-RER art. 56(1)): hum lies below."""


class Span:
    """One centre frequency at one sample rate; offsets are from the centre, by the receiver's own reckoning."""

    def __init__(
        self,
        sample_rate_hz: float,
        centre_hz: float,
        *,
        audio: bool,
        correction_ppm: float,
        channels: tuple[Channel, ...] | None,
    ) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.centre_hz = centre_hz
        self._audio = audio
        self._scale = 1 + correction_ppm * 1e-6
        self._wanted = None if channels is None else {channel.frequency_hz for channel in channels}
        self.low_hz, self.high_hz = (0.0, sample_rate_hz / 2) if audio else (-sample_rate_hz / 2, sample_rate_hz / 2)
        self.dial = self._telephony_at_dial() if audio else None
        """The telephony channel whose sound this is."""
        self.channels = self._channels_in_span() if self.dial is None else (self.dial,)
        self.band = self._band()

    def offset_of(self, channel: Channel) -> float:
        """Where a channel lies in the span, in hertz from its centre."""
        return channel.frequency_hz * self._scale - self.centre_hz

    def _telephony_at_dial(self) -> Channel | None:
        """The telephony channel on whose carrier the dial of a receiver stands."""
        at_dial = plan.within((self.centre_hz - _DIAL_HZ) / self._scale, (self.centre_hz + _DIAL_HZ) / self._scale)
        return next((channel for channel in at_dial if channel.emission is Emission.J3E), None)

    def _channels_in_span(self) -> tuple[Channel, ...]:
        if self.centre_hz <= 0 and not self._audio:
            return ()
        found = plan.within((self.centre_hz + self.low_hz) / self._scale, (self.centre_hz + self.high_hz) / self._scale)
        inside = []
        for channel in found:
            low, high = (-200.0, 200.0) if channel.spacing_hz < 3000 else (-8000.0, 8000.0)
            if channel.emission is Emission.J3E:
                low, high = 0.0, 2700.0
            offset = self.offset_of(channel)
            if offset + low >= self.low_hz and offset + high <= self.high_hz:
                inside.append(channel)
        return tuple(inside)

    def _band(self) -> Band:
        below = any(channel.frequency_hz < 30e6 for channel in self.channels)
        return MF_HF if self._audio or below or (self.centre_hz < 30e6 and self.sample_rate_hz < 100e3) else VHF

    def channel_at(self, offset_hz: float) -> Channel | None:
        """The channel of the plan at an offset, if any."""
        if self.centre_hz <= 0 and not self._audio:
            return None
        return plan.channel_at((self.centre_hz + offset_hz) / self._scale)

    def neighbours(self, low_hz: float, high_hz: float) -> list[tuple[float, float]]:
        """Pairs of F1B channels beside each other on the plan, where their common border lies between two offsets."""
        places = [self.offset_of(channel) for channel in self.channels if channel.emission is Emission.F1B]
        return [
            (below, above)
            for below, above in itertools.pairwise(places)
            if above - below <= BESIDE_HZ and low_hz < (below + above) / 2 < high_hz
        ]

    def away_from_edges(self, places_hz: NDArray[np.float64]) -> Marks:
        """Mark the places where something may begin: not at the edges of the span, unless a channel lies there."""
        if self.dial is not None:
            within: Marks = (places_hz > _SPEECH_LOW_HZ) & (places_hz < _SPEECH_HIGH_HZ)
            return within
        edge_hz = _EDGE_OF_SPAN * self.sample_rate_hz
        low_hz = _LOWEST_SOUND_HZ if self._audio else self.low_hz + edge_hz
        looked_at: Marks = (places_hz > low_hz) & (places_hz < self.high_hz - edge_hz)
        for channel in self.channels:
            low, high = (edge * self._scale - self.centre_hz for edge in plan.occupied_hz(channel))
            looked_at = looked_at | ((places_hz > low) & (places_hz < high))
        return looked_at

    def is_watched(self, channel: Channel) -> bool:
        """Whether weak signals are looked for on a channel all the time."""
        wanted = self._wanted is None or channel.frequency_hz in self._wanted
        return wanted and (channel.calling or channel.text)

    def heard_hz(self) -> tuple[float, float]:
        """From where to where noise rises and falls together: all of the span, or what a receiver's sound holds."""
        return (self.low_hz, self.high_hz) if self.dial is None else (_SPEECH_LOW_HZ, _SPEECH_HIGH_HZ)

    def slot(self, low_hz: float, high_hz: float, centre_hz: float) -> Slot | None:
        """The slot for a signal that was found between two offsets; None where it is not wanted."""
        if self.dial is not None:
            slot = self._sound_slot(self.dial, high_hz - low_hz)
        elif self.band is VHF:
            slot = self._telephony_slot(low_hz, high_hz, centre_hz)
        else:
            slot = self._narrow_slot(low_hz, high_hz, centre_hz)
        if self._wanted is not None and (slot.channel is None or slot.channel.frequency_hz not in self._wanted):
            return None
        return slot

    def watched_slot(self, channel: Channel) -> Slot:
        """The slot of a calling or text channel in which weak signals are looked for all the time."""
        centre = self.offset_of(channel)
        if self.band is VHF:
            return self._telephony_slot(centre - 8000, centre + 8000, centre)
        return self._narrow_slot(centre - 150, centre + 150, centre)

    def _telephony_slot(self, low_hz: float, high_hz: float, centre_hz: float) -> Slot:
        channel = self.channel_at(centre_hz)
        wide = high_hz - low_hz
        if wide > (2 if channel else 1) * self.band.widest_hz:
            low = (math.floor((low_hz - centre_hz) / 1000) - 1) * 1000.0
            high = (math.ceil((high_hz - centre_hz) / 1000) + 1) * 1000.0
            passband = Passband(low, high, 2.5 * max(-low, high))
            return Slot(None, centre_hz, passband, keying.PULSES, low_hz, high_hz, 0.05, 2.0, wide)
        if channel is not None:
            nominal = self.offset_of(channel)
            # a set far off its frequency still has to fit into the filter
            middle = nominal if abs(centre_hz - nominal) < 3000 else nominal + round((centre_hz - nominal) / 500) * 500
            half = channel.spacing_hz / 2
            claims = nominal - half, nominal + half
            return Slot(channel, middle, bank.TELEPHONY_FM, keying.TELEPHONY_FM, *claims, 0.15, 30.0, wide)
        middle = round(centre_hz / 100) * 100.0
        return Slot(None, middle, bank.TELEPHONY_FM, keying.PULSES, middle - 15e3, middle + 15e3, 0.15, 30.0, wide)

    def _narrow_slot(self, low_hz: float, high_hz: float, centre_hz: float) -> Slot:
        wide = high_hz - low_hz
        channel = self.channel_at(centre_hz)
        voice = self._voice_channel(low_hz, high_hz)
        if channel is not None and channel.emission is Emission.J3E and wide < 800:
            voice = channel  # the clicks of a keyed carrier reach below the sideband
        elif channel is not None and wide < 800:
            nominal = self.offset_of(channel)
            claims = nominal - 250, nominal + 250
            return Slot(channel, nominal, bank.TELEGRAPHY, keying.TELEGRAPHY, *claims, 0.5, 60.0, wide)
        if voice is not None and not (self._audio and wide < 500):
            carrier = self.offset_of(voice)
            claims = carrier - 200, carrier + 3200
            return Slot(voice, carrier, bank.SINGLE_SIDEBAND, keying.SINGLE_SIDEBAND, *claims, 0.5, 60.0, wide)
        if wide < 600:
            middle = round(centre_hz, 1)
            claims = middle - 300, middle + 300
            piece_s = _SOUND_PIECE_S if self._audio else 60.0
            return Slot(None, middle, bank.TELEGRAPHY, keying.TELEGRAPHY, *claims, 0.5, piece_s, wide)
        low = (math.floor((low_hz - round(centre_hz)) / 50) - 1) * 50.0
        high = (math.ceil((high_hz - round(centre_hz)) / 50) + 1) * 50.0
        passband = Passband(low, high, max(2.5 * max(-low, high), _LEAST_SOUND_RATE_HZ))
        claims = low_hz - 200, high_hz + 200
        piece_s = _SOUND_PIECE_S if self._audio and wide < _TWO_LINES_HZ else 30.0
        return Slot(None, round(centre_hz), passband, keying.SINGLE_SIDEBAND, *claims, 0.5, piece_s, wide)

    def _sound_slot(self, channel: Channel, wide: float) -> Slot:
        """All of a receiver's sound is its channel's: one tone as well as speech.

        The quiet beside it says nothing of the noise under it, because receivers take gain away from what is strong.
        """
        carrier, passband, manner = self.offset_of(channel), bank.SPEECH, keying.SINGLE_SIDEBAND
        return Slot(channel, carrier, passband, manner, self.low_hz, self.high_hz, 0.0, 60.0, wide)

    def _voice_channel(self, low_hz: float, high_hz: float) -> Channel | None:
        """The telephony channel whose sideband holds all of a signal."""
        for channel in self.channels:
            if channel.emission is Emission.J3E:
                carrier = self.offset_of(channel)
                if carrier - 150 <= low_hz and high_hz <= carrier + 3300:
                    return channel
        return None
