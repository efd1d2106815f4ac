"""Navigational text as bits: messages in the format of Rec. ITU-R M.540, sent in mode B of Rec. ITU-R M.476/M.625.

Everything is synthetic; what this makes proves only that encoder and decoder agree.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sdrcheck.decoders.navtex.symbols import ALPHA, RQ, bits_of
from sdrcheck.decoders.navtex.text import as_lines, spelled, unprintable
from sdrcheck.errors import CompositionError

PHASING_PAIRS = 72
"""10.08 s before the first message (M.540, from course texts)."""
PHASING_BETWEEN_PAIRS = 36
"""5.04 s between two messages."""
IDLE_PAIRS = 15
"""2.1 s of idle alpha at the end (at least 2 s)."""
RX_DELAY_PAIRS = 2
"""The second copy starts five slots after the first: in the RX slot two pairs later."""


@dataclass(frozen=True, slots=True)
class TextMessage:
    """A message to be sent: B1, B2, B3B4 and the text."""

    station: str
    subject: str
    number: str
    text: str

    def __post_init__(self) -> None:
        if not re.fullmatch("[A-Z]", self.station):
            raise CompositionError(f"the station (B1) is one letter A to Z, got {self.station!r}")
        if not re.fullmatch("[A-Z]", self.subject):
            raise CompositionError(f"the subject (B2) is one letter A to Z, got {self.subject!r}")
        if not re.fullmatch("[0-9]{2}", self.number):
            raise CompositionError(f"the number (B3B4) is two figures, 01 to 99 or 00, got {self.number!r}")
        strange = unprintable(self._lines())
        if strange:
            signs = " ".join(repr(sign) for sign in strange)
            raise CompositionError(f"the five-unit alphabet has no {signs}; write the text without them")
        if "NNNN" in self._lines():
            raise CompositionError("the text holds NNNN, which would end the message; leave it out, it is added")

    def _lines(self) -> str:
        return as_lines(self.text).upper().strip("\n")

    def characters(self, *, redundant_shifts: bool = True) -> list[int]:
        """All characters on the air from ZCZC to the line feeds behind NNNN."""
        lines = [f"ZCZC {self.station}{self.subject}{self.number}", *self._lines().split("\n"), "NNNN"]
        return spelled("\r\n".join(lines) + "\r\n\n", redundant_shifts=redundant_shifts)


def slots_on_air(
    messages: Sequence[Sequence[int]],
    *,
    phasing_pairs: int = PHASING_PAIRS,
    between_pairs: int = PHASING_BETWEEN_PAIRS,
    idle_pairs: int = IDLE_PAIRS,
) -> list[int]:
    """The characters of both copies in the order of sending: DX, RX, DX, RX …

    `messages` are lists of characters. Phasing has RQ in DX and alpha in RX; idle pairs are counted from the last DX
    character, so the delayed copies run on beside them.
    """
    dx: list[int] = []
    rx_of: dict[int, int] = {}
    for number, characters in enumerate(messages):
        dx += [RQ] * (between_pairs if number else phasing_pairs)
        for place in characters:
            rx_of[len(dx) + RX_DELAY_PAIRS] = place
            dx.append(place)
    dx += [ALPHA] * max(idle_pairs, RX_DELAY_PAIRS)
    return [place for pair, first in enumerate(dx) for place in (first, rx_of.get(pair, ALPHA))]


def bits_on_air(slots: Sequence[int]) -> list[int]:
    """Seven bits for each slot, 1 = B."""
    return [bit for place in slots for bit in bits_of(place)]
