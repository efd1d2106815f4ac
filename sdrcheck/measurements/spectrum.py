"""Power densities, for the measurements that need them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[Any]
"""Arrays of float64; numpy's own stubs lose the type in half of what is done with them."""

PRUDENCE = 1.1
"""Factor on every standard uncertainty that rests on an estimated noise density: that estimate is itself good to some
10 %, and U = 2·u is to cover 95 % all the same (JCGM 100, G.3, takes a larger k for the same reason)."""


def tapered(count: int, part: float = 0.1) -> Reals:
    """A window that is 1 except for cosine slopes over `part` of its length at each end."""
    window = np.ones(count)
    slope = max(1, int(part * count))
    rise = np.sin(np.pi / 2 * (np.arange(slope) + 0.5) / slope) ** 2
    window[:slope] = rise
    window[count - slope :] = rise[::-1]
    return window


def spread_of_sum(window: Reals) -> float:
    """How much a window raises the variance of a summed periodogram of noise, 1 for a rectangle."""
    return float(window.size * np.sum(window**4) / np.sum(window**2) ** 2)


def one_sided_density(values: Reals, sample_rate_hz: float, window: Reals | None = None) -> tuple[Reals, Reals]:
    """Periodogram of a real sequence: frequencies in hertz, density in (unit of `values`)² per hertz."""
    window = np.hanning(values.size) if window is None else window
    spectrum = np.fft.rfft(values * window)
    density: Reals = np.square(np.abs(spectrum)) * (2 / (sample_rate_hz * np.sum(window**2)))
    return np.fft.rfftfreq(values.size, 1 / sample_rate_hz), density


def two_sided_density(iq: NDArray[Any], sample_rate_hz: float, segment: int) -> tuple[Reals, Reals, int]:
    """Averaged periodogram of a complex sequence in half-overlapping segments, frequencies rising.

    Returns frequencies in hertz, density in (unit of `iq`)² per hertz, and how many segments were averaged.
    """
    segment = min(segment, iq.size)
    window = np.hanning(segment + 2)[1:-1]
    starts = range(0, iq.size - segment + 1, max(1, segment // 2))
    total = np.zeros(segment)
    for start in starts:
        total += np.square(np.abs(np.fft.fft(iq[start : start + segment] * window)))
    density = total / (len(starts) * sample_rate_hz * np.sum(window**2))
    return np.fft.fftshift(np.fft.fftfreq(segment, 1 / sample_rate_hz)), np.fft.fftshift(density), len(starts)


def smoothed(values: Reals, count: int) -> Reals:
    """Running mean over `count` values, as long as the input; the ends average what there is."""
    count = min(count, values.size)
    if count <= 1:
        return values
    sums = np.concatenate([[0.0], np.cumsum(values)])
    low = np.maximum(np.arange(values.size) - count // 2, 0)
    high = np.minimum(np.arange(values.size) - count // 2 + count, values.size)
    result: Reals = (sums[high] - sums[low]) / (high - low)
    return result


def between_samples(values: Reals, top: int) -> float:
    """Height of the parabola through the largest sample and its neighbours."""
    if not 0 < top < values.size - 1:
        return float(values[top])
    before, at, after = (float(v) for v in values[top - 1 : top + 2])
    bend = before - 2 * at + after
    return at - (after - before) ** 2 / (8 * bend) if bend < 0 else at
