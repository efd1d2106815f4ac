"""From the bits of one call to its symbols: the slots, both copies, the end of sequence and the error check.

The call is read from its phasing on. Slot k holds one DX and one RX symbol; a character whose DX copy is in slot k has
its RX copy in slot k + 2, five symbols later. Information position 0 (the first format specifier) lies in DX slot 6.
(M.493 §§2 to 4, 9 and 10; the order EOS, ECC, EOS, EOS in DX and EOS, ECC in RX follows from published call lengths.)

Two receivers work side by side. The soft one adds both copies' log-likelihoods and always yields a word; its margins
say how far to believe it. The hard one is what an ordinary receiver has: each copy by its own check, and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.dsc.call import ErrorCheck, OrdinaryReceiver
from sdrcheck.decoders.dsc.symbols import (
    INFORMATION_BITS,
    PHASING_DX,
    PHASING_RX,
    SYMBOL_BITS,
    SYMBOL_COUNT,
    EndOfSequence,
    Format,
    bits_of,
    code_table,
)

SLOT_BITS = 2 * SYMBOL_BITS
FIRST_INFORMATION_SLOT = 6
RX_DELAY_SLOTS = 2
SLOTS_BEYOND_BODY = 10
"""Slots of a call beyond its characters before the EOS: six of phasing and EOS, ECC, EOS, EOS."""

LONGEST_BODY = 40
LONGEST_EXPANSION = 34

PHASING: tuple[tuple[int, int], ...] = tuple(
    sorted(
        [(2 * slot, PHASING_DX) for slot in range(FIRST_INFORMATION_SLOT)]
        + [(2 * slot + 1, symbol) for slot, symbol in enumerate(PHASING_RX)]
    )
)
"""Place on the air (in symbols from the start) and value of each phasing symbol."""

SHORTEST_BODY: dict[int, int] = {
    Format.DISTRESS: 16,
    Format.ALL_SHIPS: 10,
    Format.AREA: 15,
    Format.GROUP: 15,
    Format.INDIVIDUAL: 15,
    Format.SEMI_AUTOMATIC: 15,
}
"""Characters before the EOS, both format specifiers counted, that a call has at least: 117 and 122 were second
telecommands once, so no EOS is looked for before."""

USUAL_BODY: dict[int, tuple[int, ...]] = {
    Format.DISTRESS: (16,),
    Format.ALL_SHIPS: (13, 16, 18, 23),
    Format.AREA: (18, 21, 23, 28),
    Format.GROUP: (18, 21, 23, 28),
    Format.INDIVIDUAL: (18, 21, 23, 28),
}
"""Lengths that the standard's layouts give (M.493 tables 4.1 to 4.9)."""

PLAIN_SIGNAL = 10.0
FEW_BAD_COPIES = 3
"""In a signal of that many nats per bit, with so few bad copies, a word without a margin was sent wrong rather than
received badly."""

ENDS_AGREE = 3.5
"""Bits' worth that the EOS's four places may speak against it; chance hardly comes as near. Fewer places, much less."""

FIRST_EXPANSION_SPECIFIER, LAST_EXPANSION_SPECIFIER = 100, 106


