"""Keyings put into one recording: at their time, frequency and level, with the set's rise, and noise under them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.errors import CompositionError

NOISE_BANDWIDTH_HZ = 25_000.0
"""Signal-to-noise ratios of VHF recordings are counted in this bandwidth."""

RISE_S = 0.002
"""10 % to 90 % of amplitude, as sets in good order have it, roughly."""

RAMP = 1 / (1 - 4 / math.pi * math.asin(math.sqrt(0.1)))
"""Length of a sine-squared ramp over its 10 % to 90 % time."""


@dataclass(frozen=True, slots=True, eq=False)
class Keying:
    """A waveform of unit amplitude about its own carrier, at the recording's sample rate."""

    iq: NDArray[np.complex128]
    at_s: float
    frequency_hz: float
    level_dbfs: float
    rise_s: float = RISE_S
    fall_s: float = RISE_S


def shaped(iq: NDArray[np.complex128], sample_rate_hz: float, rise_s: float, fall_s: float) -> NDArray[np.complex128]:
    """The waveform with an amplitude that rises and falls as a sine squared; times are 10 % to 90 %."""
    out = iq.copy()
    for ten_to_ninety_s, backwards in ((rise_s, False), (fall_s, True)):
        count = min(round(ten_to_ninety_s * RAMP * sample_rate_hz), iq.size // 2)
        if count < 1:
            continue
        ramp = np.sin(np.pi / 2 * (np.arange(count) + 0.5) / count) ** 2
        if backwards:
            out[iq.size - count :] *= ramp[::-1]
        else:
            out[:count] *= ramp
    return out


def noise(
    count: int, sample_rate_hz: float, density_dbfs_per_hz: float, random: np.random.Generator
) -> NDArray[np.complex128]:
    """White noise of a power per hertz, in dB of full scale."""
    sigma = math.sqrt(10 ** (density_dbfs_per_hz / 10) * sample_rate_hz / 2)
    parts: NDArray[np.float64] = random.standard_normal((count, 2)) * sigma
    return parts.view(np.complex128)[:, 0]


def placed(
    keyings: Sequence[Keying], samples: NDArray[np.complex128], sample_rate_hz: float, centre_hz: float
) -> NDArray[np.complex128]:
    """The samples with the keyings added. Raises CompositionError where one does not fit in time or in the span."""
    out = samples.copy()
    for keying in keyings:
        offset_hz = keying.frequency_hz - centre_hz
        first = round(keying.at_s * sample_rate_hz)
        if first < 0 or first + keying.iq.size > out.size:
            raise CompositionError(
                f"a keying of {keying.iq.size / sample_rate_hz:.3f} s from {keying.at_s:g} s does not fit into "
                f"{out.size / sample_rate_hz:.3f} s; give a longer duration"
            )
        if abs(offset_hz) > 0.45 * sample_rate_hz:
            raise CompositionError(
                f"{keying.frequency_hz / 1e6:.4f} MHz lies outside the span of {sample_rate_hz / 1e3:g} kS/s about "
                f"{centre_hz / 1e6:.4f} MHz; choose another centre or a higher rate"
            )
        wave = shaped(keying.iq, sample_rate_hz, keying.rise_s, keying.fall_s)
        times = (first + np.arange(wave.size)) / sample_rate_hz
        wave *= 10 ** (keying.level_dbfs / 20) * np.exp(2j * math.pi * offset_hz * times)
        out[first : first + wave.size] += wave
    return out
