"""Mode B of Rec. ITU-R M.476/M.625: every character twice, first in a DX slot, then five slots later in an RX slot.

Slots of seven bits alternate, DX first; phasing has RQ in DX and alpha in RX. So the second copy of RQ is alpha, and
that of everything else is itself: 35 pairs of words. Where the pairs begin, and whether the keying is inverted, is
decided by which of the 14 alignments and two senses the soft bits speak for: phasing is not needed, a late start locks.

Two receivers work side by side. The soft one adds both copies and takes the likeliest pair. The ordinary one has hard
words only and follows the standard's rule: either good copy, or nothing where both are bad or contradict each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.fsk import Reals
from sdrcheck.decoders.fsk_follow import Stretch
from sdrcheck.decoders.navtex.symbols import ALPHA, RQ, SERVICE, WORD_BITS, code_table, read_table

PAIR_BITS = 2 * WORD_BITS
COPY_DISTANCE_BITS = 5 * WORD_BITS
SPAN_BITS = COPY_DISTANCE_BITS + WORD_BITS
"""From the first bit of a character's first copy to the last of its second."""

WINDOW_PAIRS = 24
"""How many pairs are asked for the alignment: 3.4 s."""
LEAST_EVIDENCE = 25.0
"""Nats over the window that the best alignment must have; white noise stays below 8."""
LEAST_LEAD = 15.0
LEAST_PROBABILITY = 0.7
"""Below this a character is lost rather than guessed."""

MOST_NATS = 9.0
"""A bit's say is limited to this: two clear copies that contradict each other are not settled by a hair."""

_SIGNS = code_table().astype(np.float64) - 0.5
_SECOND = [ALPHA if place == RQ else place for place in range(35)]
_WEIGHTS = 1 << np.arange(WORD_BITS)[::-1]


@dataclass(frozen=True, slots=True)
class Received:
    """One character: what both copies together say, and what each says by itself. None is lost."""

    place: int | None
    probability: float
    first: int | None
    """The hard first copy, where it is a word."""
    second: int | None
    """The hard second copy, where it is a word."""
    start_s: float
    """Start of the first copy."""
    bit: int = 0
    """Place of the first copy's first bit among the sender's bits; below 0 where only the second copy was received."""
    evidence: float = 0.0
    """Nats by which its fourteen bits speak for being one of the 35 pairs rather than anything; below 0 against it."""

    @property
    def ordinary(self) -> int | None:
        """What a receiver with hard decisions makes of it: either good copy, unless they contradict each other."""
        if self.first is None or self.second is None:
            return self.second if self.first is None else self.first
        if self.first == self.second or (self.first == RQ and self.second == ALPHA):
            return self.first
        if (self.first in SERVICE) != (self.second in SERVICE):
            return self.second if self.first in SERVICE else self.first
        return None

    @property
    def places(self) -> tuple[tuple[int, int], ...]:
        """Where which words of it were sent: place of the first bit and place in CHARACTERS; empty where it is lost."""
        if self.place is None:
            return ()
        return (self.bit, self.place), (self.bit + COPY_DISTANCE_BITS, _SECOND[self.place])

    @property
    def service(self) -> bool:
        """Phasing or idle."""
        return self.place in SERVICE

    @property
    def first_copy_bad(self) -> bool:
        return self.first is None or (self.place is not None and self.first != self.place)

    @property
    def second_copy_bad(self) -> bool:
        return self.second is None or (self.place is not None and self.second != _SECOND[self.place])


