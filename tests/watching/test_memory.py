"""The rolling memory keeps the last seconds as they came, and only those."""

import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sdrcheck.errors import SourceError
from sdrcheck.findings.assembly import Judging
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.recordings import sigmf
from sdrcheck.recordings.recording import open_recording
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import IqBlock, SourceFacts
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching import memory as memories
from sdrcheck.watching.memory import RollingMemory, needed_bytes, require_memory

RATE = 10_000


def remembered(seconds: float, length_s: float = 3.0) -> RollingMemory:
    ramp = np.linspace(-1, 1, int(length_s * RATE)) * (1 + 0j)
    memory = RollingMemory(Synthetic(ramp, RATE, 156.8e6, "ci16_le"), seconds)
    for _ in memory.blocks():
        pass
    return memory


def all_samples(path: Path) -> np.ndarray:
    return np.concatenate([raw for raw, _ in open_recording(path).blocks(1 << 16)])


def test_span_is_no_longer_than_asked_by_more_than_a_block() -> None:
    low, high = remembered(1.0).span_s
    assert high == pytest.approx(3.0)
    assert 1.0 <= high - low < 2.1


def test_kept_samples_are_the_bytes_that_came(tmp_path: Path) -> None:
    memory = remembered(10.0)
    whole = all_samples(memory.keep(tmp_path / "whole"))
    part = all_samples(memory.keep(tmp_path / "part", 1.25, 1.75))
    assert part.size == 2 * RATE // 2
    assert np.array_equal(part, whole[2 * int(1.25 * RATE) : 2 * int(1.75 * RATE)])


def test_a_computer_without_room_for_it_says_so_before_it_begins(monkeypatch: pytest.MonkeyPatch) -> None:
    """2.4 MS/s of two bytes each over 120 s are 576 MB."""
    facts = SourceFacts("a dongle", 2.4e6, 156.8e6, "cu8")
    assert needed_bytes(facts, 120) == 576_000_000
    assert needed_bytes(SourceFacts("short", 2.4e6, 156.8e6, "cu8", sample_count=1000), 120) == 2000
    monkeypatch.setattr(memories, "_free_bytes", lambda: 488_000_000)
    with pytest.raises(SourceError, match=r"120 s .* take 576 MB, and 488 MB are free; .* less than --memory 60 or"):
        require_memory(facts, 120)
    require_memory(facts, 59)
    monkeypatch.setattr(memories, "_free_bytes", lambda: None)  # not Linux: nobody knows
    require_memory(facts, 120)


def test_forgotten_time_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="rolling memory"):
        remembered(0.5).keep(tmp_path / "gone", 0.0, 0.01)
    assert not list(tmp_path.iterdir())


def test_a_keeping_goes_on_with_what_comes(tmp_path: Path) -> None:
    ramp = np.linspace(-1, 1, 3 * RATE) * (1 + 0j)
    memory = RollingMemory(Synthetic(ramp, RATE, 156.8e6, "ci16_le", block_samples=1000), 1.0)
    keeping = None
    for block in memory.blocks():
        if keeping is None and block.first_sample >= 1.2 * RATE:
            keeping = memory.keep_from(tmp_path / "long", 0.5)
        if keeping is not None and block.first_sample >= 2.5 * RATE and keeping.end is None:
            keeping.end = int(2.75 * RATE)
    assert keeping is not None
    assert keeping.finished
    assert keeping.start_s == pytest.approx(0.5)
    whole = all_samples(remembered(10.0).keep(tmp_path / "whole"))
    assert np.array_equal(all_samples(keeping.path), whole[2 * int(0.5 * RATE) : 2 * int(2.75 * RATE)])


def test_a_keeping_ends_with_its_source_and_says_so(tmp_path: Path) -> None:
    memory = RollingMemory(Synthetic(np.zeros(RATE, complex), RATE, 156.8e6, "cu8", block_samples=1000), 1.0)
    for block in memory.blocks():
        if block.first_sample == 2000:
            keeping = memory.keep_from(tmp_path / "cut", 0.0)
    assert keeping.finished
    assert open_recording(keeping.path).facts.ended == "the source ended"


