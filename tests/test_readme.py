"""The README shows real output: every `$ sdrcheck …` in a console block is run, and must print what stands below it.

A line that holds only `…` stands for any number of lines left out.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from sdrcheck.cli.main import sdrcheck
from tests.conftest import REPOSITORY

README = (REPOSITORY / "README.md").read_text(encoding="utf-8")


def sessions() -> list[tuple[str, str]]:
    """Each command shown, with the output shown below it."""
    found = []
    for block in re.findall(r"^```console\n(.*?)^```", README, re.DOTALL | re.MULTILINE):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            found.append((command.strip(), output.rstrip()))
    return found


def lines_of(text: str) -> list[str]:
    return [line.rstrip() for line in text.rstrip().splitlines()]


@pytest.mark.parametrize(("command", "shown"), sessions(), ids=lambda value: value.splitlines()[0][:50] if value else "")
def test_shown_output_is_real(command: str, shown: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(REPOSITORY)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    program, *arguments = shlex.split(command)
    assert program == "sdrcheck", command
    outcome = CliRunner().invoke(sdrcheck, arguments, prog_name="sdrcheck")
    assert outcome.exit_code == 0, outcome.output
    printed, wanted = lines_of(outcome.stdout), lines_of(shown)
    pattern = "\n".join(r"(?:.*\n)*?.*" if line == "…" else re.escape(line) for line in wanted)
    assert re.fullmatch(pattern, "\n".join(printed)), f"the README shows\n{shown}\nbut it prints\n{outcome.stdout}"


def test_something_is_shown() -> None:
    assert sessions()


@pytest.mark.parametrize("heading", ["## Run it", "## Test it"])
def test_the_two_commands_are_single_lines(heading: str) -> None:
    below = README.split(heading, 1)[1]
    block = re.search(r"```\w*\n(.*?)```", below, re.DOTALL)
    assert block
    command = block[1].strip()
    assert "\n" not in command
    assert "venv" in command


def test_named_files_are_there() -> None:
    for name in re.findall(r"captures/[\w./-]+", README):
        assert Path(REPOSITORY / name.rstrip(".")).exists(), f"the README names {name}, which is not there"
