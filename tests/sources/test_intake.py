"""The queue between two threads: every sample is numbered, kept or counted as lost."""

from __future__ import annotations

import threading
import time
from datetime import timedelta

import numpy as np
import pytest

from sdrcheck.errors import SourceLost
from sdrcheck.recordings.utc import utc_moment
from sdrcheck.sources import intake as module
from sdrcheck.sources.intake import Intake

RATE_HZ = 1000.0


def filled(*pieces: bytes, **options: float) -> Intake:
    intake = Intake("cu8", RATE_HZ, **options)
    for number, piece in enumerate(pieces):
        intake.put(piece, at=10.0 + 0.1 * number)
    intake.end()
    return intake


def test_bytes_in_any_pieces_become_whole_samples() -> None:
    codes = bytes(range(200))
    blocks = list(filled(codes[:1], codes[1:98], codes[98:99], codes[99:]).blocks(1, "silent"))
    assert b"".join(block.raw.tobytes() for block in blocks) == codes
    assert [block.first_sample for block in blocks] == [0, 49]


def test_what_does_not_fit_is_counted_at_its_place() -> None:
    intake = filled(*[bytes(200)] * 7, room_s=0.5)  # room for five blocks of a hundred samples
    blocks = list(intake.blocks(1, "silent"))
    assert [(block.first_sample, block.lost_before) for block in blocks] == [(n * 100, 0) for n in range(5)]
    intake = Intake("cu8", RATE_HZ, room_s=0.5)
    for number in range(7):
        intake.put(bytes(200), at=10 + 0.1 * number)
    reader = intake.blocks(1, "silent")
    for _ in range(5):
        next(reader)
    intake.put(bytes(200), at=10.7, lost=30)
    late = next(reader)
    assert (late.first_sample, late.lost_before, late.lost_within) == (730, 230, 0)


def test_a_loss_before_less_than_a_whole_sample_is_not_forgotten() -> None:
    intake = Intake("cu8", RATE_HZ)
    intake.put(bytes(200), at=10.0)
    intake.put(bytes(1), at=10.1, lost=30)
    intake.put(bytes(199), at=10.13)
    intake.end()
    last = list(intake.blocks(1, "silent"))[-1]
    assert (last.first_sample, last.lost_before) == (130, 30)


def test_what_came_as_soon_as_any_is_prompt() -> None:
    """Blocks of 0.1 s; the third came 0.3 s late, and the two after it caught up by 0.15 s each."""
    intake = Intake("cu8", RATE_HZ)
    for at in (10.0, 10.1, 10.5, 10.45, 10.4):
        intake.put(bytes(200), at=at)
    intake.end()
    assert [block.prompt for block in intake.blocks(1, "silent")] == [True, True, False, False, True]


def test_where_lost_samples_were_only_late_the_time_is_stated_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """For 8 s the line carries half of what comes, which looks like a loss until the rest is there."""
    began = utc_moment("2026-03-01T12:00:00Z")
    intake = Intake("cu8", RATE_HZ, room_s=1e9)
    free = 0.0
    for number in range(1, 600):
        free = max(number / 10, free + (0.2 if 20 <= free < 28 else 0.05))
        monkeypatch.setattr(module, "utc_now", lambda now=began + timedelta(seconds=free): now)
        intake.put(bytes(200), at=free)
    intake.end()
    blocks = list(intake.blocks(1, "silent"))
    told = sum(block.lost_before for block in blocks)
    assert told > RATE_HZ
    stated = [(number, block.start_utc) for number, block in enumerate(blocks) if block.start_utc]
    number, start_utc = stated[-1]
    assert start_utc is not None
    assert (utc_moment(start_utc) - began).total_seconds() == pytest.approx(number / 10, abs=0.03)


def test_the_problem_comes_after_the_last_sample() -> None:
    intake = Intake("cu8", RATE_HZ)
    intake.put(bytes(20))
    intake.end(SourceLost("pulled out"))
    reader = intake.blocks(1, "silent")
    assert next(reader).count == 10
    with pytest.raises(SourceLost, match="pulled out"):
        next(reader)


@pytest.mark.parametrize(("late_s", "told"), [(1.5, "; the last samples came 1.5 s late, or as many are"), (0.2, "$")])
def test_samples_that_may_be_missing_when_a_source_ends_are_told(late_s: float, told: str) -> None:
    """The clock has not looked at a whole window since the pause."""
    intake = Intake("cu8", RATE_HZ)
    for number in range(25):
        intake.put(bytes(200), at=10 + number / 10 + (late_s if number > 20 else 0))
    intake.end(SourceLost("pulled out"))
    with pytest.raises(SourceLost, match=f"pulled out{told}"):
        list(intake.blocks(1, "silent"))


def test_silence_is_a_loss_of_the_source() -> None:
    intake = Intake("cu8", RATE_HZ)
    with pytest.raises(SourceLost, match="nothing came"):
        next(intake.blocks(0.05, "nothing came"))
    with pytest.raises(SourceLost, match="nothing came"):
        intake.wait_for_samples(0.01, "nothing came")


def test_closing_wakes_the_reader_and_leaves_the_rest() -> None:
    intake = Intake("cu8", RATE_HZ)
    intake.put(bytes(20))
    threading.Timer(0.05, intake.close).start()
    started = time.monotonic()
    assert len(list(intake.blocks(60, "silent"))) == 1
    assert time.monotonic() - started < 1


def test_two_threads_agree() -> None:
    intake = Intake("cu8", 1e6)
    codes = np.random.default_rng(1).integers(0, 256, 2_000_000, dtype=np.uint8).tobytes()

    def receive() -> None:
        for place in range(0, len(codes), 9_973):
            intake.put(codes[place : place + 9_973])
        intake.end()

    thread = threading.Thread(target=receive)
    thread.start()
    assert b"".join(block.raw.tobytes() for block in intake.blocks(5, "silent")) == codes
    thread.join()
