"""The frequency reference against worked examples, and its ageing, storing and joining."""

from __future__ import annotations

import os
import re
import stat
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sdrcheck.errors import ReceiverError
from sdrcheck.quantities import Measured, Term, combined
from sdrcheck.receiver import kept, reference_store
from sdrcheck.receiver.reference import (
    CARRIER_CLASSES,
    DRIFT,
    OSCILLATORS,
    FrequencyReference,
    WarmUp,
    before_and_after,
    from_counter,
    from_known_carrier,
)

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
CH16_HZ = 156_800_000.0
TUNER_STEP_HZ = 2 * 28.8e6 / 2**16 / 16  # 54.93 Hz: synthesis step with a divider of 16 (structure from memory)


def counted(oscillator: str) -> FrequencyReference:
    """A counter of 1e-7 (a limit) read on channel 16 at noon."""
    counter = Measured(CH16_HZ, "Hz", (Term.rectangular("counter's reference, 1e-7", 15.68),))
    return from_counter(Measured(CH16_HZ, "Hz"), counter, taken_utc=NOON, oscillator=oscillator)


def test_correction_of_the_worked_reading() -> None:
    """Worked by hand: indicated 156 800 412.0 Hz, counter 156 799 987.3 Hz, δ = +2.7085 ppm."""
    counter = Measured(156_799_987.3, "Hz", (Term.expanded("counter", 15.7),))
    reference = from_counter(Measured(156_800_412.0, "Hz"), counter, taken_utc=NOON)
    assert f"{reference.correction_ppm:+.4f}" == "+2.7085"
    corrected = reference.correct_frequency(Measured(412.0, "Hz"), 156_800_412.0)
    assert corrected.value == pytest.approx(-12.7, abs=1e-6)  # the counter's reading, from the channel's frequency


@pytest.mark.parametrize(
    ("oscillator", "lo_known", "u_c", "expanded", "expanded_ppm"),
    [  # budget worked out by hand after JCGM 100: terms 9.053, 45.264, 15.857, 1.982, 0.5 Hz
        ("tcxo", False, 48.85, 97.7, 0.623),
        ("tcxo", True, 46.16, 92.3, 0.589),
        ("crystal", False, 181.99, 364.0, 2.32),
    ],
)
def test_carrier_budget_of_the_worked_example(
    oscillator: str, lo_known: bool, u_c: float, expanded: float, expanded_ppm: float
) -> None:
    terms = [Term.normal("repeatability", 0.5)]
    if not lo_known:
        terms.append(Term.rectangular("down-converter's step", 28.8e6 / 2**22 / 2))
    found = Measured(100.0, "Hz", tuple(terms))
    minutes_later = counted(oscillator).at(NOON + timedelta(minutes=10))
    corrected = minutes_later.correct_frequency(found, CH16_HZ, 0.0 if lo_known else TUNER_STEP_HZ)
    assert corrected.standard_uncertainty == pytest.approx(u_c, abs=0.01)
    assert corrected.uncertainty == pytest.approx(expanded, abs=0.06 if expanded < 100 else 0.5)
    assert corrected.uncertainty / CH16_HZ * 1e6 == pytest.approx(expanded_ppm, abs=0.005)
    parts = {term.name: term.standard for term in corrected.terms}
    assert parts["counter's reference, 1e-7"] == pytest.approx(9.053, abs=5e-4)
    assert parts[DRIFT] == pytest.approx({"tcxo": 45.264, "crystal": 181.06}[oscillator], abs=5e-3)


@pytest.mark.parametrize(
    ("khz", "expected"),
    [  # U in hertz at 0.1, 0.5, 1 and 2 ppm, worked out by hand: u² = drift² + (1e-7)² + 0.2², limits rectangular
        (2187.5, (0.54, 1.35, 2.57, 5.07)),
        (4207.5, (0.80, 2.51, 4.90, 9.74)),
        (8414.5, (1.43, 4.97, 9.77, 19.46)),
        (12577.0, (2.09, 7.42, 14.60, 29.08)),
        (16804.5, (2.77, 9.90, 19.51, 38.86)),
        (22374.5, (3.68, 13.18, 25.97, 51.74)),
    ],
)
def test_calling_frequencies_of_the_worked_table(khz: float, expected: tuple[float, ...]) -> None:
    for drift_ppm, uncertainty in zip((0.1, 0.5, 1.0, 2.0), expected, strict=True):
        terms = (Term.rectangular("counter", 0.1), Term.rectangular("drift", drift_ppm))
        reference = FrequencyReference.of_terms(0.0, terms, "worked example", method="stated")
        found = Measured(0.0, "Hz", (Term.normal("repeatability", 0.2),))
        assert reference.correct_frequency(found, khz * 1e3).uncertainty == pytest.approx(uncertainty, abs=0.0051)


