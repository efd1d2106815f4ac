"""How the two parts of the radio spectrum are looked at: VHF with its FM channels, MF and HF with narrow ones."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Band:
    """How a part of the radio spectrum is looked at."""

    block_s: float
    blocks_per_batch: int
    """New signals are looked for in so many blocks at a time."""
    blocks_per_step: int
    """What is followed is told of after so many, where it is to be told at once."""
    prime_s: float
    """The noise floor is learnt from so much before anything is told."""
    cell_hz: float
    side_hz: float
    """How far to either side of a cell the noise is compared."""
    narrow_hz: float
    """The narrower of two windows in which power is held against the noise."""
    narrow_ratio: float
    wide_hz: float
    wide_ratio: float
    mean_ratio: float
    """What counts in the narrow or wide window over a whole batch."""
    bridge_hz: float
    """Gaps up to this wide lie inside one signal."""
    closest_hz: float
    """Nothing so near to a signal is a signal of its own, unless it is much stronger."""
    widest_hz: float
    """Something wider beside a stronger signal is its splatter."""
    apart_hz: float
    """A signal this near to a stronger one must stand out from the stronger one's skirts."""
    skirts: tuple[tuple[float, float, float], ...]
    """From one distance to another (Hz): what part of a signal's density its skirts may have there."""
    product_hz: float
    """A product of a stronger signal may lie so far from where it should."""
    click_s: float
    """What is no longer than this may be the click of a stronger signal's key, rung out in a filter."""
    line_hz: float
    """A steady line is compared with the noise in this width."""
    line_family_hz: float
    """A steady line this near to something much stronger is a part of that."""
    calling_hz: float
    """Half the width in which weak calls are looked for."""
    calling_s: tuple[float, ...]
    """Lengths of time over which they are looked for."""


VHF = Band(
    block_s=0.027,
    blocks_per_batch=8,
    blocks_per_step=2,
    prime_s=1.5,
    cell_hz=1200.0,
    side_hz=75_000.0,
    narrow_hz=3_600.0,
    narrow_ratio=3.0,
    wide_hz=12_000.0,
    wide_ratio=2.0,
    mean_ratio=1.6,
    bridge_hz=4_000.0,
    closest_hz=18_000.0,
    widest_hz=30_000.0,
    apart_hz=75_000.0,
    skirts=((15_000.0, 40_000.0, 10**-5.7), (40_000.0, 80_000.0, 10**-6.6)),
    product_hz=12_500.0,
    click_s=0.02,
    line_hz=16_000.0,
    line_family_hz=8_000.0,
    calling_hz=6_000.0,
    calling_s=(0.13, 0.45),
)
MF_HF = Band(
    block_s=0.15,
    blocks_per_batch=8,
    blocks_per_step=1,
    prime_s=3.0,
    cell_hz=45.0,
    side_hz=1_500.0,
    narrow_hz=300.0,
    narrow_ratio=3.0,
    wide_hz=2_400.0,
    wide_ratio=1.8,
    mean_ratio=1.7,
    bridge_hz=300.0,
    closest_hz=350.0,
    widest_hz=6_000.0,
    apart_hz=3_000.0,
    skirts=((250.0, 600.0, 10**-3.0), (600.0, 1_500.0, 10**-4.5), (1_500.0, 3_000.0, 10**-5.5)),
    product_hz=300.0,
    click_s=0.06,
    line_hz=300.0,
    line_family_hz=900.0,
    calling_hz=150.0,
    calling_s=(1.0, 2.5),
)
