"""Modulating tones and SINAD, against the formulas of FM."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sdrcheck.measurements import fm, tones
from sdrcheck.measurements.condition import Condition
from sdrcheck.measurements.residual import de_emphasis
from sdrcheck.measurements.spectrum import one_sided_density
from sdrcheck.measurements.stretch import settled
from tests.measurements.signals import excerpt, times


def one_tone(tone_hz: float, deviation_hz: float, seconds: float = 0.8) -> np.ndarray:
    return np.exp(1j * deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz * times(seconds)))


@pytest.mark.parametrize("tone_hz", [312.5, 999.7, 1250.0, 2741.3])
def test_tone_is_read_to_a_millihertz(tone_hz: float) -> None:
    found = fm.measure(excerpt(one_tone(tone_hz, 3000), np.random.default_rng(1), snr_db=40))
    assert found.condition is Condition.ONE_TONE
    reading = found.readings["modulating tone"]
    assert reading.value == pytest.approx(tone_hz, abs=1e-3)
    assert abs(reading.value - tone_hz) <= 1.5 * reading.uncertainty


@pytest.mark.parametrize(("carrier_to_noise_db", "noise_deviation_hz", "snr_db"), [(20, 75.0, 29.03), (40, 7.5, 49.03)])
def test_fm_signal_to_noise_formula(carrier_to_noise_db: float, noise_deviation_hz: float, snr_db: float) -> None:
    """SNR = (3/2)·β²·(B/W)·CNR with Δf 3 kHz, W 3 kHz, B 16 kHz, and its rms noise deviation W³/(3·CNR·B) squared.

    Textbook formula, from memory, with the values computed from it; flat audio, so the demodulated noise is compared.
    """
    assert 10 * math.log10(1.5 * 16 / 3 * 10 ** (carrier_to_noise_db / 10)) == pytest.approx(snr_db, abs=0.01)
    in_25_khz = carrier_to_noise_db - 10 * math.log10(25 / 16)
    stretch = settled(excerpt(np.exp(2j * np.pi * 0 * times(2.0)), np.random.default_rng(2), snr_db=in_25_khz))
    assert stretch is not None
    frequencies, density = one_sided_density(stretch.phase, stretch.sample_rate_hz)
    audio = (frequencies > 5) & (frequencies <= 3_000)
    noise = math.sqrt(float(np.sum(density[audio] * frequencies[audio] ** 2)) * frequencies[1])
    assert noise == pytest.approx(noise_deviation_hz, rel=0.06)


@pytest.mark.parametrize("snr_db", [20, 40])
def test_sinad_of_a_clean_tone_follows_from_the_phase_noise(snr_db: float) -> None:
    """De-emphasised, FM noise is white again: SNR = (β²/2) / (N0/C · 2700 Hz), the same textbook theory."""
    found = fm.measure(excerpt(one_tone(1000, 3000, 2.0), np.random.default_rng(3), snr_db=snr_db)).readings["sinad"]
    expected = 10 * math.log10(1 + 4.5 / (2_700 / (25_000 * 10 ** (snr_db / 10))))
    assert found.value == pytest.approx(expected, abs=max(0.3, found.uncertainty))


@pytest.mark.parametrize(("percent", "sinad_db"), [(10, 20.0), (5, 26.02), (25.1, 12.0)])
def test_sinad_of_a_known_distortion(percent: float, sinad_db: float) -> None:
    """With distortion alone SINAD is 20·log10(1/d) against the residual (audio definitions, common practice)."""
    turn = 2 * np.pi * 1000 * times(0.8)
    share = percent / 100 / math.sqrt(1 - (percent / 100) ** 2)  # of the wanted tone, so that d counts against all
    phase = 3 * (np.sin(turn) + share * np.sin(2 * turn + 0.3))
    found = fm.measure(excerpt(np.exp(1j * phase), np.random.default_rng(4), snr_db=60)).readings["sinad"]
    assert found.value == pytest.approx(sinad_db, abs=0.05)


@pytest.mark.parametrize(("frequency_hz", "pre_emphasis_db"), [(300, -10.46), (500, -6.02), (2000, 6.02), (3000, 9.54)])
def test_de_emphasis_is_six_decibels_an_octave(frequency_hz: float, pre_emphasis_db: float) -> None:
    assert -10 * math.log10(de_emphasis(frequency_hz, corner_hz=0)) == pytest.approx(pre_emphasis_db, abs=0.005)


def test_sinad_leaves_out_what_lies_outside_the_speech_band() -> None:
    at = times(0.8)
    phase = 3 * np.sin(2 * np.pi * 1000 * at) + 0.5 * np.sin(2 * np.pi * 100 * at) + 0.1 * np.sin(2 * np.pi * 4200 * at)
    found = fm.measure(excerpt(np.exp(1j * phase), np.random.default_rng(5), snr_db=50))
    assert found.readings["sinad"].value > 50


@pytest.mark.parametrize(("low", "high"), [(2000, 1500), (900, 2600)])
def test_two_tones_of_a_sounder(low: float, high: float) -> None:
    at = times(0.7)
    phase = low / 1100 * np.sin(2 * np.pi * 1100.4 * at) + high / 1700 * np.sin(2 * np.pi * 1699.2 * at)
    found = fm.measure(excerpt(np.exp(1j * phase + 2j * np.pi * 250 * at), np.random.default_rng(6), snr_db=40))
    assert found.condition is Condition.TWO_TONES
    stronger, weaker = (1100.4, 1699.2) if low > high else (1699.2, 1100.4)
    assert found.readings["modulating tone"].value == pytest.approx(stronger, abs=2e-3)
    assert found.readings["modulating tone, second"].value == pytest.approx(weaker, abs=2e-3)
    assert "sinad" not in found.readings


def test_a_tone_that_stands_only_part_of_the_time() -> None:
    at = times(2.0)
    phase = np.where(at > 0.6, 3 * np.sin(2 * np.pi * 1000 * at), 0)
    found = fm.measure(excerpt(np.exp(1j * phase), np.random.default_rng(7), snr_db=40))
    assert found.condition is Condition.ONE_TONE
    assert found.readings["peak deviation, up"].value == pytest.approx(3000, rel=1e-3)
    assert any("did not stand all the time" in remark for remark in found.remarks)


def test_harmonics_are_fitted_as_far_as_they_stand_out() -> None:
    turn = 2 * np.pi * 800 * times(0.5)
    phase = 3 * np.sin(turn) + 0.1 * np.sin(3 * turn)
    stretch = settled(excerpt(np.exp(1j * phase), np.random.default_rng(8), snr_db=40))
    assert stretch is not None
    found = tones.fit(stretch.phase, stretch.sample_rate_hz, 0, [801.0])
    assert len(found.orders) == 3
    assert np.abs(found.phasors) == pytest.approx([3, 0, 0.1], abs=2e-3)
