"""The ten-unit code of Rec. ITU-R M.493: 128 symbols, seven information bits and three that count the B elements.

Bit 1 goes first and is the least significant; bits 8 to 10 hold the number of B elements among bits 1 to 7, most
significant first. Y is binary 1, B is binary 0. (M.493 Table 1, seen through national transpositions.)
"""

from __future__ import annotations

import enum
from functools import cache

import numpy as np
from numpy.typing import NDArray

INFORMATION_BITS = 7
SYMBOL_BITS = 10
SYMBOL_COUNT = 128


class Format(enum.IntEnum):
    """First symbol of a call: whom it is for."""

    AREA = 102
    DISTRESS = 112
    GROUP = 114
    ALL_SHIPS = 116
    INDIVIDUAL = 120
    NATIONAL = 121
    SEMI_AUTOMATIC = 123


class Category(enum.IntEnum):
    """How urgent the call is. A distress alert has none: its format says it."""

    ROUTINE = 100
    SHIPS_BUSINESS = 106
    SAFETY = 108
    URGENCY = 110
    DISTRESS = 112


class EndOfSequence(enum.IntEnum):
    """Last information symbol: whether an answer is asked for."""

    ACKNOWLEDGE_RQ = 117
    ACKNOWLEDGE_BQ = 122
    OTHER = 127


PHASING_DX = 125
"""Sent six times in the DX positions."""

PHASING_RX = (111, 110, 109, 108, 107, 106, 105, 104)
"""Sent once each, in this order, in the RX positions: 104 + how many slots until the information starts."""

NO_INFORMATION = 126


def bits_of(symbol: int) -> tuple[int, ...]:
    """The ten bits of a symbol as they go on the air, 1 = Y; raises ValueError outside 0…127."""
    if not 0 <= symbol < SYMBOL_COUNT:
        raise ValueError(f"a symbol lies between 0 and 127, got {symbol}")
    information = [(symbol >> place) & 1 for place in range(INFORMATION_BITS)]
    b_elements = INFORMATION_BITS - sum(information)
    return (*information, b_elements >> 2 & 1, b_elements >> 1 & 1, b_elements & 1)


def emit(symbol: int) -> str:
    """The symbol as the trade writes it on the air, B and Y."""
    return "".join("BY"[bit] for bit in bits_of(symbol))


@cache
def code_table() -> NDArray[np.uint8]:
    """All symbols' bits, shape (128, 10), 1 = Y. Shared; do not write to it."""
    table = np.array([bits_of(symbol) for symbol in range(SYMBOL_COUNT)], np.uint8)
    table.flags.writeable = False
    return table


def read(bits: NDArray[np.uint8] | tuple[int, ...] | list[int]) -> int | None:
    """The symbol that ten received bits spell, or None where their own check fails."""
    symbol = sum(int(bit) << place for place, bit in enumerate(bits[:INFORMATION_BITS]))
    return symbol if tuple(int(bit) for bit in bits) == bits_of(symbol) else None


def mirrored(symbol: int) -> int:
    """What a symbol reads as when B and Y are exchanged: 127 − s, always a valid word again."""
    return SYMBOL_COUNT - 1 - symbol
