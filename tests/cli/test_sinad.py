"""`sdrcheck sinad`: readings from a sound file, the guided search with a made-up receiver, and refusals."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
import pytest

from sdrcheck.cli.main import main
from sdrcheck.errors import SourceLost
from sdrcheck.recordings.wav import write_sound
from sdrcheck.sources.source import IqBlock, SourceFacts
from tests.conftest import REPOSITORY

RATE = 48_000
TIMES = np.arange(2 * RATE) / RATE


def sinad(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["sinad", *map(str, words)])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def sound_file(folder: Path, sound: np.ndarray, name: str = "sound") -> Path:
    path = folder / f"{name}.wav"
    write_sound(path, sound, RATE)
    return path


def test_readings_of_a_sound_file(capsys, tmp_path):
    """12 % of distortion beside the tone: 10·log10(1 + 1/0.12²) = 18.48 dB by the definition."""
    tone = 0.4 * np.sin(2 * np.pi * 1000 * TIMES) + 0.048 * np.sin(2 * np.pi * 2000 * TIMES)
    status, out, err = sinad(capsys, "--from", sound_file(tmp_path, tone))
    assert status == 0
    values = re.findall(r"^SINAD +([\d.]+) ± [\d.]+ dB  #+$", out, re.MULTILINE)
    assert len(values) == len(out.splitlines()) == 4
    assert all(float(value) == pytest.approx(18.5, abs=0.1) for value in values)
    assert err.count("caution:") == 2
    assert sinad(capsys, "--from", tmp_path / "sound.wav", "--blocks", "1")[1].count("SINAD") == 1


def test_telephone_weighting_takes_off_what_the_ear_hears_less(capsys, tmp_path):
    """O.41 weighs 2 kHz by −3.0 dB and 1 kHz by +1.0 dB, so the SINAD rises by 4 dB."""
    tone = 0.4 * np.sin(2 * np.pi * 1000 * TIMES) + 0.048 * np.sin(2 * np.pi * 2000 * TIMES)
    out = sinad(capsys, "--from", sound_file(tmp_path, tone), "--weighting", "psophometric", "--blocks", "1")[1]
    assert float(out.split()[1]) == pytest.approx(18.42 + 4.0, abs=0.1)


def test_what_is_wrong_with_the_sound_is_said(capsys, tmp_path):
    assert "there is no sound at all" in sinad(capsys, "--from", sound_file(tmp_path, np.zeros(RATE)))[1]
    loud = np.clip(3 * np.sin(2 * np.pi * 1000 * TIMES), -1, 1)
    assert "overdriven; turn its level down" in sinad(capsys, "--from", sound_file(tmp_path, loud, "loud"))[1]
    hiss = np.random.default_rng(1).normal(0, 0.1, RATE)
    assert "no 1 kHz tone in the sound" in sinad(capsys, "--from", sound_file(tmp_path, hiss, "hiss"))[1]


def test_what_goes_on_is_said_once_and_nothing_read_is_told(capsys, tmp_path):
    silence = sinad(capsys, "--from", sound_file(tmp_path, np.zeros(2 * RATE)))[1]
    assert silence.count("there is no sound at all") == 1
    tone = 0.3 * np.sin(2 * np.pi * 1000 * TIMES)
    again = np.concatenate([np.zeros(RATE), tone[:RATE], np.zeros(RATE)])
    assert sinad(capsys, "--from", sound_file(tmp_path, again, "again"))[1].count("no sound at all") == 2
    status, out, err = sinad(capsys, "--from", sound_file(tmp_path, tone[: RATE // 3], "short"))
    assert (status, out) == (1, "")
    assert "is shorter than one reading of 0.5 s; give a longer one" in err
    write_sound(tmp_path / "low.wav", tone, 6000)
    status, out, err = sinad(capsys, "--from", tmp_path / "low.wav")
    assert (status, out, len(err.splitlines())) == (1, "", 1)
    assert "6000 samples a second, too few for sound up to 3 kHz" in err


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        ((), 2, "Missing option '--from'"),
        (("--from", "dongle"), 2, "dongle gives no sound of a receiver"),
        (("--from", "absent.wav"), 1, "there is no recording absent.wav"),
        (("--from", REPOSITORY / "captures" / "voice-72.sigmf-meta"), 1, "is IQ, not the sound of a receiver"),
    ],
)
def test_refusals_are_one_plain_line(capsys, words, status, sentence):
    found, out, err = sinad(capsys, *words)
    assert (found, out, len(err.splitlines())) == (status, "", 1)
    assert sentence in err


class MadeUpReceiver:
    """Its SINAD is 20 dB at +3 dBµV and follows the generator's level decibel by decibel; the tone stays as loud."""

    facts = SourceFacts("made-up receiver", RATE, 0.0, "rf32_le", audio=True)

    def __init__(self) -> None:
        self.level_dbuv = 0.0
        self._closed = False

    def blocks(self) -> Iterator[IqBlock]:
        rng, first = np.random.default_rng(4), 0
        size = RATE // 10
        while not self._closed:
            share = 10 ** (-(20 + self.level_dbuv - 3.0) / 20)
            spread = 0.2 / np.sqrt(2) * share * np.sqrt(RATE / 2 / 2700)
            times = (first + np.arange(size)) / RATE
            sound = 0.2 * np.sin(2 * np.pi * 1000 * times) + rng.normal(0, spread, size)
            yield IqBlock(sound.astype(np.float32), first, "rf32_le")
            first += size
            time.sleep(0.004)

    def close(self) -> None:
        self._closed = True


