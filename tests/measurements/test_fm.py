"""One keying through all FM measurements: what is left out, what is said, what never happens."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements import fm
from sdrcheck.measurements.condition import Condition
from sdrcheck.measurements.stretch import settled
from tests.measurements.signals import excerpt, speech_like, times


def tone(seconds: float = 0.6, snr_db: float = 40, seed: int = 1, **options) -> Excerpt:
    phase = 3 * np.sin(2 * np.pi * 1000 * times(seconds))
    return excerpt(
        np.exp(1j * phase + 2j * np.pi * 141 * times(seconds)), np.random.default_rng(seed), snr_db=snr_db, **options
    )


@pytest.mark.parametrize("rate", [40_000, 48_000, 60_000, 64_000])
@pytest.mark.parametrize("seconds", [0.15, 2.0])
def test_every_rate_and_length(rate: int, seconds: float) -> None:
    found = fm.measure(tone(seconds, rate=rate)).readings
    assert found["carrier offset"].value == pytest.approx(141, abs=0.01)
    assert found["peak deviation, up"].value == pytest.approx(3000, abs=5)
    assert found["modulating tone"].value == pytest.approx(1000, abs=0.02)


def test_sentences_with_pauses_are_measured_in_their_whole_length() -> None:
    rng = np.random.default_rng(2)
    phase = np.tile(np.concatenate([speech_like(1.5, rng, 4_200), np.zeros(48_000)]), 5)
    found = fm.measure(excerpt(np.exp(1j * phase), rng, snr_db=35))
    assert found.condition is Condition.SPEECH
    assert found.readings["peak deviation, up"].value == pytest.approx(4200, rel=0.025) or found.readings[
        "peak deviation, down"
    ].value == pytest.approx(4200, rel=0.025)
    assert abs(found.readings["carrier offset"].value) < 0.01


def test_a_carrier_has_no_modulation_to_read_and_says_so() -> None:
    found = fm.measure(excerpt(np.exp(2j * np.pi * 5 * times(0.5)), np.random.default_rng(3), snr_db=40))
    absent = {"peak deviation, up", "modulating tone", "sinad", "occupied bandwidth"}
    assert not absent & set(found.readings)
    assert any("Nothing modulates" in remark for remark in found.remarks)


def test_lost_samples_are_said_and_leave_the_longest_whole_part() -> None:
    made = tone(1.0)
    iq, place = made.iq.copy(), made.key_on + 14_000
    iq[place : place + 500] = 0
    found, whole = fm.measure(replace(made, iq=iq, lost=((place, 500),))), fm.measure(made)
    assert any("Samples are missing" in remark for remark in found.remarks)
    assert found.readings["carrier offset"].value == pytest.approx(141, abs=0.01)
    assert found.readings["carrier offset"].uncertainty > whole.readings["carrier offset"].uncertainty
    assert found.readings["peak deviation, up"].value == pytest.approx(3000, abs=3)
    assert found.condition is Condition.ONE_TONE


def test_clipping_is_said_and_widens_but_leaves_the_carrier() -> None:
    clean = fm.measure(tone())
    clipped = fm.measure(replace(tone(), clipped_fraction=0.02))
    assert any("overloaded (2.00%" in remark for remark in clipped.remarks)
    for name in ("level", "sinad", "peak deviation, up"):
        assert clipped.readings[name].uncertainty > 2 * clean.readings[name].uncertainty
    assert clipped.readings["carrier offset"] == clean.readings["carrier offset"]


def test_widths_for_clipping_hold_for_a_converter_driven_two_decibels_too_far() -> None:
    made = tone(amplitude=10 ** (2 / 20), quantised=True)
    found = fm.measure(replace(made, clipped_fraction=0.3)).readings
    assert abs(found["peak deviation, up"].value - 3000) < found["peak deviation, up"].uncertainty
    assert abs(found["carrier offset"].value - 141) < 0.01


def test_below_the_fm_threshold_only_carrier_and_level_are_read() -> None:
    found = fm.measure(tone(snr_db=6))
    assert "peak deviation, up" not in found.readings
    assert "carrier offset" in found.readings
    assert any("above the noise" in remark for remark in found.remarks)


def test_noise_alone_and_scraps_are_findings_not_errors() -> None:
    rng = np.random.default_rng(4)
    noise = (rng.standard_normal(9_600) + 1j * rng.standard_normal(9_600)).astype(np.complex64) * 1e-3
    for key_on, key_off in ((2_000, 7_000), (100, 140), (0, 9_600), (9_500, 9_600)):
        found = fm.measure(Excerpt(noise, 48_000.0, 156.8e6, 0.0, key_on, key_off, 2e-6 / 48_000))
        assert found.remarks
    silent = Excerpt(np.zeros(9_600, np.complex64), 48_000.0, 156.8e6, 0.0, 1_000, 9_000, 0.0)
    assert fm.measure(silent).condition is Condition.UNKNOWN


def test_noiseless_samples_are_no_trouble() -> None:
    for phase in (
        np.zeros(96_000),
        3 * np.sin(2 * np.pi * 1000 * times(0.4)),
        speech_like(0.4, np.random.default_rng(5), 3000),
    ):
        made = replace(excerpt(np.exp(1j * phase)), noise_density=0.0)
        for reading in fm.measure(made).readings.values():
            assert math.isfinite(reading.value)
            assert math.isfinite(reading.uncertainty)


def test_every_reading_has_a_budget_with_names_and_a_method() -> None:
    rng = np.random.default_rng(6)
    for made in (tone(), excerpt(np.exp(1j * speech_like(0.6, rng, 4_000)), rng, snr_db=40)):
        for reading in fm.measure(made).readings.values():
            assert reading.terms
            assert all(term.name for term in reading.terms)
            assert reading.method
            assert reading.uncertainty > 0


def test_a_long_keying_is_covered_to_its_end() -> None:
    """Twelve seconds are looked at in parts; the loudest moment lies in the last tenth of a second."""
    rate, seconds = 40_000, 12.0
    rng = np.random.default_rng(7)
    at = np.arange(int(seconds * rate)) / rate
    quiet = speech_like(seconds, rng, 2_000, rate)
    loud = np.where(at > seconds - 0.1, 1.5 * np.sin(2 * np.pi * 1000 * at), 0.0)
    keyed = 0.5 * np.exp(1j * (quiet + loud))
    iq = np.concatenate([np.zeros(2_000), keyed, np.zeros(2_000)])
    iq += 1e-3 * (rng.standard_normal(iq.size) + 1j * rng.standard_normal(iq.size))
    made = Excerpt(iq.astype(np.complex64), rate, 156.8e6, 0.0, 2_000, 2_000 + at.size, 2e-6 / rate)
    stretch = settled(made)
    assert stretch is not None
    parts = stretch.parts(5.0)
    assert parts[0].begin == stretch.begin
    assert parts[-1].begin + parts[-1].iq.size == stretch.begin + stretch.iq.size
    assert all(later.begin <= part.begin + part.iq.size for part, later in itertools.pairwise(parts))
    found = fm.measure(made).readings["peak deviation, up"]
    assert found.value > 2_200
    assert "hold 12 s" in found.method
