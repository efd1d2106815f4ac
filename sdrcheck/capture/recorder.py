"""A source in, a recording out, while it runs: whatever happens, what was heard up to the last second can be read."""

from __future__ import annotations

import errno
import math
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from sdrcheck.errors import RecordingError, SourceLost
from sdrcheck.recordings.datatypes import bytes_per_sample
from sdrcheck.recordings.facts import ReceptionFacts
from sdrcheck.recordings.sigmf import Writer, base_of
from sdrcheck.recordings.utc import utc_moment
from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts

SPARE_BYTES = 32 << 20
"""What is left free on the disk, for the description and for everybody else."""

_RENEW_S = 1.0
_CLOCK_STEP_S = 0.5
"""The computer's UTC moving by more than this against its monotonic clock was set, not merely steered."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a capture has come."""

    seconds: float
    bytes: int
    lost_samples: int
    free_bytes: int


@dataclass(frozen=True, slots=True)
class Captured:
    """A recording that has been made, and how it ended."""

    meta: Path
    seconds: float
    lost_samples: int
    ended: str


class Recorder:
    """Records one source to SigMF until told to stop, until enough is there, or until it cannot go on.

    Each second the samples are brought to disk and the description is renewed as a whole.
    """

    def __init__(
        self,
        source: IqSource,
        base: str | Path,
        *,
        seconds: float | None = None,
        until: datetime | None = None,
        facts: ReceptionFacts | None = None,
        description: str = "",
        progress: Callable[[Progress], None] = lambda progress: None,
    ) -> None:
        """Create the files; `facts` are the source's own where not given, see `SourceFacts.reception`.

        Raises RecordingError where the files exist already or the disk has no room for `seconds`.
        """
        self._source, self._progress = source, progress
        heard = source.facts
        self._limit = _sample_limit(heard, seconds, until)
        self._size = bytes_per_sample(heard.datatype)
        self._folder = base_of(base).parent
        self._reserve = SPARE_BYTES + round(3 * _RENEW_S * heard.sample_rate_hz * self._size)
        self._require_room(seconds)
        self._writer = Writer(
            base,
            heard.datatype,
            heard.sample_rate_hz,
            heard.centre_hz,
            start_utc=heard.start_utc,
            facts=facts or heard.reception(),
            description=description,
            hardware=heard.name,
        )
        self._stopped: str | None = None
        self._began = (time.time(), time.monotonic())
        self._clock_step_s = 0.0

    def run(self) -> Captured:
        """Record, and end the recording cleanly. Raises SourceLost or RecordingError after it has been saved."""
        problem: Exception | None = None
        try:
            ended = self._record()
        except SourceLost as lost:
            ended, problem = f"the source was lost: {lost}", lost
        except OSError as refused:
            ended = "the disk is full" if refused.errno in _NO_ROOM else f"the disk refused: {refused.strerror}"
            problem = refused
        captured = self._finish(ended)
        if isinstance(problem, SourceLost):
            raise SourceLost(f"{problem}; what came before is kept in {captured.meta}") from None
        if problem is not None:
            raise RecordingError(f"{ended}; what came before is kept in {captured.meta}, make room") from None
        return captured

    def stop(self, why: str = "stopped by the user") -> None:
        """End the recording cleanly at the next block; may be called from a signal handler or another thread."""
        self._stopped = self._stopped or why

    def _record(self) -> str:
        renewed = time.monotonic()
        for block in self._source.blocks():
            if self._stopped:
                break
            if self._append(block):
                return "complete"
            now = time.monotonic()
            if now - renewed >= _RENEW_S:
                renewed = now
                self._watch_clock()
                self._writer.renew()
                free = shutil.disk_usage(self._folder).free
                self._progress(self._so_far(free))
                if free < self._reserve:
                    return f"the disk is nearly full ({free / 1e6:.0f} MB left)"
        return self._stopped or "the source came to its end"

    def _append(self, block: IqBlock) -> bool:
        """Write a block, or what is still wanted of it; True where that is enough."""
        raw = block.raw
        if block.first_sample + block.count >= self._limit:
            raw = raw[: max(self._limit - block.first_sample, 0) * (raw.size // block.count)]
        if raw.size:
            self._writer.append(
                raw, lost_before=block.lost_before, lost_within=block.lost_within, frequency_hz=block.frequency_hz
            )
        return block.first_sample + block.count >= self._limit

    def _watch_clock(self) -> None:
        moved = (time.time() - self._began[0]) - (time.monotonic() - self._began[1]) - self._clock_step_s
        if abs(moved) > _CLOCK_STEP_S:
            self._clock_step_s += moved
            at = self._so_far(0).seconds
            remark = (
                f"The computer's clock was set by {moved:+.1f} s {at:.0f} s after the start; times count from before."
            )
            facts = self._writer.facts
            self._writer.facts = msgspec.structs.replace(
                facts, clock_step_s=self._clock_step_s, remarks=(*facts.remarks, remark)
            )

    def _so_far(self, free: int) -> Progress:
        samples = self._writer.sample_count
        lost = self._writer.lost_samples
        seconds = (samples + lost) / self._writer.sample_rate_hz
        return Progress(seconds, samples * self._size, lost, free)

    def _finish(self, ended: str) -> Captured:
        try:
            self._writer.close(ended)
        except OSError:  # no room even for the description: the one of a second ago stands, and shows no clean end
            self._writer.abandon()
        so_far = self._so_far(0)
        return Captured(self._writer.meta, so_far.seconds, so_far.lost_samples, ended)

    def _require_room(self, seconds: float | None) -> None:
        try:
            free = shutil.disk_usage(self._folder).free
        except OSError as problem:
            reason = problem.strerror
            raise RecordingError(f"{self._folder} cannot be written to ({reason}); choose another folder") from None
        rate = self._source.facts.sample_rate_hz * self._size
        needed = self._reserve + (0 if seconds is None else round(seconds * rate))
        if free < needed:
            raise RecordingError(
                f"{self._folder.resolve()} has {free / 1e6:.0f} MB free, but {needed / 1e6:.0f} MB are needed; make "
                f"room, or record for less than {max(free - self._reserve, 0) / rate:.0f} s"
            )


_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def _sample_limit(facts: SourceFacts, seconds: float | None, until: datetime | None) -> float:
    """How many samples are wanted at most; `until` is turned into a number of samples at once, so that a computer clock
    that is set meanwhile moves nothing."""
    limits = [math.inf]
    if seconds is not None:
        limits.append(round(seconds * facts.sample_rate_hz))
    if until is not None:
        start = datetime.now(UTC) if facts.start_utc is None else utc_moment(facts.start_utc)
        limits.append(max(round((until - start).total_seconds() * facts.sample_rate_hz), 0))
    return min(limits)
