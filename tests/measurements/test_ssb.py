"""Sideband telephony on made signals with known lines. All figures follow from the amplitudes put in."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements import ssb
from sdrcheck.measurements.condition import Condition

RATE = 12_000


def excerpt(lines: dict[float, float], seconds: float = 1.2, snr_db: float = 40, dial_error_hz: float = 0.0,
            seed: int = 1) -> Excerpt:  # fmt: skip
    """Lines (hertz from the dial: amplitude) in noise, `snr_db` in 2.7 kHz against the strongest line."""
    rng = np.random.default_rng(seed)
    at = np.arange(int(seconds * RATE)) / RATE
    keyed = sum(a * np.exp(2j * np.pi * ((f + dial_error_hz) * at + rng.uniform())) for f, a in lines.items())
    quiet = np.zeros(RATE // 10)
    iq = np.concatenate([quiet, keyed, quiet])
    density = max(lines.values()) ** 2 / 10 ** (snr_db / 10) / 2_700
    iq = iq + math.sqrt(density * RATE / 2) * (rng.standard_normal(iq.size) + 1j * rng.standard_normal(iq.size))
    return Excerpt(iq.astype(np.complex64), RATE, 2.182e6, 0.0, quiet.size, quiet.size + at.size, density)


TWO_TONES = {1100.0: 0.3, 1700.0: 0.3, 500.0: 0.012, 2300.0: 0.006, 2900.0: 0.003, 0.0: 0.004}


def test_known_tone_gives_the_carrier_offset() -> None:
    found = ssb.measure(excerpt({1000.0: 0.5}, dial_error_hz=7.25), [1000.0])
    assert found.condition is Condition.ONE_TONE
    assert found.readings["carrier offset"].value == pytest.approx(7.25, abs=0.001)
    assert found.readings["modulating tone"].value == pytest.approx(1007.25, abs=0.001)


def test_tone_of_unknown_frequency_gives_none_and_says_why() -> None:
    found = ssb.measure(excerpt({1000.0: 0.5}, dial_error_hz=7.25))
    assert "carrier offset" not in found.readings
    assert any("carrier offset cannot be told" in remark for remark in found.remarks)


@pytest.mark.parametrize("seed", range(4))
def test_two_tones_products_and_rest_of_the_carrier(seed: int) -> None:
    found = ssb.measure(excerpt(TWO_TONES, dial_error_hz=-3.0, seed=seed))
    assert found.condition is Condition.TWO_TONES
    expected = {
        "two-tone product, third": 20 * math.log10(0.012 / 0.3),
        "two-tone product, fifth": 20 * math.log10(0.003 / 0.3),
        "carrier suppression": 20 * math.log10(0.6 / 0.004),
        "level, peak envelope": 20 * math.log10(0.6),
        "carrier offset": -3.0,
    }
    for name, true in expected.items():
        reading = found.readings[name]
        assert abs(reading.value - true) < 2 * reading.uncertainty, name
        assert reading.uncertainty < 1, name
    tones = sorted(found.readings[name].value for name in ("modulating tone", "modulating tone, second"))
    assert tones[1] - tones[0] == pytest.approx(600, abs=0.002)


def test_either_tone_six_decibels_below_the_peak_envelope() -> None:
    """Two equal tones: each is 6 dB below the peak envelope power (−31 dB to PEP is −25 dB to a tone, EN 300 373)."""
    found = ssb.measure(excerpt({1100.0: 0.3, 1700.0: 0.3}))
    assert found.readings["level, peak envelope"].value - 20 * math.log10(0.3) == pytest.approx(6.02, abs=0.02)


def test_what_does_not_show_is_bounded_and_says_so() -> None:
    found = ssb.measure(excerpt({1100.0: 0.3, 1700.0: 0.3}), [1100.0, 1700.0]).readings
    assert found["carrier suppression"].value > 50
    assert found["carrier suppression"].method.startswith("lower bound")
    assert found["two-tone product, third"].value < -55
    assert found["two-tone product, third"].method.startswith("upper bound")


def test_bare_carrier() -> None:
    found = ssb.measure(excerpt({0.0: 0.4}, dial_error_hz=-12.5))
    assert found.condition is Condition.UNMODULATED
    assert found.readings["carrier offset"].value == pytest.approx(-12.5, abs=0.001)


def test_speech_shows_no_carrier_frequency() -> None:
    rng = np.random.default_rng(5)
    made = excerpt({1500.0: 0.0, 1000.0: 1e-9}, snr_db=40)
    spectrum = np.fft.fft(rng.standard_normal(14_400) + 1j * rng.standard_normal(14_400))
    frequencies = np.fft.fftfreq(14_400, 1 / RATE)
    spectrum[(frequencies < 350) | (frequencies > 2_700)] = 0
    speech = np.fft.ifft(spectrum)
    iq = made.iq.copy()
    iq[made.key_on : made.key_off] = 0.4 * speech / np.abs(speech).max()
    iq += (1e-4 * (rng.standard_normal(iq.size) + 1j * rng.standard_normal(iq.size))).astype(np.complex64)
    found = ssb.measure(replace(made, iq=iq, noise_density=2e-8 / RATE))
    assert found.condition is Condition.SPEECH
    assert "carrier offset" not in found.readings
    assert found.readings["level, peak envelope"].value == pytest.approx(20 * math.log10(0.4), abs=0.1)


def test_frequency_reaches_the_bound() -> None:
    """Rife and Boorstyn's bound, as for the carrier of an FM channel."""
    errors = [ssb.measure(excerpt({1000.0: 0.5}, 0.4, 20, seed=s), [1000.0]).readings["carrier offset"].value
              for s in range(60)]  # fmt: skip
    bound = math.sqrt(6 / ((2 * np.pi) ** 2 * 100 * 2_700 * 0.396**3))
    assert np.sqrt(np.mean(np.square(errors))) < 1.25 * bound


def test_lost_samples_and_overload_are_said() -> None:
    made = excerpt(TWO_TONES)
    iq, place = made.iq.copy(), made.key_on + 3_000
    iq[place : place + 100] = 0
    found = ssb.measure(replace(made, iq=iq, lost=((place, 100),), clipped_fraction=0.01))
    assert any("Samples are missing" in remark for remark in found.remarks)
    assert any("overloaded" in remark for remark in found.remarks)
    assert found.readings["two-tone product, third"].uncertainty > 1
    assert (
        abs(found.readings["two-tone product, third"].value + 27.96)
        < found.readings["two-tone product, third"].uncertainty
    )


def test_noise_alone_and_scraps_raise_nothing() -> None:
    made = excerpt({1000.0: 1e-9}, seconds=0.3)
    for piece in (
        made,
        replace(made, key_off=made.key_on + 20),
        replace(made, iq=np.zeros_like(made.iq), noise_density=0.0),
    ):
        assert ssb.measure(piece).remarks
