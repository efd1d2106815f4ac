"""One long FFT shared by all channels, and an inverse FFT for each channel that is wanted (overlap-save).

Block b stands for the samples bH … bH + H − 1 of the input, H = 7N/8; the N/8 samples around them feed the filters,
whose impulse responses are no longer than that, so a channel comes out exactly as from its FIR filter and a mixer.
Channel sample j lies at input sample jN/M for a channel of M bins; it starts with the input's first sample.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from sdrcheck.filters.iq import Complex

STOPBAND_DB = 80.0
_KAISER_BETA = 0.1102 * (STOPBAND_DB - 8.7)
_GRAIN = 16
"""Bins of a channel come in multiples of this, so that block edges fall on its samples."""


@dataclass(frozen=True, slots=True)
class Passband:
    """What a channel's filter lets through, relative to the channel's centre, and about how fast it is sampled."""

    low_hz: float
    high_hz: float
    rate_hz: float


TELEPHONY_FM = Passband(-11_000.0, 11_000.0, 48_000.0)
OPENING_FM = Passband(-40_000.0, 40_000.0, 96_000.0)
"""Where a carrier may swing while it comes up: the type test allows ±25 kHz (ETSI EN 300 162-1, 8.14, from memory)."""
TELEGRAPHY = Passband(-400.0, 400.0, 2_000.0)
TELEGRAPHY_BESIDE = Passband(-140.0, 140.0, 2_000.0)
"""Of two channels 500 Hz apart that are keyed at the same time: the nearer line of the other is kept out."""
SINGLE_SIDEBAND = Passband(-500.0, 4_000.0, 10_000.0)
SPEECH = Passband(400.0, 3_400.0, 10_000.0)
"""Of receiver sound without its hum; the filter does not cut off before 250 Hz."""


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Consecutive blocks and their spectra, shape (blocks, N)."""

    first_block: int
    spectra: Complex
    end_sample: int
    """Just after the last sample that has come; the blocks may end before it, or behind it in zeros."""

    @property
    def blocks(self) -> int:
        return self.spectra.shape[0]


