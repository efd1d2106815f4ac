"""What a strong signal puts beside itself: the skirts of its oscillator's noise, and the splatter of its keying."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.bands import Band
from sdrcheck.filters.spectrum import Density, PowerSpectra
from sdrcheck.filters.track import Slot

Array = NDArray[np.float64]

STRONGER = 30.0
"""A signal this many times stronger than another may be where the other comes from."""
_VALLEY = 3.5
"""Something of its own stands so far above the lowest place between it and a stronger one."""


class Skirts:
    """Knows how far a strong signal reaches in this band."""

    def __init__(self, band: Band, spectra: PowerSpectra) -> None:
        self._band = band
        self._spectra = spectra

    def raise_under(self, under: Array, cells: Density) -> None:
        """Put into `under` what the skirts of strong signals may put into each cell."""
        most = max(share for _, _, share in self._band.skirts)
        reaching = most * cells.max(axis=1) > under.min(axis=1)
        if not np.any(reaching):
            return
        cells = cells[reaching]
        step = self._spectra.cells_in(self._band.skirts[0][0] / 2)
        count = cells.shape[1] // step
        coarse = cells[:, : count * step].reshape(cells.shape[0], count, step).mean(axis=2)
        reached = np.zeros_like(coarse, dtype=float)
        step_hz = step * self._spectra.cell_hz
        for near_hz, far_hz, share in self._band.skirts:
            for shift in range(math.ceil(near_hz / step_hz), min(math.floor(far_hz / step_hz), count - 1) + 1):
                np.maximum(reached[:, shift:], share * coarse[:, :-shift], out=reached[:, shift:])
                np.maximum(reached[:, :-shift], share * coarse[:, shift:], out=reached[:, :-shift])
        skirts = np.pad(np.repeat(reached, step, axis=1), ((0, 0), (0, cells.shape[1] - count * step)), mode="edge")
        under[reaching] = np.maximum(under[reaching], skirts)

    def is_splatter(self, density: Array, low: int, high: int, others: list[tuple[int, Slot]]) -> bool:
        """Whether a wide stretch lies beside a much stronger signal: its keying spreads so far for a moment."""
        if (high - low) * self._spectra.cell_hz < self._band.widest_hz:
            return False
        apart = self._spectra.cells_in(self._band.apart_hz)
        peak = density[low : high + 1].max()
        claims = (self._spectra.cells_between(slot.claim_low_hz, slot.claim_high_hz) for _, slot in others)
        return any(
            claim.start - apart < high
            and claim.stop + apart > low
            and density[claim].max(initial=0.0) > STRONGER * peak
            for claim in claims
        )

    def is_slope(self, density: Array, peak: int, centre_hz: float, others: list[tuple[int, Slot]]) -> bool:
        """Whether a place only lies on the slope of a stronger signal: nothing dips between the two."""
        apart = self._spectra.cells_in(self._band.apart_hz)
        for cell, slot in others:
            claim = self._spectra.cells_between(slot.claim_low_hz, slot.claim_high_hz)
            top = claim.start + int(np.argmax(density[claim])) if claim.stop > claim.start else cell
            ratio = density[top] / max(density[peak], 1e-30)
            closest_hz = self._band.closest_hz * (1.2 if ratio > 300 else 1.0)
            if abs(centre_hz - slot.offset_hz) < closest_hz and ratio > 1 / 8:
                return True
            if abs(top - peak) > apart or ratio < 8:
                continue
            between = density[min(top, peak) : max(top, peak) + 1]
            if density[peak] < _VALLEY * between.min():
                return True
        return False
