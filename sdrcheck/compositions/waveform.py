"""Waveforms from bits and tones: complex baseband of unit amplitude, before noise and level.

Everything is synthetic; what these make proves only that encoder and decoder agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

VHF_TONE_B_HZ = 2100.0
VHF_TONE_Y_HZ = 1300.0
VHF_RATE_BD = 1200.0
MODULATION_INDEX = 2.0


def subcarrier_phase(
    bits: Sequence[int], sample_rate_hz: float, rate_bd: float, tone_0_hz: float, tone_1_hz: float, phase: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Phase (rad) of a continuous-phase sub-carrier keyed by `bits`, and which bit each sample belongs to."""
    count = math.floor(len(bits) / rate_bd * sample_rate_hz)
    edges = np.arange(len(bits) + 1) / rate_bd
    tones = np.where(np.asarray(bits) == 1, tone_1_hz, tone_0_hz)
    phase_at_edge = phase + 2 * np.pi * np.concatenate([[0.0], np.cumsum(tones / rate_bd)])
    times = np.arange(count) / sample_rate_hz
    which = np.minimum((times * rate_bd).astype(np.intp), len(bits) - 1)
    return phase_at_edge[which] + 2 * np.pi * tones[which] * (times - edges[which]), which


def vhf_call(
    bits: Sequence[int],
    sample_rate_hz: float,
    *,
    index_b: float = MODULATION_INDEX,
    index_y: float = MODULATION_INDEX,
    tone_b_hz: float = VHF_TONE_B_HZ,
    tone_y_hz: float = VHF_TONE_Y_HZ,
    rate_bd: float = VHF_RATE_BD,
    subcarrier_start: float = 0.0,
) -> NDArray[np.complex128]:
    """A VHF call (G2B): phase modulation by a sub-carrier, 1 = Y = the lower tone.

    The deviation is index × tone; where both indices are equal this is exactly exp(j·index·sin θ). Unequal indices keep
    the carrier's phase continuous, as a modulated oscillator does.
    """
    theta, which = subcarrier_phase(bits, sample_rate_hz, rate_bd, tone_b_hz, tone_y_hz, subcarrier_start)
    index = np.where(np.asarray(bits) == 1, index_y, index_b)[which]
    if index_b == index_y:
        return np.exp(1j * index_b * np.sin(theta))
    smooth = index * np.sin(theta)
    steps = np.flatnonzero(np.diff(index))  # what the phase would jump by where the index changes
    jumps = np.zeros_like(smooth)
    jumps[steps + 1] = (index[steps + 1] - index[steps]) * np.sin(theta[steps + 1])
    return np.exp(1j * (smooth - np.cumsum(jumps)))


def shifted(
    iq: NDArray[np.complex128], sample_rate_hz: float, offset_hz: float, drift_hz_per_s: float = 0.0
) -> NDArray[np.complex128]:
    """The same waveform `offset_hz` higher, drifting."""
    times = np.arange(iq.size) / sample_rate_hz
    return iq * np.exp(2j * np.pi * (offset_hz * times + drift_hz_per_s / 2 * times**2))
