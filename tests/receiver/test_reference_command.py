"""`sdrcheck reference`: made, kept, shown, checked. Dongle and readings are invented."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner, Result

from sdrcheck.cli.reference import command
from sdrcheck.errors import ReceiverError
from sdrcheck.receiver import level_store, reference_store
from sdrcheck.receiver.attenuation import watts
from sdrcheck.receiver.reference import FrequencyReference
from tests.conftest import REPOSITORY


def run(*arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments))


def counter(indicated: str, *more: str) -> Result:
    given = ["--indicated", indicated, "--counter", "156.7999873M±15.7", "--serial", "TEST1", "--oscillator", "tcxo"]
    return run("counter", *given, *more)


def test_the_worked_reading_is_kept_and_shown_with_its_budget() -> None:
    """Worked by hand: indicated 156 800 412.0 Hz, counter 156 799 987.3 Hz, δ = +2.7085 ppm."""
    made = counter("156800412.0", "--note", "21 °C, 25 min")
    assert made.exit_code == 0, made.output
    assert "+2.71 ± 0.10 ppm" in made.output
    kept = reference_store.latest("TEST1")
    assert kept is not None
    assert round(kept.correction_ppm, 4) == 2.7085
    shown = run("show", "--serial", "TEST1").output
    assert "drift since the reference was taken" in shown
    assert "21 °C, 25 min" in shown
    document = json.loads(run("show", "--serial", "TEST1", "--json").output)
    assert document["current"]["uncertainty_ppm"] > kept.uncertainty_ppm  # aged, if only by seconds
    assert len(document["history"]) == 1


VOICE = str(REPOSITORY / "captures" / "voice-72.sigmf-meta")
"""Composed 141 Hz above 156.625 MHz, which are +0.900 ppm."""


def test_a_recording_is_read_as_the_dongle_showed_it() -> None:
    """Whatever is kept for the dongle already, and from when the recording was made."""
    assert counter("156800412.0").exit_code == 0
    given = ("counter", "--recording", VOICE, "--counter", "156.625M", "--accuracy", "1e-7", "--serial", "TEST1")
    made = run(*given, "--oscillator", "tcxo")
    assert made.exit_code == 0, made.output
    kept = next(one for one in reference_store.history("TEST1") if "156625000" in one.source)
    assert kept.correction_ppm == pytest.approx(0.9003, abs=1e-3)
    assert kept.taken_utc == datetime(2026, 3, 2, 8, 12, tzinfo=UTC)
    assert run("carrier", "--recording", VOICE, "--frequency", "156.625M", "--class", "disciplined").exit_code == 2


def test_what_the_dongle_showed_is_said_once_and_how_well() -> None:
    least = ("counter", "--counter", "156.8M±16", "--dry-run")
    assert run(*least, "--serial", "X").exit_code == 2
    assert run(*least, "--serial", "X", "--indicated", "156.8M", "--recording", VOICE).exit_code == 2
    assert run(*least, "--indicated", "156.8M").exit_code == 2
    assert "taken as exact" in run(*least, "--serial", "X", "--indicated", "156.8M").output
    shown = run(*least, "--serial", "X", "--indicated", "156.8M±2").output
    assert "taken as exact" not in shown
    assert "reading of the dongle" in shown


def test_dry_run_keeps_nothing() -> None:
    assert "Nothing was kept" in counter("156800412.0", "--dry-run").output
    assert reference_store.history("TEST1") == ()


def test_how_good_the_counter_is_must_be_said_once() -> None:
    for wrong in (
        ["--counter", "156.8M"],
        ["--counter", "156.8M±10", "--accuracy", "1e-7"],
    ):
        assert run("counter", "--indicated", "156.8M", *wrong, "--serial", "X").exit_code == 2
    right = run("counter", "--indicated", "156.8M", "--counter", "156.8M", "--accuracy", "1e-7", "--serial", "X")
    assert right.exit_code == 0
    kept = reference_store.latest("X")
    assert kept is not None
    assert kept.terms[0].distribution == "rectangular"


def keep(ppm: float, minutes: int) -> None:
    taken = datetime(2026, 3, 1, 12, 0, tzinfo=UTC) + timedelta(minutes=minutes)
    reference_store.keep("TEST1", FrequencyReference(ppm, 0.1, "counter", "counter", taken, "tcxo"))


def test_before_and_after() -> None:
    keep(2.7, 0)
    keep(2.9, 60)
    shown = run("check", "--serial", "TEST1").output
    assert shown.startswith("AGREE")
    assert "--reference +2.80±0.15" in shown
    keep(9.0, 90)
    assert run("check", "--serial", "TEST1").output.startswith("DO NOT AGREE")


def test_the_order_of_the_readings_counts_and_not_that_of_the_keeping() -> None:
    keep(2.9, 60)
    keep(2.7, 0)
    newest = reference_store.latest("TEST1")
    assert newest is not None
    assert newest.correction_ppm == 2.9
    assert run("check", "--serial", "TEST1").output.startswith("AGREE")


def test_before_and_after_need_two() -> None:
    keep(2.7, 0)
    with pytest.raises(ReceiverError, match="1 kept"):
        CliRunner().invoke(command, ["check", "--serial", "TEST1"], catch_exceptions=False)


def test_known_carrier() -> None:
    made = run(
        *("carrier", "--indicated", "925.0025M", "--frequency", "925M", "--class", "cellular-wide", "--serial", "T")
    )
    assert "not traceable" in made.output
    assert run("carrier", "--class", "ship", "--indicated", "1M", "--frequency", "1M", "--serial", "T").exit_code == 1


def test_a_known_carrier_may_doubt_a_counter_and_never_overrules_it() -> None:
    assert counter("156800412.0").exit_code == 0  # +2.71 ppm
    given = ("carrier", "--frequency", "925M", "--class", "cellular-wide", "--serial", "TEST1", "--indicated")
    assert "which agrees; the counter's stays in use" in run(*given, "925.0025M").output  # +2.70 ppm
    assert "one of the two is wrong" in run(*given, "925.010M").output  # +10.8 ppm
    kept = reference_store.latest("TEST1")
    assert kept is not None
    assert (kept.method, round(kept.correction_ppm, 2)) == ("counter", 2.71)
    shown = run("show", "--serial", "TEST1").output
    assert shown.startswith("dongle TEST1: +2.71 ± ")
    assert shown.count("kept too: ") == 2
    assert "1 kept" in str(run("check", "--serial", "TEST1").exception)


def test_show_without_any_reference_says_uncorrected() -> None:
    shown = run("show", "--serial", "NEVER").output
    assert "anywhere within ±100 ppm" in shown
    assert "twice the standard uncertainty of that, 100/√3 ppm, is stated" in shown


def test_level_is_tied_and_kept() -> None:
    made = run(
        *("level", "--serial", "TEST1", "--meter", "22.5W", "--accuracy", "5", "--indicated", "-14.2"),
        *("--gain", "8.7", "--frequency", "156.8M", "--chain", "40dB/100W,30dB/2W"),
    )
    assert made.exit_code == 0, made.output
    kept = level_store.latest("TEST1")
    assert kept is not None
    assert watts(kept.constant_db - 14.2) == pytest.approx(22.5)
    assert [element.loss_db for element in kept.chain] == [40.0, 30.0]
    assert "± 1.44 dB" in made.output
    assert "mismatch, chain to dongle (U-shaped)" in made.output
    assert "level:" in run("show", "--serial", "TEST1").output


def test_an_uncertainty_of_nothing_is_none() -> None:
    for wrong in (["156.8M", "--accuracy", "0"], ["156.8M±0"]):
        made = run("counter", "--indicated", "156.8M±2", "--serial", "TEST1", "--counter", *wrong)
        assert made.exit_code == 2
        assert "nothing is known without uncertainty" in made.output
    assert reference_store.history("TEST1") == ()


def test_nothing_is_printed_before_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise ReceiverError("nothing can be kept")

    monkeypatch.setattr(reference_store, "keep", refuse)
    made = run("counter", "--indicated", "156.8M", "--counter", "156.8M±2", "--serial", "TEST1")
    assert (made.output, str(made.exception)) == ("", "nothing can be kept")


def test_a_reading_from_the_future_is_refused_and_told_where_it_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """The recording is of 2 March 2026; the computer's clock stands a day before."""
    before = datetime(2026, 3, 1, 8, 12, tzinfo=UTC)
    given = ("counter", "--recording", VOICE, "--counter", "156.625M", "--accuracy", "1e-7", "--serial", "TEST1")
    assert run(*given).exit_code == 0
    monkeypatch.setattr("sdrcheck.cli.reference.now_utc", lambda: before)
    assert "2026-03-02 08:12 UTC, 24 h ahead of this computer's clock" in str(run(*given).exception)
    assert len(reference_store.history("TEST1")) == 1
    assert "caution: the reading is dated 2026-03-02 08:12 UTC" in run("show", "--serial", "TEST1").output


def test_a_doubtful_meter_reading_is_kept_with_a_caution() -> None:
    given = ("level", "--serial", "TEST1", "--meter", "22.5W", "--accuracy", "5", "--gain", "8.7")
    given += ("--frequency", "156.8M", "--chain", "40dB/100W,30dB/2W", "--indicated")
    assert "caution" not in run(*given, "-14.2").output
    made = run(*given, "-0.5")
    assert made.output.count("caution: -0.5 dBFS lies outside") == 1
    assert len(level_store.history("TEST1")) == 2
    assert "ties nothing down" in str(run(*given, "-200").exception)
    assert len(level_store.history("TEST1")) == 2
