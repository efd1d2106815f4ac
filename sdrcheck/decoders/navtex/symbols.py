"""The seven-unit code of Rec. ITU-R M.476-5, Tables 1 and 2: 35 words, each of four B and three Y.

All 35 words of that ratio are used, so a word of any other ratio is known to be wrong. The leftmost element goes first;
B is the higher radio frequency and binary 1 here, Y the lower one and binary 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

WORD_BITS = 7
B_ELEMENTS = 4

UNASSIGNED = "_"
"""Stands for a figure that the international alphabet leaves to each country (F, G and H)."""


@dataclass(frozen=True, slots=True)
class Character:
    """One of the 35: what it prints in either case, its five-unit code (1 = mark), its seven-unit word."""

    name: str
    letters: str
    figures: str
    five_unit: str | None
    word: str


CHARACTERS: tuple[Character, ...] = (
    Character("A", "A", "-", "11000", "BBBYYYB"),
    Character("B", "B", "?", "10011", "YBYYBBB"),
    Character("C", "C", ":", "01110", "BYBBBYY"),
    Character("D", "D", "", "10010", "BBYYBYB"),  # figures: "who are you", not printed in a broadcast
    Character("E", "E", "3", "10000", "YBBYBYB"),
    Character("F", "F", UNASSIGNED, "10110", "BBYBBYY"),
    Character("G", "G", UNASSIGNED, "01011", "BYBYBBY"),
    Character("H", "H", UNASSIGNED, "00101", "BYYBYBB"),
    Character("I", "I", "8", "01100", "BYBBYYB"),
    Character("J", "J", "", "11010", "BBBYBYY"),  # figures: the bell
    Character("K", "K", "(", "11110", "YBBBBYY"),
    Character("L", "L", ")", "01001", "BYBYYBB"),
    Character("M", "M", ".", "00111", "BYYBBBY"),
    Character("N", "N", ",", "00110", "BYYBBYB"),
    Character("O", "O", "9", "00011", "BYYYBBB"),
    Character("P", "P", "0", "01101", "BYBBYBY"),
    Character("Q", "Q", "1", "11101", "YBBBYBY"),
    Character("R", "R", "4", "01010", "BYBYBYB"),
    Character("S", "S", "'", "10100", "BBYBYYB"),
    Character("T", "T", "5", "00001", "YYBYBBB"),
    Character("U", "U", "7", "11100", "YBBBYYB"),
    Character("V", "V", "=", "01111", "YYBBBBY"),
    Character("W", "W", "2", "11001", "BBBYYBY"),
    Character("X", "X", "/", "10111", "YBYBBBY"),
    Character("Y", "Y", "6", "10101", "BBYBYBY"),
    Character("Z", "Z", "+", "10001", "BBYYYBB"),
    Character("carriage return", "\r", "\r", "00010", "YYYBBBB"),
    Character("line feed", "\n", "\n", "01000", "YYBBYBB"),
    Character("letter shift", "", "", "11111", "YBYBBYB"),
    Character("figure shift", "", "", "11011", "YBBYBBY"),
    Character("space", " ", " ", "00100", "YYBBBYB"),
    Character("no. 32", "", "", "00000", "YBYBYBB"),
    Character("idle signal alpha", "", "", None, "BBBBYYY"),
    Character("idle signal beta", "", "", None, "BBYYBBY"),
    Character("signal repetition", "", "", None, "YBBYYBB"),
)

CARRIAGE_RETURN, LINE_FEED, LETTERS, FIGURES, SPACE, NUMBER_32, ALPHA, BETA, RQ = range(26, 35)
"""Places in CHARACTERS. Phasing signal 1 is alpha and goes in the RX slots, phasing signal 2 is RQ and goes in DX."""

SERVICE = frozenset((ALPHA, BETA, RQ))
"""Words that carry no text."""


def letter(sign: str) -> int:
    """The place of a letter A to Z in CHARACTERS."""
    return ord(sign) - ord("A")


@cache
def code_table() -> NDArray[np.uint8]:
    """All words' elements in the order of CHARACTERS, shape (35, 7), 1 = B. Shared; do not write to it."""
    table = np.array([[element == "B" for element in character.word] for character in CHARACTERS], np.uint8)
    table.flags.writeable = False
    return table


def bits_of(place: int) -> tuple[int, ...]:
    """The seven elements of a character as they go on the air, 1 = B."""
    return tuple(int(bit) for bit in code_table()[place])


@cache
def read_table() -> NDArray[np.int8]:
    """What each seven-element number (first element most significant, 1 = B) spells; −1 where it is no word."""
    table = np.full(1 << WORD_BITS, -1, np.int8)
    table[code_table() @ (1 << np.arange(WORD_BITS)[::-1])] = np.arange(len(CHARACTERS))
    table.flags.writeable = False
    return table
