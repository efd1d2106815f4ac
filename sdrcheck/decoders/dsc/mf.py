"""Calls on MF and HF: F1B at 100 Bd, found by their phasing, read with the phase carried from bit to bit.

The 140 known bits of the phasing are looked for at every time, at every offset to ±60 Hz and in both senses of keying;
nothing of the dot pattern, the carrier's edges or the bit timing is taken for granted. Soft decoding always yields
words, so a call is reported only where its phasing stands out of what noise could do.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders import fsk
from sdrcheck.decoders.decoder import Decode, DecodedCall
from sdrcheck.decoders.dsc import interpret
from sdrcheck.decoders.dsc.frame import FIRST_INFORMATION_SLOT, PHASING, RX_DELAY_SLOTS, Frame, read_frame
from sdrcheck.decoders.dsc.symbols import SYMBOL_BITS, bits_of
from sdrcheck.decoders.fsk import BIT_S, Lock, Reals, Samples
from sdrcheck.filters.excerpt import BitTrack, Excerpt

PHASING_BITS = 16 * SYMBOL_BITS
LONGEST_CALL_BITS = 1_700
SHORTEST_CALL_BITS = 400
LONGEST_DOT_PATTERN = 400
LEAST_KNOWN_BITS = 50
"""Phasing bits that must lie within the samples: a call whose beginning was missed may still be read."""

SEARCH_SIGMA = 6.0
"""How far the known bits must stand out: noise does so about once in fifty hours."""
LEAST_AGREEMENT = 0.55
"""Share of the phasing's soft values, by weight, that must speak for it after careful demodulation."""
CLEAR_NATS = 8.0
"""A bit as clear as this is taken as it was received, whatever the code says."""
SURE_AGREEMENT, SURE_NATS = 0.8, 8.0
"""Where the bits are as clear as `SURE_NATS` on average, phasing agrees at least so well or shows its symbols whole."""

_HOPS = 6
_GRID_HZ = 8.0
_CENTRES_HZ = np.arange(-fsk.SEARCH_HZ, fsk.SEARCH_HZ + 1, _GRID_HZ)


def _phasing_pattern() -> Reals:
    pattern = np.zeros(PHASING_BITS)
    for place, symbol in PHASING:
        pattern[place * SYMBOL_BITS : (place + 1) * SYMBOL_BITS] = 2.0 * np.array(bits_of(symbol)) - 1.0
    return pattern


_PATTERN = _phasing_pattern()
_KNOWN = np.flatnonzero(_PATTERN)


@dataclass(frozen=True, slots=True)
class _Start:
    """Where a phasing begins."""

    lock: Lock
    inverted: bool


def decode(excerpt: Excerpt) -> Decode:
    """Read all calls in one keying; a passband of receiver sound is searched for their centre first."""
    if excerpt.sample_rate_hz <= fsk.NARROW_RATE_HZ:
        iq, rate = excerpt.iq, excerpt.sample_rate_hz
        return _decode(Samples(fsk.limited(iq, rate), rate), excerpt, 0.0)
    for centre_hz in fsk.find_centres(excerpt.iq, excerpt.sample_rate_hz):
        iq, rate = fsk.shifted_and_narrowed(excerpt.iq, excerpt.sample_rate_hz, centre_hz)
        found = _decode(Samples(fsk.limited(iq, rate), rate), excerpt, centre_hz)
        if found.calls:
            return found
    return Decode()


def _decode(samples: Samples, excerpt: Excerpt, centre_hz: float) -> Decode:
    calls: list[DecodedCall] = []
    starts = _search(samples)
    free_from_s = -np.inf
    for start in starts:
        if start.lock.edge_s < free_from_s - 20 * BIT_S:
            continue
        read = _read(samples, start)
        if read is None:
            continue
        frame, llr, begin_s, bit_s, offset_hz = read
        end_s = begin_s + frame.bits_used * bit_s
        dots = _dot_pattern(samples, start, begin_s, bit_s, offset_hz, free_from_s)
        first_dot_s = begin_s - dots.size * bit_s
        cut = not calls and first_dot_s < samples.start_s + BIT_S
        gap = (first_dot_s - free_from_s) / bit_s if calls else None
        call = interpret.call(
            frame,
            band="mf",
            start_s=excerpt.start_s + first_dot_s,
            end_s=excerpt.start_s + end_s,
            dot_pattern_bits=None if cut else dots.size,
            inverted=start.inverted,
            gap_before_bits=gap,
        )
        bits = np.concatenate([dots, _settled_bits(frame, llr)]).astype(np.uint8)
        track = BitTrack(
            bits=tuple(bits.tolist()),
            first_bit_s=first_dot_s,
            rate_bd=1 / bit_s,
            offset_hz=offset_hz + centre_hz,
            one_is="Y",
            inverted=start.inverted,
        )
        calls.append(DecodedCall(call, track))
        free_from_s = end_s
    return Decode(calls=tuple(calls))


