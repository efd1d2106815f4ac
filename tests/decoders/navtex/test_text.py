"""Shifts and signs of the five-unit alphabet."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sdrcheck.decoders.navtex.symbols import ALPHA, CHARACTERS, FIGURES, LETTERS, NUMBER_32, RQ, letter
from sdrcheck.decoders.navtex.text import Printer, as_lines, spelled, unprintable

SIGNS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-?:().,'=/+ \r\n"


def printed(places: list[int | None]) -> str:
    printer = Printer()
    return "".join(printer.print(place) for place in places)


@settings(max_examples=60, deadline=None)
@given(st.text(alphabet=SIGNS, max_size=60), st.booleans())
def test_what_is_spelled_prints_the_same(text: str, redundant: bool) -> None:
    assert printed(list(spelled(text, redundant_shifts=redundant))) == text


def test_redundant_shifts_as_in_the_worked_example() -> None:
    names = [CHARACTERS[p].name for p in spelled("SA12\r\n10 MAR 20 30\r\nX")]
    assert names[2] == "figure shift"
    assert names[7] == "figure shift"  # again at the beginning of the line, though the case did not change
    group = names.index("R")
    assert names[group + 1 : group + 8] == ["space", "figure shift", "W", "P", "space", "figure shift", "E"]
    assert names[-2:] == ["letter shift", "X"]


def test_a_lost_character_is_a_star_and_a_lost_shift_garbles_until_the_next() -> None:
    places: list[int | None] = list(spelled("A 12", redundant_shifts=False))
    places[places.index(FIGURES)] = None
    assert printed(places) == "A *QW"


def test_service_signals_and_word_32_print_nothing() -> None:
    assert printed([letter("A"), ALPHA, RQ, NUMBER_32, LETTERS, letter("B")]) == "AB"


def test_a_sign_outside_the_alphabet_is_refused_by_name() -> None:
    assert unprintable("A&B*é&") == ("&", "*", "é")
    with pytest.raises(ValueError, match="'&'"):
        spelled("A&B")


def test_line_ends_become_one_kind() -> None:
    assert as_lines("A\r\r\nB\r\nC\nD\rE") == "A\nB\nC\nD\nE"
