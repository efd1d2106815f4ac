"""When the converter ran out of range: samples at an end code, counted in stretches of fixed length.

The stretches lie fixed in the stream, so nothing depends on the blocks in which the samples come.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right

import numpy as np
from numpy.typing import NDArray

_STRETCH_S = 0.05
_REMEMBERED = round(3600 / _STRETCH_S)
"""So many stretches at least: a long text that was too weak to follow openly is told of only at its end."""
OVERLOAD = 1e-4
"""Share of samples at an end code from which a stretch counts as overloaded (common practice: alarm above 0.01 %)."""


class Clipping:
    """Knows how many of the last hour's samples were at an end code, and when."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._length = max(1, round(sample_rate_hz * _STRETCH_S))
        self._firsts, self._received, self._clipped = array("q"), array("q"), array("q")

    def note(self, first: int, count: int, places: NDArray[np.int64]) -> list[tuple[int, int]]:
        """Take note of `count` samples from number `first` on, of which those at `places` were at an end code.

        Returns the stretches that have become overloaded by it: number of the first sample, and length.
        """
        overloaded = []
        for begin in range(first // self._length * self._length, first + count, self._length):
            if not self._firsts or self._firsts[-1] != begin:
                self._begin(begin)
            low, high = max(begin, first) - first, min(begin + self._length, first + count) - first
            known = self._is_overloaded()
            self._received[-1] += high - low
            if places.size:
                self._clipped[-1] += int(np.searchsorted(places, high) - np.searchsorted(places, low))
                if self._is_overloaded() and not known:
                    overloaded.append((begin, self._length))
        return overloaded

    def share(self, low: float, high: float) -> float:
        """Share of the samples at an end code in the stretches that lie between two places in the stream."""
        over = slice(bisect_right(self._firsts, low - self._length), bisect_left(self._firsts, high))
        received = sum(self._received[over])
        return sum(self._clipped[over]) / received if received else 0.0

    def _begin(self, first: int) -> None:
        if len(self._firsts) >= 2 * _REMEMBERED:
            for known in (self._firsts, self._received, self._clipped):
                del known[:_REMEMBERED]
        self._firsts.append(first)
        self._received.append(0)
        self._clipped.append(0)

    def _is_overloaded(self) -> bool:
        return self._clipped[-1] > OVERLOAD * self._length
