"""Level, noise floor, residual modulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sdrcheck.measurements import fm
from tests.measurements.signals import excerpt, times


@pytest.mark.parametrize("amplitude", [0.9, 0.1, 0.01])
@pytest.mark.parametrize("snr_db", [12, 40])
def test_level_is_the_carriers_power_without_the_noise(amplitude: float, snr_db: float) -> None:
    made = excerpt(np.exp(2j * np.pi * 333 * times(0.5)), np.random.default_rng(1), snr_db=snr_db, amplitude=amplitude)
    found = fm.measure(made).readings["level"]
    assert found.unit == "dBFS"
    assert found.value == pytest.approx(20 * math.log10(amplitude), abs=1.3 * found.uncertainty)


@pytest.mark.parametrize("quantised", [False, True])
def test_noise_floor_is_told_in_16_khz(quantised: bool) -> None:
    made = excerpt(np.exp(2j * np.pi * 333 * times(0.3)), np.random.default_rng(2), snr_db=35, quantised=quantised)
    found = fm.measure(made).readings["noise floor"]
    assert found.value == pytest.approx(10 * math.log10(made.noise_density * 16_000), abs=found.uncertainty)
    assert "16000 Hz" in found.method


def test_difference_of_two_levels_is_good_to_a_hundredth() -> None:
    loud, quiet = (
        fm.measure(excerpt(np.exp(2j * np.pi * 50 * times(0.4)), np.random.default_rng(3), snr_db=snr, amplitude=a))
        for a, snr in ((0.7, 40), (0.7 / 10**0.7, 26))
    )
    assert loud.readings["level"].value - quiet.readings["level"].value == pytest.approx(14, abs=0.01)


def residual(hum_hz: float, deviation_hz: float, snr_db: float = 45, seconds: float = 1.0):
    phase = deviation_hz / hum_hz * np.sin(2 * np.pi * hum_hz * times(seconds))
    return fm.measure(excerpt(np.exp(1j * phase), np.random.default_rng(4), snr_db=snr_db))


@pytest.mark.parametrize(("hum_hz", "deviation_hz"), [(100, 30), (50, 20), (400, 60), (1000, 30)])
def test_hum_counts_as_after_a_de_emphasis_of_750_microseconds(hum_hz: float, deviation_hz: float) -> None:
    """Relative to 3 kHz at 1 kHz; a tone at 1 kHz reads its plain ratio: 30 Hz is 100 times less, −40 dB."""
    corner = 1 / (2 * math.pi * 750e-6)
    gain = math.sqrt((1e6 + corner**2) / (hum_hz**2 + corner**2))
    found = residual(hum_hz, deviation_hz)
    reading = found.readings["residual modulation"]
    assert reading.value == pytest.approx(20 * math.log10(deviation_hz * gain / 3000), abs=0.2)
    if hum_hz < 1000:
        assert any(remark.startswith(f"Hum: a line at {hum_hz} Hz") for remark in found.remarks)


def test_a_silent_carrier_gives_an_upper_bound() -> None:
    found = residual(100, 0.0, snr_db=40).readings["residual modulation"]
    assert found.value < -45
    assert found.method.startswith("upper bound")


def test_modulated_carriers_have_no_residual_modulation() -> None:
    found = residual(1000, 3000)
    assert "residual modulation" not in found.readings


def test_hum_of_a_few_hundred_hertz_is_told_as_it_is_and_not_as_nothing() -> None:
    """290 Hz at 100 Hz, as made; a line at 2 kHz is a multiple of 400 Hz, but no hum."""
    remarks = residual(100, 290).remarks
    assert "Hum: a line at 100 Hz with 290 Hz of deviation." in remarks
    assert not any(remark.startswith("Nothing modulates") for remark in remarks)
    assert not any(remark.startswith("Hum") for remark in residual(2000, 60).remarks)


def test_what_a_channel_filter_and_eight_bits_do_is_in_the_budget_of_a_level() -> None:
    """Fine steps of a converter move a level by some thousandths of a decibel, however long it is averaged."""
    for amplitude in (0.18, 0.2, 0.23, 0.25, 0.29):
        phase = 10 * np.sin(2 * np.pi * 400 * times(1.0))
        made = excerpt(np.exp(1j * phase), np.random.default_rng(5), snr_db=57, amplitude=amplitude, quantised=True)
        found = fm.measure(made).readings["level"]
        assert abs(found.value - 20 * math.log10(amplitude)) <= found.uncertainty
        assert found.uncertainty < 0.03
