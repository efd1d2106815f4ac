"""The ten-unit code against Rec. ITU-R M.493, Table 1, as transposed (tests/published/ten_unit_code.csv)."""

from __future__ import annotations

import itertools

import pytest

from sdrcheck.decoders.dsc.symbols import PHASING_DX, PHASING_RX, bits_of, code_table, emit, mirrored, read
from tests.decoders.dsc.worked import published

TABLE = published("ten_unit_code.csv")


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row['symbol']}-{row['mark']}")
def test_symbol_goes_on_air_as_published(row: dict[str, str]) -> None:
    bits = tuple(int(bit) for bit in row["on_air"])
    assert bits_of(int(row["symbol"])) == bits
    assert read(bits) == int(row["symbol"])


def test_all_symbols_are_in_the_table() -> None:
    assert [int(row["symbol"]) for row in TABLE] == list(range(128))


def test_textbook_example_of_symbol_15() -> None:
    """Japanese GMDSS training text: symbol 15 has three B elements, check bits 011."""
    assert emit(15) == "YYYY" "BBB" "BYY"  # fmt: skip


def test_every_single_bit_error_is_seen() -> None:
    """Minimum distance 2: derived from the rule, checked for all 1280."""
    for symbol, place in itertools.product(range(128), range(10)):
        bits = list(bits_of(symbol))
        bits[place] ^= 1
        assert read(bits) is None


def test_undetected_double_errors_are_as_many_as_counted() -> None:
    """1792 of 5760, by the fact sheet's exhaustive count: why both copies and the ECC are needed."""
    words = {bits_of(symbol) for symbol in range(128)}
    count = 0
    for word in words:
        for a, b in itertools.combinations(range(10), 2):
            other = tuple(bit ^ (place in (a, b)) for place, bit in enumerate(word))
            count += other in words
    assert count == 1792


def test_inverted_keying_gives_the_mirrored_symbol() -> None:
    for symbol in range(128):
        assert read([1 - bit for bit in bits_of(symbol)]) == mirrored(symbol) == 127 - symbol
    assert mirrored(PHASING_DX) == 2
    assert [mirrored(symbol) for symbol in PHASING_RX] == list(range(16, 24))


@pytest.mark.parametrize("word", [(0, 1) * 5, (1, 0) * 5])
def test_dot_pattern_is_no_symbol(word: tuple[int, ...]) -> None:
    assert read(word) is None


@pytest.mark.parametrize("symbol", [-1, 128])
def test_no_such_symbol(symbol: int) -> None:
    with pytest.raises(ValueError, match="between 0 and 127"):
        bits_of(symbol)


def test_table_is_shared_and_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="read-only"):
        code_table()[0, 0] = 1
