"""Running means over neighbouring cells of a spectrum, and marks on cells made wider."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]


def running_total(values: NDArray[np.floating]) -> Array:
    total = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    return total


def windows(total: Array, width: int) -> Array:
    """Means over `width` cells around every cell, out of running totals; at the ends the outermost whole window."""
    count = total.shape[1] - 1
    width = min(width, count)
    means = (total[:, width:] - total[:, :-width]) / width
    boxed = np.empty((total.shape[0], count))
    before = width // 2
    boxed[:, before : before + means.shape[1]] = means
    boxed[:, :before] = means[:, :1]
    boxed[:, before + means.shape[1] :] = means[:, -1:]
    return boxed


def boxed(values: NDArray[np.floating], width: int) -> Array:
    """Running mean over `width` cells of every row."""
    return windows(running_total(values), width)


def widened(marks: Marks, cells: int) -> Marks:
    """Marks with `cells` more on either side."""
    wide = marks.copy()
    for step in range(1, cells + 1):
        wide[step:] |= marks[:-step]
        wide[:-step] |= marks[step:]
    return wide