class Channeliser:
    """Cuts a stream into overlapping blocks, transforms them, and takes channels out of their spectra."""

    def __init__(self, sample_rate_hz: float, block_s: float, blocks_per_batch: int = 8, *, one_sided: bool = False):
        """Aim at blocks of `block_s`; `one_sided` is for real sound, of which the upper half makes the channels."""
        self.sample_rate_hz = sample_rate_hz
        self.size = 1 << max(8, round(math.log2(sample_rate_hz * block_s)))
        self.overlap = self.size // 8
        self.hop = self.size - self.overlap
        self.bin_hz = sample_rate_hz / self.size
        self.transition_hz = (STOPBAND_DB - 8) / (2.285 * 2 * math.pi * self.overlap) * sample_rate_hz
        self.one_sided = one_sided
        self.blocks_per_batch = blocks_per_batch
        self.dc = 0j
        """Taken off every sample that comes in."""
        self._counts: dict[Passband, int] = {}
        self._filters: dict[Passband, NDArray[np.float32]] = {}
        self._next_block = 0
        self._buffer = np.zeros(self.overlap // 2 + blocks_per_batch * self.hop + self.size, np.complex64)
        self._filled = (
            self.overlap // 2
        )  # of the buffer; it starts half an overlap before the next block's first sample

    @property
    def block_duration_s(self) -> float:
        """Seconds from one block to the next."""
        return self.hop / self.sample_rate_hz

    def feed(self, samples: Complex) -> Iterator[Batch]:
        """Take samples in, and give a batch whenever one is full."""
        needed = (self.blocks_per_batch - 1) * self.hop + self.size
        taken = 0
        while taken < samples.size:
            part = samples[taken : taken + needed - self._filled]
            place = self._buffer[self._filled : self._filled + part.size]
            if self.dc:
                np.subtract(part, np.complex64(self.dc), out=place)
            else:
                place[:] = part
            self._filled += part.size
            taken += part.size
            if self._filled == needed:
                yield self._transform(self.blocks_per_batch)

    def flush(self) -> Iterator[Batch]:
        """Give what is left when the samples have ended, filled up with zeros."""
        left = self._filled - self.overlap // 2
        if left <= 0:
            return
        blocks = math.ceil(left / self.hop)
        self._buffer[self._filled : (blocks - 1) * self.hop + self.size] = 0
        yield self._transform(blocks)

    def _transform(self, blocks: int) -> Batch:
        step = self._buffer.itemsize
        rows = np.lib.stride_tricks.as_strided(self._buffer, (blocks, self.size), (self.hop * step, step))
        spectra = scipy.fft.fft(rows, axis=1)
        end_sample = self._next_block * self.hop + self._filled - self.overlap // 2
        batch = Batch(self._next_block, spectra, end_sample)
        self._next_block += blocks
        kept = max(0, self._filled - blocks * self.hop)
        self._buffer[:kept] = self._buffer[blocks * self.hop : blocks * self.hop + kept]
        self._filled = kept
        return batch

    def bins(self, passband: Passband) -> int:
        """How many bins M a channel of this passband is made of."""
        if passband not in self._counts:
            self._counts[passband] = self._bins(passband)
        return self._counts[passband]

    def _bins(self, passband: Passband) -> int:
        widest = max(abs(passband.low_hz), abs(passband.high_hz)) + self.transition_hz
        wanted = max(passband.rate_hz, 2 * widest) / self.bin_hz / _GRAIN
        low = math.ceil(2 * widest / self.bin_hz / _GRAIN)
        return _GRAIN * min(_smooth_numbers(low, math.ceil(1.1 * max(wanted, low)) + 1), key=lambda m: abs(m - wanted))

    def channel_rate_hz(self, passband: Passband) -> float:
        return self.bins(passband) * self.bin_hz

    def noise_bandwidth_hz(self, passband: Passband) -> float:
        """White noise of density 1 comes out of the passband's filter with this power."""
        return float(np.sum(self._response(passband) ** 2)) * self.bin_hz / (4 if self.one_sided else 1)

    def samples_per_block(self, passband: Passband) -> int:
        return self.bins(passband) * 7 // 8

    def cut(self, batch: Batch, offset_hz: float, passband: Passband) -> Complex:
        """Take the bins of one channel, filtered: shape (blocks, M), for `samples_of`. `offset_hz` is from 0 Hz."""
        count = self.bins(passband)
        centre = round(offset_hz / self.bin_hz)
        low, high = centre - count // 2, centre + count // 2
        half = self.size // 2
        inside_low, inside_high = max(low, 0 if self.one_sided else -half), min(high, half)
        cut = np.zeros((batch.blocks, count), np.complex64)
        if inside_low < inside_high:
            places = np.arange(inside_low, inside_high) % self.size
            cut[:, inside_low - low : inside_high - low] = batch.spectra[:, places]
            cut *= self._response(passband)
        return cut

    def samples_of(self, cut: Complex, first_block: int, offset_hz: float, passband: Passband) -> Complex:
        """Turn the cut bins of consecutive blocks into the channel's samples, 0 Hz being `offset_hz`."""
        blocks, count = cut.shape
        centre = round(offset_hz / self.bin_hz)
        kept = count * 7 // 8
        block = first_block + np.arange(blocks)
        # The spectrum's phase counts from the block's own start at sample bH - N/16; ours from sample 0.
        turns = (-centre * (14 * block - 1) % 16) / 16
        samples = scipy.fft.ifft(scipy.fft.ifftshift(cut, axes=1), axis=1)[:, count // 16 : count // 16 + kept]
        samples *= (count / self.size * np.exp(2j * np.pi * turns)).astype(np.complex64)[:, None]
        flat: Complex = samples.reshape(-1)
        rest_hz = offset_hz - centre * self.bin_hz
        if rest_hz:
            cycle = rest_hz / (count * self.bin_hz)
            start = math.fmod(cycle * (first_block * kept), 1.0)
            flat *= np.exp(-2j * np.pi * (start + cycle * np.arange(flat.size))).astype(np.complex64)
        return flat

    def _response(self, passband: Passband) -> NDArray[np.float32]:
        count = self.bins(passband)
        if passband not in self._filters:
            middle = (passband.low_hz + passband.high_hz) / 2
            half_width = (passband.high_hz - passband.low_hz + self.transition_hz) / 2
            place = np.arange(self.overlap + 1) - self.overlap // 2
            cutoff = 2 * half_width / self.sample_rate_hz
            taps = cutoff * np.sinc(cutoff * place) * np.kaiser(place.size, _KAISER_BETA)
            taps = taps * np.exp(2j * np.pi * middle / self.sample_rate_hz * place)
            impulse = np.zeros(self.size, complex)
            impulse[place % self.size] = taps
            response = scipy.fft.fft(impulse).real.astype(np.float32)  # real, because the taps are conjugate-symmetric
            # a channel that is sampled faster than the input has nothing outside the input's own band
            wide = np.zeros(count, np.float32)
            reach = min(count, self.size) // 2
            wide[count // 2 - reach : count // 2 + reach] = response[np.arange(-reach, reach) % self.size]
            self._filters[passband] = wide * np.float32(2 if self.one_sided else 1)
        return self._filters[passband]


def _smooth_numbers(low: int, high: int) -> list[int]:
    """Numbers from `low` to `high` with no prime factor above 5; wide enough a range always has one."""
    found = []
    for number in range(low, max(high, 2 * low) + 1):
        rest = number
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            found.append(number)
    return found
