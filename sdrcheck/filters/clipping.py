"""When the converter ran out of range: samples at an end code, counted in stretches of fixed length.

The stretches lie fixed in the stream, so nothing depends on the blocks in which the samples come.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_STRETCH_S = 0.05
_REMEMBERED_S = 150.0
OVERLOAD = 1e-4
"""Share of samples at an end code from which a stretch counts as overloaded (common practice: alarm above 0.01 %)."""


@dataclass(slots=True)
class _Stretch:
    first: int
    received: int = 0
    clipped: int = 0


class Clipping:
    """Knows how many of the last minutes' samples were at an end code, and when."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._length = max(1, round(sample_rate_hz * _STRETCH_S))
        self._stretches: deque[_Stretch] = deque(maxlen=round(_REMEMBERED_S / _STRETCH_S))

    def note(self, first: int, count: int, places: NDArray[np.int64]) -> list[tuple[int, int]]:
        """Take note of `count` samples from number `first` on, of which those at `places` were at an end code.

        Returns the stretches that have become overloaded by it: number of the first sample, and length.
        """
        overloaded = []
        for begin in range(first // self._length * self._length, first + count, self._length):
            if not self._stretches or self._stretches[-1].first != begin:
                self._stretches.append(_Stretch(begin))
            stretch = self._stretches[-1]
            low, high = max(begin, first) - first, min(begin + self._length, first + count) - first
            known = self._is_overloaded(stretch)
            stretch.received += high - low
            if places.size:
                stretch.clipped += int(np.searchsorted(places, high) - np.searchsorted(places, low))
                if self._is_overloaded(stretch) and not known:
                    overloaded.append((begin, self._length))
        return overloaded

    def share(self, low: float, high: float) -> float:
        """Share of the samples at an end code in the stretches that lie between two places in the stream."""
        over = [one for one in self._stretches if one.first < high and one.first + self._length > low]
        received = sum(one.received for one in over)
        return sum(one.clipped for one in over) / received if received else 0.0

    def _is_overloaded(self, stretch: _Stretch) -> bool:
        return stretch.clipped > OVERLOAD * self._length
