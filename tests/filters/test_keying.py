"""Edges and gaps in the ratio of power to noise."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.filters import keying
from sdrcheck.filters.keying import TELEGRAPHY, TELEPHONY_FM, Run, runs

FM_HZ, F1B_HZ = 23_000.0, 1_000.0


def envelope(manner: keying.Manner, spans: list[tuple], seconds: float, bandwidth_hz: float) -> np.ndarray:
    """Ratio of power to noise, window by window: noise everywhere, and carriers (on, off, ratio) in it."""
    random = np.random.default_rng(6)
    count = int(seconds / manner.window_s)
    independent = max(1, round(bandwidth_hz * manner.window_s))
    noise = random.standard_normal((count, independent, 2)).view(complex)[..., 0] / np.sqrt(2)
    time = (np.arange(count) + 0.5) * manner.window_s
    carrier = np.zeros(count)
    for on, off, ratio in spans:
        carrier[(time >= on) & (time < off)] = np.sqrt(ratio)
    return np.mean(np.abs(noise + carrier[:, None]) ** 2, axis=1)


def spans_of(found: list[Run], manner: keying.Manner) -> list[tuple[float, float]]:
    return [(run.on * manner.window_s, run.off * manner.window_s) for run in found]


@pytest.mark.parametrize("ratio", [30.0, 1e3, 1e6])
def test_a_strong_keying_is_found_to_a_millisecond(ratio):
    found = runs(envelope(TELEPHONY_FM, [(0.5, 0.95, ratio)], 1.5, FM_HZ), TELEPHONY_FM, FM_HZ)
    assert spans_of(found, TELEPHONY_FM) == [(pytest.approx(0.5, abs=0.001), pytest.approx(0.95, abs=0.001))]


def test_a_weak_keying_is_found_to_its_smoothing():
    found = runs(envelope(TELEPHONY_FM, [(0.5, 1.3, 2.0)], 2.0, FM_HZ), TELEPHONY_FM, FM_HZ)
    assert spans_of(found, TELEPHONY_FM) == [(pytest.approx(0.5, abs=0.012), pytest.approx(1.3, abs=0.012))]


def test_fifty_milliseconds_of_quiet_part_two_calls_but_five_do_not():
    for gap_s, count in ((0.05, 2), (0.005, 1)):
        spans = [(0.2, 0.65, 1e3), (0.65 + gap_s, 1.1 + gap_s, 1e3)]
        assert len(runs(envelope(TELEPHONY_FM, spans, 1.5, FM_HZ), TELEPHONY_FM, FM_HZ)) == count


def test_a_gradual_fade_into_the_noise_ends_nothing():
    steps = 200
    fade = [
        (0.5 + i * 0.01, 0.51 + i * 0.01, 1e3 * 10 ** (-2.8 * np.sin(np.pi * i / steps) ** 8)) for i in range(steps)
    ]
    found = runs(envelope(TELEPHONY_FM, fade, 3.0, FM_HZ), TELEPHONY_FM, FM_HZ)
    assert spans_of(found, TELEPHONY_FM) == [(pytest.approx(0.5, abs=0.002), pytest.approx(2.5, abs=0.02))]


@pytest.mark.parametrize(("manner", "bandwidth_hz"), [(TELEPHONY_FM, FM_HZ), (TELEGRAPHY, F1B_HZ)])
def test_noise_alone_is_no_keying(manner, bandwidth_hz):
    assert runs(envelope(manner, [], 20.0, bandwidth_hz), manner, bandwidth_hz) == []


def test_lost_samples_leave_the_channel_as_it_was():
    ratio = envelope(TELEPHONY_FM, [(0.5, 1.5, 1e3)], 2.0, FM_HZ)
    lost = np.zeros(ratio.size, np.bool_)
    lost[1600:2000] = True
    ratio[lost] = 0.0
    assert len(runs(ratio, TELEPHONY_FM, FM_HZ)) == 2
    assert len(runs(ratio, TELEPHONY_FM, FM_HZ, lost=lost)) == 1


def test_edges_are_told_at_a_tenth_of_the_amplitude():
    """A carrier that rises linearly in amplitude over 10 ms crosses a tenth of it after 1 ms."""
    rate = 48_000.0
    amplitude = np.concatenate([np.zeros(4_800), np.linspace(0, 1, 480), np.ones(9_600), np.zeros(4_800)])
    rough = (4_800 + 240, 4_800 + 480 + 9_600 + 5)
    on, off = keying.refined(amplitude**2, 1e-6, rough, int(0.05 * rate))
    assert on / rate == pytest.approx(0.101, abs=1e-4)
    assert off / rate == pytest.approx(0.31, abs=1e-4)


def test_a_pause_of_loud_speech_is_no_step_to_another_station():
    """Windows of 5 ms: speech 40 dB over the noise, silent for 0.3 s in the middle."""
    ratio = np.ones(600)
    ratio[100:300], ratio[360:500] = 1e4, 1e4
    found = keying.runs(ratio, keying.SINGLE_SIDEBAND, 4_500.0)
    assert [(run.on, run.off) for run in found] == [(pytest.approx(100, abs=2), pytest.approx(500, abs=2))]
