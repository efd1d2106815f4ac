"""Carrier offset: against the Cramér–Rao bound, against a periodogram, and under modulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sdrcheck.measurements import fm
from sdrcheck.measurements.carrier import carrier
from sdrcheck.measurements.stretch import settled
from tests.measurements.signals import WIDE_RATE, excerpt, speech_like, times


def rife_boorstyn_hz(snr_db_in_25_khz: float, duration_s: float) -> float:
    """Cramér–Rao bound of a single tone's frequency, for many samples: √(6 / ((2π)²·(C/N0)·T³)).

    Rife and Boorstyn, IEEE Trans. IT-20 (1974), from memory; its Fisher-matrix form was verified when this was written.
    """
    density_ratio = 10 ** (snr_db_in_25_khz / 10) * 25_000
    return math.sqrt(6 / ((2 * np.pi) ** 2 * density_ratio * duration_s**3))


def test_the_bound_has_the_numbers_of_its_worked_example() -> None:
    # fs 48 kHz, N 4800, 20 dB in the sampled band: 5.627 mHz
    in_25_khz = 20 + 10 * math.log10(48_000 / 25_000)
    assert rife_boorstyn_hz(in_25_khz, 0.1) == pytest.approx(5.627e-3, rel=1e-3)


@pytest.mark.parametrize("snr_db", [10, 25, 40])
def test_bare_carrier_reaches_the_bound(snr_db: float) -> None:
    errors = []
    for trial in range(80):
        rng = np.random.default_rng([snr_db, trial])
        offset = rng.uniform(-1500, 1500)
        made = excerpt(np.exp(2j * np.pi * offset * times(0.25)), rng, snr_db=snr_db, quiet_s=0.02)
        stretch = settled(made)
        assert stretch is not None
        errors.append(carrier(stretch).offset.value - offset)
    assert np.sqrt(np.mean(np.square(errors))) < 1.2 * rife_boorstyn_hz(snr_db, 0.25)


def test_agrees_with_the_peak_of_a_padded_periodogram() -> None:
    rng = np.random.default_rng(5)
    made = excerpt(np.exp(2j * np.pi * -432.1 * times(0.3)), rng, snr_db=30)
    keyed = made.keyed
    spectrum = np.abs(np.fft.fft(keyed, 1 << 22))
    peak = np.fft.fftfreq(1 << 22, 1 / made.sample_rate_hz)[int(np.argmax(spectrum))]
    found = fm.measure(made).readings["carrier offset"]
    assert found.value == pytest.approx(peak, abs=made.sample_rate_hz / (1 << 22) + found.uncertainty)


@pytest.mark.parametrize("seed", range(6))
def test_half_a_second_of_speech_does_not_pull_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    phase = speech_like(0.45, rng, 5_000)
    made = excerpt(np.exp(1j * phase + 2j * np.pi * 700 * times(0.45)), rng, snr_db=40, quantised=True)
    stretch = settled(made)
    assert stretch is not None
    naive = (stretch.phase[-1] - stretch.phase[0]) / (2 * np.pi * stretch.duration_s)
    found = fm.measure(made).readings["carrier offset"]
    assert abs(found.value - 700) < min(0.01, abs(naive - 700))


def test_one_tone_just_off_a_whole_number_of_cycles() -> None:
    at = times(0.15)
    made = excerpt(np.exp(2j * np.sin(2 * np.pi * 403 * at + 1) - 2j * np.pi * 1200 * at), snr_db=60,
                   rng=np.random.default_rng(1))  # fmt: skip
    assert fm.measure(made).readings["carrier offset"].value == pytest.approx(-1200, abs=0.01)


def test_drift_is_told_and_the_mean_is_read() -> None:
    at = times(1.0)
    made = excerpt(np.exp(2j * np.pi * (100 * at + 40 * at**2)), np.random.default_rng(2), snr_db=40)
    found = fm.measure(made)
    assert found.readings["carrier offset"].value == pytest.approx(140, abs=0.2)
    assert any("drifts by +80 Hz" in remark for remark in found.remarks)


def test_slow_wandering_widens_the_uncertainty() -> None:
    rng = np.random.default_rng(3)
    at = times(1.0)
    wander = np.cumsum(rng.standard_normal(at.size)) * 2 * np.pi * 30 / WIDE_RATE
    still = fm.measure(excerpt(np.exp(2j * np.pi * 50 * at), rng, snr_db=40)).readings["carrier offset"]
    moving = fm.measure(excerpt(np.exp(1j * np.cumsum(wander)), rng, snr_db=40)).readings["carrier offset"]
    assert moving.uncertainty > 100 * still.uncertainty
    assert any(term.name == "slow movement of the carrier" for term in moving.terms)


@pytest.mark.parametrize("hum_hz", [50, 100, 400])
def test_hum_costs_no_accuracy(hum_hz: float) -> None:
    at = times(0.43)
    phase = 60 / hum_hz * np.sin(2 * np.pi * hum_hz * at + 0.7) + 2 * np.pi * 321 * at
    found = fm.measure(excerpt(np.exp(1j * phase), np.random.default_rng(4), snr_db=40)).readings["carrier offset"]
    assert found.value == pytest.approx(321, abs=5 * rife_boorstyn_hz(40, 0.43))
    assert found.uncertainty < 4 * rife_boorstyn_hz(40, 0.43)
