"""Text and the two cases of the five-unit alphabet (ITU-T S.1, as Rec. ITU-R M.476 Table 1 carries it)."""

from __future__ import annotations

from functools import cache

from sdrcheck.decoders.navtex.symbols import (
    CARRIAGE_RETURN,
    CHARACTERS,
    FIGURES,
    LETTERS,
    LINE_FEED,
    NUMBER_32,
    SERVICE,
    SPACE,
    UNASSIGNED,
)

LOST = "*"
"""What a receiver prints for a character that it lost (IMO MSC.148(77) §5.7)."""

_IN_BOTH_CASES = {"\r": CARRIAGE_RETURN, "\n": LINE_FEED, " ": SPACE}


@cache
def _printing() -> tuple[dict[str, int], dict[str, int]]:
    letters = {character.letters: place for place, character in enumerate(CHARACTERS[:26])}
    figures = {
        character.figures: place
        for place, character in enumerate(CHARACTERS[:26])
        if character.figures and character.figures != UNASSIGNED
    }
    return letters, figures


def unprintable(text: str) -> tuple[str, ...]:
    """The signs of `text` that the alphabet does not have, each once, in order."""
    letters, figures = _printing()
    return tuple(
        dict.fromkeys(
            sign for sign in text if sign not in letters and sign not in figures and sign not in _IN_BOTH_CASES
        )
    )


def spelled(text: str, *, redundant_shifts: bool = True) -> list[int]:
    """Places in CHARACTERS that spell `text`, starting in letters case.

    With `redundant_shifts` the current shift is sent again before the first printing character of every line but the
    first, and the figure shift before each group of figures that follows a space, so that a lost shift does little harm
    (Rec. ITU-R M.540 asks for redundant shifts). Raises ValueError for a sign that the alphabet does not have.
    """
    letters, figures = _printing()
    places: list[int] = []
    shift = LETTERS
    new_line = False
    after_space = False
    for sign in text:
        if sign in _IN_BOTH_CASES:
            places.append(_IN_BOTH_CASES[sign])
            new_line = new_line or sign == "\n"
            after_space = sign == " "
            continue
        if sign in letters:
            place, wanted = letters[sign], LETTERS
        elif sign in figures:
            place, wanted = figures[sign], FIGURES
        else:
            raise ValueError(f"the five-unit alphabet has no {sign!r}")
        again = redundant_shifts and (new_line or (after_space and wanted == FIGURES))
        if wanted != shift or again:
            places.append(wanted)
            shift = wanted
        places.append(place)
        new_line = after_space = False
    return places


class Printer:
    """Keep the case and print one character after the other."""

    def __init__(self) -> None:
        self._figures = False

    def start_message(self) -> None:
        """Go back to letters case, in which every message starts."""
        self._figures = False

    def print(self, place: int | None) -> str:
        """What appears for one character: nothing for shifts and service signals, `*` for a lost one (None)."""
        if place is None:
            return LOST
        if place in (LETTERS, FIGURES):
            self._figures = place == FIGURES
            return ""
        if place in SERVICE or place == NUMBER_32:
            return ""
        character = CHARACTERS[place]
        return character.figures if self._figures else character.letters


def as_lines(text: str) -> str:
    """The text with every kind of line end (CR CR LF, CR LF, LF, CR) as a single line feed."""
    return text.replace("\r\r\n", "\n").replace("\r\n", "\n").replace("\r", "\n")
