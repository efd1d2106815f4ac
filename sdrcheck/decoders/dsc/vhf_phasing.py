"""What every VHF call begins with, as bits: the part of it that a receiver knows before it has heard anything."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.dsc.frame import FIRST_INFORMATION_SLOT, PHASING, SLOT_BITS
from sdrcheck.decoders.dsc.symbols import SYMBOL_BITS, bits_of

TONE_B_HZ = 2100.0
TONE_Y_HZ = 1300.0
RATE_BD = 1200.0
PHASING_BITS = SYMBOL_BITS * (1 + max(place for place, _ in PHASING))
"""From the first DX to the last RX phasing symbol; the two first format specifiers lie in between."""


@cache
def known_bits() -> tuple[NDArray[np.intp], NDArray[np.int8]]:
    """Places of the 140 known bits, counted from the first of the phasing, and their values, +1 for Y and −1 for B."""
    places = np.concatenate([np.arange(SYMBOL_BITS) + SYMBOL_BITS * place for place, _ in PHASING])
    values = np.concatenate([2 * np.array(bits_of(symbol), np.int8) - 1 for _, symbol in PHASING]).astype(np.int8)
    return places, values


@cache
def unbroken_bits() -> NDArray[np.uint8]:
    """The bits of the phasing up to the first format specifier, 1 for Y: all of them known, none missing between."""
    places, values = known_bits()
    bits = np.zeros(FIRST_INFORMATION_SLOT * SLOT_BITS, np.uint8)
    before = places < bits.size
    bits[places[before]] = values[before] > 0
    return bits