def test_the_stream_flows_while_a_slow_disk_takes_what_is_remembered(tmp_path: Path) -> None:
    ramp = np.linspace(-1, 1, 3 * RATE) * (1 + 0j)
    memory = RollingMemory(Synthetic(ramp, RATE, 156.8e6, "ci16_le", block_samples=1000), 10.0)
    blocks = memory.blocks()
    for _ in range(10):
        next(blocks)
    told: list[float] = []

    def slow_disk(part: float) -> None:
        told.append(part)
        next(blocks, None)  # a second thread would be held up here if the memory were locked meanwhile

    keeping = memory.keep_from(tmp_path / "kept", 0.0, 2.5, tell=slow_disk)
    for _ in blocks:
        pass
    assert told[9] == 1.0
    assert keeping.finished
    whole = all_samples(remembered(10.0).keep(tmp_path / "whole"))
    assert np.array_equal(all_samples(keeping.path), whole[: 2 * int(2.5 * RATE)])
    assert open_recording(keeping.path).facts.ended == "complete"


def test_a_keeping_that_is_stopped_says_so_and_can_be_read(tmp_path: Path) -> None:
    ramp = np.linspace(-1, 1, 3 * RATE) * (1 + 0j)
    memory = RollingMemory(Synthetic(ramp, RATE, 156.8e6, "ci16_le", block_samples=1000), 10.0)
    for _ in memory.blocks():
        pass

    def stop(part: float) -> None:
        if part > 0.5:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        memory.keep(tmp_path / "kept", tell=stop)
    cut = open_recording(tmp_path / "kept.sigmf-meta")
    assert cut.facts.ended == "stopped"
    assert 0 < cut.sample_count < 3 * RATE


def test_what_is_wanted_after_the_source_has_ended_is_what_was_remembered(tmp_path: Path) -> None:
    memory = remembered(10.0)
    keeping = memory.keep_from(tmp_path / "late", 1.0, 5.0)
    assert keeping.finished
    assert open_recording(keeping.path).facts.ended == "the source ended"
    assert open_recording(keeping.path).sample_count == 2 * RATE


