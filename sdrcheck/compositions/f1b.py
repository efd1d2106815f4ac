"""F1B waveforms from bits: 100 Bd, 170 Hz, the faults of a sender and of the way. Complex baseband of unit amplitude.

Everything is synthetic; what these make proves only that encoder and decoder agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sdrcheck.compositions.waveform import subcarrier_phase

RATE_BD = 100.0
SHIFT_HZ = 170.0
EDGE_S = 0.004
"""Rise and fall of the carrier at the ends of a keying, 0 to 100 %."""


def keyed_bits(
    bits: Sequence[int],
    sample_rate_hz: float,
    *,
    one_is: Literal["B", "Y"],
    rate_bd: float = RATE_BD,
    shift_hz: float = SHIFT_HZ,
    inverted: bool = False,
    phase: float = 0.0,
    edge_s: float = EDGE_S,
) -> NDArray[np.complex128]:
    """One keying of `bits`, phase-continuous, 0 Hz midway between the lines; B is the higher frequency.

    `inverted` exchanges the lines, as reversed keying or the wrong sideband does.
    """
    b_hz = -shift_hz / 2 if inverted else shift_hz / 2
    tone_0, tone_1 = (b_hz, -b_hz) if one_is == "Y" else (-b_hz, b_hz)
    theta, _ = subcarrier_phase(bits, sample_rate_hz, rate_bd, tone_0, tone_1, phase)
    iq = np.exp(1j * theta)
    ramp = min(round(edge_s * sample_rate_hz), iq.size // 2)
    if ramp > 0:
        rise = np.sin(np.pi / 2 * (np.arange(ramp) + 0.5) / ramp) ** 2
        iq[:ramp] *= rise
        iq[-ramp:] *= rise[::-1]
    return iq


def fading(
    count: int, sample_rate_hz: float, depth_db: float, random: np.random.Generator, spread_hz: float = 0.2
) -> NDArray[np.complex128]:
    """A slow fade: a steady path and scattered ones whose sum now and then takes the level down by `depth_db`.

    The scattered part is a sum of sixteen paths with Doppler shifts up to `spread_hz`; its largest magnitude is scaled
    so that the deepest possible fade is `depth_db`.
    """
    times = np.arange(count) / sample_rate_hz
    scattered = np.zeros(count, np.complex128)
    paths = 16
    for _ in range(paths):
        shift, turn = random.uniform(-spread_hz, spread_hz), random.uniform(0, 2 * np.pi)
        scattered += np.exp(1j * (2 * np.pi * shift * times + turn)) / math.sqrt(paths)
    largest = float(np.abs(scattered).max(initial=0.0)) or 1.0
    remaining = 10 ** (-abs(depth_db) / 20)
    faded: NDArray[np.complex128] = 1.0 + (1.0 - remaining) * scattered / largest
    return faded


def impulses(
    count: int, sample_rate_hz: float, per_second: float, amplitude: float, random: np.random.Generator
) -> NDArray[np.complex128]:
    """Impulsive noise: clicks of one sample at random times, exponentially distributed in size about `amplitude`."""
    out = np.zeros(count, np.complex128)
    clicks = random.poisson(per_second * count / sample_rate_hz)
    places = random.integers(0, max(count, 1), clicks)
    sizes = amplitude * random.exponential(1.0, clicks)
    np.add.at(out, places, sizes * np.exp(2j * np.pi * random.uniform(size=clicks)))
    return out
