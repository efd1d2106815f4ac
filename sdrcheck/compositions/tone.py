"""Test tones: on an FM voice channel, on single sideband, and as sound.

Everything is synthetic. Test tones have no place on channels 16 and 70: the rules forbid them on the air.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

SOUNDER_TONES_HZ = (1100.0, 1700.0)
"""The usual pair for a single-sideband set."""
NO_TONES_HERE = ("16", "70")


def fm_tones(
    tones_hz: Sequence[float], deviation_hz: float, duration_s: float, sample_rate_hz: float
) -> NDArray[np.complex128]:
    """An FM carrier of unit amplitude; the peak deviations of all tones add up to `deviation_hz`.

    Without a tone it is unmodulated.
    """
    times = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz
    phase = np.zeros(times.size)
    for tone_hz in tones_hz:
        phase += deviation_hz / len(tones_hz) / tone_hz * np.sin(2 * math.pi * tone_hz * times)
    return np.exp(1j * phase)


def ssb_tones(
    tones_hz: Sequence[float], duration_s: float, sample_rate_hz: float, carrier_suppression_db: float | None = None
) -> NDArray[np.complex128]:
    """Equal tones on the upper sideband of 0 Hz, peak envelope 1; the carrier left over is counted from that."""
    times = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz
    iq = np.zeros(times.size, np.complex128)
    for tone_hz in tones_hz:
        iq += np.exp(2j * math.pi * tone_hz * times) / len(tones_hz)
    return iq if carrier_suppression_db is None else iq + 10 ** (-carrier_suppression_db / 20)


def sound_tones(
    tones_hz: Sequence[float], duration_s: float, sample_rate_hz: int, peak: float = 0.5
) -> NDArray[np.float64]:
    """Tones of equal strength as sound, with 20 ms of rise and fall so that loudspeakers do not click."""
    times = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz
    sound = np.zeros(times.size)
    for tone_hz in tones_hz:
        sound += np.sin(2 * math.pi * tone_hz * times) / len(tones_hz)
    ramp = min(round(0.02 * sample_rate_hz), sound.size // 2)
    rise = np.sin(np.pi / 2 * np.arange(ramp) / max(ramp, 1)) ** 2
    sound[:ramp] *= rise
    sound[sound.size - ramp :] *= rise[::-1]
    return peak * sound
