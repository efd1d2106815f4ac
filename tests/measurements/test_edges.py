"""Rise, fall and transient frequency of made keyings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sdrcheck.measurements import fm
from tests.measurements.signals import excerpt, times


def linear(seconds: float):
    return lambda since: np.clip(since / seconds, 0, 1)


def raised_cosine(seconds: float):
    return lambda since: np.square(np.sin(np.pi / 2 * np.clip(since / seconds, 0, 1)))


@pytest.mark.parametrize("snr_db", [25, 40])
@pytest.mark.parametrize("milliseconds", [0.5, 2.0, 8.0])
def test_linear_ramp_takes_eight_tenths_from_10_to_90_percent(milliseconds: float, snr_db: float) -> None:
    made = excerpt(np.exp(2j * np.pi * 100 * times(0.3)), np.random.default_rng(1), snr_db=snr_db,
                   ramp=linear(milliseconds / 1e3))  # fmt: skip
    found = fm.measure(made).readings
    for name in ("rise time", "fall time"):
        assert found[name].value == pytest.approx(0.8e-3 * milliseconds, abs=1.5 * found[name].uncertainty)
        assert found[name].uncertainty < 0.5e-3 * milliseconds


def test_raised_cosine_ramp() -> None:
    made = excerpt(
        np.exp(2j * np.pi * 100 * times(0.3)), np.random.default_rng(2), snr_db=40, ramp=raised_cosine(0.003)
    )
    expected = 0.003 * 2 / math.pi * (math.asin(math.sqrt(0.9)) - math.asin(math.sqrt(0.1)))
    assert fm.measure(made).readings["rise time"].value == pytest.approx(expected, rel=0.02)


def test_keying_at_once_reads_no_longer_than_the_filter() -> None:
    made = excerpt(np.exp(2j * np.pi * 100 * times(0.3)), np.random.default_rng(3), snr_db=40)
    found = fm.measure(made).readings["rise time"]
    assert found.value < 5e-5
    assert found.value <= found.uncertainty + 2e-5


def test_a_keying_that_was_cut_has_no_such_edge() -> None:
    made = excerpt(np.exp(2j * np.pi * 100 * times(0.3)), np.random.default_rng(4), snr_db=40)
    middle = replace(made, iq=made.keyed, key_on=0, key_off=made.keyed.size, cut_at_start=True, cut_at_end=True)
    found = fm.measure(middle).readings
    assert not {"rise time", "fall time", "transient frequency"} & set(found)
    assert found["carrier offset"].value == pytest.approx(100, abs=0.01)


@pytest.mark.parametrize("swing_hz", [-6000, 1500, 4000])
def test_transient_frequency_has_size_and_sign(swing_hz: float) -> None:
    at = times(0.5)
    phase = 2 * np.pi * (700 * at + swing_hz * 0.004 * (1 - np.exp(-at / 0.004)))
    made = excerpt(np.exp(1j * phase), np.random.default_rng(5), snr_db=40, ramp=raised_cosine(0.0005))
    found = fm.measure(made).readings
    assert found["transient frequency"].value == pytest.approx(swing_hz, rel=0.06)
    assert abs(found["transient frequency"].value - swing_hz) < 250, "the type test allows its meter ±250 Hz (memory)"
    assert found["carrier offset"].value == pytest.approx(700, abs=0.05)


def test_a_quiet_start_has_no_transient() -> None:
    made = excerpt(
        np.exp(2j * np.pi * 700 * times(0.5)), np.random.default_rng(6), snr_db=40, ramp=raised_cosine(0.002)
    )
    found = fm.measure(made).readings["transient frequency"]
    assert abs(found.value) <= found.uncertainty


@pytest.mark.parametrize("seconds", [0.05, 0.1, 0.2])
def test_long_edges_are_read_in_their_whole_length(seconds: float) -> None:
    made = excerpt(
        np.exp(2j * np.pi * 100 * times(1.2)), np.random.default_rng(7), snr_db=40, ramp=raised_cosine(seconds)
    )
    expected = seconds * 2 / math.pi * (math.asin(math.sqrt(0.9)) - math.asin(math.sqrt(0.1)))
    found = fm.measure(made).readings
    for name in ("rise time", "fall time"):
        assert found[name].value == pytest.approx(expected, rel=0.02)


def test_an_edge_too_long_for_its_keying_is_said_and_not_read() -> None:
    made = excerpt(np.exp(2j * np.pi * 100 * times(0.4)), np.random.default_rng(8), snr_db=40, ramp=raised_cosine(0.19))
    found = fm.measure(made)
    assert not {"rise time", "fall time"} & set(found.readings)
    assert any("takes longer than" in remark for remark in found.remarks)


@pytest.mark.parametrize("swing_hz", [-20_000, 14_000, 30_000])
def test_a_carrier_that_comes_up_beside_its_channel_is_measured_there(swing_hz: float) -> None:
    """It stands 10 ms beside the channel as made, farther than the channel's filter reaches."""
    at = times(0.5)
    phase = 2 * np.pi * (700 * at + swing_hz * np.minimum(at, 0.01))
    made = excerpt(np.exp(1j * phase), np.random.default_rng(9), snr_db=40, ramp=raised_cosine(0.0005))
    later = round(0.01 * made.sample_rate_hz)
    opening = replace(made.opening, iq=made.opening.iq[960:], key_on=made.opening.key_on)
    seen = fm.measure(replace(made, key_on=made.key_on + later, opening=opening)).readings["transient frequency"]
    assert seen.value == pytest.approx(swing_hz, abs=50)


def test_what_was_not_looked_at_is_no_reading_of_the_transient() -> None:
    made = excerpt(np.exp(2j * np.pi * 700 * times(0.5)), np.random.default_rng(10), snr_db=40)
    for unseen in (None, replace(made.opening, half_width_hz=18_000.0)):
        found = fm.measure(replace(made, opening=unseen))
        assert "transient frequency" not in found.readings
        assert any("transient frequency is not told" in remark for remark in found.remarks)
