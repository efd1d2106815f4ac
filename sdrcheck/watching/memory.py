"""A rolling memory between a source and the engine: the last minutes as bytes, ready to be kept as evidence."""

from __future__ import annotations

import errno
import itertools
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from sdrcheck.errors import SourceError
from sdrcheck.filters.iq import clipped_count
from sdrcheck.recordings import sigmf
from sdrcheck.recordings.datatypes import bytes_per_sample, components
from sdrcheck.recordings.facts import ReceptionFacts
from sdrcheck.recordings.utc import utc_after
from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts

if TYPE_CHECKING:
    from sdrcheck.findings.assembly import Judging

_RENEW_S = 1.0
_ROOM_S = 10.0
"""So far a disk may fall behind before the stream waits for it, and loses what it then cannot take."""
_SPARE_BYTES = 200_000_000
"""What is left for everything else."""


class Keeping:
    """A recording that is being cut out of the stream, what is remembered first and what is still to come after.

    What is remembered is written by `catch_up` in the thread of whoever waits for it, or after `start` in a thread of
    its own, as is all that comes later: neither the stream nor the engine ever stands still for a disk. A source may
    tell of a loss only `told_late_s` after it: so long an end stays open, unless samples come promptly before that, and
    where a loss comes out the recording goes on to the samples that tell of it.
    """

    def __init__(
        self,
        writer: sigmf.Writer,
        first: int,
        rate_hz: float,
        end: int | None,
        remembered: Iterable[IqBlock],
        told_late_s: float = 0.0,
    ) -> None:
        self._writer, self._rate = writer, rate_hz
        self._first = self._next = self._reached = first
        self._certain = first
        """Up to here no loss can come out any more."""
        self._told_late = round(told_late_s * rate_hz)
        self._begun = False
        self._waiting: deque[IqBlock] = deque()
        self._behind = 0
        self._ended = ""
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self.end = end
        """Sample at which it ends; None while that is not known."""
        self._stop: int | None = None
        """Sample at which it stops, once nothing can be told any more of what lies before its end."""
        self.problem: OSError | None = None
        """Why the disk refused, where it did; what was written before stays readable."""
        self.clipped = 0
        """Samples at an end code among those written."""
        self._renewed = time.monotonic()
        self._done = threading.Event()
        for block in remembered:
            self._add(block)
        self._room = self._behind + _ROOM_S * rate_hz

    @property
    def start_s(self) -> float:
        """Time of its first sample, from the start of the source."""
        return self._first / self._rate

    def end_at(self, time_s: float) -> None:
        """Let it end at a time from the start of the source, where that is not longer than it was to be."""
        wanted = round(time_s * self._rate)
        with self._changed:
            self.end = wanted if self.end is None else min(self.end, wanted)
            self._changed.notify_all()

    def take(self, block: IqBlock) -> None:
        """Put a block behind those that wait to be written; waits itself only where the disk is seconds behind."""
        with self._changed:
            if self._is_settled():
                return
            self._add(block)
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._behind <= self._room or self._is_settled() or not self._can_go_on())

    def _add(self, block: IqBlock) -> None:
        self._waiting.append(block)
        self._behind += block.count
        self._reached = block.first_sample + block.count
        if block.prompt:
            self._certain = self._reached

    def _is_settled(self) -> bool:
        """Whether all that belongs into it has come."""
        if self.end is None:
            return bool(self._ended)
        return bool(self._ended) or self._certain >= self.end or self._reached >= self.end + self._told_late

    def catch_up(self, tell: Callable[[float], None] = lambda part: None) -> None:
        """Write what is remembered. `tell` gets the part done, and may raise to stop: the recording then ends there."""
        remembered = max(sum(self.end is None or block.first_sample < self.end for block in self._waiting), 1)
        written = 0
        try:
            while (block := self._next_block()) is not None:
                self._write(block)
                written += 1
                tell(min(written / remembered, 1.0))
        except BaseException:
            with self._changed:
                self._ended = "stopped"
                self._waiting.clear()
            self.start()
            self._wait()
            raise
        self.start()
        if self._ended:
            self._wait()

    def start(self) -> None:
        """Write on in a thread of its own, what is remembered first."""
        with self._changed:
            if self._thread is None and not self._done.is_set():
                self._thread = threading.Thread(target=self._write_on, name="keeping", daemon=True)
                self._thread.start()

    def _next_block(self) -> IqBlock | None:
        """The next block to be written; None where nothing waits, or nothing more is wanted."""
        with self._changed:
            if not self._can_go_on():
                return None
            if self._is_settled() and self.end is not None and self._stop is None:
                self._stop = self._end_of_the_told(max(self.end, self._next))
            block = self._waiting.popleft()
            if self._stop is not None and block.first_sample >= self._stop:
                return None
            self._behind -= block.count
            self._changed.notify_all()
        return block

    def _can_go_on(self) -> bool:
        """Whether the first block that waits can be written; where it ends is open as long as losses may be told."""
        if not self._waiting or self._done.is_set():
            return False
        first = self._waiting[0]
        return self._is_settled() or self.end is None or first.first_sample + first.count <= self.end

    def _end_of_the_told(self, end: int) -> int:
        """Where to stop for `end`: behind the last block that tells of samples perhaps lost before that."""
        told = [
            block.first_sample + block.count
            for block in self._waiting
            if block.first_sample - block.lost_before - block.lost_within < end <= block.first_sample
        ]
        return max(told, default=end)

    def _write_on(self) -> None:
        while not self._done.is_set():
            with self._changed:
                self._changed.wait_for(lambda: self._can_go_on() or self._is_settled())
            block = self._next_block()
            if block is not None:
                self._write(block)
            elif self._is_settled():
                self._close()

    def _write(self, block: IqBlock) -> None:
        try:
            self._append(block)
        except Exception as problem:  # a full disk, or no memory: nobody may wait for what cannot be written
            self._refused(problem)
            self._close()

    def _append(self, block: IqBlock) -> None:
        parts = components(block.datatype)
        low = max(self._next - block.first_sample, 0)
        high = block.count if self._stop is None else min(self._stop - block.first_sample, block.count)
        if high <= low:
            return
        lost = max(block.first_sample - self._next, 0) if self._begun else 0
        raw = block.raw[low * parts : high * parts]
        self._writer.append(
            raw,
            lost_before=lost,
            lost_within=block.lost_within,
            frequency_hz=block.frequency_hz if self._begun else None,
            start_utc=block.start_utc if self._begun else None,
        )
        self._begun = True
        self._next = block.first_sample + high
        self.clipped += clipped_count(raw, block.datatype)
        if time.monotonic() - self._renewed > _RENEW_S:
            self._writer.renew()
            self._renewed = time.monotonic()

    def _refused(self, problem: Exception) -> None:
        if not isinstance(problem, OSError):
            problem = OSError(errno.EIO, str(problem) or type(problem).__name__)
        self.problem = self.problem or problem
        self._ended = f"the disk refused: {self.problem.strerror}"

    def finish(self, ended: str = "complete") -> Path:
        """End the recording with what there is, and wait until it is written; returns the path of its description.

        One that is still catching up ends when it has.
        """
        with self._changed:
            self._ended = self._ended or ended
            self._changed.notify_all()
        if self._thread is not None:
            self._wait()
        return self._writer.meta

    def _wait(self) -> None:
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()

    def _close(self) -> None:
        if self._done.is_set():
            return
        whole = self.problem is None and self.end is not None and self._next >= self.end
        try:
            self._writer.close("complete" if whole else self._ended or "complete")
        except Exception as problem:  # no room even for the description: the last one stands, and shows no clean end
            self._refused(problem)
            self._writer.abandon()
        with self._changed:
            self._waiting.clear()
            self._done.set()
            self._changed.notify_all()

    @property
    def clipped_fraction(self) -> float:
        """Share of the samples written that were at an end code."""
        return self.clipped / self._writer.sample_count if self._writer.sample_count else 0.0

    @property
    def finished(self) -> bool:
        return self._done.is_set()

    @property
    def path(self) -> Path:
        return self._writer.meta


