"""Calls on MF and HF: F1B at 100 Bd, found by their phasing, read with the phase carried from bit to bit.

The 140 known bits of the phasing are looked for at every time, at every offset to ±60 Hz and in both senses of keying;
nothing of the dot pattern, the carrier's edges or the bit timing is taken for granted. Soft decoding always yields
words, so a call is reported only where its phasing stands out of what noise could do.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders import fsk, fsk_follow
from sdrcheck.decoders.decoder import Decode, DecodedCall
from sdrcheck.decoders.dsc import interpret
from sdrcheck.decoders.dsc.frame import FIRST_INFORMATION_SLOT, PHASING, RX_DELAY_SLOTS, Frame, read_frame
from sdrcheck.decoders.dsc.symbols import PHASING_DX, SYMBOL_BITS, bits_of
from sdrcheck.decoders.fsk import BIT_S, Reals, Samples
from sdrcheck.decoders.fsk_follow import Lock
from sdrcheck.filters.excerpt import BitTrack, Excerpt

PHASING_BITS = 16 * SYMBOL_BITS
LONGEST_CALL_BITS = 1_700
SHORTEST_CALL_BITS = 400
LONGEST_DOT_PATTERN = 400
LEAST_KNOWN_BITS = 50
"""Phasing bits that must lie within the samples: a call whose beginning was missed may still be read."""

SEARCH_SIGMA = 6.0
"""How far the known bits must stand out: noise does so about once in fifty hours."""
LEAST_AGREEMENT = 0.75
"""Share of the phasing's soft values, by weight, that must speak for it after careful demodulation; a call at an Eb/N0
of 3 dB has 0.9 and more, noise that passed the search about 0.6."""
LEAST_MARGIN = 3.0
"""Nats by which the words behind a doubtful phasing must stand above their rivals, in the median."""
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
_WEIGHTS = 1 << np.arange(SYMBOL_BITS)


@dataclass(frozen=True, slots=True)
class _Start:
    """Where a phasing begins."""

    lock: Lock
    inverted: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Reading:
    """One call as it was read; times in seconds from the excerpt's first sample, bits as they were meant."""

    frame: Frame
    llr: Reals
    begin_s: float
    """Start of the phasing."""
    bit_s: float
    offset_hz: float
    inverted: bool
    dots: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(0, np.uint8))
    dots_cut: bool = False
    """The samples begin within the dot pattern, or later."""
    gap_bits: float | None = None

    @property
    def end_s(self) -> float:
        return self.begin_s + self.frame.bits_used * self.bit_s


def decode(excerpt: Excerpt) -> Decode:
    """Read all calls in one keying; a passband of receiver sound is searched for their centre first."""
    if excerpt.sample_rate_hz <= fsk.NARROW_RATE_HZ:
        iq, rate = excerpt.iq, excerpt.sample_rate_hz
        return _decode(Samples(fsk.selected(fsk.limited(iq, rate), rate), rate), excerpt, 0.0)
    for centre_hz in fsk.find_centres(excerpt.iq, excerpt.sample_rate_hz):
        iq, rate = fsk.shifted_and_narrowed(excerpt.iq, excerpt.sample_rate_hz, centre_hz)
        found = _decode(Samples(fsk.selected(fsk.limited(iq, rate), rate), rate), excerpt, centre_hz)
        if found.calls:
            return found
    return Decode()


def _decode(samples: Samples, excerpt: Excerpt, centre_hz: float) -> Decode:
    readings = list(_readings(samples, _search(samples))) or list(_readings(samples, _whole_symbols(samples)))
    return Decode(calls=tuple(_decoded_call(reading, excerpt, centre_hz) for reading in readings))


def _readings(samples: Samples, starts: list[_Start]) -> Iterator[_Reading]:
    """Read the calls that begin at `starts`, one after the other; what lies within one is not the start of another."""
    free_from_s: float | None = None
    for start in starts:
        if free_from_s is not None and start.lock.edge_s < free_from_s - 20 * BIT_S:
            continue
        reading = _read(samples, start)
        if reading is None:
            continue
        dots = _dot_pattern(samples, reading, samples.start_s if free_from_s is None else free_from_s)
        first_s = reading.begin_s - dots.size * reading.bit_s
        yield replace(
            reading,
            dots=dots,
            dots_cut=free_from_s is None and first_s < samples.start_s + BIT_S,
            gap_bits=None if free_from_s is None else (first_s - free_from_s) / reading.bit_s,
        )
        free_from_s = reading.end_s


def _decoded_call(reading: _Reading, excerpt: Excerpt, centre_hz: float) -> DecodedCall:
    first_s = reading.begin_s - reading.dots.size * reading.bit_s
    call = interpret.call(
        reading.frame,
        band="mf",
        start_s=excerpt.start_s + first_s,
        end_s=excerpt.start_s + reading.end_s,
        dot_pattern_bits=None if reading.dots_cut else reading.dots.size,
        inverted=reading.inverted,
        gap_before_bits=reading.gap_bits,
    )
    bits = np.concatenate([reading.dots, _settled_bits(reading.frame, reading.llr)])
    track = BitTrack(
        bits=tuple(bits.tolist()),
        first_bit_s=first_s,
        rate_bd=1 / reading.bit_s,
        offset_hz=reading.offset_hz + centre_hz,
        one_is="Y",
        inverted=reading.inverted,
    )
    return DecodedCall(call, track)


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


