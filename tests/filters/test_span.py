"""Where in the span something lies, and what it is then called. All scenes are synthetic."""

from __future__ import annotations

import numpy as np
import pytest

from tests.filters.scene import CHANNELS_HZ, Scene, heard_in, rows, table


def test_off_the_plan_and_off_the_channel():
    scene = Scene(250_000.0, 150_000_000.0, 2.2)
    scene.voice(150_030_100, 0.4, 1.9, -20).voice(149_950_000, 0.8, 1.6, -40, seed=4)
    heard, _ = heard_in(scene)
    assert table(heard) == rows((None, 0.4, 1.9), (None, 0.8, 1.6))
    assert sorted(one.excerpt.centre_hz for one in heard) == [
        pytest.approx(149_950_000, abs=1500),
        pytest.approx(150_030_000, abs=1500),
    ]
    far = Scene(250_000.0, 156_600_000.0, 2.2).tone(CHANNELS_HZ["72"] + 6_000, 0.4, 1.9, -20)
    (one,) = heard_in(far)[0]
    assert one.excerpt.channel.name == "72"
    assert one.excerpt.centre_hz == pytest.approx(CHANNELS_HZ["72"] + 6_000, abs=600)


def test_only_the_wanted_channels():
    from sdrcheck.channels import plan

    scene = Scene(250_000.0, 156_600_000.0, 1.9)
    scene.tone(CHANNELS_HZ["72"], 0.4, 1.4, -15).tone(CHANNELS_HZ["11"], 0.5, 1.3, -15)
    heard, _ = heard_in(scene, channels=tuple(c for c in plan.PLAN if c.name == "11"))
    assert table(heard) == rows(("11", 0.5, 1.3))


def test_the_reference_says_where_the_channels_lie():
    """A dongle 40 ppm high indicates 156.525 MHz as 156.531 261 MHz."""
    indicated = CHANNELS_HZ["70"] * (1 + 40e-6)
    scene = Scene(250_000.0, 156_600_000.0, 1.9).voice(indicated, 0.4, 1.4, -20)
    (one,) = heard_in(scene, correction_ppm=40.0)[0]
    assert one.excerpt.channel.name == "70"
    assert one.excerpt.centre_hz == pytest.approx(indicated, abs=1)


@pytest.mark.parametrize("keyed_s", [0.1, 2.0])
def test_a_carrier_is_on_its_telephony_channel_however_it_is_keyed(keyed_s: float):
    """Clicks of hard keying reach below the sideband."""
    scene = Scene(48_000.0, 2_180_000.0, 3.0, noise_dbfs=-75)
    time = np.arange(int(2 * scene.rate)) / scene.rate
    dots = np.exp(2j * np.pi * 3 * time) * (time % (2 * keyed_s) < keyed_s)
    heard, _ = heard_in(scene.put(dots, 2_182_000, 0.5, -20))
    assert {one.excerpt.channel and one.excerpt.channel.name for one in heard} == {"2182"}
