"""What an ordinary receiver hears where the carrier rises and falls. Worked calls, sent and received by us."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.vhf import decode
from tests.decoders.dsc.worked import CALLS
from tests.decoders.vhf_signals import CLEAN, RATE, bits_of_call, in_noise

VHF_CALLS = [call for call in CALLS.values() if call.dots == 20]


@pytest.mark.parametrize(
    ("offset_hz", "ramp_s"), [(0.0, 0.0005), (1400.0, 0.0005), (-1400.0, 0.0005), (-1400.0, 0.0008)]
)
def test_a_carrier_that_falls_within_the_last_bit_costs_no_copy(offset_hz, ramp_s):
    """Most of the last bit of the second ECC is there, and a set that keys that close is no faulty set."""
    ramp = round(ramp_s * RATE)
    rise = np.sin(np.pi / 2 * (np.arange(ramp) + 0.5) / ramp) ** 2
    for seed, worked in enumerate(VHF_CALLS):
        wave = vhf_call(bits_of_call(worked), RATE)
        wave *= np.exp(2j * np.pi * offset_hz / RATE * np.arange(wave.size))
        wave[:ramp] *= rise
        wave[-ramp:] *= rise[::-1]
        (one,) = decode(in_noise(wave, CLEAN, seed)).calls
        assert one.call.first_copy == one.call.second_copy == one.call.symbols