def test_an_up_converter_adds_its_own_oscillator() -> None:
    """Worked by hand: 2187.5 kHz over +125 MHz, dongle 0.5 ppm and converter 1 ppm, U = 162 Hz."""
    dongle = Term.rectangular("dongle", 0.5).times(127.1875)
    converter = Term.rectangular("converter", 1.0).times(125.0)
    assert 2 * combined((dongle, converter)) == pytest.approx(162.0, abs=0.5)


def test_uncorrected_dongle_is_stated_wide_and_in_words() -> None:
    reference = FrequencyReference.uncorrected()
    assert reference.correction_ppm == 0
    assert reference.uncertainty_ppm >= 100  # plain crystals are 20 to 100 ppm off (common practice)
    assert "uncorrected" in reference.source
    assert not reference.corrected
    fifty = FrequencyReference.of_terms(0.0, (Term.rectangular("crystal", 50.0),), "example", method="stated")
    found = fifty.correct_frequency(Measured(0.0, "Hz"), CH16_HZ)
    assert found.standard_uncertainty == pytest.approx(4526, abs=1)  # the worked example's ±50 ppm


def test_stated_reference_adds_one_term() -> None:
    reference = FrequencyReference(2.7, 0.3, "given on the command line")
    corrected = reference.correct_frequency(Measured(1000.0, "Hz"), 156_526_000.0)
    assert corrected.value == pytest.approx(1000 - 156_526_000 * 2.7e-6 / (1 + 2.7e-6))
    assert corrected.uncertainty == pytest.approx(156.526 * 0.3, rel=1e-5)
    assert [term.name for term in corrected.terms] == ["frequency reference"]


def test_sample_clock_quantities() -> None:
    """δ = +20 ppm: the true clock runs slow, so tones and rates read high and times read short."""
    reference = FrequencyReference(20.0, 1.0, "example")
    tone = reference.correct_clock(Measured(2100.042, "Hz"))
    assert tone.value == pytest.approx(2100.0, abs=1e-6)
    assert tone.uncertainty == pytest.approx(2100e-6, rel=1e-4)
    rate = reference.correct_clock(Measured(25.0, "ppm"))
    assert rate.value == pytest.approx(5.0, abs=1e-3)
    assert rate.uncertainty == pytest.approx(1.0)
    assert reference.correct_clock(Measured(1.0, "s")).value == pytest.approx(1.00002)
    assert reference.correct_clock(Measured(-3.0, "dBFS")) == Measured(-3.0, "dBFS")


def test_age_widens_and_never_refuses() -> None:
    reference = counted("tcxo")
    ages = [timedelta(minutes=1), timedelta(hours=2), timedelta(days=1), timedelta(days=400), timedelta(days=365_000)]
    widths = [reference.at(NOON + age).uncertainty_ppm for age in ages]
    assert widths == sorted(widths)
    assert widths[0] > reference.uncertainty_ppm
    assert widths[-1] <= 1.01 * FrequencyReference.uncorrected().uncertainty_ppm
    assert "400 days old" in reference.at(NOON + ages[3]).source
    assert "over a year apart, so compare" in reference.at(NOON + ages[3]).source
    assert "over a year" not in reference.at(NOON + ages[2]).source
    stated = FrequencyReference(1.0, 0.1, "stated")
    assert stated.at(NOON) is stated


def test_a_reading_after_the_recording_is_not_called_old() -> None:
    reference = counted("tcxo")
    assert "taken 2 h later, drift" in reference.at(NOON - timedelta(hours=2)).source
    reference.require_past(NOON)
    with pytest.raises(ReceiverError, match=r"2026-03-01 12:00 UTC, 365 days ahead of this computer's clock"):
        reference.require_past(NOON - timedelta(days=365))


@pytest.mark.parametrize("ppm", [-101.0, 101.0, 159.4])
def test_what_lies_further_apart_than_any_dongle_was_read_on_two_channels(ppm: float) -> None:
    """An uncorrected dongle lies within ±100 ppm (common practice); 25 kHz, one channel, are 159 ppm."""
    counter = Measured(CH16_HZ, "Hz", (Term.expanded("counter", 15.7),))
    apart = re.escape(f"({ppm:+.0f} ppm) apart")
    with pytest.raises(ReceiverError, match=f"{apart}.* most likely they were not read on the same carrier"):
        from_counter(Measured(CH16_HZ * (1 + ppm * 1e-6), "Hz"), counter, taken_utc=NOON)


