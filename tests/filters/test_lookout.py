"""What is found in wide-band scenes, and what must not be. All scenes are synthetic."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.filters.iq import complex_samples
from sdrcheck.recordings.datatypes import quantise
from tests.filters.scene import CHANNELS_HZ, Scene, gmsk, heard_in, table

MS = 0.003


def rows(*expected):
    return [(name, pytest.approx(on, abs=MS), pytest.approx(off, abs=MS)) for name, on, off in expected]


def test_two_channels_at_once():
    scene = Scene(1_024_000.0, 156_600_000.0, 2.5)
    scene.tone(CHANNELS_HZ["72"], 0.5, 2.1, -15).voice(CHANNELS_HZ["70"], 0.9, 1.4, -35)
    assert table(heard_in(scene)[0]) == rows(("72", 0.5, 2.1), ("70", 0.9, 1.4))


def test_fifty_milliseconds_apart_are_two_transmissions_with_the_quiet_around_each():
    scene = Scene(250_000.0, 156_600_000.0, 2.0)
    scene.tone(CHANNELS_HZ["72"], 0.4, 0.9, -15).tone(CHANNELS_HZ["72"], 0.95, 1.45, -15)
    heard, _ = heard_in(scene)
    assert table(heard) == rows(("72", 0.4, 0.9), ("72", 0.95, 1.45))
    for one in heard:
        excerpt = one.excerpt
        assert excerpt.key_on / excerpt.sample_rate_hz > 0.04
        assert (excerpt.iq.size - excerpt.key_off) / excerpt.sample_rate_hz > 0.04


def test_cut_at_either_end():
    scene = Scene(250_000.0, 156_600_000.0, 2.0)
    scene.tone(CHANNELS_HZ["72"], -1.0, 0.6, -15).tone(CHANNELS_HZ["72"], 1.2, 3.0, -15)
    first, second = sorted((one.excerpt for one in heard_in(scene)[0]), key=lambda e: e.start_s)
    assert (first.cut_at_start, first.cut_at_end, second.cut_at_start, second.cut_at_end) == (True, False, False, True)
    assert first.key_on_s == pytest.approx(0.0, abs=MS)
    assert second.key_on_s + second.duration_s == pytest.approx(2.0, abs=MS)


@pytest.mark.parametrize("deviation_hz", [3000.0, 0.0])
def test_keyed_all_the_time(deviation_hz):
    scene = Scene(250_000.0, 156_600_000.0, 2.0).tone(CHANNELS_HZ["72"], -1.0, 3.0, -15, deviation_hz)
    (one,) = heard_in(scene)[0]
    assert one.excerpt.cut_at_start
    assert one.excerpt.cut_at_end
    assert 10 * np.log10(one.excerpt.noise_density * 16e3) == pytest.approx(-60, abs=1.0)


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


def test_identification_bursts_are_short_and_apart():
    scene = Scene(1_024_000.0, 161_900_000.0, 2.2)
    burst_s = 256 / 9600
    for place, (at_s, frequency_hz) in enumerate(((0.5, 161_975_000), (0.55, 162_025_000), (1.4, 161_975_000))):
        scene.put(gmsk(int(burst_s * scene.rate), scene.rate, place), frequency_hz, at_s, -20)
    found = table(heard_in(scene)[0])
    assert found == rows(("AIS 1", 0.5, 0.5 + burst_s), ("AIS 2", 0.55, 0.55 + burst_s), ("AIS 1", 1.4, 1.4 + burst_s))


def test_noise_alone_is_nothing():
    assert heard_in(Scene(1_024_000.0, 156_600_000.0, 5.0))[0] == []
    assert heard_in(Scene(12_000.0, 2_185_000.0, 120.0))[0] == []


def test_gain_steps_are_not_keying():
    scene = Scene(250_000.0, 156_600_000.0, 3.0).tone(CHANNELS_HZ["72"], 0.8, 2.3, -25)
    gain = np.ones(scene.iq.size)
    gain[int(0.4 * scene.rate) :] = 10 ** (-10 / 20)
    gain[int(1.5 * scene.rate) :] = 10 ** (8 / 20)
    scene.iq *= gain
    assert table(heard_in(scene)[0]) == rows(("72", 0.8, 2.3))


def test_a_slow_fade_stays_one_transmission():
    scene = Scene(250_000.0, 156_600_000.0, 4.0)
    faded = Scene(250_000.0, 156_600_000.0, 4.0, noise_dbfs=-300).voice(CHANNELS_HZ["72"], 0.5, 3.5, -20)
    depth = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(scene.iq.size) / scene.rate - 0.5))
    scene.iq += faded.iq * 10 ** (-30 / 20 * depth)
    assert table(heard_in(scene)[0]) == rows(("72", 0.5, 3.5))


def test_runs_of_exact_zeros_are_neither_signal_nor_noise():
    scene = Scene(250_000.0, 156_600_000.0, 3.0).tone(CHANNELS_HZ["72"], 1.0, 2.0, -20)
    for low, high in ((0.2, 0.7), (1.3, 1.34), (2.4, 2.9)):
        scene.iq[int(low * scene.rate) : int(high * scene.rate)] = 0
    assert table(heard_in(scene)[0]) == rows(("72", 1.0, 1.3), ("72", 1.34, 2.0))


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


@pytest.mark.parametrize("rate", [25_000.0, 48_001.0, 3_200_000.0])
def test_any_rate(rate):
    scene = Scene(rate, 156_626_000.0, 1.9).voice(CHANNELS_HZ["72"], 0.6, 1.4, -20)
    (one,) = heard_in(scene)[0]
    assert table([one]) == rows(("72", 0.6, 1.4))
    assert 40_000 <= one.excerpt.sample_rate_hz <= 64_000
    assert 10 * np.log10(one.excerpt.noise_density * 16e3) == pytest.approx(-60, abs=1.2)


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


def test_very_long_ones_come_in_pieces_that_join():
    scene = Scene(50_000.0, CHANNELS_HZ["72"], 70.0)
    wave = np.exp(2j * np.pi * 100 / scene.rate * np.arange(int(66 * scene.rate)))
    heard, _ = heard_in(scene.put(wave, CHANNELS_HZ["72"], 2.0, -20))
    assert len({one.number for one in heard}) == 1
    assert [one.last for one in heard] == [False, False, True]
    ends = [one.excerpt.key_on_s + one.excerpt.duration_s for one in heard]
    starts = [one.excerpt.key_on_s for one in heard]
    assert starts == [pytest.approx(2.0, abs=MS), pytest.approx(ends[0], abs=1e-6), pytest.approx(ends[1], abs=1e-6)]
    assert ends[-1] == pytest.approx(68.0, abs=MS)
    assert all(one.excerpt.duration_s <= 60 for one in heard)


def test_lost_samples_are_placed_in_the_excerpt():
    scene = Scene(250_000.0, 156_600_000.0, 2.2).tone(CHANNELS_HZ["72"], 0.4, 1.9, -20)
    from sdrcheck.filters.lookout import Heard, Lookout

    place, count = int(1.0 * scene.rate), int(0.03 * scene.rate)
    scene.iq[place : place + count] = 0
    lookout = Lookout(scene.rate, scene.centre_hz)
    samples = scene.iq.astype(np.complex64)
    sightings = [*lookout.feed(samples[:place])]
    sightings += lookout.feed(samples[place : place + count], ((place, count),))
    sightings += lookout.feed(samples[place + count :])
    sightings += lookout.flush()
    (excerpt,) = [one.excerpt for one in sightings if isinstance(one, Heard)]
    ((at, length),) = excerpt.lost
    assert excerpt.start_s + at / excerpt.sample_rate_hz == pytest.approx(1.0, abs=1e-4)
    assert length / excerpt.sample_rate_hz == pytest.approx(0.03, abs=1e-4)


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


@pytest.mark.parametrize("noise_dbfs", [-300.0, -65.0])
def test_the_steps_of_eight_bits_are_no_signals(noise_dbfs):
    scene = Scene(240_000.0, 156_500_000.0, 2.0, noise_dbfs=noise_dbfs).tone(CHANNELS_HZ["11"], 0.5, 1.5, -20)
    scene.iq = complex_samples(quantise(scene.iq, "cu8"), "cu8")
    assert table(heard_in(scene, few_bits=True)[0]) == rows(("11", 0.5, 1.5))
