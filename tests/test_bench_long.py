"""A key that is stuck: the longer it lasts, the more is told, but no more is held. The signal is synthetic."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from sdrcheck.bench import Settings, collect, run
from sdrcheck.findings.inspection import Transmission
from sdrcheck.sources.synthetic import Synthetic

RATE, CENTRE_HZ, CHANNEL_72_HZ = 60_000.0, 156_610_000.0, 156_625_000
PIECE_S = 30.0
"""A transmission on VHF is measured in pieces of this length."""


def stuck_for(seconds: int) -> tuple[Transmission, int]:
    """What is told of a bare carrier that never ends, and how many bytes were held at most."""
    count = int(RATE)
    iq = np.random.default_rng(1).normal(0, 0.01, (count, 2)).view(complex)[:, 0]
    iq += 0.2 * np.exp(2j * np.pi * (CHANNEL_72_HZ - CENTRE_HZ) / RATE * np.arange(count))
    tracemalloc.start()
    (one,) = collect(
        run(Synthetic(iq, RATE, CENTRE_HZ, "cu8", repeats=seconds), Settings(frames_per_s=0))
    ).transmissions
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return one, most


def test_a_stuck_key_is_one_transmission_and_its_samples_are_let_go() -> None:
    stuck_for(2)  # what is loaded once
    short, short_bytes = stuck_for(round(2.3 * PIECE_S))
    long, long_bytes = stuck_for(round(3.6 * PIECE_S))
    assert (short.channel, long.channel) == ("72", "72")
    assert long.duration_s == pytest.approx(3.6 * PIECE_S, abs=0.5)
    piece_bytes = PIECE_S * 48_000 * 8
    assert long_bytes < short_bytes + piece_bytes / 2
