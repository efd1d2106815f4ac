"""Linearity and leak of the measuring path: the rules of common practice on signals whose faults are known.

A converter that clips is made by clipping; a leak by a signal so many decibels down. Nothing here is measured on air.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from sdrcheck.cli.attenuation import command
from sdrcheck.errors import MeasurementError, SourceError
from sdrcheck.quantities import Measured, Term
from sdrcheck.receiver.cautions import BEFORE_KEYING
from sdrcheck.recordings.facts import ReceptionFacts
from sdrcheck.recordings.recording import open_recording
from sdrcheck.recordings.sigmf import write
from sdrcheck.verdicts.judge import Verdict
from sdrcheck.watching.measuring_path import Keyed, leak, linearity

RATE_HZ, CENTRE_HZ, CHANNEL_HZ = 240_000.0, 156.575e6, 156.625e6


def keyed(dbfs: float, *, found: bool = True, gain_db: float = 8.7, frequency_hz: float = CHANNEL_HZ) -> Keyed:
    level = Measured(dbfs, "dBFS", (Term.normal("noise", 0.01),))
    return Keyed(level, "channel 72 (156.625 MHz)", frequency_hz, gain_db, 0.0, found)


def ten_db(known: float) -> Measured:
    return Measured(10.0, "dB", (Term.rectangular("added attenuation", known),))


@pytest.mark.parametrize(
    ("after", "known", "verdict", "words"),
    [
        (-24.0, 0.1, Verdict.PASS, "The path is linear"),
        (-23.6, 0.1, Verdict.PASS_NOT_PROVEN, "as far as the added attenuation is known"),
        (-23.0, 0.1, Verdict.FAIL, "the dongle was overloaded as it stood"),
        (-23.4, 0.3, Verdict.FAIL_NOT_PROVEN, "the dongle was overloaded as it stood"),
        (-25.5, 0.1, Verdict.FAIL, "a plug is loose"),
    ],
)
def test_ten_decibels_more_attenuation(after: float, known: float, verdict: Verdict, words: str) -> None:
    """More than 0.5 dB off the added attenuation means that the reading before was not linear (common practice)."""
    found = linearity(keyed(-14.0), keyed(after), ten_db(known))
    assert found.verdict is verdict
    assert words in " ".join(found.follows)
    assert found.value.value == pytest.approx(after + 24.0)


@pytest.mark.parametrize(
    ("without", "heard", "verdict", "words"),
    [
        (-60.0, True, Verdict.PASS, "All readings stand; a level moves by 0.04 dB at most"),
        (-39.0, True, Verdict.PASS, "Levels are void: they may be 0.5 dB off"),
        (-30.0, True, Verdict.FAIL, "every reading taken this way is void"),
        (-55.0, False, Verdict.PASS, "All readings stand"),
        (-39.0, False, Verdict.PASS, "Levels are void"),
        (-30.0, False, None, "too little to tell"),
    ],
)
def test_the_cable_taken_off(without: float, heard: bool, verdict: Verdict | None, words: str) -> None:
    """20 dB below for all readings, 30 dB for levels; 20·log10(1 + 10^(−25/20)) = 0.48 dB (worked by hand)."""
    found = leak(keyed(-14.0), keyed(without, found=heard))
    assert found.verdict is verdict
    assert words in " ".join(found.follows)


def test_what_cannot_be_compared() -> None:
    with pytest.raises(MeasurementError, match=r"gain 8\.7 dB and the second at 20 dB; the gain must stay"):
        leak(keyed(-14.0), keyed(-40.0, gain_db=20.0))
    with pytest.raises(MeasurementError, match="key the same channel"):
        linearity(keyed(-14.0), keyed(-24.0, frequency_hz=156.8e6), ten_db(0.1))


# -- the commands -----------------------------------------------------------------------------------------------------


def recorded(
    folder: Path, name: str, dbfs: float | None, *, gain_db: float = 8.7, carrier_hz: float = CHANNEL_HZ
) -> str:
    """Two seconds of a carrier as an 8-bit converter gives them, clipped where it is too strong."""
    rng = np.random.default_rng(7)
    times = np.arange(int(2 * RATE_HZ)) / RATE_HZ
    iq = rng.normal(0, 10 ** (-50 / 20), (times.size, 2)).view(np.complex128)[:, 0]
    if dbfs is not None:
        iq += 10 ** (dbfs / 20) * np.exp(2j * np.pi * (carrier_hz - CENTRE_HZ) * times) * (times > 0.3)
    facts = ReceptionFacts(gain_db=gain_db)
    return str(write(folder / name, iq, "cu8", RATE_HZ, CENTRE_HZ, facts=facts))


def tried(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(command, list(words), input=typed, standalone_mode=False)


def test_two_recordings_of_a_linear_path(tmp_path: Path) -> None:
    before, after = recorded(tmp_path, "before", -14.0), recorded(tmp_path, "after", -24.1)
    result = tried("linearity", before, after, "--known", "0.1", "--strict")
    assert result.return_value == 0, result.output
    assert result.output.splitlines()[0] == "level, corrected for added attenuation: pass"
    told = re.search(r"fell by ([\d.]+) dB: corrected, it moved by ([-+\d.]+) ± 0\.23 dB", result.output)
    assert told
    assert float(told[1]) == pytest.approx(10.1, abs=0.02)
    assert float(told[2]) == pytest.approx(-0.1, abs=0.02)


def test_off_the_channel_plan_a_keying_is_found_again_though_its_carrier_lies_a_little_aside(tmp_path: Path) -> None:
    """156.6312 MHz is no channel; the carrier wanders by 60 Hz."""
    before = recorded(tmp_path, "before", -14.0, carrier_hz=156.6312e6)
    after = recorded(tmp_path, "after", -24.0, carrier_hz=156.63126e6)
    result = tried("linearity", before, after)
    assert "fell by 10.0" in result.output, result.output


def test_two_recordings_of_an_overloaded_dongle(tmp_path: Path) -> None:
    before, after = recorded(tmp_path, "before", 6.0), recorded(tmp_path, "after", -4.0)
    result = tried("linearity", before, after, "--strict")
    assert result.return_value == 3
    assert "it was overloaded" in result.output
    assert "Level, deviation, bandwidth and products read that way are void" in result.output


@pytest.mark.parametrize(
    ("without", "status", "words"),
    [
        (-25.0, 3, "the set was still heard"),
        (None, 0, "nothing was heard on channel 72 (156.625 MHz): at least"),
    ],
)
def test_two_recordings_with_and_without_the_cable(
    tmp_path: Path, without: float | None, status: int, words: str
) -> None:
    result = tried("leak", recorded(tmp_path, "a", -10.0), recorded(tmp_path, "b", without), "--strict")
    assert result.return_value == status, result.output
    assert words in result.output


def test_step_by_step_from_a_live_source(tmp_path: Path) -> None:
    """A recording stands for the live source; both steps hear the same, so that the level does not fall at all."""
    path = recorded(tmp_path, "live", -14.0)
    words = ("--from", path, "--channel", "72", "--speed", "0", "--seconds", "1.5", "--out", str(tmp_path / "kept"))
    result = tried("linearity", *words, typed="\n\n")
    assert result.return_value == 0, result.output
    for caution in BEFORE_KEYING:
        assert result.output.count(caution) == 1
    asked = [line for line in result.output.splitlines() if "then press Enter" in line]
    assert [line[:9] for line in asked] == ["1. Key th", "2. Unkey."]
    assert "fell by 0.00 dB" in result.output
    assert open_recording(tmp_path / "kept-2").sample_count >= 1.5 * RATE_HZ


def test_wrong_words_and_nothing_to_compare(tmp_path: Path) -> None:
    path = recorded(tmp_path, "only", -14.0)
    for words in (("leak", path), ("leak",), ("leak", path, path, "--from", path), ("leak", "--from", path)):
        result = CliRunner().invoke(command, list(words))
        assert result.exit_code == 2, result.output
    assert CliRunner().invoke(command, ["--strict", "leak", path, path]).exit_code == 2
    silent = recorded(tmp_path, "silent", None)
    with pytest.raises(MeasurementError, match="nothing was keyed in"):
        CliRunner().invoke(command, ["leak", silent, path], catch_exceptions=False)
    with pytest.raises(SourceError, match=r"channel 06 \(156\.300 MHz\) is not within what"):
        CliRunner().invoke(command, ["leak", path, path, "--channel", "06"], catch_exceptions=False)