def test_known_carriers() -> None:
    indicated = Measured(925_002_000.0, "Hz")
    wide = CARRIER_CLASSES["cellular-wide"]
    reference = from_known_carrier(indicated, 925e6, wide, taken_utc=NOON, speed_knots=10 / (1852 / 3600))
    # 3GPP TS 25.141 table 6.8B: 0.05 ppm + 12 Hz; Doppler at 10 m/s and 900 MHz is 30 Hz
    assert reference.uncertainty_ppm == pytest.approx(2 * (0.05 + 12 / 925 + 30.86 / 925) / 3**0.5, rel=1e-3)
    assert "not traceable" in reference.source
    with pytest.raises(ReceiverError, match="not accurate enough"):
        from_known_carrier(indicated, 925e6, CARRIER_CLASSES["ship"], taken_utc=NOON)


def test_readings_of_different_carriers_are_refused() -> None:
    with pytest.raises(ReceiverError, match="same carrier"):
        from_counter(Measured(156.8e6, "Hz"), Measured(156.5e6, "Hz"), taken_utc=NOON)


def test_before_and_after() -> None:
    before = counted("tcxo")
    later = NOON + timedelta(minutes=20)

    def moved(ppm: float) -> FrequencyReference:
        return FrequencyReference.of_terms(ppm, before.terms, "after", method="counter", taken_utc=later)

    quiet = before_and_after(before, moved(0.3))
    assert quiet.agree
    assert quiet.reference.correction_ppm == pytest.approx(0.15)
    assert any(term.name == "drift between before and after" for term in quiet.reference.terms)
    loud = before_and_after(before, moved(3.0))
    assert not loud.agree
    assert "+3.00 ppm in 20 min" in loud.sentence
    with pytest.raises(ReceiverError, match="second later"):
        before_and_after(moved(0.0), before)


def test_references_are_kept_per_dongle_and_never_overwritten() -> None:
    assert reference_store.latest("00000001") is None
    first, second = counted("tcxo"), counted("crystal")
    reference_store.keep("00000001", first)
    path = reference_store.keep("00000001", second)
    assert reference_store.history("00000001") == (first, second)
    assert reference_store.latest("other") is None
    odd = reference_store.keep("../../etc", first)
    assert odd.parent == path.parent
    path.write_text("{")
    with pytest.raises(ReceiverError, match="cannot be read"):
        reference_store.latest("00000001")


def test_two_commands_at_once_lose_no_entry() -> None:
    """Four writers of one dongle's file; as many of theirs are there afterwards as each of them kept."""
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda _: reference_store.keep("00000001", counted("tcxo")), range(40)))
    assert len(reference_store.history("00000001")) == 40


def test_an_entry_is_on_the_disk_before_its_file_is_renamed(monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[str] = []
    really, replace = os.fsync, Path.replace

    def fsync(handle: int) -> None:
        synced.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file")
        really(handle)

    def renamed(self: Path, target: Path) -> Path:
        synced.append("renamed")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(Path, "replace", renamed)
    reference_store.keep("00000001", counted("tcxo"))
    assert synced == ["file", "renamed", "folder"]


def test_a_file_that_another_command_left_behind_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "_PATIENCE_S", 0.0)
    path = reference_store.keep("00000001", counted("tcxo"))
    left = path.with_suffix(".new")
    left.touch()
    with pytest.raises(ReceiverError, match=r"another command is writing .*\.new; if none runs any more, remove"):
        reference_store.keep("00000001", counted("tcxo"))
    left.unlink()
    path.write_bytes(b'["\xff"]')
    with pytest.raises(ReceiverError, match="cannot be read"):
        reference_store.keep("00000001", counted("tcxo"))
    assert not left.exists()


def test_warm_up_settles() -> None:
    times = tuple(float(t) for t in range(0, 1800, 30))
    warming = tuple(4.0 * 2 ** (-t / 150) for t in times)  # halves every two and a half minutes
    settled = WarmUp(times, warming).settled_s(band_ppm=0.1)
    assert settled == pytest.approx(150 * 5.32, abs=30)  # 4·2^(−t/150) = 0.1
    assert WarmUp(times[:10], warming[:10]).settled_s(band_ppm=0.1) is None
    assert WarmUp((), ()).settled_s() is None
    assert OSCILLATORS["tcxo"].drift_ppm(timedelta(0)) == 0.5
