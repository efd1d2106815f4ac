"""From characters to messages: ZCZC, a space, B1 to B4, the text and NNNN (Rec. ITU-R M.540, Annex II).

The characters come with what both copies together say and what an ordinary receiver makes of them; a message keeps
count of both. It is closed by its NNNN, by the next ZCZC, by phasing or idling that goes on, or by the loss of its
sender.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from sdrcheck.decoders.navtex.message import Message
from sdrcheck.decoders.navtex.modeb import PAIR_BITS, Received
from sdrcheck.decoders.navtex.receiver import (
    STOPS_ABOVE_RATIO,
    STOPS_AFTER_CHARACTERS,
    ConformingReceiver,
    Heard,
)
from sdrcheck.decoders.navtex.symbols import (
    ALPHA,
    CARRIAGE_RETURN,
    CHARACTERS,
    FIGURES,
    LETTERS,
    LINE_FEED,
    NUMBER_32,
    RQ,
    SPACE,
    letter,
)
from sdrcheck.decoders.navtex.text import Printer, as_lines

PAIR_S = PAIR_BITS / 100
_Z, _C, _N = letter("Z"), letter("C"), letter("N")
START = (_Z, _C, _Z, _C)
END = (_N, _N, _N, _N)
LINE_ENDS = frozenset((CARRIAGE_RETURN, LINE_FEED))

INSERTED_PAIRS = 4
"""Phasing that the general rule of mode B puts into running text once in a hundred characters."""
PHASING_ENDS = 12
"""Phasing pairs in a row that close a message."""
IDLING_ENDS = 8
CLEAR_EVIDENCE = 2.0
"""Nats of one character above which it is shown at once, outside messages too; a perfect one has 6.1."""
_LEAST_STRAY = 4


class Assembler:
    """Sort characters into messages and what lies between them."""

    def __init__(self, receiver: ConformingReceiver) -> None:
        self._receiver = receiver
        self._outside: list[Received] = []
        self._inside: list[Received] | None = None
        self._end: int | None = None
        """Place of the first N of NNNN, once it has come."""
        self._run: tuple[int | None, int] = (None, 0)
        """Which service signal came last, and how often in a row."""
        self._phasing_s: float | None = None
        self._first_of_sender = True
        self._live = Printer()
        self._line_open = False
        """A carriage return came whose line feed has not."""
        self.stray: list[str] = []
        self.remarks: list[str] = []

    def remark(self, sentence: str) -> None:
        if sentence not in self.remarks:
            self.remarks.append(sentence)

    def take(self, characters: Iterable[Received], *, slipped: bool) -> tuple[str, tuple[Message, ...]]:
        """Take characters in order; what is printed of them and the messages that ended come back.

        `slipped` says that the alignment changed in between.
        """
        text, messages = "", list[Message]()
        for received in characters:
            if self._inside is not None or (received.place is not None and received.evidence > CLEAR_EVIDENCE):
                text += self._printed_live(received.place)
            messages += self._one(received)
        if slipped and self._inside is not None:
            self.remark(
                "The alignment of the words changed within a message: bits were lost, or another station came up."
            )
        return text, tuple(messages)

    def _printed_live(self, place: int | None) -> str:
        """Print one character now; of the signs that end a line only one is shown."""
        sign = self._live.print(place)
        if sign == "\r":
            self._line_open = True
            return ""
        if sign and self._line_open and sign != "\n":
            sign = "\n" + sign
        self._line_open = self._line_open and not sign
        return sign

    def sender_lost(self) -> tuple[Message, ...]:
        """Close what is open: nothing of this sender comes any more."""
        messages = () if self._inside is None else (self._close(lost=self._end is None),)
        self._flush_stray()
        self._first_of_sender = True
        self._run = (None, 0)
        return messages

    def _one(self, received: Received) -> Iterable[Message]:
        if received.service:
            place, count = self._run
            self._run = (received.place, count + 1 if place == received.place else 1)
            if self._inside is None:
                self._outside.append(received)
                return
            place, count = self._run
            if (
                self._end is not None
                or (place == RQ and count >= PHASING_ENDS)
                or (place == ALPHA and count >= IDLING_ENDS)
            ):
                yield self._close(lost=False)
                self._outside = [received] * count
            return
        self._run = (None, 0)
        if self._inside is not None and self._end is not None:
            behind = len(self._inside) - self._end - len(END)
            if received.place in LINE_ENDS and behind < 3:
                self._inside.append(received)
                return
            yield self._close(lost=False)
        if self._inside is None:
            self._outside.append(received)
            self._look_for_start()
            return
        self._inside.append(received)
        new_line = self._inside[-5:-4] and self._inside[-5].place in LINE_ENDS
        if len(self._inside) >= 12 and _spells(self._inside[-4:], END, one_wrong=bool(new_line)):
            self._end = len(self._inside) - 4
        elif len(self._inside) > 12 and [r.place for r in self._inside[-4:]] == list(START):
            again = self._inside[-4:]
            self._inside = self._inside[:-4]
            yield self._close(lost=False)
            self._begin(again, None)

    def _look_for_start(self) -> None:
        nearest = range(max(0, len(self._outside) - 2 * (len(START) + INSERTED_PAIRS)), len(self._outside))
        places = [place for place in nearest if not self._outside[place].service][-len(START) :]
        text = [self._outside[place] for place in places]
        if len(text) < len(START):
            return
        first = places[0]
        after_phasing = sum(received.place == RQ for received in self._outside[max(0, first - 8) : first]) >= 4
        if _spells(text, START, one_wrong=after_phasing):
            phasing = _phasing_pairs(self._outside[:first])
            self._outside = self._outside[:first]
            self._flush_stray()
            self._begin(text, round(phasing * PAIR_S, 2))
        elif len(self._outside) > 4_000:
            self._flush_stray(self._outside[:-100])
            self._outside = self._outside[-100:]

    def _begin(self, start: list[Received], phasing_s: float | None) -> None:
        self._inside = list(start)
        self._end = None
        self._phasing_s = phasing_s
        self._live.start_message()

    def _flush_stray(self, received: Sequence[Received] | None = None) -> None:
        """Keep text outside messages where it is text and not noise."""
        runs = [r for r in (self._outside if received is None else received) if not r.service]
        if received is None:
            self._outside = []
        runs = _credible(runs)
        clear = sum(r.place is not None for r in runs)
        if clear < _LEAST_STRAY or clear < 0.5 * len(runs):
            return
        printer = Printer()
        text = as_lines("".join(printer.print(r.place) for r in runs)).strip(" \n")
        if sum(sign.isalnum() for sign in text) < _LEAST_STRAY:
            return
        self.stray.append(text)
        if _spells([r for r in runs if r.place not in LINE_ENDS][-4:], END):
            self.remark("The end of a message was received whose beginning was not; it stands in the stray text.")

    def _close(self, *, lost: bool) -> Message:
        assert self._inside is not None
        characters = self._inside
        if lost:
            characters = characters[: max(len(START), len(_credible(characters, both_ends=False)))]
        end = self._end
        message = _message(characters, end, self._phasing_s, self._receiver, first_of_sender=self._first_of_sender)
        self._first_of_sender = False
        self._inside, self._end, self._phasing_s = None, None, None
        self._outside = []
        return message


def _spells(received: Sequence[Received], word: Sequence[int], *, one_wrong: bool = False) -> bool:
    """Do the characters spell `word` in one go, with one of them lost at most? `one_wrong` lets it be another sign."""
    if len(received) < len(word) or received[-1].start_s - received[0].start_s > (len(word) + INSERTED_PAIRS) * PAIR_S:
        return False
    others = [r.place for r, wanted in zip(received, word, strict=True) if r.place != wanted]
    return not others or (len(others) == 1 and (others[0] is None or (one_wrong and others[0] < CARRIAGE_RETURN)))


def _phasing_pairs(before: Sequence[Received]) -> int:
    """Count the pairs of phasing that lead up to a message; a few bad ones in between do not end it."""
    pairs = bad = 0
    for distance, received in enumerate(reversed(before), 1):
        if received.place == RQ and received.first == RQ:  # the first two second copies speak of pairs not sent
            pairs, bad = distance, 0
        elif received.place != RQ and (bad := bad + 1) > 4:
            break
    return pairs


def _credible(received: Sequence[Received], *, both_ends: bool = True) -> list[Received]:
    """Cut off what noise or another sender's bits have put at the ends."""
    kept = list(received)
    for _ in range(2 if both_ends else 1):
        gained = list(itertools.accumulate(min(r.evidence, 4.0) - 0.5 for r in kept))
        best = max(range(len(gained)), key=gained.__getitem__, default=-1)
        kept = kept[: best + 1] if gained and gained[best] > 0 else []
        if both_ends:
            kept.reverse()
    return kept


