"""Peak deviation, calibrated where the physics does it: at the Bessel nulls."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.measurements import fm
from tests.measurements.signals import WIDE_RATE, deviation_of, excerpt, limited, peak, speech_like, times

# First zeros of J0 and J1 (Abramowitz and Stegun, table 9.5; from memory, recomputed).
NULLS = [(0, 2.40483), (0, 5.52008), (0, 8.65373), (1, 3.83171), (1, 7.01559)]


def line_db(made, frequency_hz: float) -> float:
    """Power of a spectral line in dB of the whole, over a whole number of cycles."""
    keyed = made.keyed[: int(0.4 * made.sample_rate_hz)]
    window = np.blackman(keyed.size)
    at = np.arange(keyed.size) / made.sample_rate_hz
    amplitude = np.sum(keyed * window * np.exp(-2j * np.pi * frequency_hz * at)) / window.sum()
    return 20 * np.log10(abs(amplitude) / np.sqrt(np.mean(np.abs(keyed) ** 2)))


@pytest.mark.parametrize(
    ("order", "beta", "tone_hz"),
    [(order, beta, tone) for order, beta in NULLS for tone in (400.0, 600.0, 1000.0) if beta * tone < 5_600],
)
def test_deviation_at_a_bessel_null_is_index_times_tone(order: int, beta: float, tone_hz: float) -> None:
    made = excerpt(np.exp(1j * beta * np.sin(2 * np.pi * tone_hz * times(0.5))), np.random.default_rng(1), snr_db=60)
    assert line_db(made, order * tone_hz) < -45, "the line has not vanished"
    found = fm.measure(made).readings
    for way in ("up", "down"):
        reading = found[f"peak deviation, {way}"]
        assert reading.value == pytest.approx(beta * tone_hz, rel=2e-4)
        assert reading.uncertainty < 2e-3 * reading.value


@pytest.mark.parametrize(("deviation_hz", "null_tone_hz"), [(5000, 905.78), (3000, 1247.49), (2500, 1039.58)])
def test_tone_that_nulls_the_carrier_at_a_given_deviation(deviation_hz: float, null_tone_hz: float) -> None:
    # f = Δf / zero of J0; computed values, as tables of deviation calibration print them
    phase = deviation_hz / null_tone_hz * np.sin(2 * np.pi * null_tone_hz * times(0.5))
    made = excerpt(np.exp(1j * phase), np.random.default_rng(2), snr_db=60)
    assert line_db(made, 0.0) < -45
    assert fm.measure(made).readings["peak deviation, up"].value == pytest.approx(deviation_hz, rel=3e-4)


def test_up_and_down_are_kept_apart() -> None:
    at = times(0.6)
    turn = 2 * np.pi * 700 * at
    phase = 3 * np.sin(turn) + 0.4 * np.sin(2 * turn)
    deviation = 700 * (3 * np.cos(turn) + 0.8 * np.cos(2 * turn))
    found = fm.measure(
        excerpt(np.exp(1j * phase + 2j * np.pi * 900 * at), np.random.default_rng(3), snr_db=40)
    ).readings
    assert found["peak deviation, up"].value == pytest.approx(deviation.max(), rel=1e-3)
    assert found["peak deviation, down"].value == pytest.approx(-deviation.min(), rel=1e-3)


def test_a_second_discriminator_agrees() -> None:
    """scipy's analytic signal of the same carrier on a real intermediate frequency, as a second implementation."""
    from scipy.signal import hilbert

    rng = np.random.default_rng(4)
    phase = speech_like(1.0, rng, 4_500)
    real = np.cos(phase + 2 * np.pi * 30_000 * times(1.0))
    other = np.diff(np.unwrap(np.angle(hilbert(real)))) * WIDE_RATE / (2 * np.pi) - 30_000
    found = fm.measure(excerpt(np.exp(1j * phase), rng, snr_db=60)).readings
    assert found["peak deviation, up"].value == pytest.approx(other[2000:-2000].max(), rel=3e-3)
    assert found["peak deviation, down"].value == pytest.approx(-other[2000:-2000].min(), rel=3e-3)


@pytest.mark.parametrize("snr_db", [20, 40])
def test_noise_is_taken_off_the_peak_of_speech(snr_db: float) -> None:
    errors, raw_errors = [], []
    for seed in range(8):
        rng = np.random.default_rng([snr_db, seed])
        phase = speech_like(1.0, rng, 4_000)
        made = excerpt(np.exp(1j * phase), rng, snr_db=snr_db)
        true = peak(deviation_of(phase)[10:-10])
        errors.append(fm.measure(made).readings["peak deviation, up"].value - true)
        keyed = made.keyed[100:-100]
        raw = np.angle(keyed[1:] * np.conj(keyed[:-1])) * made.sample_rate_hz / (2 * np.pi)
        raw_errors.append(raw.max() - true)
    assert np.sqrt(np.mean(np.square(errors))) < 0.025 * 4_000
    assert np.sqrt(np.mean(np.square(errors))) < 0.3 * np.sqrt(np.mean(np.square(raw_errors)))


def test_sidebands_that_the_filter_cut_off_are_put_back() -> None:
    at = times(0.6)
    phase = 6.2 * np.sin(2 * np.pi * 1000 * at)
    found = fm.measure(excerpt(np.exp(1j * phase - 2j * np.pi * 2300 * at), np.random.default_rng(5), snr_db=40))
    for way in ("up", "down"):
        reading = found.readings[f"peak deviation, {way}"]
        assert reading.value == pytest.approx(6200, abs=10)
        assert any(term.name == "sidebands beyond the channel filter" for term in reading.terms)


def test_method_and_hold_are_stated() -> None:
    rng = np.random.default_rng(6)
    spoken = fm.measure(excerpt(np.exp(1j * speech_like(0.8, rng, 3_000)), rng, snr_db=40)).readings
    assert "hold 0.799 s" in spoken["peak deviation, up"].method
    assert "noise taken off" in spoken["peak deviation, up"].method


@pytest.mark.parametrize("order", [1, 2, 4])
@pytest.mark.parametrize("audio", ["speech", "tone"])
def test_limited_audio_reads_its_own_peak_and_not_the_ringing_of_a_filter(audio: str, order: int) -> None:
    """Limited 15 dB deep, then a low-pass of 3 kHz of that order; the largest deviation is 4850 Hz as made."""
    rng = np.random.default_rng(8)
    wave = deviation_of(speech_like(0.6, rng, 1.0)) if audio == "speech" else np.sin(2 * np.pi * 1000 * times(0.6))
    deviation = limited(wave / wave.std(), 4.0, order, 4_850)
    inner = deviation[2_000:-2_000]
    made = excerpt(np.exp(2j * np.pi * np.cumsum(deviation) / WIDE_RATE), rng, snr_db=60)
    found = fm.measure(made).readings
    for way, true in (("up", peak(inner)), ("down", peak(-inner))):
        reading = found[f"peak deviation, {way}"]
        assert abs(reading.value - true) <= 1.2 * reading.uncertainty
        assert reading.value + reading.uncertainty < 5_000
        assert reading.uncertainty < 0.025 * true
