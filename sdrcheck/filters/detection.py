"""Finds new signals in some blocks: where power stands out of the noise, and is not only part of a stronger signal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.skirts import Skirts
from sdrcheck.filters.span import BESIDE_HZ, Span
from sdrcheck.filters.spectrum import Density, PowerSpectra
from sdrcheck.filters.steps import Step
from sdrcheck.filters.track import Slot
from sdrcheck.filters.windows import at_every_cell, boxed, running_total, window_totals

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]

_BORDER = 4.0
"""Between two neighbouring channels power falls at least so far below either."""
_OFF_CENTRE = 0.4
"""Part of half the spacing from its channel's centre within which a signal is that channel's."""
_MOST_SLOTS = 32
"""So many places are followed at once."""


class Detector:
    """Looks for signals that have no slot yet."""

    def __init__(self, span: Span, spectra: PowerSpectra, skirts: Skirts) -> None:
        self._span = span
        self._band = span.band
        self._spectra = spectra
        self._skirts = skirts
        self._centres = spectra.cell_centres_hz()
        self._looked_at = span.away_from_edges(self._centres)

    def hot(self, cells: Density, under: Array, gains: Array) -> Marks:
        """Where power stands above the noise: shape (blocks, cells)."""
        band, count = self._band, cells.shape[1]
        hot: Marks = np.zeros(cells.shape, np.bool_)
        held = gains > 0
        blocks = slice(None) if np.all(held) else held
        power, noise = running_total(cells), running_total(under)
        for width_hz, ratio in ((band.narrow_hz, band.narrow_ratio), (band.wide_hz, band.wide_ratio)):
            width = min(self._spectra.cells_in(width_hz), count)
            found = window_totals(power, width) / window_totals(noise, width)
            raised = found > ratio
            if np.count_nonzero(held) >= 3:
                raised |= found[blocks].mean(axis=0) > band.mean_ratio
            hot |= at_every_cell(raised, count)
        hot[~held] = False
        return hot

    def found(self, step: Step, hot: Marks, followed: Sequence[Slot]) -> Iterator[Slot]:
        """New signals in a step, the strongest first, each with a slot of its own; their cells become claimed."""
        cells, under, gains, claimed = step.cells, step.under, step.gains, step.claimed
        if np.any(claimed):
            hot = hot & self._hot_beside(claimed, cells, under, gains)
        left = hot.any(axis=0) & ~claimed & self._looked_at
        if not np.any(left):
            return
        band, cell_hz = self._band, self._spectra.cell_hz
        rows = (hot & ~claimed).any(axis=1)
        noise = under[rows].mean(axis=0)
        excess = np.maximum(cells[rows].mean(axis=0) - noise, 0.0)
        fine = boxed(excess, self._spectra.cells_in(band.narrow_hz))
        coarse = boxed(excess, self._spectra.cells_in(band.wide_hz))
        strong = [(self._spectra.cell_of(slot.offset_hz), slot) for slot in followed]
        reach = self._spectra.cells_in(band.wide_hz / 2)
        while len(strong) < _MOST_SLOTS and np.any(left):
            near = int(np.argmax(np.where(left, coarse, -1.0)))
            low, high = max(0, near - reach), min(left.size, near + reach + 1)
            peak = low + int(np.argmax(np.where(left[low:high], fine[low:high], -1.0)))
            low, high = self._extent(fine, noise, claimed, peak)
            low, high = self._parted(excess, low, high, peak)
            left[low : high + 1] = False
            left[near] = False
            weight = excess[low : high + 1]
            if weight.sum() <= 0:
                continue
            centre = float(np.average(self._centres[low : high + 1], weights=weight))
            beside = [other for other in strong if not self._is_neighbour(excess, other[1], centre)]
            if self._skirts.is_slope(fine + noise, peak, centre, beside):
                continue
            if self._skirts.is_splatter(fine + noise, low, high, strong):
                continue
            half = cell_hz / 2
            slot = self._span.slot(float(self._centres[low]) - half, float(self._centres[high]) + half, centre)
            if slot is None or any(slot.channel is other.channel is not None for _, other in strong):
                continue
            strong.append((peak, slot))
            claim = self._spectra.cells_between(slot.claim_low_hz, slot.claim_high_hz)
            claimed[claim] = True
            left &= ~claimed & self._hot_beside(claimed, cells, under, gains).any(axis=0)
            yield slot

    def _hot_beside(self, claimed: Marks, cells: Density, under: Array, gains: Array) -> Marks:
        """Where power stands above the noise without that of signals which have a slot: the wide window reaches far."""
        return self.hot(np.where(claimed, under, cells), under, gains)

    def _parted(self, excess: Array, low: int, high: int, peak: int) -> tuple[int, int]:
        """Of cells that reach over several neighbouring F1B channels, each keyed by itself, those of the peak's."""
        for below_hz, above_hz in self._span.neighbours(float(self._centres[low]), float(self._centres[high])):
            border = self._spectra.cell_of((below_hz + above_hz) / 2)
            if not self._is_border(excess, below_hz, above_hz, border):
                continue
            if peak < border:
                high = min(high, border - 1)
            else:
                low = max(low, border)
        return low, high

    def _is_neighbour(self, excess: Array, other: Slot, centre_hz: float) -> bool:
        """Whether a signal has the channel beside another's to itself."""
        low_hz, high_hz = sorted((other.offset_hz, centre_hz))
        return high_hz - low_hz <= BESIDE_HZ and any(
            self._is_border(excess, *pair, self._spectra.cell_of(sum(pair) / 2))
            for pair in self._span.neighbours(low_hz, high_hz)
        )

    def _is_border(self, excess: Array, below_hz: float, above_hz: float, border: int) -> bool:
        """Whether there is a valley between two channels, and what lies on either side is centred on its channel.

        Two lines in the middle between two channels have a valley there, too, but are centred on neither.
        """
        half_hz = (above_hz - below_hz) / 2
        peaks = []
        for centre_hz in (below_hz, above_hz):
            place = self._spectra.cells_between(centre_hz - half_hz, centre_hz + half_hz)
            if excess[place].sum() <= 0:
                return False
            found_hz = float(np.average(self._centres[place], weights=excess[place]))
            if abs(found_hz - centre_hz) > _OFF_CENTRE * half_hz:
                return False
            peaks.append(float(excess[place].max()))
        return bool(excess[border - 1 : border + 2].mean() * _BORDER < min(peaks))

    def _extent(self, fine: Array, noise: Array, claimed: Marks, peak: int) -> tuple[int, int]:
        """The cells that belong to the signal around a peak: down to a hundredth of it, small gaps bridged."""
        bridge = self._spectra.cells_in(self._band.bridge_hz)
        over = (fine > np.maximum(fine[peak] / 100, 0.7 * noise)) & ~claimed
        ends = []
        for step in (-1, 1):
            end = at = peak
            while 0 <= at < over.size and abs(at - end) <= bridge:
                if over[at]:
                    end = at
                at += step
            ends.append(end)
        return ends[0], ends[1]