# Looking for the phasing ----------------------------------------------------------------------------------------------


def _search(samples: Samples) -> list[_Start]:
    """Find every phasing, in order of time."""
    lead = PHASING_BITS - LEAST_KNOWN_BITS
    bits = int((samples.end_s - samples.start_s) / BIT_S)
    if bits < LEAST_KNOWN_BITS:
        return []
    best = _correlated(samples, bits, lead)
    found: list[_Start] = []
    strength = np.abs(best)
    while True:
        place = int(strength.argmax())
        if strength[place] < SEARCH_SIGMA:
            break
        edge_s = samples.start_s + (place / _HOPS - lead) * BIT_S
        found.append(_refined(samples, edge_s, inverted=bool(best[place] < 0)))
        strength[max(0, place - 300 * _HOPS) : place + 300 * _HOPS] = 0
    return sorted(found, key=lambda start: start.lock.edge_s)


def _correlated(samples: Samples, bits: int, lead: int) -> Reals:
    """How well the phasing fits from each hop on at the best offset, in standard deviations of noise.

    Index 0 stands `lead` bits before the samples. Below 0 the keying is inverted.
    """
    hops = bits * _HOPS
    starts = samples.start_s + np.arange(hops) * (BIT_S / _HOPS)
    size = 1 << (bits + lead + PHASING_BITS - 1).bit_length()
    pattern = np.conj(np.fft.rfft(_PATTERN, size))
    known = np.conj(np.fft.rfft(np.square(_PATTERN), size))
    best = np.zeros((bits + lead, _HOPS))
    for centre in _CENTRES_HZ:
        b, y = samples.both_lines(float(centre), starts)
        total = np.sqrt(np.square(np.abs(b)) + np.square(np.abs(y)))
        lean = np.divide(np.abs(y) - np.abs(b), total, out=np.zeros_like(total), where=total > 0)
        rows = np.zeros((bits + lead, _HOPS))
        rows[lead:] = lean.reshape(bits, _HOPS)
        match = np.fft.irfft(np.fft.rfft(rows, size, axis=0) * pattern[:, None], size, axis=0)[: bits + lead]
        power = np.fft.irfft(np.fft.rfft(np.square(rows), size, axis=0) * known[:, None], size, axis=0)[: bits + lead]
        there = np.fft.irfft(np.fft.rfft((rows != 0).astype(float), size, axis=0) * known[:, None], size, axis=0)
        enough = there[: bits + lead] > LEAST_KNOWN_BITS - 0.5
        score = np.where(enough, match / np.sqrt(np.maximum(power, 1e-6)), 0.0)
        better = np.abs(score) > np.abs(best)
        best[better] = score[better]
    return best.ravel()


def _refined(samples: Samples, edge_s: float, *, inverted: bool) -> _Start:
    """Place the phasing in time and frequency by its known bits."""
    known = _KNOWN[edge_s + _KNOWN * BIT_S > samples.start_s - BIT_S / 2]
    wanted_y = (_PATTERN[known] > 0) != inverted
    lock = Lock(edge_s, 0.0)
    for reach_bits, hertz in (
        (0.12, _CENTRES_HZ),
        (0.17, np.linspace(-_GRID_HZ, _GRID_HZ, 9)),
        (0.06, np.linspace(-4.0, 4.0, 9)),
    ):
        offsets = np.linspace(-reach_bits, reach_bits, 9) * BIT_S
        score = np.empty((hertz.size, offsets.size))
        starts = lock.edge_s + known * BIT_S
        moved = (starts[None, :] + offsets[:, None]).ravel()
        weight = None if hertz is _CENTRES_HZ else fsk.levels(*samples.both_lines(lock.centre_hz, starts)).weight
        for i, h in enumerate(hertz):
            b, y = samples.both_lines(lock.centre_hz + h, moved)
            right = np.abs(np.where(np.tile(wanted_y, offsets.size), y, b)).reshape(offsets.size, -1)
            score[i] = (right if weight is None else fsk.log_i0(weight * right)).sum(axis=1)
        i, j = divmod(int(score.argmax()), offsets.size)
        move_s, variance_s = fsk.summit(offsets, score[i])
        move_hz, variance_hz = fsk.summit(hertz, score[:, j])
        lock = Lock(
            lock.edge_s + move_s,
            lock.centre_hz + move_hz,
            edge_variance=max(variance_s, (0.005 * BIT_S) ** 2),
            centre_variance=max(variance_hz, 0.5**2),
        )
    return _Start(lock, inverted)


# Reading one call -----------------------------------------------------------------------------------------------------


