"""`sdrcheck inspect` as people and scripts meet it: what is printed, where, and the exit status."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from sdrcheck.cli.main import main
from sdrcheck.findings.inspection import json_schema
from tests.conftest import REPOSITORY

CAPTURES = REPOSITORY / "captures"
SCHEMA = json_schema()


def inspect(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    """Run one command line: exit status, standard output, standard error."""
    with pytest.raises(SystemExit) as ended:
        main(["inspect", *map(str, arguments)])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def bare(path: Path, iq: np.ndarray) -> Path:
    np.stack([iq.real, iq.imag], axis=1).astype(np.float32).tofile(path)
    return path


def test_json_is_one_document_that_fits_its_schema(capsys):
    status, out, err = inspect(capsys, CAPTURES / "test-call.sigmf-meta", "--json", "--reference", "+0.0±0.001")
    document = json.loads(out)
    jsonschema.validate(document, SCHEMA)
    assert (status, err, document["schema"]) == (0, "", "sdrcheck.inspection/1")
    (one,) = document["transmissions"]
    assert (one["channel"], one["kind"], one["leg"]) == ("70", "DSC call", None)
    (call,) = one["calls"]
    assert (call["type"], call["self_id"], call["error_check"]) == ("test call", "211999990", "ok")
    assert {"first_copy", "second_copy", "symbols", "phasing", "ordinary_receiver"} <= call.keys()
    offset = next(reading for reading in one["readings"] if reading["quantity"] == "carrier offset")
    assert offset["value"] == pytest.approx(141, abs=0.5)
    assert (offset["verdict"], offset["limit"]["standing"]) == ("pass", "survey item")


def test_the_report_is_for_people_and_80_columns_wide(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    status, out, err = inspect(capsys, CAPTURES / "two-channels.sigmf-meta")
    assert (status, err) == (0, "")
    assert "channel 70 (156.525 MHz)" in out
    assert "channel 72 (156.625 MHz)" in out
    assert max(len(line) for line in out.splitlines()) <= 80


@pytest.mark.parametrize("tone", ["0", "299", "9k"])
def test_a_tone_that_no_set_passes_is_refused_in_one_sentence(capsys, tone):
    status, out, err = inspect(capsys, CAPTURES / "test-call.sigmf-meta", "--tone", tone)
    assert (status, out) == (2, "")
    assert "300 to 3000 Hz" in err
    assert len(err.splitlines()) == 1


def test_strict_tells_by_its_status(capsys):
    exact = ("--reference", "+0.0±0.1", "--json")
    assert inspect(capsys, CAPTURES / "over-deviating-77.sigmf-meta", *exact)[0] == 0
    assert inspect(capsys, CAPTURES / "over-deviating-77.sigmf-meta", "--strict", *exact)[0] == 3
    assert inspect(capsys, CAPTURES / "voice-72.sigmf-meta", "--strict", *exact)[0] == 0


def test_the_document_may_go_to_a_file_too(capsys, tmp_path):
    status, out, _ = inspect(capsys, CAPTURES / "voice-72.sigmf-meta", "--json", "--output", tmp_path / "found.json")
    assert status == 0
    assert json.loads((tmp_path / "found.json").read_text()) == json.loads(out)
    status, _, err = inspect(capsys, CAPTURES / "voice-72.sigmf-meta", "--output", tmp_path / "none" / "found.json")
    assert status == 1
    assert "cannot be written" in err


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("no-such.sigmf-meta",), 1, "there is no recording"),
        (("captures",), 1, "folder"),
        (("voice.cu8",), 1, "--rate"),
        (("captures/voice-72.sigmf-meta", "--limits", "nowhere"), 2, "marine"),
        (("captures/voice-72.sigmf-meta", "--reference", "good"), 2, "+2.7±0.3"),
        ((), 2, "RECORDING"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(arguments, status, words, capsys, monkeypatch, tmp_path):
    (tmp_path / "captures").symlink_to(CAPTURES)
    (tmp_path / "voice.cu8").write_bytes(bytes(4096))
    monkeypatch.chdir(tmp_path)
    found, out, err = inspect(capsys, *arguments)
    assert (found, out) == (status, "")
    assert len(err.splitlines()) == 1
    assert words in err
    assert "Traceback" not in err


def test_samples_that_are_no_numbers_end_it_with_their_place(capsys, tmp_path):
    iq = np.zeros(60_000, complex)
    iq[30_000] = np.nan
    status, out, err = inspect(capsys, bare(tmp_path / "x.cf32", iq), "--rate", "48k", "--centre", "156.525M", "--json")
    assert (status, out) == (1, "")
    assert "not finite at sample 30000" in err


def test_an_altered_recording_is_inspected_and_marked(capsys, tmp_path):
    for ending in ("meta", "data"):
        shutil.copy(CAPTURES / f"voice-72.sigmf-{ending}", tmp_path / f"v.sigmf-{ending}")
    data = bytearray((tmp_path / "v.sigmf-data").read_bytes())
    data[1000] ^= 1
    (tmp_path / "v.sigmf-data").write_bytes(data)
    status, out, _ = inspect(capsys, tmp_path / "v.sigmf-meta", "--json")
    document = json.loads(out)
    assert (status, document["recording"]["hash_matches"]) == (0, False)
    assert document["transmissions"]
    assert any("sealed" in remark for remark in document["recording"]["remarks"])


def test_bare_samples_with_rate_and_centre(capsys, tmp_path):
    random = np.random.default_rng(1)
    noise = random.standard_normal((96_000, 2)).view(complex)[:, 0] * 0.01
    noise[20_000:70_000] += 0.1 * np.exp(2j * np.pi * 700 / 48e3 * np.arange(50_000))
    path = bare(tmp_path / "carrier.cf32", noise)
    status, out, _ = inspect(capsys, path, "--rate", "48k", "--centre", "156.625 MHz", "--json", "--reference", "0±0.1")
    (one,) = json.loads(out)["transmissions"]
    assert (status, one["channel"], one["kind"]) == (0, "72", "carrier")
    offset = next(reading for reading in one["readings"] if reading["quantity"] == "carrier offset")
    assert offset["value"] == pytest.approx(700, abs=1)


def test_in_a_process_of_its_own_nothing_but_json_comes_out():
    command = [sys.executable, "-m", "sdrcheck", "inspect", "--json", str(CAPTURES / "voice-72.sigmf-meta")]
    done = subprocess.run(command, capture_output=True, check=True)
    json.loads(done.stdout)
    assert done.stderr == b""
