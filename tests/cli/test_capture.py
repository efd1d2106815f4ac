"""`sdrcheck capture` as a process of its own, so that it can be killed, interrupted and starved."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sdrcheck.cli.capture import command
from sdrcheck.recordings import open_recording
from sdrcheck.recordings.seal import sha512_of
from tests.sources.conftest import CENTRE_HZ, RAMP_PERIOD, RATE_HZ, compile_stand_in, place_of, write_ramp

resource = pytest.importorskip("resource", reason="limits on the size of a file need POSIX")

Capture = Callable[..., subprocess.Popen[str]]

BOOTSTRAP = "import sys; sys.modules['pyrtlsdrlib'] = None; from sdrcheck.cli.main import main; main()"
"""The command, with pyrtlsdr looking for its driver on the library path instead of in the bundled package."""


@pytest.fixture(scope="module")
def ramp(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_ramp(tmp_path_factory.mktemp("ramp"))


@pytest.fixture
def capture(tmp_path: Path) -> Iterator[Capture]:
    """Start `sdrcheck capture … --out x`; whatever still runs at the end is ended."""
    running: list[subprocess.Popen[str]] = []

    def start(*words: str, **environment: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-c", BOOTSTRAP, "capture", *words, "--out", "x"],
            cwd=tmp_path,
            env=os.environ | environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        running.append(process)
        return process

    yield start
    for process in running:
        process.kill()
        process.communicate()


def wait_for(path: Path, size: int, process: subprocess.Popen[str]) -> None:
    for _ in range(400):
        if path.exists() and path.stat().st_size >= size:
            return
        assert process.poll() is None, process.communicate()
        time.sleep(0.05)
    raise AssertionError(f"{path} did not grow to {size} bytes")


def check_ramp(base: Path, at_least: int) -> None:
    """What is in the recording is what was sent, from the first sample on, without a hole."""
    raw = np.concatenate([raw for raw, _ in open_recording(base).blocks()])
    places = place_of(raw)
    assert places.size >= at_least
    assert np.array_equal(places, np.arange(places.size) % RAMP_PERIOD)


def test_killed_without_warning(capture: Capture, ramp: Path, tmp_path: Path) -> None:
    process = capture("--from", str(ramp))
    second = int(2 * RATE_HZ)
    wait_for(tmp_path / "x.sigmf-data", second, process)
    process.send_signal(signal.SIGKILL)
    process.wait()
    back = open_recording(tmp_path / "x")
    assert back.remarks[-1] == "x.sigmf-meta has no clean end: it is still being written, or it broke off."
    assert back.centre_hz == CENTRE_HZ
    check_ramp(tmp_path / "x", int(RATE_HZ))


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_it_ends_cleanly(capture: Capture, ramp: Path, tmp_path: Path, kind: int) -> None:
    process = capture("--from", str(ramp), "--note", "an invented quay")
    wait_for(tmp_path / "x.sigmf-data", 100_000, process)
    process.send_signal(kind)
    output, errors = process.communicate(timeout=10)
    assert (process.returncode, output) == (0, "x.sigmf-meta\n"), errors
    assert "no sample lost; stopped by the user" in errors
    back = open_recording(tmp_path / "x")
    check_ramp(tmp_path / "x", 50_000)
    assert (back.remarks, back.facts.ended, back.description) == ([], "stopped by the user", "an invented quay")


def test_the_disk_is_full(capture: Capture, ramp: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file may not grow beyond a limit, which the program learns as it would learn of a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_001, before[1]))
    try:
        process = capture("--from", str(ramp), "--speed", "4")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    _, errors = process.communicate(timeout=20)
    assert process.returncode == 1
    assert "sdrcheck: the disk is full; what came before is kept in x.sigmf-meta, make room\n" in errors
    back = open_recording(tmp_path / "x")
    assert back.sample_count == 150_000
    assert back.facts.ended == "the disk is full"
    check_ramp(tmp_path / "x", 150_000)
    assert back.stated_sha512 == sha512_of(tmp_path / "x.sigmf-data")


def test_the_whole_way_from_a_dongle_that_is_pulled_out(
    capture: Capture, ramp: Path, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    process = capture(
        *("--from", "dongle", "--centre", "156.8M", "--rate", "240k", "--gain", "20", "--attenuation", "70"),
        *("--reference", "+2.7±0.3"),
        LD_LIBRARY_PATH=str(compile_stand_in(tmp_path_factory.mktemp("driver"))),
        STAND_IN_BYTES=str(ramp.with_suffix(".sigmf-data")),
        STAND_IN_SERIALS="EXAMPLE7",
        STAND_IN_FAULT="unplug",
        STAND_IN_AT="20",
    )
    _, errors = process.communicate(timeout=20)
    assert process.returncode == 1
    assert "caution: Never send a distress alert on the air" in errors
    assert "pulled out" in errors.splitlines()[-1]
    assert "what came before is kept in x.sigmf-meta" in errors.splitlines()[-1]
    check_ramp(tmp_path / "x", 20 * 8192)
    facts = open_recording(tmp_path / "x").facts
    assert (facts.gain_db, facts.attenuation_db, facts.serial) == (19.7, 70.0, "EXAMPLE7")
    assert (facts.reference_ppm, facts.reference_uncertainty_ppm) == (2.7, 0.3)
    assert facts.frequency_step_hz == pytest.approx(54.93, abs=0.01)


def test_some_seconds_and_the_ships_time(ramp: Path, tmp_path: Path) -> None:
    words = ["--from", str(ramp), "--seconds", "0.5", "--speed", "0", "--out", str(tmp_path / "x")]
    result = CliRunner().invoke(command, [*words, "--ship-utc", "12:00:00"])
    assert result.exit_code == 0, result.output
    back = open_recording(tmp_path / "x")
    assert (back.sample_count, back.facts.ended, back.facts.ship_utc_shown) == (120_000, "complete", "12:00:00")
    assert abs(back.facts.host_minus_ship_s or 0) <= 43_200


def test_a_time_with_its_zone_is_taken_as_it_is() -> None:
    """12:00 two hours east of Greenwich is 10:00 UTC."""
    kind = next(one.type for one in command.params if one.name == "until")
    assert kind.convert("2999-03-14T12:00:00+02:00", None, None) == datetime(2999, 3, 14, 10, tzinfo=UTC)
    assert kind.convert("2999-03-14T12:00:00Z", None, None) == datetime(2999, 3, 14, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--until", "noon"], "'noon' is not a time in UTC; write it like 14:05"),
        (["--until", "25:00"], "is not a time in UTC"),
        (["--until", "2020-01-01T00:00:00Z"], "2020-01-01T00:00:00Z is over; it is 20"),
        (["--iq"], "--iq is for a sound device"),
        (["--computed-centre"], "--computed-centre is for a dongle"),
        (["--ship-utc", "noon"], "'noon' is not a time of day in UTC; write it like 14:05:30"),
        (["--seconds", "0"], "it must be above 0"),
    ],
)
def test_wrong_words_are_wrong_usage(ramp: Path, words: list[str], sentence: str) -> None:
    result = CliRunner().invoke(command, ["--from", str(ramp), *words])
    assert result.exit_code == 2
    assert sentence in result.output
