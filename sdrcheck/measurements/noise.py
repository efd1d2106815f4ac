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
    powers = np.array([float(np.mean(np.square(np.abs(chunk)))) for chunk in chunks])
    quiet = [chunk for chunk, power in zip(chunks, powers, strict=True) if power <= 2 * np.median(powers)]
    densities = []
    for chunk in quiet:
        frequencies = np.fft.fftfreq(chunk.size, 1 / rate)
        density = np.square(np.abs(np.fft.fft(chunk))) / (rate * chunk.size)
        densities.append(density[np.abs(frequencies - middle_hz) <= half_width_hz])
    density_mean = float(np.mean(densities))
    expected = excerpt.noise_density
    if density_mean <= 0 or (expected > 0 and not 0.25 < density_mean / expected < 4):
        return given
    degrees = sum(density.size for density in densities)
    total = float(np.mean([np.mean(np.square(np.abs(chunk))) for chunk in quiet]))
    return Noise(density_mean, total, 1 / math.sqrt(degrees))


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
