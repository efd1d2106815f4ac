"""The channel's own noise, from the quiet beside a keying."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.excerpt import Excerpt

FLAT_HZ = 11_000.0
"""An FM channel's filter is flat to here, either side of its centre (`Excerpt`)."""
_CHUNK_S = 0.004
"""Pieces in which the quiet is looked at; where the band is narrow they are longer. Three are enough."""
_GUARD_S = 0.002
_ENOUGH = 3
_USUAL_WIDTH = 26_000.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise power per hertz and in the whole excerpt, full scale squared, and how well they are known."""

    density: float
    total: float
    relative_standard: float
    """Standard uncertainty of both, as a part of them."""


def beside(excerpt: Excerpt, half_width_hz: float = 8_000.0, *, middle_hz: float = 0.0) -> Noise:
    """Measure the noise in the quiet parts of an excerpt, within ±`half_width_hz` of `middle_hz`.

    Where there is too little quiet, or it is not quiet, the excerpt's own noise density is taken.
    """
    rate = excerpt.sample_rate_hz
    chunks = _quiet_chunks(excerpt, int(max(_CHUNK_S, 4 / half_width_hz) * rate))
    given = Noise(excerpt.noise_density, excerpt.noise_density * min(_USUAL_WIDTH, rate), 0.1)
    if len(chunks) < _ENOUGH:
        return given
    rows = np.stack(chunks)
    powers: NDArray[np.float64] = np.mean(np.square(np.abs(rows)), axis=1, dtype=np.float64)
    quiet = powers <= 2 * np.median(powers)
    size = rows.shape[1]
    inside = np.abs(np.fft.fftfreq(size, 1 / rate) - middle_hz) <= half_width_hz
    densities = np.square(np.abs(np.fft.fft(rows[quiet], axis=1)[:, inside])) / (rate * size)
    density_mean = float(np.mean(densities, dtype=np.float64))
    expected = excerpt.noise_density
    if density_mean <= 0 or (expected > 0 and not 0.25 < density_mean / expected < 4):
        return given
    return Noise(density_mean, float(np.mean(powers[quiet])), 1 / math.sqrt(densities.size))


def _quiet_chunks(excerpt: Excerpt, size: int) -> list[NDArray[np.complex64]]:
    rate = excerpt.sample_rate_hz
    guard = int((_GUARD_S + excerpt.edge_uncertainty_s) * rate)
    spans = []
    if not excerpt.cut_at_start:
        spans.append((int(0.0005 * rate), excerpt.key_on - guard))
    if not excerpt.cut_at_end:
        spans.append((excerpt.key_off + guard, excerpt.iq.size - int(0.0005 * rate)))
    chunks = []
    for low, high in spans:
        for start in range(low, high - size + 1, size):
            if not any(start - guard < at + length and at < start + size + guard for at, length in excerpt.lost):
                chunks.append(excerpt.iq[start : start + size])
    return chunks
