"""F1B and J2B at 100 Bd and 170 Hz: a channel's samples, and both lines over every bit.

Each bit is held against both lines' waveforms over exactly its own time. What follows from that stands in `fsk_phase`
(the phase carried from bit to bit) and `fsk_follow` (one sender, bit after bit, and how it is found).

Bit 1 and log-likelihoods above 0 are Y, the lower frequency; times are seconds on the clock of the samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.iq import Complex

RATE_BD = 100.0
SHIFT_HZ = 170.0
BIT_S = 1 / RATE_BD
HALF_SHIFT_HZ = SHIFT_HZ / 2
TONE_OVERLAP = abs(float(np.sinc(SHIFT_HZ / RATE_BD)))
"""Magnitude of the correlation between the two lines over one bit: 170 Hz is not quite orthogonal at 100 Bd."""

SEARCH_HZ = 80.0
"""How far from the expected centre a signal is looked for: ±60 Hz of offset and what the grid needs beyond."""
NARROW_RATE_HZ = 4_500.0
"""Samples faster than this are a whole passband in which the centre has to be found first."""
WORKING_RATE_HZ = 2_000.0
PASS_HZ, STOP_HZ = 265.0, 400.0
"""The decoder's own channel filter: both lines and their sidebands at the widest offset, and where nothing is left."""

Reals = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]


_LOG_I0_STEP, _LOG_I0_END = 0.01, 20.0
_LOG_I0 = np.log(np.i0(np.arange(0.0, _LOG_I0_END + _LOG_I0_STEP, _LOG_I0_STEP)))


def log_i0(x: Reals) -> Reals:
    """Logarithm of the modified Bessel function I0 to 1e-4: a table below 20, the asymptotic series above."""
    place = np.minimum(x, _LOG_I0_END) / _LOG_I0_STEP
    whole = np.minimum(place.astype(np.intp), _LOG_I0.size - 2)
    low = _LOG_I0[whole]
    small = low + (place - whole) * (_LOG_I0[whole + 1] - low)
    if x.size == 0 or x.max() <= _LOG_I0_END:
        return small
    large = np.maximum(x, _LOG_I0_END)
    return np.where(x <= _LOG_I0_END, small, large - 0.5 * np.log(2 * np.pi * large) + 1 / (8 * large))


# Before the bits: impulses, passband, centre --------------------------------------------------------------------------


