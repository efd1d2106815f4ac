"""The warm-up view on synthetic carriers: our own signal, so it proves the arithmetic and not the dongle."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sdrcheck.cli.reference import command
from sdrcheck.errors import MeasurementError, ReceiverError
from sdrcheck.receiver.reference import WarmUp
from sdrcheck.recordings.sigmf import write
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching import warm_up

RATE_HZ = 48_000.0
CARRIER_HZ = 100e6
BESIDE_HZ = 10e3


def drifting(seconds: int, ppm_a_second: float) -> Synthetic:
    """A carrier that drifts, 5 kHz above the centre, 1 kHz off at first, with noise."""
    times = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    hz = 6_000.0 + ppm_a_second * CARRIER_HZ * 1e-6 * times / 2
    noise = np.random.default_rng(1).normal(0, 0.02, (2, times.size))
    return Synthetic(
        0.5 * np.exp(2j * np.pi * hz * times) + noise[0] + 1j * noise[1], RATE_HZ, CARRIER_HZ - 5_000, "cf32_le"
    )


def test_readings_follow_the_drift() -> None:
    found = list(warm_up.readings(drifting(9, 0.02), CARRIER_HZ, every_s=3.0, last_s=60.0))
    assert [round(time) for time, _ in found] == [0, 3, 6]
    for time, ppm in found:
        assert ppm == pytest.approx(10.0 + 0.02 * (time + 0.5), abs=0.001)


def test_the_end_is_kept() -> None:
    assert len(list(warm_up.readings(drifting(9, 0.0), CARRIER_HZ, every_s=1.0, last_s=3.0))) <= 4


def test_no_carrier_is_said() -> None:
    noise = np.random.default_rng(2).normal(0, 0.1, (2, 96_000))
    source = Synthetic(noise[0] + 1j * noise[1], RATE_HZ, CARRIER_HZ, "cf32_le")
    with pytest.raises(MeasurementError, match="no steady carrier"):
        list(warm_up.readings(source, CARRIER_HZ, every_s=1.0, last_s=9.0))
    with pytest.raises(MeasurementError, match="from the centre"):
        list(warm_up.readings(source, CARRIER_HZ + 1e6, every_s=1.0, last_s=9.0))


def test_rows_sentence_and_picture(tmp_path: Path) -> None:
    times = tuple(30.0 * n for n in range(40))
    ppm = tuple(3.0 * 2 ** (-time / 120) for time in times)
    series = WarmUp(times, ppm)
    lines = [warm_up.row(time, value, ppm[0]) for time, value in zip(times, ppm, strict=True)]
    assert all(len(line) <= 80 for line in lines)
    assert lines[0].index("*") > lines[-1].index("*")
    assert len(warm_up.head()) == len(lines[0])
    assert warm_up.head().index("0  ") == lines[-1].index("|")
    assert [warm_up.row(0, change, 0).count(mark) for change, mark in ((9, ">"), (-9, "<"), (5, "*"))] == [1, 1, 1]
    assert warm_up.sentence(series).startswith("Settled since 10 min")  # 3·2^(−t/120) = 0.1 at 589 s
    assert warm_up.sentence(WarmUp(times[:8], ppm[:8])).startswith("Not settled yet")
    picture = tmp_path / "warm-up.png"
    warm_up.draw(series, picture, "an invented dongle")
    assert picture.read_bytes().startswith(b"\x89PNG")
    with pytest.raises(ReceiverError, match="cannot be written"):
        warm_up.draw(series, tmp_path, "a folder")


def test_what_was_read_before_the_carrier_went_is_shown(tmp_path: Path) -> None:
    times = np.arange(int(4 * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(6).normal(0, 0.003, (2, times.size))
    iq = 0.3 * np.exp(2j * np.pi * 1_000.0 * times) * (times < 2) + rng[0] + 1j * rng[1]
    path = str(write(tmp_path / "gone", iq, "cu8", RATE_HZ, CARRIER_HZ))
    words = ["warm-up", "--from", path, "--carrier", str(CARRIER_HZ + 1e3), "--every", "1", "--speed", "0"]
    result = CliRunner().invoke(command, [*words, "--png", str(tmp_path / "gone.png")])
    assert isinstance(result.exception, MeasurementError)
    assert "Not settled yet" in result.output
    assert (tmp_path / "gone.png").exists()


def test_it_is_said_as_soon_as_it_has_settled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(warm_up, "readings", lambda *words, **more: ((60.0 * n, 0.0) for n in range(9)))
    path = str(write(tmp_path / "x", np.ones(9, complex), "cu8", RATE_HZ, CARRIER_HZ))
    shown = CliRunner().invoke(command, ["warm-up", "--from", path, "--carrier", str(CARRIER_HZ)]).output.splitlines()
    assert shown[7] == shown[-1] == "Settled since 0 min after the start, within 0.1 ppm. It moved by +0.00 ppm in all."
    for wrong in (("--png", str(tmp_path / "absent" / "x.png")),):
        assert CliRunner().invoke(command, ["warm-up", "--from", path, "--carrier", "1M", *wrong]).exit_code == 1
    assert CliRunner().invoke(command, ["warm-up", "--from", "sound:", "--carrier", "1M"]).exit_code == 2


def test_the_command_on_a_recording(tmp_path: Path) -> None:
    """A reference that falls by 3 ppm with a time constant of two minutes: what is shown is the exponential."""
    times = np.arange(int(8 * RATE_HZ)) / RATE_HZ
    carrier = np.cumsum(-BESIDE_HZ + 3e-6 * CARRIER_HZ * np.exp(-times / 120))
    rng = np.random.default_rng(6).normal(0, 0.003, (2, times.size))
    iq = 0.3 * np.exp(2j * np.pi * carrier / RATE_HZ) + rng[0] + 1j * rng[1]
    path = write(tmp_path / "warm", iq, "cu8", RATE_HZ, CARRIER_HZ + BESIDE_HZ)
    words = ["warm-up", "--from", str(path), "--carrier", str(CARRIER_HZ), "--every", "2", "--speed", "0"]
    result = CliRunner().invoke(command, [*words, "--png", str(tmp_path / "warm.png")])
    assert result.exit_code == 0, result.output
    rows = [line for line in result.output.splitlines() if "ppm  ." in line]
    assert len(rows) == 3
    assert float(rows[-1].split()[2]) < -0.04
    # 3 ppm · (1 − exp(−5.46 s/120 s)) = 0.13 ppm between the first reading and the last
    assert "Not settled yet (within 0.1 ppm for 5 min). It moved by -0.13 ppm in all." in result.output
    assert (tmp_path / "warm.png").read_bytes().startswith(b"\x89PNG")
    refused = CliRunner().invoke(command, [*words[:-4], "--carrier", str(CARRIER_HZ + 1e6), "--speed", "0"])
    assert refused.exit_code == 1
