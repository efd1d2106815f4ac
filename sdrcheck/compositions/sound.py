"""Calls as sound for the external modulation input of a calibrated signal generator, and the sheet that goes with it.

VHF: the generator makes the frequency or phase modulation. MF and HF: an ordinary AM generator on the assigned
frequency minus 1700 Hz; the upper sideband lands on the assigned frequency and the rest falls outside the receiver.
Only ever into a closed cable.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.compositions.waveform import VHF_RATE_BD, VHF_TONE_B_HZ, VHF_TONE_Y_HZ, subcarrier_phase

SOUND_RATE_HZ = 48_000
PEAK = 0.8
MF_CENTRE_HZ = 1700.0
SETUP_S = 20.0

Law = Literal["flat", "pre-emphasised"]


def vhf_sound(bits: Sequence[int], law: Law, rate_ppm: float = 0.0) -> NDArray[np.float64]:
    """A VHF call as sound: `flat` for a generator in phase modulation, `pre-emphasised` for one in FM."""
    rate_bd = VHF_RATE_BD * (1 + rate_ppm * 1e-6)
    theta, _ = subcarrier_phase(bits, SOUND_RATE_HZ, rate_bd, VHF_TONE_B_HZ, VHF_TONE_Y_HZ)
    return PEAK * _by_law(np.sin(theta), law)


def _by_law(wave: NDArray[np.float64], law: Law) -> NDArray[np.float64]:
    """Pre-emphasised is the wave's slope, 1 for the 2100 Hz tone: FM of it is phase modulation again.

    The slope comes from five neighbours, right to 0.02 %, and adds up to the wave again: the phase never drifts.
    """
    if law == "flat":
        return wave
    padded = np.pad(wave, 2, mode="edge")
    slope = (8 * (padded[3:-1] - padded[1:-3]) - (padded[4:] - padded[:-4])) / 12
    steepest = 2 * math.pi * VHF_TONE_B_HZ / SOUND_RATE_HZ
    return slope / steepest


def mf_sound(bits: Sequence[int], rate_ppm: float = 0.0) -> NDArray[np.float64]:
    """An MF or HF call as sound about 1700 Hz: B 1785 Hz, Y 1615 Hz."""
    return _about_centre(keyed_bits(bits, SOUND_RATE_HZ, one_is="Y", rate_bd=100.0 * (1 + rate_ppm * 1e-6)))


def text_sound(bits: Sequence[int], rate_bd: float = 100.0) -> NDArray[np.float64]:
    """Navigational text (1 = B) as sound about 1700 Hz: B 1785 Hz, Y 1615 Hz."""
    return _about_centre(keyed_bits(bits, SOUND_RATE_HZ, one_is="B", rate_bd=rate_bd))


def _about_centre(iq: NDArray[np.complex128]) -> NDArray[np.float64]:
    times = np.arange(iq.size) / SOUND_RATE_HZ
    return PEAK * np.real(iq * np.exp(2j * math.pi * MF_CENTRE_HZ * times))


def setup_tones(law: Law) -> NDArray[np.float64]:
    """The set-up tones at the call's own strength: 2100 Hz, a second of silence, 1300 Hz."""
    times = np.arange(round(SETUP_S * SOUND_RATE_HZ)) / SOUND_RATE_HZ
    higher, lower = (np.sin(2 * math.pi * tone_hz * times) for tone_hz in (VHF_TONE_B_HZ, VHF_TONE_Y_HZ))
    return PEAK * np.concatenate([_by_law(higher, law), np.zeros(SOUND_RATE_HZ), _by_law(lower, law)])


def vhf_sheet(frequency_hz: float, law: Law, call_file: str, setup_file: str) -> str:
    """What to set at the generator before the call is played."""
    mode = "phase modulation (the sound is flat)" if law == "flat" else "FM (the sound is pre-emphasised)"
    return f"""Sheet for {call_file}
  Generator      {frequency_hz / 1e6:.4f} MHz, external modulation, {mode}
  Connection     closed cable only: generator, attenuator, receiver; the ship's antenna is off
  Set-up first   play {setup_file} and set the modulation input:
                   2100 Hz   4.20 kHz peak deviation (3.78 to 4.62)
                   1300 Hz   2.60 kHz peak deviation (2.34 to 2.86)
                 Both come right together; if not, the generator is in the other mode.
  Level          begin at 60 dBµV, then go down; the sensitivity test is at 0 dBµV (1 µV), good where at most
                 1 character in 100 is wrong (300 clean characters prove that)
  Sound          {SOUND_RATE_HZ} samples a second, all tone controls and effects off, volume never touched again"""


def mf_sheet(frequency_hz: float, call_file: str) -> str:
    """What to set at an AM generator before the call is played."""
    return f"""Sheet for {call_file}
  Generator      {(frequency_hz - MF_CENTRE_HZ) / 1e3:.1f} kHz, external amplitude modulation, 80 %:
                 the upper sideband lands on {frequency_hz / 1e3:.1f} kHz, 8 dB below the carrier;
                 carrier and lower sideband fall outside the receiver
  Connection     closed cable only, with a DC block; the ship's antenna is off
  Level          begin 60 dB above 1 µV at the receiver, then go down, counting the sideband, not the carrier
  Sound          {SOUND_RATE_HZ} samples a second, all tone controls and effects off, volume never touched again"""
