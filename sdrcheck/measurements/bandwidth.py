"""Occupied bandwidth: half a percent of the power below it, half a percent above (RR No. 1.153)."""

from __future__ import annotations

import math

import numpy as np

from sdrcheck.measurements.noise import FLAT_HZ
from sdrcheck.measurements.spectrum import Reals, tapered
from sdrcheck.measurements.stretch import Stretch
from sdrcheck.quantities import Measured, Term

_OUTSIDE = 0.005
_LONGEST_S = 5.0


def occupied_bandwidth(stretch: Stretch) -> Measured:
    """Measure the bandwidth in hertz that holds 99 % of the power, noise taken off.

    Looks within ±11 kHz of the excerpt's centre.
    """
    parts = stretch.parts(_LONGEST_S)
    size = parts[0].iq.size
    value, noise = _holding(parts, tapered(size, 0.02))
    abrupt, _ = _holding(parts, np.ones(size))
    return Measured(
        value=value,
        unit="Hz",
        terms=(
            Term.normal("noise", noise),
            Term.normal("ends of the record", abs(abrupt - value)),
            Term.rectangular("resolution", 2.5 * stretch.sample_rate_hz / size),
        ),
        method=f"99 % of the power within ±{FLAT_HZ / 1000:.0f} kHz, noise taken off, {stretch.duration_s:.3g} s",
    )


def _holding(parts: list[Stretch], window: Reals) -> tuple[float, float]:
    """The bandwidth in hertz and the standard uncertainty that noise gives it."""
    rate, size, floor = parts[0].sample_rate_hz, window.size, parts[0].noise
    inside = np.abs(np.fft.fftshift(np.fft.fftfreq(size, 1 / rate))) <= FLAT_HZ
    step = rate / size
    noise = floor.density * step
    received = np.zeros(np.count_nonzero(inside))
    for part in parts:
        received += np.square(np.abs(np.fft.fftshift(np.fft.fft(part.iq * window))[inside]))
    net = received / (len(parts) * size * float(np.sum(window**2))) - noise
    total = float(net.sum())

    edges, spreads = [], []
    for power in (net, net[::-1]):
        running = np.cumsum(power) / total
        at = _crossing(running, _OUTSIDE)
        wander = math.hypot(math.sqrt(at / len(parts)), at * floor.relative_standard) * noise / total
        doubt = math.sqrt(wander**2 + 2 * _OUTSIDE * noise / total / len(parts))
        low, high = _crossing(running, _OUTSIDE - doubt), _crossing(running, _OUTSIDE + doubt)
        edges.append(at * step)
        spreads.append((high - low) / 2 * step)
    return max((net.size - 1) * step - edges[0] - edges[1], 0.0), math.hypot(*spreads)


def _crossing(running: Reals, level: float) -> float:
    """Index (with a fraction) from which the running sum stays above `level`."""
    below = np.flatnonzero(running < level)
    if not below.size:
        return 0.0
    last = int(below[-1])
    if last + 1 >= running.size:
        return float(last)
    rise = float(running[last + 1] - running[last])
    return last + (level - float(running[last])) / rise if rise > 0 else float(last)
