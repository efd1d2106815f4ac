"""Occupied bandwidth against sums of Bessel functions and Carson's rule."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.measurements import fm
from tests.measurements.signals import excerpt, speech_like, times


def lines_for_99_percent(beta: float) -> int:
    """How many pairs of sidebands hold 99 % of a phase-modulated carrier's power: partial sums of J_n²."""
    from scipy.special import jv

    held = jv(0, beta) ** 2
    pairs = 0
    while held < 0.99:
        pairs += 1
        held += 2 * jv(pairs, beta) ** 2
    return pairs


@pytest.mark.parametrize(
    ("tone_hz", "deviation_hz"), [(1000, 3000), (1250, 3000), (1000, 5000), (2500, 4000), (400, 3000)]
)
@pytest.mark.parametrize("snr_db", [25, 40])
def test_one_tone_fills_the_pairs_that_bessel_functions_say(tone_hz: float, deviation_hz: float, snr_db: float) -> None:
    beta = deviation_hz / tone_hz
    made = excerpt(
        np.exp(1j * beta * np.sin(2 * np.pi * tone_hz * times(0.8))), np.random.default_rng(1), snr_db=snr_db
    )
    found = fm.measure(made).readings["occupied bandwidth"]
    assert found.value == pytest.approx(2 * lines_for_99_percent(beta) * tone_hz, abs=found.uncertainty + 1)
    carson = 2 * (deviation_hz + tone_hz)  # Carson: B ≈ 2(Δf + f), which holds about 98 % (from memory)
    assert found.value == pytest.approx(carson, abs=2 * tone_hz)


def test_full_speech_stays_within_the_necessary_bandwidth() -> None:
    """2·(5 + 3) kHz = 16 kHz by Carson's rule, the necessary bandwidth of 25 kHz channels (47 CFR 80.205: 16K0)."""
    rng = np.random.default_rng(2)
    found = fm.measure(excerpt(np.exp(1j * speech_like(2.0, rng, 5_000)), rng, snr_db=40)).readings
    assert 3_000 < found["occupied bandwidth"].value < 16_000


def test_noise_does_not_widen_it() -> None:
    phase = 3 * np.sin(2 * np.pi * 1000 * times(1.0))
    clean, noisy = (
        fm.measure(excerpt(np.exp(1j * phase), np.random.default_rng(3), snr_db=snr)).readings["occupied bandwidth"]
        for snr in (50, 18)
    )
    assert noisy.value == pytest.approx(clean.value, abs=noisy.uncertainty + clean.uncertainty)
