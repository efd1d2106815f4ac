"""Some consecutive blocks of the span, with what is known of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.channeliser import Batch
from sdrcheck.filters.spectrum import Density

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]
Spans = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """Some consecutive blocks, and what is known of each: one row a block."""

    batch: Batch
    cells: Density
    gains: Array
    noise: Array
    under: Array
    """Density of all that is not to be taken for a signal."""
    lost: Spans
    whole: int
    """So many of the blocks are full of samples."""
    claimed: Marks
    """Cells of the slots that are followed."""


def joined(steps: list[Step]) -> Step:
    """Consecutive steps as one."""
    if len(steps) == 1:
        return steps[0]
    first, last = steps[0].batch, steps[-1].batch
    return Step(
        Batch(first.first_block, np.concatenate([step.batch.spectra for step in steps]), last.end_sample),
        np.concatenate([step.cells for step in steps]),
        np.concatenate([step.gains for step in steps]),
        np.concatenate([step.noise for step in steps]),
        np.concatenate([step.under for step in steps]),
        tuple(dict.fromkeys(span for step in steps for span in step.lost)),
        sum(step.whole for step in steps),
        np.logical_or.reduce([step.claimed for step in steps]),
    )
