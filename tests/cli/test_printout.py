"""`sdrcheck printout` on the invented slot and the invented receiver's print-out in captures/."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner, Result

from sdrcheck.cli.main import sdrcheck
from tests.conftest import REPOSITORY

SLOT = str(REPOSITORY / "captures" / "text-slot.sigmf-meta")
PRINTED = str(REPOSITORY / "captures" / "text-slot-printout.txt")


def run(*words: str, **more: object) -> Result:
    return CliRunner().invoke(sdrcheck, ["printout", *words], **more)  # type: ignore[arg-type]


def test_one_whole_one_with_faults_one_missing() -> None:
    found = json.loads(run(SLOT, PRINTED, "--stations", "L", "--json").stdout)
    assert [(pair["identity"], pair["verdict"]) for pair in found["pairs"]] == [
        ("LA05", "received by the ship"),
        ("LE30", "received by the ship with too many errors"),
        ("LB21", "missed by the ship"),
    ]
    assert found["pairs"][1]["ship_errors"] == 7


def test_a_saved_inspection_gives_the_same(tmp_path: Path) -> None:
    saved = tmp_path / "slot.json"
    saved.write_text(CliRunner().invoke(sdrcheck, ["inspect", SLOT, "--json"]).stdout)
    assert run(str(saved), PRINTED, "--json").stdout == run(SLOT, PRINTED, "--json").stdout


def test_pasted_text_comes_on_standard_input() -> None:
    assert "LA05: received by the ship" in run(SLOT, "-", input=Path(PRINTED).read_bytes()).output


def test_strict_tells_by_the_exit_status() -> None:
    arguments = ["printout", SLOT, PRINTED, "--strict"]
    assert sdrcheck.main(arguments, standalone_mode=False) == 3


def test_missing_files_are_said(tmp_path: Path) -> None:
    outcome = run(SLOT, str(tmp_path / "nothing.txt"))
    assert "cannot be read" in str(outcome.exception)
    (tmp_path / "no.json").write_text("{}")
    assert "no saved inspection" in str(run(str(tmp_path / "no.json"), PRINTED).exception)