def _read(samples: Samples, start: _Start) -> tuple[Frame, Reals, float, float, float] | None:
    """Read a call from its phasing on; None where the phasing does not hold up under careful demodulation."""
    missing = max(0, int(np.ceil((samples.start_s - start.lock.edge_s) / BIT_S - 0.25)))
    count = min(LONGEST_CALL_BITS, int((samples.end_s - start.lock.edge_s) / BIT_S + 0.5))
    if count - missing < LEAST_KNOWN_BITS:
        return None
    llr = np.zeros(count)
    hard = np.zeros(count, np.uint8)
    starts, offsets = [], []
    for stretch, first in _blocks(samples, start.lock, missing, count):
        done = first + stretch.llr.size
        llr[first:done] = stretch.llr
        hard[first:done] = stretch.hard
        starts.append(np.stack([np.arange(first, done), stretch.starts_s]))
        offsets.append(stretch.centre_hz)
    if start.inverted:
        llr, hard = -llr, 1 - hard
    known = _KNOWN[: np.searchsorted(_KNOWN, count)]
    agreement = float(llr[known] @ _PATTERN[known]) / (float(np.abs(llr[known]).sum()) + 1e-9)
    if agreement < LEAST_AGREEMENT:
        return None
    frame = read_frame(llr, hard)
    if not frame.phasing_accepted and agreement < SURE_AGREEMENT and np.abs(llr[known]).mean() > SURE_NATS:
        return None  # a clear signal that merely resembles a phasing
    places = np.concatenate(starts, axis=1)
    used = places[:, places[0] < max(frame.bits_used, PHASING_BITS)]
    bit_s, begin_s = np.polyfit(used[0], used[1], 1) if used.shape[1] > 1 else (BIT_S, start.lock.edge_s)
    blocks = max(1, -(-(frame.bits_used - missing) // fsk.BLOCK_BITS))
    return frame, llr, float(begin_s), float(bit_s), float(np.mean(offsets[:blocks]))


def _blocks(samples: Samples, lock: Lock, first: int, count: int) -> Iterator[tuple[fsk.Stretch, int]]:
    lock = lock.later(first)
    while first < count:
        bits = min(fsk.BLOCK_BITS, count - first)
        stretch, lock = fsk.read_block(samples, lock, bits)
        yield stretch, first
        first += bits


def _settled_bits(frame: Frame, llr: Reals) -> NDArray[np.uint8]:
    """The call's bits: as received where they are clear, as the accepted symbols spell them where they are not.

    What the sender plainly sent wrong stays wrong, because the measurements need what was on the air.
    """
    words = dict(PHASING)
    information = [frame.symbols[0], *frame.symbols] if frame.symbols else []
    for position, symbol in enumerate(information):
        words[2 * (FIRST_INFORMATION_SLOT + position)] = symbol
        words[2 * (FIRST_INFORMATION_SLOT + RX_DELAY_SLOTS + position) + 1] = symbol
    if frame.end_copies:
        for position in (frame.body + 3, frame.body + 4):
            words[2 * (FIRST_INFORMATION_SLOT + position)] = frame.symbols[frame.body]
    spelled = (llr > 0).astype(np.uint8)
    for place, symbol in words.items():
        span = slice(place * SYMBOL_BITS, min((place + 1) * SYMBOL_BITS, llr.size))
        word = np.array(bits_of(symbol), np.uint8)[: max(0, span.stop - span.start)]
        spelled[span] = np.where(np.abs(llr[span]) < CLEAR_NATS, word, spelled[span])
    return spelled[: frame.bits_used]


def _dot_pattern(
    samples: Samples, start: _Start, begin_s: float, bit_s: float, offset_hz: float, not_before_s: float
) -> NDArray[np.uint8]:
    """Read the dots before the phasing: as far back as alternation explains the samples better than noise or data."""
    most = min(LONGEST_DOT_PATTERN, int((begin_s - max(samples.start_s, not_before_s)) / bit_s + 0.3))
    if most <= 0:
        return np.zeros(0, np.uint8)
    after = begin_s + bit_s * np.arange(PHASING_BITS)
    b, y = samples.both_lines(offset_hz, after[after > samples.start_s], bit_s)
    level = fsk.levels(b, y)
    amplitude = float(np.sqrt(np.mean(np.square(level.amplitude))))
    weight = np.full(most, 2 * amplitude / level.noise)
    b, y = samples.both_lines(offset_hz, begin_s - bit_s * np.arange(1, most + 1), bit_s)
    if start.inverted:
        b, y = y, b
    noise = amplitude**2 / level.noise
    data = fsk.envelope_evidence(b, y, weight)
    best = np.zeros(0, np.uint8)
    most_gained = 2.0
    for last in (0, 1):  # the bit before the phasing; the standard allows either
        bits = (np.arange(most) + last) % 2
        gained = np.cumsum(fsk.log_i0(weight * np.abs(np.where(bits == 1, y, b))) - np.maximum(noise, data))
        if gained.max() > most_gained:
            most_gained = float(gained.max())
            best = bits[: int(gained.argmax()) + 1][::-1].astype(np.uint8)
    return best
