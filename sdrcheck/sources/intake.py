"""Where the thread that receives samples hands them to the one that reads blocks."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from sdrcheck.errors import SourceLost
from sdrcheck.recordings.datatypes import NUMPY_TYPES, bytes_per_sample
from sdrcheck.recordings.utc import utc_now, utc_text
from sdrcheck.sources.sample_clock import SampleClock
from sdrcheck.sources.source import IqBlock

ROOM_S = 12.0
"""What may wait while a long transmission is measured on a busy computer; 58 MB of a dongle at its fastest."""


_LATE_S = 0.5
"""Samples later than this, at the end, are told: nobody will know then whether others are missing before them."""


class Intake:
    """A bounded queue of samples that counts everything: what came, what did not fit, what the clock says is missing.

    The receiving thread calls `put` and never waits; the reading one goes through `blocks`. A loss stands on the first
    block after it. Where samples told as lost were only late, the next block states its time anew: the count is ahead.
    """

    def __init__(
        self,
        datatype: str,
        sample_rate_hz: float,
        *,
        room_s: float = ROOM_S,
        clock: SampleClock | None = None,
    ) -> None:
        self.start_utc: str | None = None
        self._datatype = datatype
        self._rate = sample_rate_hz
        self._room = room_s * sample_rate_hz
        self._clock = clock or SampleClock(sample_rate_hz)
        self._changed = threading.Condition()
        self._queue: deque[IqBlock] = deque()
        self._queued = 0
        self._next_sample = 0
        self._lost = 0
        self._lost_within = 0
        self._ahead = False
        self._rest = b""
        self._last_arrival = time.monotonic()
        self._ended = False
        self._problem: Exception | None = None
        self._closed = False

    @property
    def told_late_s(self) -> float:
        """How long after a loss it may come out at the latest."""
        return self._clock.told_late_s

    def put(self, data: bytes, *, lost: int = 0, at: float | None = None) -> None:
        """Take bytes as they come, whole samples or not; `lost` samples are known to be missing before them."""
        at = time.monotonic() if at is None else at
        size = bytes_per_sample(self._datatype)
        data = self._rest + data if self._rest else data
        whole = len(data) // size * size
        self._rest = data[whole:]
        count = whole // size
        self._last_arrival = at
        self._clock.known(lost)
        self._lost += lost
        if not count:
            return
        if self.start_utc is None:
            self.start_utc = self._utc_before(count)
        missing = self._clock.arrived(count, at)
        with self._changed:
            if missing and missing.count < 0:
                self._ahead = True
            elif missing:
                self._lost += missing.count
                self._lost_within = max(self._lost_within, missing.within)
            if self._queued + count > self._room:
                self._lost += count
                return
            raw = np.frombuffer(data[:whole], NUMPY_TYPES[self._datatype])
            first = self._next_sample + self._lost
            anew = self._utc_before(count + self._clock.behind) if self._ahead else None
            self._queue.append(
                IqBlock(
                    raw,
                    first,
                    self._datatype,
                    lost_before=self._lost,
                    lost_within=self._lost_within,
                    start_utc=anew,
                    prompt=self._clock.prompt,
                )
            )
            self._queued += count
            self._next_sample = first + count
            self._lost = self._lost_within = 0
            self._ahead = False
            self._changed.notify_all()

    def _utc_before(self, samples: float) -> str:
        return utc_text(utc_now() - timedelta(seconds=samples / self._rate))

    def end(self, problem: Exception | None = None) -> None:
        """No more samples come. What is queued is still read; then `problem` is raised."""
        with self._changed:
            if not self._ended:
                self._ended, self._problem = True, problem
                late_s = self._clock.behind / self._rate
                if isinstance(problem, SourceLost) and late_s > _LATE_S:
                    told = f"the last samples came {late_s:.1f} s late, or as many are missing before them"
                    self._problem = SourceLost(f"{problem}; {told}")
            self._changed.notify_all()

    def close(self) -> None:
        """End `blocks()` at once."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def wait_for_samples(self, seconds: float, otherwise: str) -> None:
        """Wait until the first samples are there. Raises SourceLost with `otherwise` where none come in time."""
        with self._changed:
            self._changed.wait_for(lambda: self._queue or self._ended or self._closed, seconds)
            if self._problem and not self._queue:
                raise self._problem
            if not self._queue and not self._closed:
                raise SourceLost(otherwise)

    def blocks(self, silence_s: float, otherwise: str) -> Iterator[IqBlock]:
        """Yield what came, in order. Raises SourceLost with `otherwise` after `silence_s` without any samples."""
        while True:
            with self._changed:
                while not (self._queue or self._ended or self._closed):
                    quiet = time.monotonic() - self._last_arrival
                    if quiet > silence_s:
                        raise SourceLost(otherwise)
                    self._changed.wait(silence_s - quiet + 0.01)
                if self._closed:
                    return
                if not self._queue:
                    if self._problem:
                        raise self._problem
                    return
                block = self._queue.popleft()
                self._queued -= block.count
            yield block
