"""What is the receiver's own in the first samples: its converter's offset at 0 Hz, and steady narrow lines."""

from __future__ import annotations

import math

import numpy as np

from sdrcheck.filters.floor import Line, NoiseFloor
from sdrcheck.filters.iq import Complex
from sdrcheck.filters.span import Span
from sdrcheck.filters.spectrum import Density, PowerSpectra

_LEAST_DC_BLOCKS = 4
_DC_MOST, _DC_MOST_OF_OTHERS = 10 ** (-22 / 20), 10 ** (-50 / 20)
"""A steady line at 0 Hz above this amplitude is a carrier, not the offset of a dongle's or another converter."""
_FAMILY = 30.0
"""A steady line with so much more power around it than its own is a part of something."""


def steady_offset(at_zero: Complex, densities: Density, spectra: PowerSpectra, *, likely: bool) -> complex:
    """The converter's own offset: a line at 0 Hz that neither turns nor fades, whatever else comes and goes.

    `at_zero` and `densities` are of the same blocks. Where an offset is `likely`, as from a dongle, it may be larger.
    """
    at_zero = at_zero[1:] if at_zero.size > 1 else at_zero  # the first block begins before the samples do
    if at_zero.size < _LEAST_DC_BLOCKS:
        return 0j
    middle = -spectra.first_bin
    beside = np.concatenate([densities[:, middle - 12 : middle - 3], densities[:, middle + 4 : middle + 13]], axis=1)
    noise = 1.5 * float(np.quantile(beside, 0.25)) / math.log(4 / 3) * spectra.sample_rate_hz * spectra.size
    reach = 3 * math.sqrt(noise) + 0.02 * np.abs(at_zero)
    alike = np.abs(at_zero[:, None] - at_zero[None, :]) < reach[:, None]
    often = np.flatnonzero(alike.sum(axis=1) >= max(_LEAST_DC_BLOCKS, 0.15 * at_zero.size))
    if often.size == 0:
        return 0j
    # a carrier keyed at 0 Hz stands on top of the offset
    best = alike[often[int(np.argmin(np.abs(at_zero[often])))]]
    offset = complex(at_zero[best].mean())
    if abs(offset) ** 2 < 9 * noise:
        return 0j
    others = at_zero[~best] / offset
    dips = (np.abs(others) < 0.8) & (np.abs(np.angle(others)) < 0.4)
    gone = np.abs(others) < 0.3
    if np.count_nonzero(dips | gone) > 0.3 * others.size:
        return 0j  # it is keyed, so it is a carrier
    offset /= spectra.size
    return offset if abs(offset) < (_DC_MOST if likely else _DC_MOST_OF_OTHERS) else 0j


def own_lines(floor: NoiseFloor, usual: Density, spectra: PowerSpectra, span: Span) -> list[Line]:
    """The steady lines that are taken for the receiver's own; `usual` is the usual density in each cell."""
    return [line for line in floor.lines if _is_own(line, floor, usual, spectra, span)]


def _is_own(line: Line, floor: NoiseFloor, usual: Density, spectra: PowerSpectra, span: Span) -> bool:
    """Whether a steady line is taken for the receiver's own: weak, narrow and alone."""
    reach = span.band.line_family_hz
    low, high = (spectra.cell_of(line.offset_hz + far) for far in (-reach, reach))
    beside = np.maximum(usual - floor.level, 0.0)[low : high + 1]
    if beside.sum() * spectra.cell_hz > _FAMILY * line.power:
        return False
    near = span.band.line_hz / 2
    power = sum(other.power for other in floor.lines if abs(other.offset_hz - line.offset_hz) < near)
    cell = spectra.cell_of(line.offset_hz)
    noise = floor.density_at(cell, cell) * span.band.line_hz
    on_plan = span.channel_at(line.offset_hz) is not None
    return power < (10 if on_plan else 100) * noise


def hann_at_zero(spectra: Complex) -> Complex:
    """The Hann-windowed bin at 0 Hz of every block; a constant c reads cN."""
    at_zero: Complex = spectra[:, 0] - (spectra[:, 1] + spectra[:, -1]) / 2
    return at_zero
