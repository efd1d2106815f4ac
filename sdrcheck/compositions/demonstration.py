"""A composed test call to try the decoders on, wherever there is no receiver. Identities are invented."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.level import Keying, noise, placed
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.fields import CallType

RATE_HZ = 120_000.0
CENTRE_HZ = 156_500_000.0
CHANNEL_70_HZ = 156_525_000.0


def test_call() -> NDArray[np.complex128]:
    """One second with a test call on channel 70, 40 dB over the noise in 25 kHz, at `RATE_HZ` about `CENTRE_HZ`."""
    order = CallOrder(type=CallType.TEST_CALL, self_id="211999990", to="002119990")
    wave = vhf_call(call_bits(order.information()), RATE_HZ)
    quiet = noise(int(RATE_HZ), RATE_HZ, -12.0 - 40.0 - 10 * np.log10(25_000), np.random.default_rng(70))
    return placed([Keying(wave, 0.2, CHANNEL_70_HZ, -12.0)], quiet, RATE_HZ, CENTRE_HZ)