def test_a_disk_that_stands_still_holds_up_neither_the_stream_nor_the_engine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk takes nothing until the stream has passed, and still every sample is kept."""
    may_write = threading.Event()
    append = sigmf.Writer.append

    def held_up(writer: sigmf.Writer, *words: Any, **more: Any) -> None:
        assert may_write.wait(10)
        append(writer, *words, **more)

    ramp = np.linspace(-1, 1, 3 * RATE) * (1 + 0j)
    memory = RollingMemory(Synthetic(ramp, RATE, 156.8e6, "ci16_le", block_samples=1000), 10.0)
    keeping = None
    monkeypatch.setattr(sigmf.Writer, "append", held_up)
    for block in memory.blocks():
        if keeping is None and block.first_sample >= RATE:
            keeping = memory.begin(tmp_path / "kept", 0.5, 2.5)
            keeping.start()
        if block.first_sample + block.count == 3 * RATE:
            may_write.set()
    assert keeping is not None
    assert keeping.finished
    monkeypatch.undo()
    whole = all_samples(remembered(10.0).keep(tmp_path / "whole"))
    assert np.array_equal(all_samples(keeping.path), whole[2 * int(0.5 * RATE) : 2 * int(2.5 * RATE)])
    assert open_recording(keeping.path).facts.ended == "complete"


def test_a_disk_that_is_far_too_slow_makes_the_stream_wait_instead_of_losing_a_sample(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(memories, "_ROOM_S", 0.2)
    append = sigmf.Writer.append

    def slowly(writer: sigmf.Writer, *words: Any, **more: Any) -> None:
        time.sleep(0.002)
        append(writer, *words, **more)

    monkeypatch.setattr(sigmf.Writer, "append", slowly)
    ramp = np.linspace(-1, 1, 3 * RATE) * (1 + 0j)
    memory = RollingMemory(Synthetic(ramp, RATE, 156.8e6, "ci16_le", block_samples=1000), 10.0)
    keeping = None
    for _ in memory.blocks():
        if keeping is None:
            keeping = memory.begin(tmp_path / "kept")
            keeping.start()
    assert keeping is not None
    assert open_recording(keeping.path).sample_count == 3 * RATE


class Scripted:
    """Blocks of half a second; before one of them samples are lost, perhaps as far back as `within_s` before it."""

    def __init__(self, lossy: int, lost: int = 500, within_s: float = 0.9, told_late_s: float = 2.0) -> None:
        self.facts = SourceFacts("scripted", RATE, 156.8e6, "cu8", "2026-03-14T09:26:53Z", told_late_s=told_late_s)
        self._lossy, self._lost, self._within = lossy, lost, round(within_s * RATE)

    def blocks(self) -> Iterator[IqBlock]:
        size, first = RATE // 2, 0
        for number in range(12):
            lossy = number == self._lossy
            first += self._lost if lossy else 0
            yield IqBlock(
                np.full(2 * size, number, np.uint8),
                first,
                lost_before=self._lost if lossy else 0,
                lost_within=self._within if lossy else 0,
            )
            first += size

    def close(self) -> None: ...


class Dated(Scripted):
    """Half a day has passed when it begins to be remembered, and then its clock is read anew, 3 s late."""

    def blocks(self) -> Iterator[IqBlock]:
        for number, block in enumerate(super().blocks()):
            utc = "2026-03-14T21:27:00Z" if number == 4 else None
            yield replace(block, first_sample=block.first_sample + 43_200 * RATE, start_utc=utc)


def told_again(path: Path) -> list[tuple[int, int, int]]:
    """What a kept recording tells of losses, as it plays: the place behind, how many, somewhere in how many."""
    blocks = RecordingSource(path).blocks()
    return [(one.first_sample, one.lost_before, one.lost_within) for one in blocks if one.lost_before]


@pytest.mark.parametrize("when", ["afterwards", "meanwhile"])
@pytest.mark.parametrize(("to_s", "doubtful"), [(1.2, True), (1.0, False), (1.5, True), (0.5, False)])
def test_what_is_kept_tells_of_a_loss_that_came_out_after_it(
    tmp_path: Path, to_s: float, doubtful: bool, when: str
) -> None:
    """The loss lies between 1.1 s and 2.0 s, and is told by what came after that."""
    memory = RollingMemory(Scripted(lossy=4), 10.0)
    keeping = None
    for block in memory.blocks():
        if when == "meanwhile" and block.first_sample == RATE // 2:
            keeping = memory.begin(tmp_path / "kept", 0.2, to_s)
            keeping.start()
    path = memory.keep(tmp_path / "kept", 0.2, to_s) if keeping is None else keeping.path
    kept = open_recording(path)
    assert kept.facts.ended == "complete"
    if doubtful:
        assert told_again(path) == [(int(1.8 * RATE) + 500, 500, int(0.9 * RATE))]
        assert kept.sample_count == int(2.3 * RATE)
    else:
        assert told_again(path) == []
        assert kept.sample_count == round((to_s - 0.2) * RATE)


def test_what_comes_promptly_settles_what_is_kept(tmp_path: Path) -> None:
    class Prompt(Scripted):
        def blocks(self) -> Iterator[IqBlock]:
            for block in super().blocks():
                yield replace(block, prompt=block.first_sample == 3 * RATE)

    memory = RollingMemory(Prompt(lossy=-1, told_late_s=100.0), 10.0)
    for block in memory.blocks():
        if block.first_sample == RATE:
            keeping = memory.begin(tmp_path / "kept", 0.5, 2.0)
            keeping.start()
        if block.first_sample == 4 * RATE:
            assert keeping._done.wait(10.0)
    assert open_recording(keeping.path).sample_count == round(1.5 * RATE)


def test_what_is_known_already_is_told_however_late_it_came_out(tmp_path: Path) -> None:
    memory = RollingMemory(Scripted(lossy=8, within_s=3.5, told_late_s=0.0), 10.0)
    for _ in memory.blocks():
        pass
    parts: list[float] = []
    path = memory.keep(tmp_path / "kept", 0.0, 1.0, tell=parts.append)
    assert told_again(path) == [(4 * RATE + 500, 500, int(3.5 * RATE))]
    assert parts[1] == parts[-1] == 1.0


def test_an_end_that_was_lost_stands_in_what_is_kept(tmp_path: Path) -> None:
    """Known at once: from 2.0 s to 3.0 s nothing came, and 2.4 s was to be the end."""
    memory = RollingMemory(Scripted(lossy=4, lost=RATE, within_s=0.0), 10.0)
    for _ in memory.blocks():
        pass
    assert told_again(memory.keep(tmp_path / "kept", 1.0, 2.4)) == [(2 * RATE, RATE, 0)]


def test_a_recording_is_not_finished_before_a_loss_in_it_must_have_come_out(tmp_path: Path) -> None:
    """Its end is at 1.2 s and losses come out after 2.0 s at the latest: that is in the block that ends at 3.5 s."""
    memory = RollingMemory(Scripted(lossy=99), 10.0)
    blocks = memory.blocks()
    next(blocks)
    keeping = memory.begin(tmp_path / "kept", 0.2, 1.2)
    keeping.start()
    for _ in range(5):
        next(blocks)
    assert not keeping.finished
    next(blocks)
    assert keeping.finish("too late to matter") == keeping.path
    assert open_recording(keeping.path).facts.ended == "complete"
    assert open_recording(keeping.path).sample_count == RATE


def test_a_long_memory_may_be_kept_whole_while_the_stream_flows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is remembered lies in memory anyway: only what comes after it fills the room that a slow disk has."""
    monkeypatch.setattr(memories, "_ROOM_S", 0.5)
    may_write = threading.Event()
    append = sigmf.Writer.append

    def held_up(writer: sigmf.Writer, *words: Any, **more: Any) -> None:
        assert may_write.wait(10)
        append(writer, *words, **more)

    monkeypatch.setattr(sigmf.Writer, "append", held_up)
    ramp = np.linspace(-1, 1, 3 * RATE) * (1 + 0j)
    memory = RollingMemory(Synthetic(ramp, RATE, 156.8e6, "ci16_le", block_samples=1000), 10.0)
    blocks = memory.blocks()
    for _ in range(20):
        next(blocks)
    keeping = memory.begin(tmp_path / "kept")
    keeping.start()
    for _ in range(5):
        next(blocks)
    held = threading.Thread(target=lambda: [None for _ in blocks])
    held.start()
    held.join(0.1)
    assert held.is_alive()  # one block is at the disk, half a second waits: now the stream has to wait
    assert memory.span_s[1] == pytest.approx(2.7)  # and nobody else has to
    may_write.set()
    held.join(10)
    assert open_recording(keeping.path).sample_count == 3 * RATE


