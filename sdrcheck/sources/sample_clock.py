"""Samples counted against the host's clock: a chip that drops some says nothing, but they are missing in the count."""

from __future__ import annotations

import math
from dataclasses import dataclass

CLOCK_ERROR = 200e-6
"""How far a plain dongle's rate and a computer's clock may stand apart: 100 ppm each (common practice)."""


@dataclass(frozen=True, slots=True)
class Missing:
    """Samples that never came: how many, and among how many of the last ones that did.

    Less than 0 where so many that were told as missing came after all.
    """

    count: int
    within: int


class SampleClock:
    """Tells lost samples from late ones.

    Samples arrive late and in bunches, but never early, so what counts is the smallest backlog in each window: it
    stands still, or creeps as the two clocks do. Where it rises further than that, samples are missing, once it falls
    no more: what falls is a delay that is being made up for. Where it falls below what it was, those were late.
    """

    def __init__(self, sample_rate_hz: float, *, window_s: float = 1.0, jitter_s: float = 0.02) -> None:
        self._rate = sample_rate_hz
        self._window = window_s
        self._jitter = jitter_s * sample_rate_hz
        self._count = 0
        self._start: float | None = None
        self._window_start = 0.0
        self._least = [math.inf, math.inf]  # in either half of the window
        self._backlog = 0.0
        self._base: float | None = None
        self._last_good = 0
        self._told = 0

    @property
    def told_late_s(self) -> float:
        """How long after a loss it is told at the latest: it shows in the next whole window, with room for bunches.

        Where a delay came with it, it is told when no more of that is made up for.
        """
        return 2.5 * self._window

    @property
    def prompt(self) -> bool:
        """Whether the last samples came as soon as any did, so that none can be missing before them."""
        return self._last_good == self._count

    @property
    def behind(self) -> float:
        """By how many samples the last ones came later than the promptest."""
        return max(self._backlog - self._promptest, 0.0)

    def arrived(self, count: int, at: float) -> Missing | None:
        """Note `count` samples that were there at `at` (monotonic seconds); tell what is missing before them."""
        before = self._count
        self._count += count
        if self._start is None:
            self._start = self._window_start = at - count / self._rate
        self._backlog = (at - self._start) * self._rate - self._count
        half = at - self._window_start >= self._window / 2
        self._least[half] = min(self._least[half], self._backlog)
        if self._backlog <= self._promptest + self._creep(at) + self._jitter:
            self._last_good = self._count
        if at - self._window_start < self._window:
            return None
        falls = self._least[True] < self._least[False] - self._jitter
        least, self._least = min(self._least), [math.inf, math.inf]
        allowed = least if self._base is None else self._base + self._creep(at)
        self._window_start = at
        missing = round(least - allowed)
        if (missing < 0 and not self._told) or abs(least - allowed) <= self._jitter:
            self._base = min(least, allowed)
            return None
        if falls:
            self._base = allowed
            return None
        self._base, last_good = least, self._last_good
        self._last_good = self._count
        missing = max(missing, -self._told)
        self._told += missing
        return Missing(missing, max(before - last_good, 0) if missing > 0 else 0)

    def known(self, lost: int) -> None:
        """Samples that are known to be lost otherwise; they will not be missed again."""
        self._count += lost

    @property
    def _promptest(self) -> float:
        """The least backlog there was; in the first window so far."""
        return min(self._least) if self._base is None else self._base

    def _creep(self, at: float) -> float:
        return CLOCK_ERROR * self._rate * (at - self._window_start)
