"""The sound of one channel, demodulated as the samples come: FM de-emphasised and squelched, SSB on upper sideband."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.channels.channel import Emission
from sdrcheck.errors import SourceError
from sdrcheck.filters.channeliser import Channeliser, Passband
from sdrcheck.filters.iq import Complex, complex_samples
from sdrcheck.sources.source import IqBlock, SourceFacts

SOUND_RATE_HZ = 48_000
_FM = Passband(-9_000.0, 9_000.0, 48_000.0)
_SSB = Passband(300.0, 3_000.0, 48_000.0)
_BLOCK_S = 0.02
_DE_EMPHASIS_HZ = 300.0
"""Above this the sound falls by 6 dB per octave, the mirror of the set's phase-modulation law."""
_HIGHEST_HZ = 3_000.0
_F1B_TONE_HZ = 1_700.0
"""F1B is listened to as two tones around this one: the dial lies so far below the assigned frequency (practice)."""
_LOUD_DEVIATION_HZ = 3_000.0
"""A 1 kHz tone of this deviation, normal test modulation, comes out at half of full scale."""
_HOLD_S = 0.25
_GAIN_FALLS_S = 0.5

Sound = NDArray[np.float32]


class Demodulator:
    """Blocks in, sound out at 48 kHz and full scale 1. FM and SSB; everything between the blocks is carried over."""

    def __init__(
        self, facts: SourceFacts, frequency_hz: float, emission: Emission = Emission.G3E, squelch_db: float | None = 8.0
    ) -> None:
        """Listen on `frequency_hz` (J3E: the carrier; F1B: the assigned one).

        `squelch_db` over the channel's own noise opens, None always.
        Raises SourceError where the frequency lies outside the span that is received.
        """
        self.emission, self.squelch_db = emission, squelch_db
        self.frequency_hz = frequency_hz - _F1B_TONE_HZ if emission is Emission.F1B else frequency_hz
        self._facts = facts
        self._passband = _SSB if emission in (Emission.J3E, Emission.F1B) else _FM
        self._centre_hz = facts.centre_hz
        self._check(self._centre_hz)
        self._channeliser = Channeliser(facts.sample_rate_hz, _BLOCK_S, 1, one_sided=facts.audio)
        rate = self._channeliser.channel_rate_hz(self._passband)
        self._rate = rate
        self._last = 1 + 0j
        self._de_emphasis = _OneSection(*_falling(_DE_EMPHASIS_HZ, rate))
        self._low_pass = [_OneSection(*section) for section in _low_pass(_HIGHEST_HZ, rate)]
        self._no_dc = _OneSection(*_rising(150.0, rate))
        self._floor: float | None = None
        self._quiet_for = math.inf
        self._gain = 1.0
        self._place, self._tail = 0.0, 0.0
        self.open = squelch_db is None
        """Whether the squelch lets sound through now."""
        self.level_dbfs = -200.0
        """Power in the channel of the latest stretch."""

    def _check(self, centre_hz: float) -> None:
        half = self._facts.sample_rate_hz / 2
        low = centre_hz if self._facts.audio else centre_hz - half
        if not low <= self.frequency_hz <= centre_hz + half:
            raise SourceError(
                f"{self.frequency_hz / 1e6:.4f} MHz is not within what is received "
                f"({low / 1e6:.3f} to {(centre_hz + half) / 1e6:.3f} MHz); choose a channel inside"
            )

    def feed(self, block: IqBlock, speed: float = 1.0) -> Sound:
        """Demodulate a block; `speed` a little beside 1 keeps step with a loudspeaker's own clock."""
        if block.frequency_hz is not None:
            self._check(block.frequency_hz)
            self._centre_hz = block.frequency_hz
        samples = complex_samples(block.raw, block.datatype)
        parts = [self._sound(channel, speed) for channel in self._channel(samples)]
        return np.concatenate(parts) if parts else np.zeros(0, np.float32)

    def _channel(self, samples: Complex) -> list[Complex]:
        offset = self.frequency_hz - self._centre_hz
        return [
            self._channeliser.samples_of(
                self._channeliser.cut(batch, offset, self._passband), batch.first_block, offset, self._passband
            )
            for batch in self._channeliser.feed(samples)
        ]

    def _sound(self, channel: Complex, speed: float) -> Sound:
        power = float(np.mean(np.square(np.abs(channel)))) + 1e-20
        self.level_dbfs = 10 * math.log10(power)
        self._decide(power, channel.size / self._rate)
        values = self._fm(channel) if self._passband is _FM else self._ssb(channel)
        if not self.open:
            values = np.zeros_like(values)
        return self._resampled(values, speed)

    def _fm(self, channel: Complex) -> NDArray[np.float64]:
        before = np.concatenate([[self._last], channel[:-1]])
        self._last = complex(channel[-1])
        hertz = np.angle(channel * np.conj(before)) * (self._rate / (2 * np.pi))
        values = self._de_emphasis(self._no_dc(hertz))
        for section in self._low_pass:
            values = section(values)
        # de-emphasis leaves 1 kHz at 300/√(300² + 1000²) of its size
        at_1_khz = _DE_EMPHASIS_HZ / math.hypot(_DE_EMPHASIS_HZ, 1000.0)
        return values * (0.5 / (_LOUD_DEVIATION_HZ * at_1_khz))

    def _ssb(self, channel: Complex) -> NDArray[np.float64]:
        values = channel.real.astype(np.float64)
        peak = float(np.max(np.abs(values))) + 1e-12
        wanted = 0.5 / peak
        slow = math.exp(-values.size / self._rate / _GAIN_FALLS_S)
        self._gain = wanted if wanted < self._gain else wanted + (self._gain - wanted) * slow
        self._gain = min(self._gain, 1e5)
        return values * self._gain

    def _decide(self, power: float, seconds: float) -> None:
        """Follow the quietest the channel has been, upwards only slowly, and open above it."""
        if self._floor is None or power < self._floor:
            self._floor = power
        else:
            self._floor *= 10 ** (0.05 * seconds)  # half a decibel a second
        if self.squelch_db is None:
            self.open = True
            return
        above = power > self._floor * 10 ** (self.squelch_db / 10)
        self._quiet_for = 0.0 if above else self._quiet_for + seconds
        self.open = self._quiet_for <= _HOLD_S

    def _resampled(self, values: NDArray[np.float64], speed: float) -> Sound:
        step = self._rate / SOUND_RATE_HZ * speed
        places = np.arange(self._place, values.size, step)
        extended = np.concatenate([[self._tail], values])
        sound = np.interp(places, np.arange(-1, values.size), extended)
        self._tail = float(values[-1])
        self._place = (places[-1] + step if places.size else self._place) - values.size
        return np.clip(sound, -1.0, 1.0).astype(np.float32)


class _OneSection:
    """One second-order section of a filter that remembers where it was."""

    def __init__(self, b: tuple[float, ...], a: tuple[float, ...]) -> None:
        self._b, self._a = np.array(b), np.array(a)
        self._state = np.zeros(max(len(b), len(a)) - 1)

    def __call__(self, values: NDArray[Any]) -> NDArray[np.float64]:
        from scipy.signal import lfilter

        filtered, self._state = lfilter(self._b, self._a, values, zi=self._state)
        return filtered


def _falling(corner_hz: float, rate_hz: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """One pole: flat below the corner, 6 dB per octave down above it."""
    from scipy.signal import butter

    b, a = butter(1, corner_hz, fs=rate_hz)
    return tuple(b), tuple(a)


def _rising(corner_hz: float, rate_hz: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    from scipy.signal import butter

    b, a = butter(1, corner_hz, "highpass", fs=rate_hz)
    return tuple(b), tuple(a)


def _low_pass(corner_hz: float, rate_hz: float) -> list[tuple[tuple[float, ...], tuple[float, ...]]]:
    from scipy.signal import butter

    return [(tuple(row[:3]), tuple(row[3:])) for row in butter(6, corner_hz, fs=rate_hz, output="sos")]
