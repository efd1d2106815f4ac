"""Recordings of 8 bits whose noise is finer than their steps: what is keyed stands where it was. All are synthetic."""

from __future__ import annotations

import pytest

from sdrcheck.filters.iq import complex_samples
from sdrcheck.recordings.datatypes import quantise
from tests.filters.scene import CHANNELS_HZ, Scene, heard_in, rows, table

RATE = 250_000.0
KEYED = [("13", 0.3, 1.1), ("70", 1.4, 1.9), ("11", 2.3, 2.8)]


@pytest.mark.parametrize(("level_dbfs", "noise_dbfs"), [(-6.0, -68.0), (-6.0, -200.0), (-20.0, -62.0), (-26.0, -68.0)])
@pytest.mark.parametrize("offset", [0.0, 0.004 + 0.0024j, 0.02 + 0.012j])
def test_steps_that_no_noise_hides_move_no_edge(level_dbfs, noise_dbfs, offset):
    scene = Scene(RATE, 156_600_000.0, 3.2, noise_dbfs=noise_dbfs)
    scene.tone(CHANNELS_HZ["13"], 0.3, 1.1, level_dbfs)
    scene.voice(CHANNELS_HZ["70"], 1.4, 1.9, level_dbfs)
    scene.tone(CHANNELS_HZ["11"], 2.3, 2.8, level_dbfs, deviation_hz=0.0)
    scene.iq += offset
    raw = quantise(scene.iq, "cu8").astype(float)
    scene.iq = (raw[0::2] - 127.5 + 1j * (raw[1::2] - 127.5)) / 128
    heard, _ = heard_in(scene, few_bits=True)
    expected = [(name, pytest.approx(on, abs=0.005), pytest.approx(off, abs=0.005)) for name, on, off in KEYED]
    assert table(heard) == expected


@pytest.mark.parametrize("noise_dbfs", [-300.0, -65.0])
def test_the_steps_of_eight_bits_are_no_signals(noise_dbfs):
    scene = Scene(240_000.0, 156_500_000.0, 2.0, noise_dbfs=noise_dbfs).tone(CHANNELS_HZ["11"], 0.5, 1.5, -20)
    scene.iq = complex_samples(quantise(scene.iq, "cu8"), "cu8")
    assert table(heard_in(scene, few_bits=True)[0]) == rows(("11", 0.5, 1.5))
