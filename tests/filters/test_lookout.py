"""What is found in wide-band scenes, and what must not be. All scenes are synthetic."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.filters.lookout import Lookout
from sdrcheck.filters.sightings import Heard, Spectrum
from tests.filters.scene import CHANNELS_HZ, MS, Scene, gmsk, heard_in, rows, table


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


def test_a_carrier_that_comes_up_beside_its_channel_is_one_transmission_and_its_opening_shows_where():
    """It stands 10 ms at 28 kHz above channel 72, as made, and is no station on the channel there."""
    scene = Scene(250_000.0, 156_600_000.0, 2.0)
    swing = 28_000.0 * np.minimum(np.arange(round(0.8 * scene.rate)) / scene.rate, 0.01)
    scene.put(np.exp(2j * np.pi * swing), CHANNELS_HZ["72"], 0.6, -15, ramp_s=0.0005)
    heard, _ = heard_in(scene)
    assert table(heard) == rows(("72", 0.61, 1.4))
    opening = heard[0].excerpt.opening
    before = opening.iq[opening.key_on - int(0.008 * opening.sample_rate_hz) : opening.key_on - 100]
    turn = np.angle(np.mean(before[1:] * np.conj(before[:-1]))) * opening.sample_rate_hz / (2 * np.pi)
    assert turn == pytest.approx(28_000, abs=50)


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


@pytest.mark.parametrize("rate", [25_000.0, 48_001.0, 3_200_000.0])
def test_any_rate(rate):
    scene = Scene(rate, 156_626_000.0, 1.9).voice(CHANNELS_HZ["72"], 0.6, 1.4, -20)
    (one,) = heard_in(scene)[0]
    assert table([one]) == rows(("72", 0.6, 1.4))
    assert 40_000 <= one.excerpt.sample_rate_hz <= 64_000
    assert 10 * np.log10(one.excerpt.noise_density * 16e3) == pytest.approx(-60, abs=1.2)


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


@pytest.mark.parametrize("prompt", [False, True])
def test_losses_are_remembered_as_long_as_something_of_them_may_be_told(prompt):
    """Each tenth of a second 100 samples are lost: those of the keying are told, and hours of them weigh nothing."""
    rate = 250_000.0
    scene = Scene(rate, 156_600_000.0, 8.0).tone(CHANNELS_HZ["72"], 1.02, 4.03, -15)
    iq = scene.iq.astype(np.complex64)
    places = range(25_000, iq.size, 25_000)
    lookout = Lookout(rate, 156_600_000.0, prompt=prompt)
    heard, most = [], 0
    for place in range(0, iq.size, 12_500):
        part = iq[place : place + 12_500].copy()
        lost = ((place, 100),) if place in places else ()
        part[:100] = 0 if lost else part[:100]
        heard += [one for one in lookout.feed(part, lost) if isinstance(one, Heard)]
        most = max(most, len(lookout._lost))
    (one,) = heard
    starts = [one.excerpt.start_s + at / one.excerpt.sample_rate_hz for at, _ in one.excerpt.lost]
    assert starts == pytest.approx(np.arange(len(starts)) / 10 + starts[0], abs=MS)
    assert [starts[0], starts[-1]] == pytest.approx([0.9, 4.1], abs=MS)  # 0.15 s of quiet stand on either side
    assert most < 50
    assert len(lookout._lost) < 20


def test_lost_samples_are_placed_in_the_excerpt():
    scene = Scene(250_000.0, 156_600_000.0, 2.2).tone(CHANNELS_HZ["72"], 0.4, 1.9, -20)

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


def test_spectra_are_told_while_the_noise_is_learnt_each_once():
    scene = Scene(250_000.0, 156_600_000.0, 3.0).tone(CHANNELS_HZ["72"], 0.4, 2.0, -15)
    lookout = Lookout(scene.rate, scene.centre_hz, prompt=True)
    samples = scene.iq.astype(np.complex64)
    block = round(0.05 * scene.rate)
    told = []
    for start in range(0, scene.iq.size, block):
        for one in lookout.feed(samples[start : start + block]):
            if isinstance(one, Spectrum):
                told.append((start / scene.rate, one))
    assert told[0][0] < 0.3  # long before the 1.5 s from which the noise is learnt
    places = [one.start_s + place * one.block_s for _, one in told for place in range(len(one.densities))]
    assert np.diff(places) == pytest.approx(np.full(len(places) - 1, told[0][1].block_s))
    assert places[0] == 0.0
