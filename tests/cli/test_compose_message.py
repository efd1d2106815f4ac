"""`sdrcheck compose message`: what is made is read again (encoder and decoder agree), and the gates hold."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sdrcheck.bench import Settings, collect, run
from sdrcheck.cli.compose_message import command
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.recordings.recording import open_recording
from sdrcheck.sources.recording import RecordingSource

TEXT = "INVENTED, EXERCISE\\nBUOY 7 UNLIT: 54-10.5N (1/2)"


def composed(folder: Path, *words: str, output: str = "made", text: str = TEXT) -> Result:
    arguments = [text, "--station", "L", "--subject", "A", "--number", "05", "-o", str(folder / output), *words]
    return CliRunner().invoke(command, arguments)


def messages(folder: Path, name: str = "made") -> tuple[Message, ...]:
    source = RecordingSource(folder / f"{name}.sigmf-meta")
    found = collect(run(source, Settings(frames_per_s=0))).transmissions
    return tuple(message for transmission in found for message in transmission.messages)


def test_figures_letters_and_lines_come_back(tmp_path: Path) -> None:
    assert composed(tmp_path, "--rate", "4k", "--and", "LE30", "SW 4").exit_code == 0
    first, second = messages(tmp_path)
    assert (first.station, first.subject, first.number) == ("L", "A", "05")
    assert first.body.replace("\r", "").strip() == "INVENTED, EXERCISE\nBUOY 7 UNLIT: 54-10.5N (1/2)"
    assert second.body.strip() == "SW 4"
    assert first.complete
    assert second.complete
    assert open_recording(tmp_path / "made.sigmf-meta").facts.synthetic


def test_text_may_come_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "warning.txt").write_text("WRECK (INVENTED)\nKEEP CLEAR\n")
    assert composed(tmp_path, "--rate", "4k", text=f"@{tmp_path / 'warning.txt'}").exit_code == 0
    (message,) = messages(tmp_path)
    assert "KEEP CLEAR" in message.body


@pytest.mark.parametrize("identity", ["LD05", "LA00"])
def test_what_rings_an_alarm_needs_the_closed_cable_and_carries_the_caution(tmp_path: Path, identity: str) -> None:
    refused = composed(tmp_path, "--and", identity, "TEXT")
    assert refused.exit_code == 2
    assert "--closed-cable" in refused.output
    made = composed(tmp_path, "--rate", "4k", "--and", identity, "TEXT", "--closed-cable")
    assert made.exit_code == 0
    assert "CAUTION" in made.stderr
    assert (tmp_path / "made-CLOSED-CABLE-ONLY.sigmf-meta").exists()


def test_sound_comes_with_the_sheet_for_the_generator(tmp_path: Path) -> None:
    made = composed(tmp_path, output="made.wav")
    assert made.exit_code == 0
    assert "516.3 kHz" in made.output  # 518 kHz less 1.7 kHz
    assert "Agree station and subject letters with the bridge" in made.stderr
    assert open_recording(tmp_path / "made.wav").sample_rate_hz == 48_000


def test_inverted_keying_is_read_and_named(tmp_path: Path) -> None:
    composed(tmp_path, "--rate", "4k", "--inverted")
    source = RecordingSource(tmp_path / "made.sigmf-meta")
    (found,) = collect(run(source, Settings(frames_per_s=0))).transmissions
    said = " ".join((*found.remarks, *(remark for message in found.messages for remark in message.remarks)))
    assert "inverted" in said.lower()
    assert len(found.messages) == 1


def test_cut_ends_leave_an_incomplete_message(tmp_path: Path) -> None:
    composed(tmp_path, "--rate", "4k", "--cut-end", "6")
    (message,) = messages(tmp_path)
    assert not message.complete


@pytest.mark.parametrize(
    ("words", "text", "said"),
    [
        (("--and", "LE3", "X"), TEXT, "an identity is B1 to B4"),
        ((), "PRICE 5 €", "five-unit alphabet"),
        ((), "STOP NNNN", "NNNN"),
        ((), "@/nowhere/at/all.txt", "cannot be read"),
        (("--cut-start", "999"), TEXT, "nothing is left"),
    ],
)
def test_bad_orders_get_one_sentence(tmp_path: Path, words: tuple[str, ...], text: str, said: str) -> None:
    refused = composed(tmp_path, *words, text=text)
    assert refused.exit_code != 0
    assert said in refused.output + str(refused.exception)
