"""The recorder, inside this process: what it writes, when it stops, and what it does when it cannot go on."""

from __future__ import annotations

import shutil
import time
from collections import namedtuple
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import sigmf

from sdrcheck.capture import recorder as module
from sdrcheck.capture.recorder import Recorder
from sdrcheck.capture.ship_time import compare
from sdrcheck.errors import RecordingError, SourceLost
from sdrcheck.recordings import open_recording
from sdrcheck.recordings.facts import ReceptionFacts
from sdrcheck.recordings.utc import utc_moment
from sdrcheck.sources.source import IqBlock, SourceFacts
from sdrcheck.sources.synthetic import Synthetic

RATE_HZ, CENTRE_HZ = 100_000.0, 156.8e6
SIGNAL = 0.5 * np.exp(0.3j * np.arange(250_000))


class Scripted:
    """A source that does what a test says, block by block."""

    def __init__(self, *events: Any, told_late_s: float = 0.0) -> None:
        self.facts = SourceFacts(
            "scripted",
            RATE_HZ,
            CENTRE_HZ,
            "cu8",
            "2026-03-14T09:26:53Z",
            gain_db=9.0,
            serial="EXAMPLE7",
            told_late_s=told_late_s,
        )
        self._events = events

    def blocks(self) -> Iterator[IqBlock]:
        first = 0
        for event in self._events:
            if isinstance(event, Exception):
                raise event
            if callable(event):
                event()
                continue
            count, lost, within, *prompt = event
            first += lost
            codes = np.full(2 * count, 128, np.uint8)
            yield IqBlock(codes, first, lost_before=lost, lost_within=within, prompt=bool(prompt))
            first += count

    def close(self) -> None: ...


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Renew the description at every block instead of every second."""
    monkeypatch.setattr(module, "_RENEW_S", 0.0)


def raw_of(meta: Path) -> np.ndarray:
    return np.concatenate([raw for raw, _ in open_recording(meta).blocks()])


def test_every_sample_of_the_source_is_in_the_recording(tmp_path: Path, hasty: None) -> None:
    facts = ReceptionFacts(attenuation_db=70.0, synthetic=True)
    captured = Recorder(Synthetic(SIGNAL, RATE_HZ, CENTRE_HZ), tmp_path / "x", facts=facts, description="a test").run()
    expected = np.concatenate([block.raw for block in Synthetic(SIGNAL, RATE_HZ, CENTRE_HZ).blocks()])
    assert np.array_equal(raw_of(captured.meta), expected)
    assert (captured.seconds, captured.lost_samples, captured.ended) == (2.5, 0, "the source came to its end")
    back = open_recording(captured.meta)
    assert (back.remarks, back.facts.attenuation_db, back.facts.ended) == ([], 70.0, captured.ended)
    assert abs(utc_moment(back.start_utc or "") - datetime.now(UTC)) < timedelta(minutes=1)
    sigmf.fromfile(captured.meta).validate()  # and its seal fits, or this would raise


@pytest.mark.parametrize("seconds", [0.5, 1.23456])
def test_it_stops_to_the_sample(tmp_path: Path, seconds: float) -> None:
    source = Synthetic(SIGNAL, RATE_HZ, CENTRE_HZ, repeats=None)
    captured = Recorder(source, tmp_path / "x", seconds=seconds).run()
    assert open_recording(captured.meta).sample_count == round(seconds * RATE_HZ)
    assert captured.ended == "complete"


def test_until_is_counted_in_samples(tmp_path: Path) -> None:
    start = utc_moment("2026-03-14T09:26:53Z")
    source = Scripted(*[(50_000, 0, 0)] * 10)
    captured = Recorder(source, tmp_path / "x", until=start + timedelta(seconds=2.25)).run()
    assert open_recording(captured.meta).sample_count == 225_000


def test_losses_stand_in_the_recording_with_place_and_size(tmp_path: Path) -> None:
    source = Scripted((1000, 0, 0), (1000, 300, 0), (1000, 50, 700))
    captured = Recorder(source, tmp_path / "x").run()
    back = open_recording(captured.meta)
    assert [(segment.first, segment.lost_before) for segment in back.segments] == [(0, 0), (1000, 300), (2000, 50)]
    assert captured.lost_samples == back.facts.lost_samples == 350
    note = back.annotations[0]
    assert (note.first, note.count, note.comment) == (
        1300,
        700,
        "50 samples are missing somewhere in here, by the clock",
    )
    assert (back.facts.gain_db, back.facts.serial) == (9.0, "EXAMPLE7")
    sigmf.fromfile(captured.meta).validate()


def test_a_lost_source_leaves_a_whole_recording(tmp_path: Path) -> None:
    source = Scripted((1000, 0, 0), SourceLost("the dongle was pulled out"))
    with pytest.raises(SourceLost, match=r"pulled out; what came before is kept in .*x\.sigmf-meta"):
        Recorder(source, tmp_path / "x").run()
    back = open_recording(tmp_path / "x")
    assert raw_of(tmp_path / "x").size == 2000
    assert (back.facts.ended, back.remarks) == ("the source was lost: the dongle was pulled out", [])


@pytest.mark.parametrize("within", [0, 5000])
def test_an_end_that_was_lost_is_told(tmp_path: Path, within: int) -> None:
    """From 2.0 s to 3.0 s nothing came, and 2.5 s was to be the end."""
    source = Scripted((100_000, 0, 0), (100_000, 0, 0), (1000, 100_000, within), (1000, 0, 0))
    captured = Recorder(source, tmp_path / "x", seconds=2.5).run()
    assert captured.ended == "complete, and on to where it came out that samples are missing at its end"
    assert (captured.seconds, captured.lost_samples) == (3.01, 100_000)
    back = open_recording(captured.meta)
    assert [(segment.first, segment.lost_before) for segment in back.segments] == [(0, 0), (200_000, 100_000)]
    assert [(note.first, note.count) for note in back.annotations] == [(200_000 - within, within)] * bool(within)


@pytest.mark.parametrize(("within", "reaches"), [(70_000, True), (50_000, False)])
def test_a_loss_that_comes_out_after_the_end_is_told_where_it_may_lie_before_it(
    tmp_path: Path, within: int, reaches: bool
) -> None:
    """1.0 s was to be the end; the loss lies within 0.7 s or 0.5 s before 1.6 s."""
    source = Scripted((90_000, 0, 0), (70_000, 0, 0), (1000, 300, within), *[(90_000, 0, 0)] * 3, told_late_s=2.0)
    captured = Recorder(source, tmp_path / "x", seconds=1.0).run()
    back = open_recording(captured.meta)
    if reaches:
        assert back.sample_count == 161_000
        assert [(note.first, note.count) for note in back.annotations] == [(90_000, 70_000)]
        assert captured.lost_samples == 300
    else:
        assert (back.sample_count, back.annotations, captured.ended) == (100_000, (), "complete")


def test_what_comes_promptly_ends_the_wait_for_losses(tmp_path: Path) -> None:
    """1.0 s was to be the end; at 1.5 s everything has come that was sent."""
    after: list[str] = []
    late, prompt = (90_000, 0, 0), (60_000, 0, 0, "prompt")
    source = Scripted(late, prompt, lambda: after.append("waited on"), *[late] * 3, told_late_s=2.0)
    captured = Recorder(source, tmp_path / "x", seconds=1.0).run()
    assert (captured.ended, captured.seconds, after) == ("complete", 1.0, [])


def test_a_source_lost_after_the_end_costs_nothing(tmp_path: Path) -> None:
    source = Scripted((150_000, 0, 0), SourceLost("the dongle was pulled out"), told_late_s=2.0)
    captured = Recorder(source, tmp_path / "x", seconds=1.0).run()
    assert (captured.ended, captured.seconds) == ("complete", 1.0)


@pytest.mark.parametrize(
    ("problem", "told", "ended"),
    [
        (RecordingError("y became shorter"), "y became shorter; what came before is kept in", "the source was lost: y"),
        (MemoryError("none left"), "none left", "an error ended it"),
    ],
)
def test_whatever_ends_the_source_the_recording_is_sealed(
    tmp_path: Path, problem: Exception, told: str, ended: str
) -> None:
    with pytest.raises(type(problem), match=told):
        Recorder(Scripted((1000, 0, 0), problem), tmp_path / "x").run()
    back = open_recording(tmp_path / "x")
    assert (back.facts.ended or "").startswith(ended)
    assert back.stated_sha512


def test_stopping_ends_it_cleanly(tmp_path: Path) -> None:
    recorders: list[Recorder] = []
    source = Scripted((1000, 0, 0), lambda: recorders[0].stop(), (1000, 0, 0), (1000, 0, 0))
    recorders.append(Recorder(source, tmp_path / "x"))
    captured = recorders[0].run()
    assert (captured.ended, captured.seconds) == ("stopped by the user", 0.01)


Usage = namedtuple("Usage", "total used free")


def test_no_room_to_begin_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(10**9, 0, 100 * 10**6))
    with pytest.raises(RecordingError, match=r"has 100 MB free, but 754 MB are needed; make room, or record for less"):
        Recorder(Scripted(), tmp_path / "x", seconds=3600)
    assert list(tmp_path.iterdir()) == []


def test_the_disk_fills_up_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hasty: None) -> None:
    free = iter([10**9, 10**9, 10**9, 20 * 10**6])
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(10**9, 0, next(free)))
    captured = Recorder(Scripted(*[(1000, 0, 0)] * 10), tmp_path / "x").run()
    assert captured.ended == "the disk is nearly full (20 MB left)"
    assert open_recording(captured.meta).sample_count == 3000


def test_no_room_even_for_the_description(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing can be written any more: what is there is read up to its last sample, with a remark."""
    recorder = Recorder(Scripted((1000, 0, 0), OSError(28, "No space left on device")), tmp_path / "x")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sdrcheck.recordings.sigmf._replace", full)
    with pytest.raises(RecordingError, match="the disk is full; what came before is kept"):
        recorder.run()
    back = open_recording(tmp_path / "x")
    assert raw_of(tmp_path / "x").size == 2000
    assert back.remarks == ["x.sigmf-meta has no clean end: it is still being written, or it broke off."]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"cannot be written to \(No such file or directory\)"):
        Recorder(Scripted(), tmp_path / "absent" / "x")


