"""Curves for people to look at: what the discriminator saw over time, and its spectrum. Nothing is judged on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements.spectrum import Reals, smoothed

LONGEST_S = 10.0
"""Of a longer keying only its first seconds are drawn."""
_SMOOTH_HZ = 6000.0


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Points to draw, and the words for its axes."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    x_name: str
    y_name: str


def discriminated(excerpt: Excerpt) -> Reals:
    """Instantaneous frequency of the keyed part in hertz from the channel's centre, one value less than samples."""
    iq = excerpt.keyed[: int(LONGEST_S * excerpt.sample_rate_hz)]
    return np.angle(iq[1:] * np.conj(iq[:-1])) * (excerpt.sample_rate_hz / (2 * np.pi))


def deviation_over_time(excerpt: Excerpt, most_points: int = 4000) -> Curve:
    """Deviation in hertz from the carrier over seconds from key-on, smoothed to 6 kHz.

    Where there are more points than can be drawn, the lowest and the highest of each stretch are kept.
    """
    width = max(1, round(excerpt.sample_rate_hz / (2 * _SMOOTH_HZ)))
    frequency = discriminated(excerpt)
    frequency = smoothed(frequency - np.median(frequency), width) if frequency.size > 2 * width else frequency
    times = np.arange(frequency.size) / excerpt.sample_rate_hz
    stretch = -(-2 * frequency.size // most_points)
    if stretch > 1:
        whole = frequency.size // stretch * stretch
        folded = frequency[:whole].reshape(-1, stretch)
        frequency = np.stack([folded.min(1), folded.max(1)], 1).ravel()
        times = np.repeat(times[:whole:stretch], 2)
    return Curve(times, frequency, "s from key-on", "deviation, Hz")


def demodulated_spectrum(excerpt: Excerpt, highest_hz: float = 6000.0, resolution_hz: float = 20.0) -> Curve:
    """Spectrum of the discriminated signal: r.m.s. deviation in hertz by modulating frequency, each 20 Hz wide."""
    frequency = discriminated(excerpt)
    rate = excerpt.sample_rate_hz
    length = min(max(int(rate / resolution_hz), 16), frequency.size)
    if length < 16:
        return Curve(np.zeros(0), np.zeros(0), "modulating frequency, Hz", "r.m.s. deviation, Hz")
    frequency = frequency - frequency.mean()
    pieces = np.lib.stride_tricks.sliding_window_view(frequency, length)[:: length // 2]
    window = np.hanning(length)
    power = np.mean(np.abs(np.fft.rfft(pieces * window)) ** 2, axis=0) * 2 / (length * np.sum(window**2))
    x = np.arange(power.size) * rate / length
    return Curve(
        x[x <= highest_hz], np.sqrt(power[x <= highest_hz]), "modulating frequency, Hz", "r.m.s. deviation, Hz"
    )
