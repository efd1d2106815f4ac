"""`sdrcheck visit` and `sdrcheck evidence` as a person types them: what they print, what they refuse, how they exit."""

import json
import shutil
from pathlib import Path

import pytest

from sdrcheck.cli.main import main
from sdrcheck.visits import document, results
from tests.conftest import REPOSITORY
from tests.visits import made

CAPTURES = REPOSITORY / "captures"


def typed(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of one command line."""
    with pytest.raises(SystemExit) as left:
        main(list(words))
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made.folder_with_visit(tmp_path / "visit")


@pytest.fixture
def ready(tmp_path: Path) -> Path:
    """The invented visit, to be packed and reported."""
    return Path(
        shutil.copytree(CAPTURES / "visit", tmp_path / "visit", ignore=shutil.ignore_patterns("make", "README.md"))
    )


def test_from_nothing_to_a_report(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    visit = str(tmp_path / "job")
    status, out, _ = typed(capsys, "visit", "new", visit, "--ship", "X", "--who", "me", "--set", "vhf dsc")
    assert status == 0
    assert out.strip().endswith("visit.toml")
    assert typed(capsys, "visit", "set", "ship.mmsi", "211999990", "--visit", visit)[0] == 0
    assert typed(capsys, "visit", "set", "sets.vhf-1.closed_cable", "true", "--visit", visit)[0] == 0
    status, out, err = typed(
        capsys, "visit", "check", "vhf-1/ch70-call", "--from", str(CAPTURES / "test-call.sigmf-meta"),
        "--visit", visit, "--reference", "+0.9±0.2",
    )  # fmt: skip
    assert status == 0, err
    assert "vhf-1 calls itself 211999990, as the papers say." in " ".join(out.split())
    assert "proposed: satisfactory" in " ".join(out.split())
    assert typed(capsys, "visit", "outcome", "vhf-1/ch70-call", "satisfactory", "--visit", visit)[0] == 0
    status, out, _ = typed(capsys, "visit", "show", "--visit", visit)
    assert "VHF DSC vhf-1: 1 of 20 settled" in out
    status, out, _ = typed(capsys, "evidence", "report", "--visit", visit)
    assert status == 0
    assert Path(out.strip()).read_bytes().startswith(b"%PDF")


def test_what_becomes_doubtful_is_said_at_once_and_stands(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    status, out, err = typed(capsys, "visit", "set", "ship.mmsi", "abc", "--visit", str(folder))
    assert (status, out) == (0, "")
    assert err.splitlines()[0] == "look at ship.mmsi: an MMSI has nine digits, found 'abc'"
    assert document.load(folder).ship.mmsi == "abc"
    assert typed(capsys, "visit", "set", "ship.call_sign", "XXXX", "--visit", str(folder)) == (0, "", "")


def test_plan_and_one_check_of_it(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    _, out, _ = typed(capsys, "visit", "plan", "--set", "vhf-1", "--visit", str(folder))
    assert "vhf-1/ch16-high" in out
    assert "mf-1" not in out
    assert "not the statutory list" in " ".join(out.split())
    _, out, _ = typed(capsys, "visit", "plan", "vhf-1/distress-format", "--visit", str(folder))
    assert out.count("CAUTION") == 2
    assert "A false distress alert is prohibited" in out


def test_the_schema_is_shipped(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = typed(capsys, "visit", "schema")
    assert json.loads(out)["$defs"]["Visit"]["additionalProperties"] is False


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("visit", "plan", "vhf-9/x"), 1, "there is no check 'vhf-9/x'"),
        (("visit", "check", "vhf-1/antenna", "--from", "x"), 1, "use: sdrcheck visit seen vhf-1/antenna"),
        (("visit", "check", "vhf-1/ch16-high", "--from", "absent.sigmf-meta"), 1, "is missing"),
        (("visit", "check", "vhf-1/distress-format", "--from", "x"), 1, "stays closed"),
        (("visit", "gate", "vhf-1", "leak check"), 2, "needs a recording"),
        (("visit", "gate", "vhf-7"), 1, "there is no set 'vhf-7'"),
        (("visit", "outcome", "vhf-1/antenna", "deficient"), 1, "needs a reason"),
        (("visit", "outcome", "vhf-1/antenna", "fine"), 2, "'fine'"),
        (("visit", "seen", "vhf-1/antenna", "--no"), 1, "what was not as it should be"),
        (("visit", "meter", "vhf-1/ch16-high", "forward power", "44", "dBm"), 1, "is written in W"),
        (("visit", "run", "navtex-1", "--from", "x"), 1, "has no keyings"),
        (("evidence", "fault", "vhf-1/ch16-high"), 1, "nothing was done"),
        (("visit", "nonsense"), 2, "No such command"),
        (("evidence", "verify", "absent.tar"), 1, "there is no bundle"),
    ],
)
def test_refusals_are_one_line(
    capsys: pytest.CaptureFixture[str], folder: Path, words: tuple[str, ...], status: int, said: str
) -> None:
    place = () if words[1] in ("nonsense", "verify") else ("--visit", str(folder))
    found, _, err = typed(capsys, *words, *place)
    assert found == status
    assert said in err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert results.read(folder).filed == ()


def test_no_visit_here_says_how_to_make_one(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, _, err = typed(capsys, "visit", "show", "--visit", str(tmp_path))
    assert status == 1
    assert "sdrcheck visit new" in err


def test_a_meter_is_held_against_the_recording(capsys: pytest.CaptureFixture[str], ready: Path) -> None:
    status, out, _ = typed(
        capsys, "visit", "meter", "vhf-1/ch06-high", "carrier frequency", "156302125", "Hz", "--uncertainty", "16",
        "--instrument", "counter", "--visit", str(ready),
    )  # fmt: skip
    assert status == 0
    assert "the two agree within their uncertainties" in " ".join(out.split())


def test_the_leak_gate_by_command(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """A test call in the cable and a silent second receiver open the gate; a second receiver that hears it does not."""
    call = str(CAPTURES / "test-call.sigmf-meta")
    words = (
        "visit",
        "gate",
        "vhf-1",
        "leak check",
        "--from",
        call,
        "--listener",
        "handheld, 1 m",
        "--visit",
        str(folder),
    )
    status, out, err = typed(capsys, *words, "--heard")
    assert status == 1
    assert "the cable leaks" in err
    status, out, _ = typed(capsys, *words, "--not-heard")
    assert status == 0
    assert "passed" in out
    _, out, _ = typed(capsys, "visit", "gate", "vhf-1", "--visit", str(folder))
    assert "a distress format may be keyed: yes" in out
    attempt = str(CAPTURES / "distress-attempt-CLOSED-CABLE-ONLY.sigmf-meta")
    status, out, _ = typed(capsys, "visit", "check", "vhf-1/distress-format", "--from", attempt, "--visit", str(folder))
    assert status == 0
    assert "5 calls in one keying, 5 are asked for" in " ".join(out.split())
    status, _, err = typed(capsys, "visit", "outcome", "ship/restored", "satisfactory", "--visit", str(folder))
    assert status == 1
    assert "first the alert cancelled at the set" in err
    status, _, err = typed(capsys, "visit", "gate", "vhf-1", "silence", "--from", call, "--visit", str(folder))
    assert status == 1
    assert "first the alert cancelled" in err
    for step in ("alert cancelled", "set restarted"):
        assert typed(capsys, "visit", "gate", "vhf-1", step, "--visit", str(folder))[0] == 0
    status, _, err = typed(capsys, "visit", "gate", "vhf-1", "silence", "--from", call, "--visit", str(folder))
    assert status == 1
    assert "wanted are five minutes" in err


def test_pack_sign_verify_and_measure_again(capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path) -> None:
    recording = str(CAPTURES / "test-call.sigmf-meta")
    for check in ("vhf-1/ch70-call", "vhf-2/ch70-call"):
        assert typed(capsys, "visit", "check", check, "--from", recording, "--visit", str(folder))[0] == 0
    key = tmp_path / "my.key"
    assert typed(capsys, "evidence", "key", str(key))[0] == 0
    assert key.stat().st_mode & 0o077 == 0
    out_folder = str(tmp_path / "out")
    status, out, err = typed(capsys, "evidence", "pack", out_folder, "--sign", str(key), "--visit", str(folder))
    assert status == 0, err
    archive = out.strip().splitlines()[-1]
    status, out, err = typed(capsys, "evidence", "verify", archive, "--signer", f"{key}.pub", "--again")
    assert status == 0, out + err
    assert "whole:" in out
    assert "measured again, the same" in " ".join(out.split())
    data = bytearray(Path(archive).read_bytes())
    data[len(data) // 2] ^= 1
    Path(archive).write_bytes(data)
    status, out, _ = typed(capsys, "evidence", "verify", archive)
    assert status == 1
    assert "NOT WHOLE" in out


@pytest.mark.parametrize("form", ["csv", "json", "sentences", "sigmf", "pictures"])
def test_every_export_writes_something(capsys: pytest.CaptureFixture[str], ready: Path, form: str) -> None:
    status, out, err = typed(capsys, "evidence", "export", form, "--visit", str(ready))
    assert status == 0, err
    written = [Path(line) for line in out.split("\n") if line]
    assert written
    assert all(path.stat().st_size for path in written)


def test_the_papers_of_the_example_are_read(capsys: pytest.CaptureFixture[str]) -> None:
    assert document.load(CAPTURES / "visit").invented
    status, out, _ = typed(capsys, "visit", "show", "--visit", str(CAPTURES / "visit"))
    assert status == 0
    assert "An invented example: nothing in it is real." in out