def _whole_symbols(samples: Samples) -> list[_Start]:
    """Find phasings of which little more than the standard's three symbols is whole, in a clear signal.

    An ordinary receiver asks for two DX and one RX, one DX and two RX, or three RX in their places (M.493 §3.3).
    """
    lock = None
    at_s = samples.start_s
    while lock is None and at_s + 100 * BIT_S < samples.end_s:
        if fsk_follow.keyed_lines(samples, at_s):
            lock = fsk_follow.acquired(samples, at_s, min(fsk_follow.BLOCK_BITS, int((samples.end_s - at_s) / BIT_S)))
        at_s += fsk_follow.BLOCK_BITS * BIT_S / 2
    if lock is None:
        return []
    locks, llr = [], []
    while (bits := min(fsk_follow.BLOCK_BITS, int((samples.end_s - lock.edge_s) / BIT_S))) >= SYMBOL_BITS:
        locks.append(lock)
        stretch, lock = fsk_follow.read_block(samples, lock, bits)
        llr.append(stretch.llr)
    soft = np.concatenate(llr) if llr else np.zeros(0)
    if soft.size < PHASING_BITS:
        return []
    words = np.lib.stride_tricks.sliding_window_view((soft > 0).astype(np.intp), SYMBOL_BITS) @ _WEIGHTS
    clear = np.lib.stride_tricks.sliding_window_view(np.abs(soft), SYMBOL_BITS).min(axis=1) > SURE_NATS
    starts = []
    places = words.size - PHASING_BITS + SYMBOL_BITS
    for inverted in (False, True):
        whole, rx = np.zeros(places, int), np.zeros(places, int)
        for place, symbol in PHASING:
            word = int(np.array(bits_of(symbol)) @ _WEIGHTS)
            there = slice(place * SYMBOL_BITS, place * SYMBOL_BITS + places)
            found = (words[there] == ((1 << SYMBOL_BITS) - 1 - word if inverted else word)) & clear[there]
            whole += found
            rx += found & (symbol != PHASING_DX)
        for at in np.flatnonzero((whole >= 3) & (rx >= 1)).tolist():
            block, rest = divmod(at, fsk_follow.BLOCK_BITS)
            starts.append(
                _Start(replace(locks[block], edge_s=locks[block].edge_s + rest * locks[block].bit_s), inverted)
            )
    return sorted(starts, key=lambda start: start.lock.edge_s)


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
        move_s, variance_s = fsk_follow.summit(offsets, score[i])
        move_hz, variance_hz = fsk_follow.summit(hertz, score[:, j])
        lock = Lock(
            lock.edge_s + move_s,
            lock.centre_hz + move_hz,
            edge_variance=max(variance_s, (0.005 * BIT_S) ** 2),
            centre_variance=max(variance_hz, 0.5**2),
        )
    return _Start(lock, inverted)


# Reading one call -----------------------------------------------------------------------------------------------------


def _read(samples: Samples, start: _Start) -> _Reading | None:
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
    clear = float(np.abs(llr[known]).mean()) > SURE_NATS
    if agreement < LEAST_AGREEMENT and not clear:
        return None
    frame = read_frame(llr, hard)
    if agreement < (SURE_AGREEMENT if clear else LEAST_AGREEMENT) and not (frame.phasing_accepted and frame.end_copies):
        return None  # a clear signal that merely resembles a phasing
    if agreement < SURE_AGREEMENT and not frame.end_copies and float(np.median(frame.margins or 0.0)) < LEAST_MARGIN:
        return None  # a phasing that is none, with nothing behind it
    places = np.concatenate(starts, axis=1)
    used = places[:, places[0] < max(frame.bits_used, PHASING_BITS)]
    bit_s, begin_s = np.polyfit(used[0], used[1], 1) if used.shape[1] > 1 else (BIT_S, start.lock.edge_s)
    blocks = max(1, -(-(frame.bits_used - missing) // fsk_follow.BLOCK_BITS))
    return _Reading(frame, llr, float(begin_s), float(bit_s), float(np.mean(offsets[:blocks])), start.inverted)


def _blocks(samples: Samples, lock: Lock, first: int, count: int) -> Iterator[tuple[fsk_follow.Stretch, int]]:
    lock = lock.later(first)
    while first < count:
        bits = min(fsk_follow.BLOCK_BITS, count - first)
        stretch, lock = fsk_follow.read_block(samples, lock, bits)
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


def _dot_pattern(samples: Samples, reading: _Reading, not_before_s: float) -> NDArray[np.uint8]:
    """Read the dots before the phasing: as far back as alternation explains the samples better than noise or data."""
    begin_s, bit_s, offset_hz = reading.begin_s, reading.bit_s, reading.offset_hz
    most = min(LONGEST_DOT_PATTERN, int((begin_s - not_before_s) / bit_s + 0.3))
    if most <= 0:
        return np.zeros(0, np.uint8)
    after = begin_s + bit_s * np.arange(PHASING_BITS)
    b, y = samples.both_lines(offset_hz, after[after > samples.start_s], bit_s)
    level = fsk.levels(b, y)
    amplitude = float(np.sqrt(np.mean(np.square(level.amplitude))))
    weight = np.full(most, 2 * amplitude / level.noise)
    b, y = samples.both_lines(offset_hz, begin_s - bit_s * np.arange(1, most + 1), bit_s)
    if reading.inverted:
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