def needed_bytes(facts: SourceFacts, seconds: float) -> int:
    """What a rolling memory of a source grows to."""
    samples = round(seconds * facts.sample_rate_hz)
    if facts.sample_count is not None:
        samples = min(samples, facts.sample_count)
    return samples * bytes_per_sample(facts.datatype)


def require_memory(facts: SourceFacts, seconds: float) -> None:
    """Refuse a rolling memory that this computer has no room for, where it says how much is free (Linux does)."""
    needed, free = needed_bytes(facts, seconds), _free_bytes()
    if free is not None and needed > free - _SPARE_BYTES:
        fitting = max(free - _SPARE_BYTES, 0) / needed * seconds
        raise SourceError(
            f"{seconds:g} s of rolling memory at {facts.sample_rate_hz / 1e6:g} MS/s take {needed / 1e6:.0f} MB, and "
            f"{free / 1e6:.0f} MB are free; end other programs, or take less than --memory {fitting:.0f} or a lower "
            "--rate"
        )


def _free_bytes() -> int | None:
    try:
        lines = Path("/proc/meminfo").read_text().splitlines()
    except OSError:
        return None
    told = next((line.split() for line in lines if line.startswith("MemAvailable:")), None)
    return int(told[1]) * 1024 if told else None


@dataclass(frozen=True, slots=True)
class _Tuned:
    """The centre at one place in the stream, and the latest instant that was stated before it."""

    centre_hz: float
    dated: int
    utc: str | None

    def after(self, block: IqBlock) -> _Tuned:
        """The same behind a block."""
        centre_hz = block.frequency_hz or self.centre_hz
        if block.start_utc is not None:
            return _Tuned(centre_hz, block.first_sample, block.start_utc)
        return replace(self, centre_hz=centre_hz) if centre_hz != self.centre_hz else self

    def utc_of(self, sample: int, rate_hz: float, correction_ppm: float | None) -> str | None:
        return None if self.utc is None else utc_after(self.utc, sample - self.dated, rate_hz, correction_ppm)


