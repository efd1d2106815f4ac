"""The worked calls of `tests/published/selective_calls.csv`, and ways to spoil them."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.dsc.frame import Frame, read_frame
from sdrcheck.decoders.dsc.symbols import bits_of
from tests.conftest import REPOSITORY

PUBLISHED = REPOSITORY / "tests" / "published"
Bits = NDArray[np.uint8]


def published(name: str) -> list[dict[str, str]]:
    """Rows of a published table, its leading remarks left out."""
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@dataclass(frozen=True)
class Worked:
    """One worked call."""

    name: str
    band: str
    dots: int
    information: tuple[int, ...]
    """Format specifier once, through the EOS."""
    ecc: int
    on_air: tuple[int, ...]
    bits: Bits
    """From the phasing on."""

    @property
    def symbols(self) -> tuple[int, ...]:
        return (*self.information, self.ecc)


def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(word) for word in text.split())


CALLS = {
    row["name"]: Worked(
        name=row["name"],
        band=row["band"],
        dots=int(row["dots"]),
        information=_numbers(row["information"])[1:],
        ecc=int(row["ecc"]),
        on_air=_numbers(row["on_air"]),
        bits=np.array([int(bit) for bit in row["bits"].replace(" ", "")], np.uint8),
    )
    for row in published("selective_calls.csv")
}


def bits_from(symbols: Sequence[int]) -> Bits:
    return np.array([bit for symbol in symbols for bit in bits_of(symbol)], np.uint8)


def flipped(bits: Bits, *places: tuple[int, int, int]) -> Bits:
    """Turn over bits given as (slot, 0 for DX or 1 for RX, bit 0…9)."""
    out = bits.copy()
    for slot, copy, bit in places:
        out[(2 * slot + copy) * 10 + bit] ^= 1
    return out


def read_plain(bits: Bits, strength: float = 20.0) -> Frame:
    """Read bits as a wire-fed receiver has them: soft values that all say what the bits say."""
    return read_frame((bits * 2.0 - 1.0) * strength, bits)