class ModeB:
    """Characters out of one sender's bits, as they come. Bits are fed in stretches that follow each other."""

    def __init__(self) -> None:
        pad = COPY_DISTANCE_BITS  # the second copies of what was sent before the first bit
        self._soft = np.zeros(pad)
        """Above 0 for B, as meant; reversed keying is undone once it is known."""
        self._hard = np.full(pad, 2, np.uint8)
        """1 = B, 2 = no bit."""
        self._starts = np.full(pad, np.nan)
        self._base = 0
        """Bits dropped before the first one kept."""
        self._next: int | None = None
        """First bit of the next pair, counted from the beginning; None while not aligned."""
        self._evidence = np.zeros((2, 0))
        """For every bit that a pair could begin with, what speaks for it, upright and inverted."""
        self.inverted = False
        self.slips = 0
        """How often the alignment had to be changed."""

    @property
    def aligned(self) -> bool:
        return self._next is not None

    @property
    def bits(self) -> int:
        """Bits taken so far."""
        return self._base + self._soft.size - COPY_DISTANCE_BITS

    def feed(self, stretch: Stretch) -> list[Received]:
        """Take bits; return the characters that are final now."""
        self._soft = np.concatenate([self._soft, -np.clip(stretch.llr, -MOST_NATS, MOST_NATS)])
        self._hard = np.concatenate([self._hard, 1 - stretch.hard])
        if self._base == 0 and np.isnan(self._starts[0]) and stretch.starts_s.size:
            pad = COPY_DISTANCE_BITS
            self._starts = stretch.starts_s[0] + stretch.bit_s * np.arange(-pad, 0)
        self._starts = np.concatenate([self._starts, stretch.starts_s])
        self._weigh()
        characters: list[Received] = []
        if self._next is None:
            self._align()
        elif (change := self._slipped()) is not None:
            characters += self._read_until(change[0])
            self._next = change[1]
            self.slips += 1
        if self._next is not None:
            characters += self._read_until(self._base + self._soft.size - SPAN_BITS)
        self._forget()
        return characters

    def finish(self) -> list[Received]:
        """Read the characters whose second copy did not come any more."""
        if self._next is None:
            return []
        self._soft = np.concatenate([self._soft, np.zeros(SPAN_BITS)])
        self._hard = np.concatenate([self._hard, np.full(SPAN_BITS, 2, np.uint8)])
        self._starts = np.concatenate([self._starts, np.full(SPAN_BITS, self._starts[-1])])
        return self._read_until(self._base + self._soft.size - SPAN_BITS - WORD_BITS)

    def recent_evidence(self, pairs: int = WINDOW_PAIRS) -> float:
        """Nats that the last pairs speak for the alignment (or the best one, where there is none yet)."""
        kept = self._evidence[:, -pairs * PAIR_BITS :]
        if self._next is None:
            return float(self._sums(kept).max()) if kept.shape[1] >= PAIR_BITS else 0.0
        first = self._base + self._evidence.shape[1] - kept.shape[1]
        offset = (self._next - first) % PAIR_BITS
        return float(kept[int(self.inverted), offset::PAIR_BITS].sum())

    def _weigh(self) -> None:
        """Extend the evidence to all bits that a whole pair of copies can begin with."""
        done = self._evidence.shape[1]
        count = self._soft.size - SPAN_BITS + 1 - done
        if count <= 0:
            return
        soft = self._soft[done:]
        windows = np.lib.stride_tricks.sliding_window_view(soft, WORD_BITS)
        scores = windows @ _SIGNS.T
        free = np.lib.stride_tricks.sliding_window_view(np.logaddexp(soft / 2, -soft / 2) - np.log(2), WORD_BITS).sum(
            axis=1
        )
        second = slice(COPY_DISTANCE_BITS, COPY_DISTANCE_BITS + count)
        both = scores[:count] + scores[second][:, _SECOND]
        upside = -both
        loose = free[:count] + free[second]
        new = np.stack([np.logaddexp.reduce(sign, axis=1) - np.log(35) - loose for sign in (both, upside)])
        self._evidence = np.concatenate([self._evidence, new], axis=1)

    @staticmethod
    def _sums(evidence: NDArray[np.float64]) -> Reals:
        """Evidence for each sense and alignment, shape (2, 14), alignment counted from the first bit given."""
        whole = evidence.shape[1] // PAIR_BITS * PAIR_BITS
        return evidence[:, :whole].reshape(2, -1, PAIR_BITS).sum(axis=1)

    def _align(self) -> None:
        """Look for the alignment in the newest bits; where it is found, go back to the first bit kept."""
        count = self._evidence.shape[1]
        if count < 8 * PAIR_BITS:
            return
        first = max(0, count - WINDOW_PAIRS * PAIR_BITS)
        sums = self._sums(self._evidence[:, first:])
        sense, offset = np.unravel_index(int(sums.argmax()), sums.shape)
        best = float(sums[sense, offset])
        sums[sense, offset] = -np.inf
        if best < LEAST_EVIDENCE or best - float(sums.max()) < LEAST_LEAD:
            return
        if sense == 1:
            self.inverted = True
        self._next = self._base + (first + int(offset)) % PAIR_BITS

    def _slipped(self) -> tuple[int, int] | None:
        """Has another alignment become better? Then until where the old one held, and where the new one begins."""
        assert self._next is not None
        count = self._evidence.shape[1]
        first = max(0, count - WINDOW_PAIRS * PAIR_BITS)
        kept = self._evidence[int(self.inverted), first:]
        whole = kept.size // PAIR_BITS
        if whole < 8:
            return None
        table = kept[: whole * PAIR_BITS].reshape(whole, PAIR_BITS)
        now = (self._next - self._base - first) % PAIR_BITS
        recent = table[-10:].sum(axis=0)
        new = int(recent.argmax())
        if new == now or recent[new] - recent[now] < LEAST_LEAD or recent[new] < LEAST_LEAD:
            return None
        if np.count_nonzero(table[-10:, new] - table[-10:, now] > 1.0) < 5:
            return None  # idling reads well at seven alignments; its last pair must not choose among them
        gained = np.cumsum((table[:, new] - table[:, now])[::-1])[::-1]
        since = int(gained.argmax())
        begin = max(self._base + first + since * PAIR_BITS + new, self._next)
        begin += (self._base + first + new - begin) % PAIR_BITS
        return begin - PAIR_BITS // 2, begin

    def _read_until(self, end: int) -> list[Received]:
        return list(self._pairs(end))

    def _pairs(self, end: int) -> Iterator[Received]:
        """Read the pairs that begin before or at bit `end`."""
        while self._next is not None and self._next <= end:
            at = self._next - self._base
            if at + SPAN_BITS > self._soft.size:
                return
            self._next += PAIR_BITS
            sign = -1.0 if self.inverted else 1.0
            first = sign * (_SIGNS @ self._soft[at : at + WORD_BITS])
            again = at + COPY_DISTANCE_BITS
            second = sign * (_SIGNS @ self._soft[again : again + WORD_BITS])
            scores = first + second[_SECOND]
            best = int(scores.argmax())
            probability = float(1 / np.exp(scores - scores[best]).sum())
            soft = np.concatenate([self._soft[at : at + WORD_BITS], self._soft[again : again + WORD_BITS]])
            free = float(np.logaddexp(soft / 2, -soft / 2).sum()) - PAIR_BITS * np.log(2)
            yield Received(
                place=best if probability >= LEAST_PROBABILITY else None,
                probability=probability,
                first=self._word(at),
                second=self._word(again),
                start_s=float(self._starts[at]),
                bit=self._base + at - COPY_DISTANCE_BITS,
                evidence=float(scores[best] - np.log(probability * len(scores)) - free),
            )

    def _word(self, at: int) -> int | None:
        bits = self._hard[at : at + WORD_BITS]
        if (bits > 1).any():
            return None
        if self.inverted:
            bits = 1 - bits
        place = int(read_table()[int(bits @ _WEIGHTS)])
        return place if place >= 0 else None

    def _forget(self) -> None:
        """Drop what no alignment can need any more."""
        keep = self._soft.size - SPAN_BITS - WINDOW_PAIRS * PAIR_BITS
        kept_unread = 3_000  # 30 s, read once the alignment is found
        keep = self._soft.size - kept_unread if self._next is None else min(keep, self._next - self._base)
        keep = keep // PAIR_BITS * PAIR_BITS
        if keep > 0:
            self._soft, self._hard, self._starts = self._soft[keep:], self._hard[keep:], self._starts[keep:]
            self._evidence = self._evidence[:, keep:]
            self._base += keep