def test_the_computers_clock_is_set_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hasty: None) -> None:
    """It jumps forward by an hour: no sample moves, and the recording says what happened."""

    clock = SimpleNamespace(ahead=0.0, monotonic=time.monotonic, time=lambda: time.time() + clock.ahead)
    monkeypatch.setattr(module, "time", clock)
    source = Scripted((100_000, 0, 0), lambda: setattr(clock, "ahead", 3600.0), (100_000, 0, 0), (100_000, 0, 0))
    captured = Recorder(source, tmp_path / "x", until=utc_moment("2026-03-14T09:26:56Z")).run()
    back = open_recording(captured.meta)
    assert (back.sample_count, len(back.segments)) == (300_000, 1)
    assert back.facts.clock_step_s == pytest.approx(3600, abs=0.1)
    assert back.remarks == ["The computer's clock was set by +3600.0 s 2 s after the start; times count from before."]


@pytest.mark.parametrize(
    ("shown", "host", "ahead"),
    [
        ("14:05:30", "2026-03-14T14:05:31.5Z", 1.5),
        ("14:05:30Z", "2026-03-14T14:05:31.5Z", 1.5),
        ("23:59:59", "2026-03-15T00:00:01Z", 2.0),
        ("00:00:01", "2026-03-14T23:59:58Z", -3.0),
    ],
)
def test_the_ships_display_against_the_computers_clock(shown: str, host: str, ahead: float) -> None:
    found = compare(shown, utc_moment(host))
    assert (found.host_minus_ship_s, found.uncertainty_s) == (pytest.approx(ahead), 1.0)


@pytest.mark.parametrize("shown", ["noon", "14:05:30+02:00", "24:00:00"])
def test_what_is_no_time_of_day_in_utc_is_not_compared(shown: str) -> None:
    with pytest.raises(ValueError, match=r"isoformat|not UTC|hour must be"):
        compare(shown, utc_moment("2026-03-14T14:05:30Z"))


def test_progress_is_told(tmp_path: Path, hasty: None) -> None:
    told: list[module.Progress] = []
    Recorder(Scripted((1000, 0, 0), (1000, 300, 0)), tmp_path / "x", progress=told.append).run()
    assert [(progress.seconds, progress.bytes, progress.lost_samples) for progress in told] == [
        (0.01, 2000, 0),
        (0.023, 4000, 300),
    ]
