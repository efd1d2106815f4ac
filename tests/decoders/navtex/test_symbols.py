"""The seven-unit code against Rec. ITU-R M.476-5, Tables 1 and 2, and against what its structure must be."""

from __future__ import annotations

import csv
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.decoders.navtex import symbols
from sdrcheck.decoders.navtex.symbols import CHARACTERS, bits_of, code_table, read_table

PUBLISHED = Path(__file__).parents[2] / "published" / "seven-unit-code.csv"
ROWS = list(
    csv.DictReader(
        (line for line in PUBLISHED.read_text(encoding="utf-8").splitlines() if not line.startswith("#")),
        delimiter=";",
        quoting=csv.QUOTE_NONE,
    )
)


@pytest.mark.parametrize(
    ("row", "character"), list(zip(ROWS, CHARACTERS, strict=True)), ids=lambda x: getattr(x, "name", "")
)
def test_word_is_as_published(row: dict[str, str], character: symbols.Character) -> None:
    assert character.word == row["word"]
    assert (character.five_unit or "") == row["five_unit"]
    if len(row["letters"]) == 1:
        assert character.letters == row["letters"]
    printed = row["figures"].split(" ")[0]
    if len(printed) == 1:
        assert character.figures == printed


def test_the_words_are_exactly_all_of_four_b_and_three_y() -> None:
    all_of_them = {"".join("B" if i in places else "Y" for i in range(7)) for places in combinations(range(7), 4)}
    assert {character.word for character in CHARACTERS} == all_of_them
    assert len(CHARACTERS) == 35


def test_first_element_is_the_most_significant_of_the_published_number() -> None:
    for place, row in enumerate(ROWS):
        assert int("".join(map(str, bits_of(place))), 2) == int(row["hex_msb"], 16)


def test_two_to_four_marks_wrap_the_five_unit_code() -> None:
    """Common to the table, seen by calculation: two marks give B+xxxxx+B, three one B and one Y, four Y+xxxxx+Y."""
    special = {"E", "T", "carriage return", "line feed", "letter shift", "space", "no. 32"}
    checked = 0
    for character in CHARACTERS:
        if character.five_unit is None or character.name in special:
            continue
        inner = character.five_unit.replace("1", "B").replace("0", "Y")
        allowed = {2: {"BB"}, 3: {"BY", "YB"}, 4: {"YY"}}[character.five_unit.count("1")]
        assert character.word[1:-1] == inner
        assert character.word[0] + character.word[-1] in allowed
        checked += 1
    assert checked == 25


def test_every_other_word_is_refused() -> None:
    for value in range(128):
        place = int(read_table()[value])
        assert (place < 0) == (value.bit_count() != 4)
        assert place < 0 or int("".join(map(str, bits_of(place))), 2) == value


def test_distances_between_words() -> None:
    """Derived: 210 pairs differ in 2 elements, 315 in 4 and 70 in 6, so some double errors pass unseen."""
    table = code_table().astype(int)
    distance = np.abs(table[:, None] - table[None, :]).sum(axis=2)[np.triu_indices(35, 1)]
    assert {int(d): int((distance == d).sum()) for d in set(distance.tolist())} == {2: 210, 4: 315, 6: 70}


def test_named_places() -> None:
    names = {
        symbols.ALPHA: "idle signal alpha",
        symbols.BETA: "idle signal beta",
        symbols.RQ: "signal repetition",
        symbols.LETTERS: "letter shift",
        symbols.FIGURES: "figure shift",
        symbols.SPACE: "space",
        symbols.CARRIAGE_RETURN: "carriage return",
        symbols.LINE_FEED: "line feed",
        symbols.NUMBER_32: "no. 32",
    }
    assert all(CHARACTERS[place].name == name for place, name in names.items())
    assert CHARACTERS[symbols.letter("Q")].figures == "1"