@pytest.mark.parametrize(("limit", "verdict"), [("6", "pass"), ("0", "fail")])
def test_the_search_ends_with_the_sensitivity_and_its_verdict(capsys, monkeypatch, limit, verdict):
    receiver = MadeUpReceiver()
    asked: list[float] = []

    def typed(words: str, **_: object) -> float:
        level = float(re.search(r"near ([-\d.]+) dBµV", words)[1])  # type: ignore[index]
        asked.append(level)
        receiver.level_dbuv = level
        return level

    monkeypatch.setattr("sdrcheck.sources.catalogue.open_source", lambda *_: receiver)
    monkeypatch.setattr(click, "prompt", typed)
    status, out, err = sinad(capsys, "--from", "sound:", "--search", "--limit", limit)
    assert status == 0, err
    told = re.search(r"sensitivity for 20 dB SINAD: ([-\d.]+) ± ([\d.]+) dBµV \(e\.m\.f\.\)", out)
    assert told
    assert float(told[1]) == pytest.approx(3.0, abs=0.4)
    assert 1.0 < float(told[2]) < 1.6
    assert out.rstrip().endswith(f"): {verdict}")
    assert "A.803(19)" in out
    assert len(asked) < 14


class Input:
    """A sound input with a tone, hiss or nothing in it; it may drive too far, lose samples and vanish after a while."""

    facts = SourceFacts("made-up input", RATE, 0.0, "rf32_le", audio=True)

    def __init__(self, level: float, hiss: float = 0.001, *, blocks: int = 10**9, lost: int = 0) -> None:
        self._level, self._hiss, self._blocks, self._lost = level, hiss, blocks, lost

    def blocks(self) -> Iterator[IqBlock]:
        rng, first, size = np.random.default_rng(4), 0, RATE // 10
        for _ in range(self._blocks):
            tone = self._level * np.sin(2 * np.pi * 1000 * (first + np.arange(size)) / RATE)
            sound = np.clip(tone + rng.normal(0, self._hiss, size), -1, 1)
            yield IqBlock(sound.astype(np.float32), first, "rf32_le", lost_before=self._lost)
            first += size + self._lost
            time.sleep(0.001)
        raise SourceLost("made-up input hears nothing any more; plug the sound device in anew, then start again")

    def close(self) -> None:
        self._blocks = 0


def search(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], source: Input, *typed: float):
    """What is asked, printed and said in a search where a person types these levels, and stops when asked again."""
    asked: list[str] = []
    levels = iter(typed)

    def prompt(words: str, **_: object) -> float:
        asked.append(words)
        level = next(levels, None)
        if level is None:
            raise click.Abort
        return level

    monkeypatch.setattr("sdrcheck.sources.catalogue.open_source", lambda *_: source)
    monkeypatch.setattr(click, "prompt", prompt)
    status, out, err = sinad(capsys, "--from", "sound:", "--search")
    assert (status, out) == (1, "")
    return asked, err


def test_a_lost_sound_input_ends_the_search_and_judges_nothing(capsys, monkeypatch):
    """2 s of a tone, then the device is gone, while levels below what is asked for are typed in."""
    asked, err = search(monkeypatch, capsys, Input(0.3, blocks=60), 20.0, *np.arange(16.9, 0, -3.1))
    assert err.splitlines()[-1] == (
        "sdrcheck: made-up input hears nothing any more; plug the sound device in anew, then start again"
    )
    assert 2 <= len(asked) <= 4


@pytest.mark.parametrize(
    ("source", "told"),
    [
        (Input(0.0, 0.0), "there is no sound at all; check the cable and the input's level"),
        (Input(2.0), "the sound input is overdriven; turn its level down"),
        (Input(0.3, lost=20), "0.4 ms of sound were lost; measuring begins anew after them"),
    ],
)
def test_a_level_that_was_not_measured_is_asked_for_again_with_the_reason(capsys, monkeypatch, source, told):
    asked, err = search(monkeypatch, capsys, source, 10.0)
    assert ["20.0" in words for words in asked] == [True, True]
    assert err.splitlines()[2:-1] == [told]


def test_hiss_without_a_tone_well_below_the_level_asked_for_is_a_point_of_0_db(capsys, monkeypatch):
    asked, err = search(monkeypatch, capsys, Input(0.0, 0.1), 10.0)
    assert "near 13.0 dBµV" in asked[1]  # 3 dB up
    assert "no 1 kHz tone in the sound" in err


def test_help(capsys):
    assert "certif" not in sinad(capsys, "--help")[1]
