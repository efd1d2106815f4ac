"""What is the receiver's own and what is keyed upon it. All scenes are synthetic."""

from __future__ import annotations

import numpy as np
import pytest

from tests.filters.scene import CHANNELS_HZ, Scene, heard_in, rows, table


@pytest.mark.parametrize(("deviation_hz", "offset_hz"), [(3000.0, 141.0), (0.0, 141.0), (0.0, 0.0)])
def test_the_dc_spike_on_the_keyed_channel(deviation_hz, offset_hz):
    """A carrier keyed exactly on the spike counts; the spike itself does not."""
    scene = Scene(250_000.0, CHANNELS_HZ["72"], 2.5, noise_dbfs=-70)
    scene.tone(CHANNELS_HZ["72"] + offset_hz, 0.5, 1.9, -20, deviation_hz)
    scene.iq += 0.03 * np.exp(0.7j)
    heard, lookout = heard_in(scene)
    assert table(heard) == rows(("72", 0.5, 1.9))
    assert np.mean(heard[0].excerpt.iq[:3000]) == pytest.approx(0.0, abs=1e-3)
    assert any("offset at 0 Hz" in remark for remark in lookout.remarks)


def test_an_offset_exactly_on_the_carrier_of_a_telephony_channel():
    """A receiver tuned to the dial itself, its samples as floats: the offset is not the rest of the carrier."""
    scene = Scene(48_000.0, 2_182_000.0, 2.0, noise_dbfs=-75)
    scene.put(np.exp(2j * np.pi * 1000 / scene.rate * np.arange(int(1.2 * scene.rate))), 2_182_000, 0.4, -20)
    scene.iq += 0.01
    heard, lookout = heard_in(scene)
    assert table(heard) == rows(("2182", 0.4, 1.6))
    assert any("offset at 0 Hz" in remark for remark in lookout.remarks)


def test_a_carrier_keyed_exactly_at_0_hz_for_most_of_a_recording_is_no_offset():
    scene = Scene(48_000.0, 2_182_000.0, 2.0, noise_dbfs=-75)
    scene.put(np.ones(int(1.2 * scene.rate)), 2_182_000, 0.4, -30)
    heard, lookout = heard_in(scene)
    assert table(heard) == rows(("2182", 0.4, 1.6))
    assert lookout.remarks == []