@dataclass(frozen=True, slots=True)
class _Header:
    """B1 to B4 as far as they were received, and where the text begins."""

    station: str | None
    subject: str | None
    number: str | None
    length: int
    clean: bool

    @property
    def identity(self) -> str | None:
        if self.station and self.subject and self.number and self.clean:
            return self.station + self.subject + self.number
        return None


def _header(places: Sequence[int | None]) -> _Header:
    """Read ZCZC, a space, B1, B2, a figure shift, B3, B4 and the end of the line by their order.

    B1 and B2 are always letters and B3 and B4 figures, so a lost shift between them is no riddle.
    """
    place = len(START)
    clean = tuple(places[:place]) == START

    def skip(wanted: Iterable[int], most: int = 9) -> int:
        nonlocal place
        wanted = frozenset(wanted)
        first = place
        while place < len(places) and places[place] in wanted and place - first < most:
            place += 1
        return place - first

    def take() -> int | None:
        nonlocal place
        place += 1
        return places[place - 1] if place <= len(places) else None

    if not skip((SPACE, LETTERS)) and place < len(places) and places[place] is None:
        place += 1  # the space was lost
    skip((LETTERS,))
    b1 = take()
    skip((LETTERS,))
    b2 = take()
    shifted = skip((FIGURES,)) > 0
    if not shifted and place < len(places) and places[place] is None:
        place += 1  # the shift was lost
    b3 = take()
    skip((FIGURES,))
    b4 = take()
    skip((SPACE, LETTERS), 2)
    skip(LINE_ENDS, 3)

    def as_letter(b: int | None) -> str | None:
        return CHARACTERS[b].letters if b is not None and b < 26 else None

    def as_figure(b: int | None) -> str | None:
        return CHARACTERS[b].figures if b is not None and b < 26 and CHARACTERS[b].figures.isdigit() else None

    tens, ones = as_figure(b3), as_figure(b4)
    number = tens + ones if tens and ones else None
    return _Header(as_letter(b1), as_letter(b2), number, min(place, len(places)), clean and shifted)


