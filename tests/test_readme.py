"""The README shows real output: every `$ sdrcheck …` in a console block is run, and must print what stands below it.

A line that holds only `…` stands for any number of lines left out. Numbers may differ by a few of their last digit, as
they do between one processor and another. `python -m tests.test_readme` writes the output into the README anew.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from sdrcheck.cli.main import sdrcheck
from tests.conftest import REPOSITORY

PAGE = REPOSITORY / "README.md"
README = PAGE.read_text(encoding="utf-8")
SURROUNDINGS = {"COLUMNS": "80", "NO_COLOR": "1"}
LEFT_OUT = "…"
LAST_DIGITS = 5
_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def sessions() -> Iterator[tuple[str, str]]:
    """Each command shown, with the output shown below it."""
    for block in re.findall(r"^```console\n(.*?)^```", README, re.DOTALL | re.MULTILINE):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            yield command.strip(), output.rstrip()


def printed_by(command: str) -> list[str]:
    """What a command prints, line by line, run where the README says."""
    program, *arguments = shlex.split(command)
    assert program == "sdrcheck", command
    outcome = CliRunner().invoke(sdrcheck, arguments, prog_name="sdrcheck", env=SURROUNDINGS)
    assert outcome.exit_code == 0, outcome.output
    return [line.rstrip() for line in outcome.stdout.rstrip().splitlines()]


def alike(shown: str, printed: str) -> bool:
    """The same words, the same gaps between them or not, and numbers that differ in their last digits at most."""
    if _NUMBER.sub("0", " ".join(shown.split())) != _NUMBER.sub("0", " ".join(printed.split())):
        return False
    pairs = zip(_NUMBER.findall(shown), _NUMBER.findall(printed), strict=True)
    return all(abs(float(a) - float(b)) <= LAST_DIGITS * 10.0 ** -len(a.partition(".")[2]) for a, b in pairs)


def split_at_gaps(lines: list[str]) -> list[list[str]]:
    parts: list[list[str]] = [[]]
    for line in lines:
        if line == LEFT_OUT:
            parts.append([])
        else:
            parts[-1].append(line)
    return parts


def first_difference(shown: list[str], printed: list[str]) -> str | None:
    """The first line shown that is not printed where it should be; None where all are."""
    first, *later = split_at_gaps(shown)
    place = 0
    for number, part in enumerate([first, *later]):
        if number and part:
            fitting = (at for at in range(place, len(printed)) if alike(part[0], printed[at]))
            place = next(fitting, len(printed))
        for line in part:
            if place >= len(printed) or not alike(line, printed[place]):
                return line
            place += 1
    return None if (shown and shown[-1] == LEFT_OUT) or place == len(printed) else "(more is printed than shown)"


@pytest.mark.parametrize(
    ("command", "shown"), list(sessions()), ids=lambda text: text.splitlines()[0][:40] if text else ""
)
def test_shown_output_is_real(command: str, shown: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(REPOSITORY)
    difference = first_difference([line.rstrip() for line in shown.splitlines()], printed_by(command))
    assert difference is None, f"{command} does not print: {difference}"


def test_something_is_shown() -> None:
    assert list(sessions())


def test_another_number_is_noticed_and_a_last_digit_is_not() -> None:
    assert alike("carrier offset  +78 ± 47 Hz", "carrier offset +79 ± 47 Hz")
    assert not alike("carrier offset  +78 ± 47 Hz", "carrier offset +99 ± 47 Hz")
    assert not alike("carrier offset pass", "carrier offset fail")
    assert first_difference(["a", LEFT_OUT, "c"], ["a", "b", "c"]) is None
    assert first_difference(["a", LEFT_OUT, "d"], ["a", "b", "c"]) == "d"


@pytest.mark.parametrize("heading", ["## Run it", "## Test it"])
def test_the_two_commands_are_single_lines(heading: str) -> None:
    below = README.split(heading, 1)[1]
    block = re.search(r"```\w*\n(.*?)```", below, re.DOTALL)
    assert block
    command = block[1].strip()
    assert "\n" not in command
    assert "venv" in command


def test_named_files_are_there() -> None:
    for name in re.findall(r"(?:captures|gui|sdrcheck)/[\w./-]+", README):
        assert Path(REPOSITORY / name.rstrip(".")).exists(), f"the README names {name}, which is not there"


def renewed() -> str:
    """The README with the output of today; as many lines as were shown on either side of a gap."""
    text = README
    for command, shown in sessions():
        lines, now = shown.splitlines(), printed_by(command)
        if LEFT_OUT in lines:
            before = lines.index(LEFT_OUT)
            after = len(lines) - 1 - before
            now = [*now[:before], LEFT_OUT, *now[len(now) - after :]]
        text = text.replace(f"$ {command}\n{shown}\n", f"$ {command}\n" + "\n".join(now) + "\n")
    return text


if __name__ == "__main__":
    PAGE.write_text(renewed(), encoding="utf-8")
