"""Running means over neighbouring cells of a spectrum, and marks on cells made wider."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]


def running_total(values: NDArray[np.floating]) -> Array:
    total = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    return total


def window_totals(total: Array, width: int) -> Array:
    """Totals over every whole window of `width` cells, out of running totals."""
    return total[:, width:] - total[:, :-width]


def at_every_cell(windows: NDArray[Any], count: int) -> NDArray[Any]:
    """What was found for each whole window at the cell in its middle; at the ends that of the outermost window."""
    before = (count - windows.shape[-1] + 1) // 2
    wide = np.empty((*windows.shape[:-1], count), windows.dtype)
    wide[..., :before] = windows[..., :1]
    wide[..., before : before + windows.shape[-1]] = windows
    wide[..., before + windows.shape[-1] :] = windows[..., -1:]
    return wide


def boxed(values: Array, width: int) -> Array:
    """Running mean over `width` cells."""
    width = min(width, values.size)
    total = running_total(values[None, :])
    return at_every_cell(window_totals(total, width)[0] / width, values.size)


def widened(marks: Marks, cells: int) -> Marks:
    """Marks with `cells` more on either side."""
    wide = marks.copy()
    for step in range(1, cells + 1):
        wide[step:] |= marks[:-step]
        wide[:-step] |= marks[step:]
    return wide