def _message(
    characters: Sequence[Received],
    end: int | None,
    phasing_s: float | None,
    receiver: ConformingReceiver,
    *,
    first_of_sender: bool,
) -> Message:
    places = [received.place for received in characters]
    header = _header(places)
    heard_header = _header([received.ordinary for received in characters])
    printer = Printer()
    if header.length > len(START):
        printer.print(LETTERS if LETTERS in places[len(START) : header.length][-2:] else FIGURES)
    body = as_lines("".join(printer.print(place) for place in places[header.length : end])).strip("\n")
    ordinary = [received.ordinary for received in characters]
    errors = sum(place is None for place in ordinary)
    start_s = characters[0].start_s
    remarks = []
    if None in (header.station, header.subject, header.number):
        remarks.append("The header is damaged: the message was heard, but its identity is not known in full.")
    if end is None:
        remarks.append("The end of the message (NNNN) was not received.")
    if places.count(NUMBER_32) > len(places) / 10:
        remarks.append("The text uses word no. 32 as a shift, as some national alphabets do; these are not supported.")
    return Message(
        station=header.station,
        subject=header.subject,
        number=header.number,
        body=body,
        complete=end is not None,
        characters=len(characters),
        character_errors=errors,
        character_errors_repaired=places.count(None),
        first_copy_errors=sum(received.first_copy_bad for received in characters),
        second_copy_errors=sum(received.second_copy_bad for received in characters),
        character_error_ratio=errors / len(characters),
        start_s=start_s,
        end_s=characters[-1].start_s + PAIR_S / 2,
        start_utc=None,
        phasing_s=phasing_s,
        ordinary_receiver=receiver.hear(
            Heard(
                identity=heard_header.identity,
                characters=len(characters),
                errors=errors,
                complete=end is not None and [r.ordinary for r in characters[end : end + 4]] == list(END),
                stopped=_stopped(ordinary),
                phasing_s=phasing_s,
                first_of_sender=first_of_sender,
                start_s=start_s,
            )
        ),
        remarks=tuple(remarks),
    )


def _stopped(ordinary: Sequence[int | None]) -> bool:
    """Were more than a third of the characters lost for five seconds?"""
    lost = np.array([place is None for place in ordinary], float)
    if lost.size < STOPS_AFTER_CHARACTERS:
        return False
    window = np.convolve(lost, np.ones(STOPS_AFTER_CHARACTERS), "valid") / STOPS_AFTER_CHARACTERS
    return bool(window.max() > STOPS_ABOVE_RATIO)