@dataclass(frozen=True, slots=True)
class ExpansionFrame:
    """What follows directly behind the basic call, in the same rhythm, with an EOS and an ECC of its own."""

    symbols: tuple[int, ...]
    """Specifiers and data, then EOS and ECC where they were found."""
    body: int
    """How many of `symbols` come before the EOS."""
    first_copy: tuple[int | None, ...]
    second_copy: tuple[int | None, ...]
    error_check: ErrorCheck
    after_extra_ends: bool
    """The two extra EOS of the basic call were sent before it."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One call as symbols, soft and hard side by side. Indexes are into `symbols`."""

    phasing: tuple[int | None, ...]
    """Hard symbols at the fourteen phasing places in order of sending; None where the check bits fail."""
    phasing_margin: float
    """Mean log-likelihood by which the phasing bits speak for what they should be, nats per bit."""
    format_copies: tuple[int | None, ...]
    """The format specifier's four hard copies: first and second in DX, then first and second in RX."""
    symbols: tuple[int, ...]
    """Accepted information symbols: format specifier once, through EOS and ECC as far as they were received."""
    body: int
    """How many of `symbols` come before the EOS."""
    first_copy: tuple[int | None, ...]
    second_copy: tuple[int | None, ...]
    margins: tuple[float, ...]
    """Soft score of each symbol above its best rival, nats, before the error check was asked."""
    combined: tuple[int, ...]
    """Neither hard copy had it; the soft values of both did."""
    disputed: tuple[int, ...]
    """Both hard copies were valid words, and different ones."""
    inferred: int | None
    """The one symbol that the error check gave back; the check then vouches for nothing."""
    error_check: ErrorCheck
    end_copies: tuple[int | None, ...]
    """The EOS's four hard copies: in DX, in RX, and the two extra ones in DX; empty where no EOS was found."""
    expansion: ExpansionFrame | None
    bits_used: int
    """Length of the call from its first phasing bit to its last, expansion included: the next may start here."""
    cut: bool
    """The bits ended before the call did."""
    ordinary_receiver: OrdinaryReceiver

    @property
    def phasing_received(self) -> tuple[int, ...]:
        """The phasing symbols that an ordinary receiver found in their places."""
        return tuple(s for s, (_, meant) in zip(self.phasing, PHASING, strict=True) if s is not None and s == meant)

    @property
    def phasing_accepted(self) -> bool:
        """Two DX and one RX, one DX and two RX, or three RX in their places (M.493 §3.3)."""
        received = self.phasing_received
        return len(received) >= 3 and any(symbol != PHASING_DX for symbol in received)


