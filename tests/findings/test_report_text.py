"""The terminal report: everything in it, at 80 columns, without colour, and nothing from the air can disturb it."""

from __future__ import annotations

import io

import msgspec
import pytest
from rich.console import Console

from sdrcheck.findings.inspection import Inspection
from sdrcheck.findings.report_text import at_a_glance, render
from sdrcheck.findings.wording import format_reading
from tests.findings.sample import SAMPLE


def shown(inspection: Inspection, width: int = 80) -> str:
    console = Console(file=io.StringIO(), width=width, no_color=True, force_terminal=False)
    render(inspection, console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_fits_80_columns_and_carries_no_colour() -> None:
    report = shown(SAMPLE)
    assert max(len(line) for line in report.splitlines()) <= 80
    assert "\x1b" not in report


def test_every_reading_stands_with_limit_standing_and_verdict() -> None:
    report = shown(SAMPLE, width=120)
    rows = report.splitlines()
    for transmission in SAMPLE.transmissions:
        for reading in transmission.readings:
            row = next(line for line in rows if f" {reading.quantity} " in line and format_reading(reading) in line)
            assert reading.verdict is None or reading.verdict in row
            if reading.limit is not None:
                assert reading.limit.standing in report
    assert "! peak deviation, up" in report  # a failure shows without colour
    assert "? peak deviation, down" in report


def test_reference_limit_set_sources_and_cautions_are_said_once() -> None:
    report = shown(SAMPLE)
    assert "+2.70 ± 0.30 ppm; given on the command line" in report
    assert "marine: international rules" in report
    assert "IMO A.805(19) item 6.5" in report
    assert report.count("A second witness, no certificate") == 1
    assert report.count("k = 2") == 1


def test_calls_are_told_with_their_symbols() -> None:
    report = shown(SAMPLE)
    assert "Test call from 211999990 to 002119999, category safety." in report
    assert "first  120  00  21  --  99" in report
    assert "17! 99" in report  # a wrong symbol with a good check
    assert "21+ 19" in report  # recovered only from both copies
    assert "Call 2 of 5 at 30.450 s, 0.1 bit after the one before: the same as call 1," in report
    assert "phasing 3 of 14: 125 125 108" in report


def test_messages_remarks_and_relations() -> None:
    report = shown(SAMPLE)
    assert "Message GA12 at 60.0 s, its end was not received:" in report
    assert "   | BEWA*E" in report
    assert "- The deviation goes beyond ±5 kHz" in report
    assert "2 and 3: The test acknowledgement" in report


def test_at_a_glance() -> None:
    voice, _, answer, attempt, _ = SAMPLE.transmissions
    assert at_a_glance(voice) == "1 fail, 1 not proven, 4 pass"
    assert at_a_glance(answer).startswith("call an ordinary receiver refuses")
    assert at_a_glance(attempt) == "not judged"


@pytest.mark.parametrize("hostile", ["\x1b[2Jgone", "\u202etxet", "a\x07b", "[bold red]x[/]", "[/]", "\u2028"])
def test_text_from_the_air_and_file_names_cannot_disturb_the_terminal(hostile: str) -> None:
    text = SAMPLE.transmissions[4]
    message = msgspec.structs.replace(text.messages[0], body=f"BEFORE {hostile} AFTER", station=hostile)
    spoiled = msgspec.structs.replace(
        text, messages=(message,), stray_text=hostile, remarks=(hostile,), channel=hostile
    )
    recording = msgspec.structs.replace(SAMPLE.recording, path=hostile)
    report = shown(msgspec.structs.replace(SAMPLE, transmissions=(spoiled,), recording=recording, relations=()))
    assert not set(report) & {"\x1b", "\u202e", "\x07", "\u2028"}
    if hostile.startswith("["):
        assert f"BEFORE {hostile} AFTER" in report
    else:
        assert "<U+" in report


def test_an_empty_inspection_says_so() -> None:
    empty = msgspec.structs.replace(SAMPLE, transmissions=(), relations=())
    assert "No transmission was found." in shown(empty)