class RollingMemory:
    """Passes a source through and remembers its last seconds. It is a source itself, so the engine runs on it.

    `keep` and `keep_from` may be called from any thread while the blocks flow.
    """

    def __init__(self, source: IqSource, seconds: float = 120.0, judging: Judging | None = None) -> None:
        """Hold the last `seconds`; the reference that `judging` knows is written beside what is kept."""
        if seconds <= 0:
            raise ValueError(f"a rolling memory holds more than 0 s, got {seconds}")
        self._source = source
        self._judging = judging
        self._correction_ppm = self._reception(source.facts.start_utc).reference_ppm
        self.seconds = seconds
        self._held: deque[IqBlock] = deque()
        self._keepings: list[Keeping] = []
        self._lock = threading.Lock()
        self._tuned = _Tuned(source.facts.centre_hz, 0, source.facts.start_utc)
        self.over = False
        """Whether the source has ended: nothing more comes."""

    @property
    def facts(self) -> SourceFacts:
        return self._source.facts

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the source's blocks, remembering each before it is handed on."""
        reach = self.seconds * self.facts.sample_rate_hz
        try:
            for block in self._source.blocks():
                with self._lock:
                    self._held.append(block)
                    while self._held[0].first_sample + self._held[0].count < block.first_sample + block.count - reach:
                        self._tuned = self._tuned.after(self._held.popleft())
                    self._keepings = [keeping for keeping in self._keepings if not keeping.finished]
                    keepings = self._keepings.copy()
                for keeping in keepings:
                    keeping.take(block)
                yield block
        finally:
            with self._lock:
                self.over = True
                keepings, self._keepings = self._keepings, []
            for keeping in keepings:
                keeping.finish("the source ended")

    def close(self) -> None:
        self._source.close()

    def _reception(self, utc: str | None) -> ReceptionFacts:
        """What is written beside samples from an instant on: what the source knows, and the reference at that time."""
        reception = self.facts.reception()
        if self._judging is None or self._judging.reference is None:
            return reception
        reference = self._judging.reference_at(utc)
        return msgspec.structs.replace(
            reception,
            reference_ppm=reference.correction_ppm,
            reference_uncertainty_ppm=reference.uncertainty_ppm,
            reference_source=reference.source,
        )

    @property
    def span_s(self) -> tuple[float, float]:
        """From when to when the memory reaches now, in seconds from the start of the source."""
        with self._lock:
            if not self._held:
                return 0.0, 0.0
            first, last = self._held[0], self._held[-1]
        rate = self.facts.sample_rate_hz
        return first.first_sample / rate, (last.first_sample + last.count) / rate

    def utc_at(self, time_s: float) -> str | None:
        """The instant of a time from the start of the source, as recordings and findings have it."""
        sample = round(time_s * self.facts.sample_rate_hz)
        with self._lock:
            return self._tuned_at(sample).utc_of(sample, self.facts.sample_rate_hz, self._correction_ppm)

    def _tuned_at(self, sample: int) -> _Tuned:
        tuned = self._tuned
        for block in itertools.takewhile(lambda block: block.first_sample <= sample, self._held):
            tuned = tuned.after(block)
        return tuned

    def keep(
        self,
        base: str | Path,
        from_s: float | None = None,
        to_s: float | None = None,
        *,
        description: str = "",
        tell: Callable[[float], None] = lambda part: None,
    ) -> Path:
        """Write what is remembered between two times as a recording; returns the path of its description.

        `tell` gets the part done, and may raise to stop. Raises SourceError where nothing of that span is remembered
        any more, RecordingError where it cannot be written.
        """
        keeping = self.keep_from(base, from_s, to_s, description=description, only_remembered=True, tell=tell)
        path = keeping.finish()
        if keeping.problem is not None:
            raise SourceError(f"{path} could not be written whole ({keeping.problem.strerror}); free some space")
        return path

    def keep_from(
        self,
        base: str | Path,
        from_s: float | None = None,
        to_s: float | None = None,
        *,
        description: str = "",
        only_remembered: bool = False,
        tell: Callable[[float], None] = lambda part: None,
    ) -> Keeping:
        """Begin a recording with what is remembered since `from_s` and go on with what comes, until `to_s`.

        With `to_s` None it goes on until its `end` is set or the source ends. Returns when what was remembered is
        written; the stream flows meanwhile.
        """
        keeping = self.begin(base, from_s, to_s, description=description, only_remembered=only_remembered)
        keeping.catch_up(tell)
        return keeping

    def begin(
        self,
        base: str | Path,
        from_s: float | None = None,
        to_s: float | None = None,
        *,
        description: str = "",
        only_remembered: bool = False,
    ) -> Keeping:
        """Begin a recording as `keep_from` does, and leave it to `Keeping.catch_up` or `start` to write it."""
        rate = self.facts.sample_rate_hz
        first = 0 if from_s is None else max(round(from_s * rate), 0)
        end = None if to_s is None else round(to_s * rate)
        with self._lock:
            wanted = [block for block in self._held if block.first_sample + block.count > first]
            if not wanted or (end is not None and wanted[0].first_sample >= end):
                raise SourceError(
                    "nothing of that time is in the rolling memory any more; keep it sooner, or make the memory longer"
                )
            begins = max(first, wanted[0].first_sample)
            tuned = self._tuned_at(begins)
        start_utc = tuned.utc_of(begins, rate, self._correction_ppm)
        writer = sigmf.Writer(
            base,
            self.facts.datatype,
            rate,
            tuned.centre_hz,
            start_utc=start_utc,
            facts=self._reception(start_utc),
            description=description,
        )
        with self._lock:
            wanted += [block for block in self._held if block.first_sample > wanted[-1].first_sample]
            keeping = Keeping(writer, begins, rate, end, wanted, self.facts.told_late_s)
            if not only_remembered and not self.over:
                self._keepings.append(keeping)
            elif not only_remembered:
                keeping.finish("the source ended")
        return keeping