class _Slots:
    """The call's words by information position, in both copies."""

    def __init__(self, llr: NDArray[np.float64], hard: NDArray[np.uint8]) -> None:
        self.whole = llr.size // SYMBOL_BITS
        words = -(-llr.size // SYMBOL_BITS)
        soft = np.zeros(words * SYMBOL_BITS)
        soft[: llr.size] = llr
        self.scores = soft.reshape(words, SYMBOL_BITS) @ code_table().T.astype(np.float64)
        self._most = np.maximum(soft, 0.0).reshape(words, SYMBOL_BITS).sum(axis=1)
        self._weight = np.abs(soft).reshape(words, SYMBOL_BITS).sum(axis=1)
        bits = hard[: self.whole * SYMBOL_BITS].reshape(self.whole, SYMBOL_BITS)
        self._bits = bits
        values = bits[:, :INFORMATION_BITS] @ (1 << np.arange(INFORMATION_BITS))
        good = np.all(code_table()[values] == bits, axis=1)
        self._hard = [int(value) if ok else None for value, ok in zip(values, good, strict=True)]
        self._nothing = np.zeros(SYMBOL_COUNT)

    @staticmethod
    def _dx_place(position: int) -> int:
        return 2 * (FIRST_INFORMATION_SLOT + position)

    @staticmethod
    def _rx_place(position: int) -> int:
        return 2 * (FIRST_INFORMATION_SLOT + RX_DELAY_SLOTS + position) + 1

    def hard_at(self, place: int) -> int | None:
        return self._hard[place] if place < self.whole else None

    def hard_dx(self, position: int) -> int | None:
        return self.hard_at(self._dx_place(position))

    def hard_rx(self, position: int) -> int | None:
        return self.hard_at(self._rx_place(position))

    def _scores_at(self, place: int) -> NDArray[np.float64]:
        return self.scores[place] if place < len(self.scores) else self._nothing

    def dx(self, position: int) -> NDArray[np.float64]:
        return self._scores_at(self._dx_place(position))

    def rx(self, position: int) -> NDArray[np.float64]:
        return self._scores_at(self._rx_place(position))

    def both(self, position: int) -> NDArray[np.float64]:
        return self.dx(position) + self.rx(position)

    def received(self, position: int) -> bool:
        """At least one whole copy of the position lies within the bits."""
        return self._dx_place(position) < self.whole

    def copies_alike(self, position: int) -> bool:
        """The hard bits of both copies are the same, good or bad."""
        dx, rx = self._dx_place(position), self._rx_place(position)
        return rx < self.whole and bool(np.array_equal(self._bits[dx], self._bits[rx]))

    def received_twice(self, position: int) -> bool:
        return self._rx_place(position) < self.whole

    def against(self, position: int, symbol: int | None = None, extras: tuple[int, ...] = ()) -> float:
        """How many bits' worth the received copies speak against a symbol (or against the likeliest one).

        `extras` are further positions whose DX copy holds the same symbol. A missing copy says nothing.
        """
        wanted = [self._dx_place(position), self._rx_place(position), *(self._dx_place(extra) for extra in extras)]
        places = [place for place in wanted if place < self.whole]
        scores = self.scores[places].sum(axis=0)
        weight = float(self._weight[places].sum()) / (SYMBOL_BITS * len(places))
        spoken = float(self._most[places].sum()) - float(scores.max() if symbol is None else scores[symbol])
        return spoken / weight if weight > 0 else 0.0


def read_frame(llr: NDArray[np.float64], hard: NDArray[np.uint8]) -> Frame:
    """Read one call from its bits; index 0 is the first bit of the phasing, DX slot 0.

    `llr` is in nats, above 0 for Y; give 0 where a bit is missing. `hard` are an ordinary receiver's decisions at the
    same places. Bits behind the call do no harm. A bad call is a finding and never raises.
    """
    if llr.shape != hard.shape or llr.ndim != 1:
        raise ValueError(f"one soft value for each hard bit is needed, got {llr.shape} and {hard.shape}")
    most = (LONGEST_BODY + LONGEST_EXPANSION + SLOTS_BEYOND_BODY) * SLOT_BITS
    available = llr.size
    llr, hard = np.asarray(llr[:most], np.float64), hard[:most]
    slots = _Slots(llr, hard)
    phasing = tuple(slots.hard_at(place) for place, _ in PHASING)
    strength = float(np.mean(np.abs(llr[:500]))) if llr.size else 0.0
    if not slots.received(0):
        return _nothing_but_phasing(phasing, phasing_margin(llr), available)

    format_row = _format_row(slots, strength)
    format_specifier = _format(format_row, strength)
    end = _find_end(slots, format_specifier, 2, _shortest(format_specifier), LONGEST_BODY, strength, format_specifier)
    last = end.position if end else _last_credible(slots)
    rows = [format_row, *(slots.both(position) for position in range(2, last))]
    symbols = [format_specifier, *(int(row.argmax()) for row in rows[1:])]
    body = len(symbols)
    first = [slots.hard_dx(position) for position in (0, *range(2, last))]
    second = [slots.hard_rx(position) for position in (0, *range(2, last))]
    known = [{slots.hard_dx(0), slots.hard_dx(1), slots.hard_rx(0), slots.hard_rx(1)}]
    known += [{dx, rx} for dx, rx in zip(first[1:], second[1:], strict=True)]
    end_copies: tuple[int | None, ...] = ()
    check_received = False
    if end:
        end_copies = (
            slots.hard_dx(last),
            slots.hard_rx(last),
            slots.hard_dx(last + 2),
            slots.hard_dx(last + 3),
        )
        rows.append(slots.both(last) + slots.dx(last + 2) + slots.dx(last + 3))
        symbols.append(end.symbol)
        first.append(end_copies[0])
        second.append(end_copies[1])
        known.append(set(end_copies))
        check_received = slots.received(last + 1)
        if check_received:
            rows.append(slots.both(last + 1))
            symbols.append(int(rows[-1].argmax()))
            first.append(slots.hard_dx(last + 1))
            second.append(slots.hard_rx(last + 1))
            known.append({first[-1], second[-1]})
    margins = tuple(_margin(row, symbol) for row, symbol in zip(rows, symbols, strict=True))
    error_check: ErrorCheck = "not received"
    inferred: int | None = None
    if check_received:
        lost = {i for i in range(1, body) if None is first[i] is second[i] and slots.copies_alike(i + 1)}
        plain = strength > PLAIN_SIGNAL and (first + second).count(None) <= FEW_BAD_COPIES
        error_check, inferred = _ask_error_check(symbols, rows, margins, known, strength, lost if plain else None)
    expansion, expansion_end = _find_expansion(slots, last, strength) if end and check_received else (None, None)
    needed = (SLOTS_BEYOND_BODY + (last if expansion_end is None else expansion_end)) * SLOT_BITS
    cut = needed > available if end else not slots.received(last)
    if not end:  # its length is not known, so the search for the next call must begin early
        needed = (SLOTS_BEYOND_BODY + _shortest(format_specifier)) * SLOT_BITS
    return Frame(
        phasing=phasing,
        phasing_margin=phasing_margin(llr),
        format_copies=(slots.hard_dx(0), slots.hard_dx(1), slots.hard_rx(0), slots.hard_rx(1)),
        symbols=tuple(symbols),
        body=body,
        first_copy=tuple(first),
        second_copy=tuple(second),
        margins=margins,
        combined=tuple(i for i, symbol in enumerate(symbols) if symbol not in known[i] and i != inferred),
        disputed=tuple(i for i, (a, b) in enumerate(zip(first, second, strict=True)) if None not in (a, b) and a != b),
        inferred=inferred,
        error_check=error_check,
        end_copies=end_copies,
        expansion=expansion,
        bits_used=min(needed, available),
        cut=cut,
        ordinary_receiver=_ordinary_receiver(slots, phasing, format_specifier, end),
    )


def phasing_margin(llr: NDArray[np.float64]) -> float:
    """Mean log-likelihood, nats per bit, by which the first 160 bits are phasing; below 0 speaks against it."""
    places = np.concatenate([np.arange(SYMBOL_BITS) + place * SYMBOL_BITS for place, _ in PHASING])
    meant = np.concatenate([bits_of(symbol) for _, symbol in PHASING]) * 2.0 - 1.0
    there = places < llr.size
    return float(np.mean(llr[places[there]] * meant[there])) if there.any() else 0.0


def _shortest(format_specifier: int) -> int:
    return SHORTEST_BODY.get(format_specifier, 10)


def _nothing_but_phasing(phasing: tuple[int | None, ...], margin: float, available: int) -> Frame:
    return Frame(
        phasing=phasing,
        phasing_margin=margin,
        format_copies=(None,) * 4,
        symbols=(),
        body=0,
        first_copy=(),
        second_copy=(),
        margins=(),
        combined=(),
        disputed=(),
        inferred=None,
        error_check="not received",
        end_copies=(),
        expansion=None,
        bits_used=available,
        cut=True,
        ordinary_receiver=OrdinaryReceiver(accepted=False, reason="the call broke off before its format specifier"),
    )


def _margin(row: NDArray[np.float64], symbol: int) -> float:
    """Score of a symbol above its best rival; below 0 where a rival was likelier."""
    return float(row[symbol] - np.delete(row, symbol).max())


def _format_row(slots: _Slots, strength: float) -> NDArray[np.float64]:
    """Score of every symbol as format specifier: in both its characters, or in one of them and the other sent wrong."""
    first, second = slots.both(0), slots.both(1)
    penalty = 6 + 2 * strength
    scores: NDArray[np.float64] = np.maximum(
        first + second, np.maximum(first + second.max(), first.max() + second) - penalty
    )
    return scores


def _format(row: NDArray[np.float64], strength: float) -> int:
    """The likeliest format specifier; an unknown one only where it is plainly there in all four copies."""
    legal = max(Format, key=lambda format_specifier: row[format_specifier])
    likeliest = int(row.argmax())
    return likeliest if row[likeliest] - row[legal] > 6 + 2 * strength else int(legal)


@dataclass(frozen=True, slots=True)
class _End:
    position: int
    symbol: int


def _find_end(
    slots: _Slots, start_value: int, start: int, shortest: int, longest: int, strength: float, usual_for: int | None
) -> _End | None:
    """Find the EOS by its symbol, not by counting: some sets leave out frequency elements.

    `start_value` is the exclusive-or of the characters before position `start`. An EOS stands in both copies with two
    more behind it, and an ECC that fits speaks for it; a usual length helps a little.
    """
    candidates: list[tuple[float, bool, _End]] = []
    unlawful: _End | None = None
    running = reduce(xor, (int(slots.both(position).argmax()) for position in range(start, shortest)), start_value)
    for position in range(shortest, longest + 1):
        if not slots.received(position):
            break
        row = slots.both(position)
        extras = (slots.dx(position + 2), slots.dx(position + 3))
        check = int(slots.both(position + 1).argmax()) if slots.received(position + 1) else None
        usual = usual_for is not None and position in USUAL_BODY.get(usual_for, ())
        copies = 1 + slots.received_twice(position) + slots.received(position + 2) + slots.received(position + 3)
        allowed = ENDS_AGREE * (copies / 4) ** 2
        for symbol in EndOfSequence:
            own = float(row[symbol] - row.max())
            behind = [float(extra[symbol] - extra.max()) for extra in extras]
            fits = check == running ^ symbol
            stands = slots.against(position, symbol, (position + 2, position + 3)) <= allowed
            certain = fits and slots.against(position, symbol) < 1.5
            if not stands and not certain:
                continue
            score = own + sum(max(b, -(2 * strength + 2)) for b in behind)
            score += (INFORMATION_BITS * np.log(2) + strength if fits else 0.0) + (3.0 if usual else 0.0)
            candidates.append((score, certain, _End(position, int(symbol))))
        likeliest = int(row.argmax())
        repeated = slots.received(position + 3) and all(int(extra.argmax()) == likeliest for extra in extras)
        if unlawful is None and repeated and check == running ^ likeliest:
            unlawful = _End(position, likeliest)
        running ^= likeliest
    if not candidates:
        return unlawful
    # An expansion behind the call ends as well as the call itself does: the first good end is the call's.
    best = max(score for score, _, _ in candidates)
    surest = [end for _, certain, end in candidates if certain]
    return surest[0] if surest else next(end for score, _, end in candidates if score >= best - 3.0)


def _last_credible(slots: _Slots) -> int:
    """Where the characters stop being any, when no EOS was found: the position behind the last believable one.

    Both copies of a character lie near one word; what is no call lies near none. Two in a row that are none end it.
    """
    last = 2
    for position in range(2, LONGEST_BODY):
        if not slots.received(position) or position - last >= 2:
            break
        if slots.against(position) < (1.5 if slots.received_twice(position) else 0.5):
            last = position + 1
    return last


def _ask_error_check(
    symbols: list[int],
    rows: Sequence[NDArray[np.float64]],
    margins: Sequence[float],
    known: Sequence[set[int | None]],
    strength: float,
    lost: set[int] | None,
) -> tuple[ErrorCheck, int | None]:
    """Hold the ECC against the characters; where they differ by one doubtful symbol, settle it (in `symbols`).

    Where both hard copies are valid but different, the ECC only chooses between two words and still vouches for the
    call. A symbol that it has to give back whole is inferred, and then nothing vouches for the call. In a plain signal
    so is one of the `lost`, whose copies came bad and alike: the second copy told nothing more than the first. (None
    where the signal is not plain.)
    """
    doubtful = 1.0 if lost is None else 0.5 * strength
    tossed = [
        i
        for i, margin in enumerate(margins)
        if symbols[i] not in known[i] and (margin < doubtful or (lost is not None and i in lost))
    ]
    syndrome = reduce(xor, symbols)
    if syndrome == 0:
        return ("inferred", tossed[0]) if tossed else ("ok", None)

    def cost(index: int) -> float:
        other = symbols[index] ^ syndrome
        if index == 0 and not _is_format(other):
            return np.inf
        if index == len(symbols) - 2 and other not in set(EndOfSequence):
            return np.inf
        return float(rows[index][symbols[index]] - rows[index][other])

    costs = [cost(index) for index in range(len(symbols))]
    cheapest = int(np.argmin(costs))
    rival = min(c for index, c in enumerate(costs) if index != cheapest)
    if costs[cheapest] > max(4.0, strength) or rival - costs[cheapest] < max(2.0, 0.5 * strength):
        return "failed", None
    symbols[cheapest] ^= syndrome
    if symbols[cheapest] in known[cheapest] and len(known[cheapest]) > 1 and None not in known[cheapest]:
        return "ok", None
    return "inferred", cheapest


def _is_format(symbol: int) -> bool:
    return symbol in set(Format)


def _find_expansion(slots: _Slots, end: int, strength: float) -> tuple[ExpansionFrame | None, int | None]:
    """Look for an expansion behind the call's ECC, with or without the two extra EOS before it.

    Both places are tried because the sources do not settle it; its specifier must stand in both copies.
    Returns the expansion and the position of its EOS.
    """
    for start in (end + 4, end + 2):
        if not slots.received(start):
            continue
        specifier = int(slots.dx(start).argmax())
        if specifier != int(slots.rx(start).argmax()):
            continue
        if not FIRST_EXPANSION_SPECIFIER <= specifier <= LAST_EXPANSION_SPECIFIER:
            continue
        found = _find_end(slots, 0, start, start + 2, start + LONGEST_EXPANSION, strength, None)
        if found is None and (slots.hard_dx(start), slots.hard_rx(start)) != (specifier, specifier):
            continue
        last = found.position if found else start + 1
        while not found and slots.received(last) and None not in (slots.hard_dx(last), slots.hard_rx(last)):
            last += 1
        positions = list(range(start, last))
        symbols = [int(slots.both(position).argmax()) for position in positions]
        error_check: ErrorCheck = "not received"
        if found:
            positions.append(last)
            symbols.append(found.symbol)
            if slots.received(last + 1):
                positions.append(last + 1)
                symbols.append(int(slots.both(last + 1).argmax()))
                error_check = "ok" if reduce(xor, symbols) == 0 else "failed"
        expansion = ExpansionFrame(
            symbols=tuple(symbols),
            body=last - start,
            first_copy=tuple(slots.hard_dx(position) for position in positions),
            second_copy=tuple(slots.hard_rx(position) for position in positions),
            error_check=error_check,
            after_extra_ends=start == end + 4,
        )
        return expansion, found.position if found else None
    return None, None


def _ordinary_receiver(
    slots: _Slots, phasing: Sequence[int | None], format_specifier: int, end: _End | None
) -> OrdinaryReceiver:
    """Decide as a receiver with hard decisions and the standard's acceptance rules does."""

    def refused(reason: str) -> OrdinaryReceiver:
        return OrdinaryReceiver(accepted=False, reason=reason)

    dx = sum(s == meant == PHASING_DX for s, (_, meant) in zip(phasing, PHASING, strict=True))
    rx = sum(s == meant != PHASING_DX for s, (_, meant) in zip(phasing, PHASING, strict=True))
    if dx + rx < 3 or rx < 1:
        return refused(f"phasing was not reached: {dx} of 6 DX and {rx} of 8 RX phasing symbols in their places")
    found = [format_specifier in (slots.hard_dx(position), slots.hard_rx(position)) for position in (0, 1)]
    if not any(found):
        return refused("the format specifier was lost in all four places")
    if not all(found) and format_specifier in (Format.DISTRESS, Format.ALL_SHIPS):
        return refused(f"format specifier {format_specifier} was found in one of its two characters only")
    if not end or end.symbol not in set(EndOfSequence):
        return refused("no end of sequence was found")
    resolved = [format_specifier]
    for position in range(2, end.position):
        copies = slots.hard_dx(position), slots.hard_rx(position)
        good = {copy for copy in copies if copy is not None}
        if len(good) != 1:
            fate = "its two copies disagree" if good else "both its copies are bad"
            return refused(f"character {position} is lost: {fate}")
        resolved += good
    ends = (
        slots.hard_dx(end.position),
        slots.hard_rx(end.position),
        slots.hard_dx(end.position + 2),
        slots.hard_dx(end.position + 3),
    )
    if end.symbol not in ends:
        return refused("the end of sequence was lost in all four places")
    checks = {slots.hard_dx(end.position + 1), slots.hard_rx(end.position + 1)} - {None}
    if len(checks) != 1:
        return refused("the two copies of the ECC disagree" if checks else "the ECC was lost in both copies")
    if checks != {reduce(xor, resolved, end.symbol)}:
        return refused("the ECC does not fit the characters")
    return OrdinaryReceiver(accepted=True, reason="every character was good in at least one copy, and the ECC fits")
