"""A slot that is followed gives the same keyings, in however many blocks its samples come."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.filters import channeliser as bank
from sdrcheck.filters import keying
from sdrcheck.filters.track import Keying, Slot, Track

BLOCKS = 48


def keyings(bank_: bank.Channeliser, samples: np.ndarray, noise: np.ndarray, blocks_at_once: int) -> list[Keying]:
    slot = Slot(None, 0.0, bank.TELEGRAPHY, keying.TELEGRAPHY, -300.0, 300.0, 0.5, 60.0)
    track = Track(slot, bank_, 0)
    for first in range(0, BLOCKS, blocks_at_once):
        part = noise[first : first + blocks_at_once]
        track.add(samples[first * track.per_block : (first + part.size) * track.per_block], part, part)
    return list(track.advance(ended=True))


@pytest.mark.parametrize("level", [0.3, 0.06])
def test_a_window_is_held_against_the_noise_of_the_block_it_began_in(level):
    """Samples of a block are no whole number of power windows here, and each block has a noise of its own."""
    bank_ = bank.Channeliser(12_000.0, 0.15)
    count = BLOCKS * bank_.samples_per_block(bank.TELEGRAPHY)
    random = np.random.default_rng(8)
    samples = (random.standard_normal((count, 2)) * 0.02).view(complex)[:, 0].astype(np.complex64)
    samples[count // 3 : count * 2 // 3] += level
    rate = bank_.channel_rate_hz(bank.TELEGRAPHY)
    assert bank_.samples_per_block(bank.TELEGRAPHY) % round(keying.TELEGRAPHY.window_s * rate)
    noise = 2 * 0.02**2 / rate * random.uniform(2.0, 4.0, BLOCKS)
    (whole,), (apart,) = (keyings(bank_, samples, noise, blocks_at_once) for blocks_at_once in (BLOCKS, 1))
    assert (apart.on_s, apart.off_s) == (whole.on_s, whole.off_s)
    assert (apart.power, apart.strength) == (whole.power, whole.strength)
