"""SINAD against its definition, and the sensitivity found between two levels."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest

from sdrcheck.errors import MeasurementError, SourceLost
from sdrcheck.sources.source import IqBlock, SourceFacts
from sdrcheck.watching import sinad as under_test

RATE = 48_000.0
TIMES = np.arange(24_000) / RATE


def tone_with_distortion(share: float) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * 1000 * TIMES) + 0.5 * share * np.sin(2 * np.pi * 2000 * TIMES)


@pytest.mark.parametrize(
    ("share", "decibels"),
    [(0.10, 20.04), (0.251, 12.27), (0.03, 30.46)],  # 10·log10(1 + 1/d²): 10 % distortion is 20 dB
)
def test_distortion_alone_gives_the_definition(share: float, decibels: float) -> None:
    assert under_test.sinad(tone_with_distortion(share), RATE).measured.value == pytest.approx(decibels, abs=0.05)


@pytest.mark.parametrize("tone_hz", [980.0, 998.0, 1000.0, 1001.0, 1020.0])
@pytest.mark.parametrize("psophometric", [False, True])
def test_the_third_harmonic_counts_in_full_wherever_the_tone_is(tone_hz: float, psophometric: bool) -> None:
    """10 % of the third harmonic is 20.04 dB by the definition; O.41 weighs it by −5.6 − 1.0 dB, so 26.6 dB."""
    sound = 0.5 * np.sin(2 * np.pi * tone_hz * TIMES) + 0.05 * np.sin(2 * np.pi * 3 * tone_hz * TIMES)
    found = under_test.sinad(sound, RATE, psophometric=psophometric).measured.value
    assert found == pytest.approx(26.6 if psophometric else 20.04, abs=0.3 if psophometric else 0.05)


@pytest.mark.parametrize("wanted_db", [6.0, 12.0, 20.0, 30.0])
def test_white_noise_gives_its_power_in_the_band_within_the_stated_uncertainty(wanted_db: float) -> None:
    rng = np.random.default_rng(3)
    noise_in_band = 0.125 / (10 ** (wanted_db / 10) - 1)
    sigma = math.sqrt(noise_in_band * RATE / 2 / (under_test.HIGHEST_HZ - under_test.LOWEST_HZ))
    found = [
        under_test.sinad(0.5 * np.sin(2 * np.pi * 1000 * TIMES) + rng.normal(0, sigma, TIMES.size), RATE)
        for _ in range(40)
    ]
    errors = np.array([one.measured.value - wanted_db for one in found])
    assert abs(errors.mean()) < 0.15
    assert np.count_nonzero(np.abs(errors) <= [one.measured.uncertainty for one in found]) >= 36


def test_psophometric_weight_is_the_published_table() -> None:
    """ITU-T O.41: 0 dB at 800 Hz, +1.0 at 1 kHz, −10.6 at 300 Hz, −5.6 at 3 kHz (as quoted in an annex)."""
    hertz = np.array([300.0, 800.0, 1000.0, 3000.0])
    assert 10 * np.log10(under_test.weight(hertz, True)) == pytest.approx([-10.6, 0.0, 1.0, -5.6])


def test_no_tone_and_no_sound_are_said() -> None:
    with pytest.raises(MeasurementError, match="no 1 kHz tone"):
        under_test.sinad(np.random.default_rng(1).normal(0, 0.1, TIMES.size), RATE)
    with pytest.raises(MeasurementError, match="no sound at all"):
        under_test.sinad(np.zeros(TIMES.size), RATE)


class Sound:
    """A clean tone in blocks of 0.1 s; 23 samples, half a cycle, are missing before the tenth; then `problem`."""

    facts = SourceFacts("made-up sound", RATE, 0.0, "rf32_le", audio=True)

    def __init__(self, *, lost: int = 23, within: int = 0, problem: Exception | None = None) -> None:
        self._lost, self._within, self._problem = lost, within, problem

    def blocks(self) -> Iterator[IqBlock]:
        first = 0
        for number in range(15):
            lost, within = (self._lost, self._within) if number == 9 else (0, 0)
            first += lost
            tone = 0.3 * np.sin(2 * np.pi * 1000 * (first + np.arange(4800)) / RATE)
            yield IqBlock(tone.astype(np.float32), first, "rf32_le", lost_before=lost, lost_within=within)
            first += 4800
        if self._problem:
            raise self._problem

    def close(self) -> None: ...


@pytest.mark.parametrize(
    ("within", "told"),
    [(0, "measuring begins anew after them"), (48_000, "what was read in the last 1.0 s may be too low")],
)
def test_no_reading_goes_over_lost_samples(within: int, told: str) -> None:
    """A clean tone has no rest but the rounding of its numbers; half a cycle missing would leave 20 dB or less."""
    found = list(under_test.readings(Sound(within=within)))
    first, lost, second = found
    assert lost == under_test.Unread(under_test.Why.LOST, f"0.5 ms of sound were lost; {told}")
    for reading in (first, second):
        assert isinstance(reading, under_test.Sinad)
        assert reading.measured.value > 90


@pytest.mark.parametrize("problem", [SourceLost("made-up sound hears nothing"), OSError("input/output error"), None])
def test_what_ends_the_source_is_raised_where_readings_are_asked_for(problem: Exception | None) -> None:
    meter = under_test.Meter(Sound(problem=problem))
    for _ in range(2):
        with pytest.raises(type(problem or SourceLost("")), match=str(problem or "made-up sound has ended")):
            meter.fresh(5)


def test_search_brackets_twenty_decibels_and_reads_the_level_between() -> None:
    """A made-up receiver whose SINAD is 20 dB at +4 dBµV and falls 1.5 dB per dB."""
    points: tuple[under_test.Point, ...] = ()
    while (level := under_test.next_level(points)) is not None:
        points += (under_test.Point(level, 20 + 1.5 * (level - 4.0), 0.4),)
        assert len(points) < 20
    found = under_test.sensitivity(points, 1.0)
    assert found.value == pytest.approx(4.0, abs=0.01)
    assert 1.0 < found.uncertainty < 1.5


def test_twenty_decibels_outside_what_was_tried_is_refused() -> None:
    with pytest.raises(MeasurementError, match="below every level"):
        under_test.sensitivity((under_test.Point(10.0, 28.0, 0.4),), 1.0)
