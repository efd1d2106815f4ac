"""What becomes of a watch's folder and of its dongle while it goes on: gone, moved, full, replaced by another."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.bench import Settings
from sdrcheck.errors import SourceLost
from sdrcheck.recordings.recording import open_recording
from sdrcheck.recordings.utc import utc_now
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import IqBlock
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching import journal, watch
from sdrcheck.watching.policy import Policy
from sdrcheck.watching.watch import Watch, Watched
from tests.conftest import REPOSITORY

ANSWERED = REPOSITORY / "captures" / "test-call-answered-CLOSED-CABLE-ONLY.sigmf-meta"
SHIP = frozenset({"211999990"})  # invented


def watching(folder: Path, **options: object) -> Watch:
    return Watch(folder, Settings(), Policy(own=SHIP), **options)  # type: ignore[arg-type]


def events(lines: list[Watched]) -> list[str]:
    return [one.line.event for one in lines]


def test_another_dongle_does_not_take_the_place_of_a_lost_one(tmp_path: Path) -> None:
    """Its own error of the reference is not that of the one before; which dongle goes on is not guessed at."""
    closed: list[str] = []

    class Dongle:
        def __init__(self, serial: str) -> None:
            self._inside = RecordingSource(ANSWERED)
            self.facts = replace(self._inside.facts, name=f"dongle {serial}", serial=serial)

        def blocks(self) -> Iterator[IqBlock]:
            yield from self._inside.blocks()
            raise SourceLost(f"{self.facts.name} was lost")

        def close(self) -> None:
            closed.append(str(self.facts.serial))

    there = [Dongle(serial) for serial in ("FIRST", "OTHER", "OTHER")]
    with pytest.raises(IndexError):  # once the first is back and lost again, no more come
        list(watching(tmp_path, waits_s=(0.01,)).run(Dongle("FIRST"), there.pop))
    assert closed.count("OTHER") == 2
    other = "dongle OTHER answers in place of dongle FIRST, whose corrections are in use; plug in dongle FIRST"
    lines = list(journal.lines(tmp_path))
    (told,) = (line.sentence for line in lines if "OTHER" in line.sentence)
    assert told == f"Not back yet: {other}, or start a watch anew."
    went = [line.event for line in lines if line.event != "trouble"]
    assert went == ["started", "kept", "kept", "hole", "kept", "kept"]


def test_a_journal_that_was_moved_away_is_begun_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = watching(tmp_path).run(RecordingSource(ANSWERED))
    told = [next(lines)]
    day = told[0].line.utc[:10]
    (tmp_path / journal.JOURNAL).rename(tmp_path / "old.jsonl")
    monkeypatch.setattr(watch, "utc_now", lambda: utc_now() + timedelta(days=1))
    told += lines
    assert events(told) == ["started", "trouble", "kept", "kept", "ended"]
    assert f"no summary of {day}: {tmp_path / journal.JOURNAL} cannot be read" in told[1].line.sentence
    assert [line.event for line in journal.lines(tmp_path)] == ["trouble", "kept", "kept", "ended"]
    assert len(journal.kept_names(tmp_path)) == 2


def test_the_folder_goes_away_and_comes_back(tmp_path: Path) -> None:
    """As a disk on USB does: what was on the air meanwhile is told of and not kept."""
    folder = tmp_path / "watch"
    told = []
    for one in watching(folder).run(RecordingSource(ANSWERED)):
        told.append(one)
        if one.line.event == "started":
            shutil.rmtree(folder)
        elif "could not be kept" in one.line.sentence:
            folder.mkdir()
    assert events(told) == ["started", "trouble", "trouble", "kept", "ended"]
    gone = f"{folder} cannot be reached (No such file or directory); bring it back"
    assert told[1].line.sentence == f"Nothing more is kept for now: {gone}."
    assert told[2].line.sentence.endswith(f"It could not be kept: {gone}.")
    assert [line.event for line in journal.lines(folder)] == ["kept", "ended"]
    (name,) = journal.kept_names(folder)
    assert (folder / (name + journal.INSPECTION)).exists()


def test_a_long_keying_under_way_when_the_disk_is_full_is_kept_as_far_as_it_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rate = 60_000
    times = np.arange(10 * rate) / rate
    noise_iq = np.random.default_rng(5).normal(0, 0.001, (times.size, 2)).view(np.complex128)[:, 0]
    keyed = (times > 1) & (times < 9)

    class Filling(Synthetic):
        def blocks(self) -> Iterator[IqBlock]:
            for block in super().blocks():
                if block.first_sample >= 6 * rate:
                    monkeypatch.setattr(watch, "LEAST_FREE_BYTES", 10**18)
                yield block

    source = Filling(
        0.3 * keyed * np.exp(2j * np.pi * 10_000 * times) + noise_iq, rate, 156.615e6, "cu8", block_samples=3000
    )
    lines = list(Watch(tmp_path, Settings(), Policy(before_s=0.5), memory_s=5.0).run(source))
    assert [one.line.event for one in lines] == ["started", "trouble", "kept", "ended"]
    assert lines[2].line.sentence.endswith("Its recording is cut short, as the disk took no more.")
    (name,) = journal.kept_names(tmp_path)
    assert (tmp_path / (name + journal.INSPECTION)).exists()
    assert 4 * rate < open_recording(tmp_path / name).sample_count < 7 * rate
