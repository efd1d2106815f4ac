"""Text from anywhere, made safe to print: what the report's fonts lack, or what could turn a line round, as U+XXXX.

Text received from the air, file names and fields of the visit file are data. They are shown, and change nothing.
"""

from __future__ import annotations

import unicodedata
from bisect import bisect_right
from typing import Any

_RANGES = (
    "0020-007E 00A0-00AC 00AE-024F 02C6-02DD 037A-037F 0384-0386 0388-038A 038C 038E-03A1 03A3-03CE 03D0-03E1 "
    "03F0-0477 047C-047F 048C-04C4 04C7-04CC 04CF-04F9 1E00-1EFF 2010-2027 2030-2037 2039-203F 2042 2044-204B 204F "
    "2070-2071 2074-208E 2090-209C 20A0-20B5 20B8-20BA 20BD 20BF 2100-2103 2105-2106 2109 210C-210F 2111 2113 "
    "2115-2117 2119-211A 211C-211D 2120 2122 2124 2126-2127 212A-212B 212E 2132 2135-2139 2148 2150-2151 2153-215F "
    "2190-2223 2225-222E 2234-223D 2241-2246 2248-226B 226D-228B 228D-22A6 22B2-22B8 22C2-22C6 22CD-22D1 "
    "22DA-22E9 22EE-22EF 2460-2487 24B6-257F 25A0-25FF"
)
"""What Libertinus Serif and DejaVu Sans Mono, the fonts that come with typst 0.15, have between them, without scripts
written from the right, joining controls and combining marks. Read out of a PDF in which every character was set."""

_STARTS: list[int] = []
_ENDS: list[int] = []
for _part in _RANGES.split():
    _low, _, _high = _part.partition("-")
    _STARTS.append(int(_low, 16))
    _ENDS.append(int(_high or _low, 16))


def has_glyph(letter: str) -> bool:
    """The report's fonts can print it."""
    place = bisect_right(_STARTS, ord(letter)) - 1
    return place >= 0 and ord(letter) <= _ENDS[place]


def printable(text: str, *, lines: bool = False) -> str:
    """The same text with every character that cannot be printed as U+XXXX; `lines` keeps line ends."""
    composed = unicodedata.normalize("NFC", text)
    return "".join(letter if has_glyph(letter) or (lines and letter == "\n") else _named(letter) for letter in composed)


def _named(letter: str) -> str:
    return " " if letter in "\n\t" else f"U+{ord(letter):04X}"


def printable_tree(value: Any, *, lines_in: frozenset[str] = frozenset()) -> Any:
    """Every string in lists and dictionaries made printable; keys in `lines_in` hold text with line ends."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, dict):
        return {
            key: printable(item, lines=True)
            if key in lines_in and isinstance(item, str)
            else printable_tree(item, lines_in=lines_in)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple):
        return [printable_tree(item, lines_in=lines_in) for item in value]
    return value
