"""Samples counted against the host's clock: a chip that drops some says nothing, but they are missing in the count."""

from __future__ import annotations

from dataclasses import dataclass

CLOCK_ERROR = 200e-6
"""How far a plain dongle's rate and a computer's clock may stand apart: 100 ppm each (common practice)."""


@dataclass(frozen=True, slots=True)
class Missing:
    """Samples that never came: how many, and among how many of the last ones that did."""

    count: int
    within: int


class SampleClock:
    """Tells lost samples from late ones.

    Samples arrive late and in bunches, but never early, so what counts is the smallest backlog in each window: it
    stands still, or creeps as the two clocks do. Where it rises further than that, samples are missing. A delay longer
    than the window that is made up for later is counted as a loss all the same.
    """

    def __init__(self, sample_rate_hz: float, *, window_s: float = 1.0, jitter_s: float = 0.02) -> None:
        self._rate = sample_rate_hz
        self._window = window_s
        self._jitter = jitter_s * sample_rate_hz
        self._count = 0
        self._start: float | None = None
        self._window_start = 0.0
        self._least_in_window = float("inf")
        self._base: float | None = None
        self._last_good = 0

    @property
    def told_late_s(self) -> float:
        """How long after a loss it is told at the latest: it shows in the next whole window, with room for bunches."""
        return 2.5 * self._window

    def arrived(self, count: int, at: float) -> Missing | None:
        """Note `count` samples that were there at `at` (monotonic seconds); tell what is missing before them."""
        before = self._count
        self._count += count
        if self._start is None:
            self._start = self._window_start = at - count / self._rate
        backlog = (at - self._start) * self._rate - self._count
        self._least_in_window = min(self._least_in_window, backlog)
        if self._base is None or backlog <= self._base + self._creep(at) + self._jitter:
            self._last_good = self._count
        if at - self._window_start < self._window:
            return None
        least, self._least_in_window = self._least_in_window, float("inf")
        allowed = least if self._base is None else self._base + self._creep(at)
        self._window_start = at
        if least <= allowed + self._jitter:
            self._base = min(least, allowed)
            return None
        self._base, last_good = least, self._last_good
        self._last_good = self._count
        return Missing(round(least - allowed), max(before - last_good, 0))

    def known(self, lost: int) -> None:
        """Samples that are known to be lost otherwise; they will not be missed again."""
        self._count += lost

    def _creep(self, at: float) -> float:
        return CLOCK_ERROR * self._rate * (at - self._window_start)
