"""Keeping time: samples that are there already come out as slowly as they once came in."""

from __future__ import annotations

import threading
import time


class Pace:
    """Holds samples back until they are due, from the first wait on; stopping ends every wait at once."""

    def __init__(self, sample_rate_hz: float, speed: float | None) -> None:
        self._rate = None if speed is None else sample_rate_hz * speed
        self._start: float | None = None
        self._stop = threading.Event()

    def wait_for(self, sample: int) -> bool:
        """Wait until this many samples may have come; False where the source was stopped meanwhile."""
        if self._rate is None:
            return not self._stop.is_set()
        if self._start is None:
            self._start = time.monotonic()
        return not self._stop.wait(max(self._start + sample / self._rate - time.monotonic(), 0))

    def stop(self) -> None:
        self._stop.set()
