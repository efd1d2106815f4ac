"""A source in, a recording out, while it runs: whatever happens, what was heard up to the last second can be read."""

from __future__ import annotations

import errno
import math
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from sdrcheck.errors import RecordingError, SdrcheckError
from sdrcheck.recordings.datatypes import bytes_per_sample, components
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

    Each second the samples are brought to disk and the description is renewed as a whole. A source may tell of a loss
    only some time after it: so long enough is not yet the end, and where that comes out the recording goes on to the
    samples that tell of it.
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
        self._told_late = round(heard.told_late_s * heard.sample_rate_hz)
        self._beyond: list[IqBlock] = []
        self._enough = ""
        self._stopped: str | None = None
        self._began = (time.time(), time.monotonic())
        self._clock_step_s = 0.0

    def run(self) -> Captured:
        """Record, and end the recording cleanly. Raises what stopped the source, or RecordingError, after saving it."""
        try:
            return self._finish(self._record())
        except SdrcheckError as lost:
            if self._enough:
                return self._finish(self._enough)
            captured = self._finish(f"the source was lost: {lost}")
            raise type(lost)(f"{lost}; what came before is kept in {captured.meta}") from None
        except OSError as refused:
            ended = "the disk is full" if refused.errno in _NO_ROOM else f"the disk refused: {refused.strerror}"
            captured = self._finish(ended)
            raise RecordingError(f"{ended}; what came before is kept in {captured.meta}, make room") from None
        except BaseException:
            self._finish("an error ended it")
            raise

    def stop(self, why: str = "stopped by the user") -> None:
        """End the recording cleanly at the next block; may be called from a signal handler or another thread."""
        self._stopped = self._stopped or why

    def _record(self) -> str:
        renewed = time.monotonic()
        for block in self._source.blocks():
            if self._stopped:
                break
            if self._append(block):
                return self._enough
            now = time.monotonic()
            if now - renewed >= _RENEW_S:
                renewed = now
                self._watch_clock()
                self._writer.renew()
                free = shutil.disk_usage(self._folder).free
                self._progress(self._so_far(free))
                if free < self._reserve:
                    return f"the disk is nearly full ({free / 1e6:.0f} MB left)"
        return self._enough or self._stopped or "the source came to its end"

    def _append(self, block: IqBlock) -> bool:
        """Write a block, or what is still wanted of it; True where nothing can be told any more that belongs to it."""
        end = block.first_sample + block.count
        if end <= self._limit:
            self._write(block)
        elif block.first_sample < self._limit:
            wanted = int(self._limit - block.first_sample)
            cut = wanted * components(block.datatype)
            self._write(replace(block, raw=block.raw[:cut]))
            self._beyond.append(IqBlock(block.raw[cut:], block.first_sample + wanted, block.datatype))
        elif block.first_sample - block.lost_before - block.lost_within < self._limit:
            for later in (*self._beyond, block):
                self._write(later)
            self._enough = "complete, and on to where it came out that samples are missing at its end"
            return True
        else:
            self._beyond.append(block)
        if end >= self._limit:
            self._enough = "complete"
        return end >= self._limit and (block.prompt or end >= self._limit + self._told_late)

    def _write(self, block: IqBlock) -> None:
        self._writer.append(
            block.raw,
            lost_before=block.lost_before,
            lost_within=block.lost_within,
            frequency_hz=block.frequency_hz,
            start_utc=block.start_utc,
        )

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