def limited(iq: Complex, sample_rate_hz: float) -> Complexes:
    """The samples with impulses cut down to the level around them.

    Whatever exceeds 3.5 times the median magnitude within some 0.2 s is brought back to that median, phase kept; steady
    noise does so once in 5 000 samples.
    """
    length = max(8, round(0.025 * sample_rate_hz))
    x = np.asarray(iq, np.complex128)
    if x.size < length:
        return x
    magnitude = np.abs(iq)
    whole = x.size // length
    local = np.median(magnitude[: whole * length].reshape(whole, length), axis=1)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(local, 4, mode="edge"), 9)
    level = np.median(around, axis=1)[np.minimum(np.arange(x.size) // length, whole - 1)]
    high = (magnitude > 3.5 * level) & (level > 0)
    if high.any():
        x = x.copy()
        x[high] *= level[high] / magnitude[high]
    return x


@cache
def channel_taps(sample_rate_hz: float) -> Reals:
    """A low-pass of linear phase: flat to 265 Hz, 60 dB down from 400 Hz on (Kaiser's design formulas)."""
    middle_hz, width_hz, stop_db = (PASS_HZ + STOP_HZ) / 2, STOP_HZ - PASS_HZ, 60.0
    half = math.ceil((stop_db - 7.95) / (2.285 * 2 * math.pi * width_hz / sample_rate_hz) / 2)
    places = np.arange(-half, half + 1)
    taps = np.sinc(2 * middle_hz / sample_rate_hz * places) * np.kaiser(places.size, 0.1102 * (stop_db - 8.7))
    return taps / taps.sum()


def selected(iq: Complexes, sample_rate_hz: float) -> Complexes:
    """The samples with what lies beside the channel taken away: the next calling frequency is 500 Hz off."""
    return np.convolve(iq, channel_taps(sample_rate_hz), "same") if iq.size > channel_taps(sample_rate_hz).size else iq


def shifted_and_narrowed(iq: Complex, sample_rate_hz: float, centre_hz: float) -> tuple[Complex, float]:
    """Bring `centre_hz` to 0 Hz at about 2 kS/s, flat to ±400 Hz; returns the samples and their exact rate."""
    count = max(1, round(iq.size * WORKING_RATE_HZ / sample_rate_hz))
    if count >= iq.size:
        turn = np.exp(-2j * np.pi * centre_hz / sample_rate_hz * np.arange(iq.size))
        return (iq * turn).astype(np.complex64), sample_rate_hz
    spectrum = np.fft.fft(iq)
    step_hz = sample_rate_hz / iq.size
    bins = np.fft.fftfreq(count, 1 / count).astype(np.intp)
    first = round(centre_hz / step_hz)
    taken = spectrum[(bins + first) % iq.size]
    away = np.abs(bins * step_hz)
    taken = taken * np.where(away <= 420, 1.0, np.cos(np.clip((away - 420) / 380, 0, 1) * np.pi / 2) ** 2)
    out_rate = sample_rate_hz * count / iq.size
    narrow = np.fft.ifft(taken) * (count / iq.size)
    rest_hz = centre_hz - first * step_hz
    narrow = narrow * np.exp(-2j * np.pi * rest_hz / out_rate * np.arange(count))
    return narrow.astype(np.complex64), out_rate


def find_centres(
    iq: Complex, sample_rate_hz: float, low_hz: float = -3_000.0, high_hz: float = 3_000.0, most: int = 3
) -> tuple[float, ...]:
    """Find where 170 Hz keying at 100 Bd sits in a passband: likely centres in hertz, the likeliest first.

    Looks for two lines 170 Hz apart whose difference in energy beats at the bit rate. The grid is 5 Hz; what comes out
    still has to be decoded to be believed. Empty where nothing beats.
    """
    step_hz = 5.0
    bins = round(sample_rate_hz / step_hz)
    hops_per_bit = 4
    starts = np.arange(0.0, iq.size - sample_rate_hz * BIT_S, sample_rate_hz * BIT_S / hops_per_bit).astype(np.intp)
    length = round(sample_rate_hz * BIT_S)
    if starts.size < 50 * hops_per_bit:
        return ()
    half = round(HALF_SHIFT_HZ / step_hz)
    low = max(round(low_hz / step_hz), -bins // 2 + half + 1)
    high = min(round(high_hz / step_hz), bins // 2 - half - 1)
    places = np.arange(low, high + 1)
    x = limited(iq, sample_rate_hz)
    window_hops = 150 * hops_per_bit
    best = np.zeros(places.size)
    for first in range(0, starts.size, window_hops // 2):
        hops = starts[first : first + window_hops]
        if hops.size < 50 * hops_per_bit:
            break
        hops = hops[: hops.size // hops_per_bit * hops_per_bit]
        windows = x[hops[:, None] + np.arange(length)]
        magnitude = np.abs(np.fft.fft(windows, bins, axis=1))
        difference = magnitude[:, (places + half) % bins] - magnitude[:, (places - half) % bins]
        energy = np.square(difference)
        beat = np.abs(np.exp(-2j * np.pi / hops_per_bit * np.arange(hops.size)) @ energy)
        spread = np.sqrt(np.sum(np.square(energy), axis=0)) + 1e-30
        best = np.maximum(best, beat / spread * np.sqrt(energy.mean(axis=0) / (energy.mean() + 1e-30)))
    found: list[float] = []
    floor = float(np.median(best))
    for place in np.argsort(best)[::-1]:
        centre = float(places[place] * step_hz)
        if best[place] < 3 * floor or len(found) == most:
            break
        if all(abs(centre - other) > 120 for other in found):
            found.append(centre)
    return tuple(found)


# The two lines over one bit -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """A run of samples and the time of its first one."""

    iq: Complexes
    sample_rate_hz: float
    start_s: float = 0.0

    @property
    def end_s(self) -> float:
        return self.start_s + self.iq.size / self.sample_rate_hz

    def line(self, frequency_hz: float, starts_s: Reals, length_s: float) -> Complexes:
        """Correlate with one line over spans of `length_s`, phase counted from each start, divided by `length_s`.

        A line of amplitude A that runs through the span gives A·exp(jφ), φ its phase at the span's start. Missing
        samples count as nothing.
        """
        rate = self.sample_rate_hz
        local = starts_s - self.start_s
        first = min(max(math.floor(float(local.min()) * rate) - 1, 0), self.iq.size)
        last = min(max(math.ceil((float(local.max()) + length_s) * rate) + 2, first), self.iq.size)
        turns = frequency_hz / rate
        n = np.arange(first, last)
        sums = np.concatenate([[0.0], np.cumsum(self.iq[first:last] * np.exp(-2j * np.pi * turns * n))]) / rate

        def up_to(times: Reals) -> Complexes:
            place = np.clip(times * rate + 0.5 - first, 0, sums.size - 1)
            whole = np.minimum(place.astype(np.intp), max(sums.size - 2, 0))
            if sums.size < 2:
                return np.zeros(place.shape, np.complex128)
            return sums[whole] + (place - whole) * (sums[whole + 1] - sums[whole])

        integral = up_to(local + length_s) - up_to(local)
        return integral * np.exp(2j * np.pi * frequency_hz * local) / length_s

    def both_lines(self, centre_hz: float, starts_s: Reals, length_s: float = BIT_S) -> tuple[Complexes, Complexes]:
        """Correlate with line B (higher) and line Y (lower)."""
        return (
            self.line(centre_hz + HALF_SHIFT_HZ, starts_s, length_s),
            self.line(centre_hz - HALF_SHIFT_HZ, starts_s, length_s),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Amplitude at each bit and the noise beside it."""

    amplitude: Reals
    noise: float
    """Variance of one correlation: noise density over bit length."""

    @property
    def ebn0(self) -> float:
        """Mean energy per bit over noise density, a ratio."""
        return float(np.mean(np.square(self.amplitude))) / self.noise

    @property
    def weight(self) -> Reals:
        """What a correlation's magnitude has to be multiplied with to be a log-likelihood."""
        return 2 * self.amplitude / self.noise


def _smoothed(values: Reals, width: int) -> Reals:
    """Running mean over `width`, shorter at the ends."""
    if values.size <= width:
        return np.full(values.size, values.mean())
    sums = np.concatenate([[0.0], np.cumsum(values)])
    low = np.maximum(np.arange(values.size) - width // 2, 0)
    high = np.minimum(low + width, values.size)
    low = np.maximum(high - width, 0)
    return (sums[high] - sums[low]) / (high - low)


def levels(b: Complexes, y: Complexes, width: int = 31) -> Levels:
    """Estimate the amplitude (following fades within `width` bits) and the noise from the correlations themselves."""
    power_b, power_y = np.square(np.abs(b)), np.square(np.abs(y))
    total = power_b + power_y
    tiny = 1e-12 * float(total.mean()) + 1e-30
    right, wrong = np.maximum(power_b, power_y), np.minimum(power_b, power_y)
    overlap = TONE_OVERLAP**2
    noise, amplitude = tiny, np.sqrt(total)
    for _ in range(4):
        local = _smoothed(right, width)
        noise = max(float(np.mean(wrong - overlap * local)) / (1 - overlap), 1e-4 * float(local.mean()), tiny)
        amplitude = np.sqrt(np.maximum(local - noise, 0.05 * noise))
        scale = 2 * amplitude / noise
        spread = log_i0(scale * np.sqrt(power_b)) - log_i0(scale * np.sqrt(power_y))
        share = 0.5 * (1 + np.tanh(np.clip(spread, -60, 60) / 2))
        right = share * power_b + (1 - share) * power_y
        wrong = total - right
    return Levels(amplitude, noise)


def envelope_bits(b: Complexes, y: Complexes, weight: Reals) -> Reals:
    """Log-likelihood of Y over B from the two envelopes alone: the phase of every bit is unknown."""
    return log_i0(weight * np.abs(y)) - log_i0(weight * np.abs(b))


def envelope_evidence(b: Complexes, y: Complexes, weight: Reals) -> Reals:
    """Log evidence of each bit when its phase is unknown and both lines are equally likely."""
    return np.logaddexp(log_i0(weight * np.abs(b)), log_i0(weight * np.abs(y))) - math.log(2)