def test_a_recording_nobody_has_begun_to_write_does_not_fill_the_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(memories, "_ROOM_S", 0.5)
    memory = RollingMemory(Scripted(lossy=99), 10.0)
    keepings = []

    def flow() -> None:
        for _ in memory.blocks():
            if not keepings:
                keepings.append(memory.begin(tmp_path / "kept"))

    held = threading.Thread(target=flow)
    held.start()
    held.join(0.1)
    assert held.is_alive()
    keepings[0].catch_up()
    held.join(10)
    assert open_recording(keepings[0].path).sample_count == 6 * RATE


@pytest.mark.parametrize("where", ["append", "renew", "close"])
def test_what_is_no_fault_of_the_disk_ends_a_recording_but_never_the_stream(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    def fails(*_: Any, **__: Any) -> None:
        raise MemoryError("no memory for a block")

    monkeypatch.setattr(sigmf.Writer, where, fails)
    monkeypatch.setattr(memories, "_ROOM_S", 0.1)
    monkeypatch.setattr(memories, "_RENEW_S", 0.0)
    memory = RollingMemory(Scripted(lossy=99), 10.0)
    keeping = None
    for _ in memory.blocks():
        if keeping is None:
            keeping = memory.begin(tmp_path / "kept", 0.0, 2.5)
            keeping.start()
    assert keeping is not None
    assert keeping.finished
    assert keeping.problem is not None
    assert keeping.problem.strerror == "no memory for a block"


def test_a_finished_recording_holds_no_samples(tmp_path: Path) -> None:
    memory = RollingMemory(Scripted(lossy=99), 10.0)
    keeping = None
    for _ in memory.blocks():
        if keeping is None:
            keeping = memory.begin(tmp_path / "kept", 0.0, 2.5)
    assert keeping is not None
    keeping.catch_up()
    assert keeping.finished
    assert not keeping._waiting


@pytest.mark.parametrize(
    ("ppm", "from_s", "starts"),
    [
        (None, 43_201.2, ["2026-03-14T21:26:54.200000Z", "2026-03-14T21:27:00.000000Z"]),
        (50.0, 43_201.2, ["2026-03-14T21:26:56.360060Z", "2026-03-14T21:27:00.000000Z"]),  # 43 201.2 s × 50e-6
        (50.0, 43_204.0, ["2026-03-14T21:27:02.000100Z"]),
    ],
)
def test_a_recording_is_dated_as_its_inspection_is(
    tmp_path: Path, ppm: float | None, from_s: float, starts: list[str]
) -> None:
    """From the latest instant the source stated, by its sample clock corrected for what is known of it."""
    known = None if ppm is None else FrequencyReference(ppm, 0.5, "counter")
    memory = RollingMemory(Dated(lossy=99), 10.0, Judging(reference=known))
    for _ in memory.blocks():
        pass
    kept = open_recording(memory.keep(tmp_path / "kept", from_s))
    assert [segment.start_utc for segment in kept.segments] == starts
    assert memory.utc_at(from_s) == starts[0]
    assert (kept.facts.reference_ppm, kept.facts.reference_source) == (ppm, known and known.source)
