"""A ship's receiver remembers what it stored from one transmission to the next. Synthetic."""

from __future__ import annotations

import numpy as np

from sdrcheck.bench import Settings, collect, run
from sdrcheck.compositions.text import TextMessage, bits_on_air, slots_on_air
from sdrcheck.sources.synthetic import Synthetic
from tests.decoders.f1b_signals import on_air


def test_a_message_repeated_in_a_later_transmission_is_suppressed() -> None:
    bits = bits_on_air(slots_on_air([TextMessage("Q", "A", "07", "INVENTED").characters()]))
    random = np.random.default_rng(1)
    once, again = (
        on_air(bits, random, one_is="B", ebn0_db=25.0, sample_rate_hz=4_000.0, lead_s=1.0, tail_s=12.0)[0]
        for _ in range(2)
    )
    source = Synthetic(0.3 * np.concatenate([once, again]), 4_000.0, 518_000.0, "cf32_le")
    first, second = (
        message
        for transmission in collect(run(source, Settings(frames_per_s=0.0))).transmissions
        for message in transmission.messages
    )
    assert first.ordinary_receiver.stored
    assert not second.ordinary_receiver.printed
    assert "already stored" in second.ordinary_receiver.reason
