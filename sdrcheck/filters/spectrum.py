"""Power spectra out of the channeliser's blocks: fine bins, coarser cells for finding signals, frames for people.

The Hann window is applied to the transformed block (each bin minus half of its neighbours' mean), because the
overlap-save blocks themselves must stay unwindowed. Densities are in full scale squared per hertz.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.channeliser import Batch, Channeliser

Density = NDArray[np.float32]

HANN_NOISE_BANDWIDTH = 1.5
"""Of a Hann window, in bins: a line of power A² reads A² / (1.5 bins) as a density."""
EMPTY_DBFS = -200.0


class PowerSpectra:
    """Turns batches of spectra into power densities, lowest frequency first."""

    def __init__(self, channeliser: Channeliser, cell_hz: float) -> None:
        """Aim at cells of `cell_hz`; they hold a power of two of bins, so that they fit the span exactly."""
        self.size = channeliser.size
        self.sample_rate_hz = channeliser.sample_rate_hz
        self.bin_hz = channeliser.bin_hz
        self.bins_per_cell = 1 << max(0, round(np.log2(cell_hz / channeliser.bin_hz)))
        self.cell_hz = self.bins_per_cell * self.bin_hz
        self.first_bin = 0 if channeliser.one_sided else -(self.size // 2)
        self.bin_count = self.size // 2 if channeliser.one_sided else self.size
        self.cell_count = self.bin_count // self.bins_per_cell
        # |Y|² of white noise of density 1 after the Hann window is 3/8 · N · rate; sound has its power in half the span
        folded = 4 if channeliser.one_sided else 1
        self._scale = np.float32(folded / (0.375 * self.size * self.sample_rate_hz))

    def densities(self, batch: Batch) -> Density:
        """Power density in every bin: shape (blocks, bins)."""
        spectra = batch.spectra
        windowed = np.empty_like(spectra)
        np.add(spectra[:, 2:], spectra[:, :-2], out=windowed[:, 1:-1])
        windowed[:, 0] = spectra[:, 1] + spectra[:, -1]
        windowed[:, -1] = spectra[:, 0] + spectra[:, -2]
        windowed *= np.float32(-0.5)
        windowed += spectra
        parts = windowed.view(np.float32)
        parts *= parts
        half = self.size // 2
        halves = [slice(0, self.bin_count)] if self.first_bin == 0 else [slice(half, None), slice(0, half)]
        power = np.empty((spectra.shape[0], self.bin_count), np.float32)
        at = 0
        for bins in halves:
            real, imaginary = parts[:, 0::2][:, bins], parts[:, 1::2][:, bins]
            np.add(real, imaginary, out=power[:, at : at + real.shape[1]])
            at += real.shape[1]
        power *= self._scale / 4  # the window above is twice the Hann window
        return power

    def cells(self, densities: Density) -> Density:
        """Mean density in every cell: shape (blocks, cells)."""
        bins = densities.reshape(densities.shape[0], self.cell_count, self.bins_per_cell)
        total: Density = np.einsum("ijk->ij", bins)
        return total / np.float32(self.bins_per_cell)

    def cell_of(self, offset_hz: float) -> int:
        """The cell in which a frequency (from 0 Hz) lies, held inside the span."""
        cell = int((offset_hz / self.bin_hz + 0.5 - self.first_bin) // self.bins_per_cell)
        return min(max(cell, 0), self.cell_count - 1)

    def cells_in(self, width_hz: float) -> int:
        """How many cells make up a width; at least one."""
        return max(1, round(width_hz / self.cell_hz))

    def cells_between(self, low_hz: float, high_hz: float) -> slice:
        """The cells from one frequency to another, both included."""
        return slice(self.cell_of(low_hz), self.cell_of(high_hz) + 1)

    def cell_centres_hz(self) -> NDArray[np.float64]:
        """Middle of every cell, from 0 Hz."""
        inner = (self.bins_per_cell - 1) / 2
        return (self.first_bin + np.arange(self.cell_count) * self.bins_per_cell + inner) * self.bin_hz

    def frame(self, density: Density, most_bins: int) -> tuple[Density, float, float]:
        """One spectrum frame in dB of full scale a bin, with the offset of its first bin and its step in hertz."""
        per_bin = max(1, self.bin_count // most_bins)
        count = self.bin_count // per_bin
        power = density[: count * per_bin].reshape(count, per_bin).sum(axis=1) * np.float32(self.bin_hz)
        levels = np.full(count, EMPTY_DBFS, np.float32)
        np.log10(power, out=levels, where=power > 0)
        levels[power > 0] *= 10
        return np.maximum(levels, EMPTY_DBFS), (self.first_bin + (per_bin - 1) / 2) * self.bin_hz, per_bin * self.bin_hz
