"""What only echoes a stronger signal is left out, and what stands beside it is not. All scenes are synthetic."""

from __future__ import annotations

import numpy as np
import pytest

from tests.filters.scene import CHANNELS_HZ, Scene, heard_in, rows, table


@pytest.mark.parametrize(("neighbour", "seed"), [("71", 3), ("71", 8), ("72", 3)])
def test_a_neighbour_40_db_stronger_adds_nothing_and_hides_nothing(neighbour, seed):
    scene = Scene(250_000.0, 156_580_000.0, 2.6, noise_dbfs=-85)
    scene.voice(CHANNELS_HZ[neighbour], 0.3, 2.3, -5, seed=seed)
    alone = Scene(250_000.0, 156_580_000.0, 2.6, noise_dbfs=-85, seed=2).voice(
        CHANNELS_HZ[neighbour], 0.3, 2.3, -5, seed=seed, ramp_s=0.0
    )
    assert table(heard_in(alone)[0]) == rows((neighbour, 0.3, 2.3))
    scene.voice(CHANNELS_HZ["11"], 0.8, 1.6, -45, seed=5)
    assert table(heard_in(scene)[0]) == rows((neighbour, 0.3, 2.3), ("11", 0.8, 1.6))


def test_equal_timing_beside_a_strong_neighbour_still_counts():
    scene = Scene(250_000.0, 156_580_000.0, 2.0, noise_dbfs=-85)
    scene.voice(CHANNELS_HZ["71"], 0.4, 1.6, -5, seed=3).voice(CHANNELS_HZ["11"], 0.4, 1.6, -45, seed=5)
    assert {name for name, _, _ in table(heard_in(scene)[0])} == {"11", "71"}


def test_the_mirror_image_is_told_from_a_station():
    scene = Scene(250_000.0, 156_600_000.0, 2.5, noise_dbfs=-75).voice(CHANNELS_HZ["72"], 0.4, 1.9, -10)
    scene.iq += 0.01 * np.conj(scene.iq)
    heard, lookout = heard_in(scene)
    assert table(heard) == rows(("72", 0.4, 1.9))
    assert any("mirror image of 156.625 MHz" in remark for remark in lookout.remarks)

    scene = Scene(250_000.0, 156_600_000.0, 2.5, noise_dbfs=-75)
    scene.voice(CHANNELS_HZ["72"], 0.4, 1.9, -10).voice(CHANNELS_HZ["71"], 0.4, 1.9, -50, seed=9)
    assert {name for name, _, _ in table(heard_in(scene)[0])} == {"71", "72"}


def test_a_station_that_comes_up_on_the_image_of_another_begins_when_it_does():
    """156.825 MHz is the mirror of 156.575 MHz about 156.700 MHz, so each lies on the other's image."""
    scene = Scene(1_024_000.0, 156_700_000.0, 1.8, noise_dbfs=-85)
    scene.tone(156_825_000, 0.4, 1.0, -20).tone(156_575_000, 0.7, 1.3, -22, deviation_hz=0.0)
    scene.iq += 10 ** (-49 / 20) * np.conj(scene.iq)
    assert table(heard_in(scene)[0]) == rows(("76", 0.4, 1.0), ("71", 0.7, 1.3))


def test_a_hard_keyed_neighbour_far_off_makes_no_keying_longer():
    scene = Scene(1_024_000.0, 156_600_000.0, 2.2, noise_dbfs=-90)
    scene.voice(CHANNELS_HZ["72"], 0.4, 1.4, -10, ramp_s=0.0)
    scene.tone(156_425_000, 0.55, 1.2, -50)
    assert table(heard_in(scene)[0]) == rows(("72", 0.4, 1.4), ("68", 0.55, 1.2))
