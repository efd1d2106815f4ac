"""The noise floor of a span: its shape over frequency, tracked in time, and its common gain in every block.

A gain step of the receiver, static over the whole span and stretches without any samples move all cells together; they
go into the gain of a block and never look like a signal. Steady narrow lines of the receiver itself are taken out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.spectrum import HANN_NOISE_BANDWIDTH, Density, PowerSpectra

Array = NDArray[np.float64]

_GAIN_QUANTILES = 0.25, 0.75
_GAIN_CELLS = 600
"""So many cells are enough to see the common gain."""
_BLANK = 1e-4
"""A block this far under the floor holds no samples to speak of."""
_RAISED = 1.7
"""A cell that stands so far above both of its sides holds a signal, not a ripple of the receiver's filter."""
_CALM_BLOCKS = 4
_LINE = 6.0
_LINE_BLOCKS = 6
_WIDEST_LINE_BINS = 7


@dataclass(frozen=True, slots=True)
class Line:
    """A narrow line that stood in the span from the start: the receiver's own, as far as one can tell."""

    offset_hz: float
    power: float
    low_bin: int
    high_bin: int


class NoiseFloor:
    """Knows how much noise each cell holds in each block."""

    def __init__(
        self,
        spectra: PowerSpectra,
        *,
        side_hz: float,
        memory_s: float,
        common_gain: bool,
        least_power: float,
        heard_hz: tuple[float, float],
    ) -> None:
        """`side_hz` is how far to either side a cell is compared; without `common_gain` all blocks count as equal.

        The gain is seen in what lies between the two frequencies `heard_hz`. A block with less than `least_power` in
        the whole span holds little but the steps of its converter.
        """
        self._spectra = spectra
        self._side = max(4, round(side_hz / spectra.cell_hz))
        self._memory_s = memory_s
        self._common_gain = common_gain
        self._least_density = least_power / (spectra.cell_count * spectra.cell_hz)
        self._heard = spectra.cells_between(*heard_hz)
        self._gain_reference = np.ones(len(_GAIN_QUANTILES))
        self.level: Array = np.zeros(spectra.cell_count)
        """Noise density in every cell at gain 1."""
        self.gain = 1.0
        """Common gain of the last block."""
        self.lines: list[Line] = []
        self.noise_over_least = math.inf
        """Noise in the whole span over `least_power`: where it is near 1 or less it hides no steps of the converter."""

    def prime(self, densities: Density) -> None:
        """Learn the floor from the first blocks, signals among them or not; shape (blocks, bins)."""
        cells = self._spectra.cells(densities).astype(float)
        power = cells.mean(axis=1)
        held = power > self._least_density
        if np.count_nonzero(~held) > 0.2 * held.size:
            self.noise_over_least = 0.0
        if np.any(held):
            held &= power > _BLANK * np.median(power[held])
        if not np.any(held):
            return
        cells, densities = cells[held], densities[held]
        typical = np.median(cells, axis=0)
        gains = self._relative(cells, typical)[0] if self._common_gain else np.ones(len(cells))
        even = cells / gains[:, None]
        calm = gains <= 2 * np.quantile(gains, 0.1)
        if np.count_nonzero(calm) >= _CALM_BLOCKS:
            even = even[calm]  # overload, clicks and static raise everything, and not evenly
        low = np.quantile(even, 0.25, axis=0)
        if len(even) >= 4:
            low /= _quarter_of_mean(
                self._spectra.bins_per_cell / 1.9
            )  # Hann bins beside each other are not independent
        sides = _sides(low, self._side)
        ripple = np.median(low / np.maximum(sides, 1e-30))
        sides *= min(max(ripple, 1.0), 1.3)
        self.level = np.where(low > _RAISED * sides, sides, low)
        if self._least_density > 0:
            self.noise_over_least = min(self.noise_over_least, float(self.level.mean()) / self._least_density)
        if self._common_gain:
            self._gain_reference = np.median(self._relative(even, self.level), axis=1)
        if len(cells) >= _LINE_BLOCKS:
            self.lines = self._steady_lines((densities / gains[:, None]).astype(np.float32))

    def gains(self, cells: Density) -> Array:
        """The common gain of each block against the primed floor; 0 where a block is blank.

        Three quarters of the cells have to rise or fall before it does: a signal that comes is no gain, and one that
        was there when the floor was learnt, and goes, is no loss.
        """
        few, most = self._relative(cells, self.level) / self._gain_reference[:, None]
        ratio = np.where(few > 1, np.maximum(np.minimum(few, most), 1.0), np.minimum(np.maximum(few, most), 1.0))
        ratio[~(few > _BLANK) | (cells.mean(axis=1) <= self._least_density)] = 0.0
        return ratio if self._common_gain else np.where(ratio > 0, 1.0, 0.0)

    def under(self, cells: Density, gains: Array, width_hz: float, dynamic_range: float) -> Array:
        """Noise density in every cell of every block, limited by what the strongest signal leaves visible.

        Its power is taken over `width_hz`; nothing fainter than `dynamic_range` times that is a signal of its own.
        """
        width = max(1, round(width_hz / self._spectra.cell_hz))
        count = cells.shape[1] // width
        wide = cells[:, : count * width].reshape(cells.shape[0], count, width).mean(axis=2)
        strongest = wide.max(axis=1, initial=0.0) * dynamic_range
        return np.maximum(self.level * gains[:, None], np.maximum(strongest, 1e-30)[:, None])

    def learn(self, cells: Density, gains: Array, quiet: NDArray[np.bool_], duration_s: float) -> None:
        """Follow the noise in the cells that held no signal through these blocks."""
        held = gains > 0
        if not np.any(held):
            return
        found = (cells[held] / gains[held, None]).mean(axis=0)
        share = min(1.0, duration_s / self._memory_s)
        known = self.level[quiet]
        self.level[quiet] = known + share * (np.minimum(found[quiet], 2 * known) - known)

    def density_at(self, low_cell: int, high_cell: int) -> float:
        """Mean noise density from one cell to another, the last one included, at gain 1."""
        return float(self.level[low_cell : high_cell + 1].mean())

    def silence(self, densities: Density, lines: list[Line]) -> None:
        """Put noise in the place of known lines (in `densities`), unless something much stronger stands there now."""
        for line in lines:
            place = slice(line.low_bin, line.high_bin + 1)
            cell = min(line.low_bin // self._spectra.bins_per_cell, self._spectra.cell_count - 1)
            peak = line.power / (HANN_NOISE_BANDWIDTH * self._spectra.bin_hz)
            own = densities[:, place].max(axis=1) < 8 * peak
            densities[own, place] = np.float32(self.level[cell])

    def _steady_lines(self, densities: Density) -> list[Line]:
        """Narrow places that stand above the floor in every one of the blocks."""
        noise = np.repeat(self.level, self._spectra.bins_per_cell)[: densities.shape[1]]
        always = np.flatnonzero(densities.min(axis=0) > _LINE * noise)
        lines = []
        for group in np.split(always, np.flatnonzero(np.diff(always) > 2) + 1):
            if group.size == 0 or group.size > _WIDEST_LINE_BINS:
                continue
            low, high = max(int(group[0]) - 1, 0), min(int(group[-1]) + 1, densities.shape[1] - 1)
            mean = densities[:, low : high + 1].mean(axis=0)
            excess = np.maximum(mean - noise[low : high + 1], 0.0)
            middle = float(np.average(np.arange(low, high + 1), weights=excess))
            lines.append(
                Line(
                    offset_hz=(self._spectra.first_bin + middle) * self._spectra.bin_hz,
                    power=float(excess.sum()) * self._spectra.bin_hz,
                    low_bin=low,
                    high_bin=high,
                )
            )
        return lines

    def _relative(self, cells: Density | Array, level: Array) -> Array:
        """Quantiles of each block's ratios to the floor, one row a quantile; the low one is noise, whatever is sent."""
        cells, level = cells[:, self._heard], level[self._heard]
        step = max(1, level.size // _GAIN_CELLS)
        cells, level = cells[:, ::step], level[::step]
        known = level > 0
        if not np.any(known):
            held = np.where(np.asarray(cells).sum(axis=1) > 0, 1.0, 0.0)
            return np.stack([held] * len(_GAIN_QUANTILES))
        ratio = cells[:, known] / level[known]
        places = [int(quantile * (ratio.shape[1] - 1)) for quantile in _GAIN_QUANTILES]
        found: Array = np.partition(ratio, places, axis=1)[:, places].T.astype(float)
        return found


def _quarter_of_mean(independent: float) -> float:
    """The lower quartile of the mean of so many independent noise powers, as part of their mean (Wilson–Hilferty)."""
    spread = 1 / (9 * independent)
    return float((1 - spread - 0.6745 * np.sqrt(spread)) ** 3)


def _sides(level: Array, width: int) -> Array:
    """For each cell the greater of what its left and its right side usually hold."""
    padded = np.concatenate([np.full(width, np.nan), level, np.full(width, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    place = int(0.4 * (width - 1))
    usual = np.partition(np.nan_to_num(windows, nan=np.inf), place, axis=1)[:, place]
    complete = ~np.isnan(windows).any(axis=1)
    # a side that reaches over the edge of the span does not count, unless both do
    usual = np.where(complete, usual, 0.0)
    left, right = usual[: level.size], usual[width + 1 : width + 1 + level.size]
    both = np.maximum(left, right)
    return np.where(both > 0, both, np.partition(level, int(0.4 * (level.size - 1)))[int(0.4 * (level.size - 1))])
