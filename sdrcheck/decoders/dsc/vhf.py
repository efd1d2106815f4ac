"""VHF selective calls (G2B): every call in one keying, from the plainest to the faintest.

The light path (discriminator, matched tones) reads whatever stands well above the noise, and its hard decisions stand
beside every call as what an ordinary receiver had. Where it is not sure and the noise is to blame, the heavy path fits
the phasing in phase and runs a trellis over both phases. Soft decoding always yields words, so a call counts only by
its phasing and by the margins of its words, never by its error check alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import msgspec
import numpy as np

from sdrcheck.decoders.decoder import Decode, DecodedCall
from sdrcheck.decoders.dsc import interpret
from sdrcheck.decoders.dsc.symbols import SYMBOL_BITS
from sdrcheck.decoders.dsc.vhf_acquisition import Samples, credible_phasing, suspicions
from sdrcheck.decoders.dsc.vhf_light import (
    BIT_S,
    Discriminated,
    Search,
    Start,
    receiver_noise_bandwidth_hz,
)
from sdrcheck.decoders.dsc.vhf_phasing import PHASING_BITS
from sdrcheck.decoders.dsc.vhf_presence import present
from sdrcheck.decoders.dsc.vhf_reading import (
    LONGEST_CALL_BITS,
    LONGEST_DOT_PATTERN_BITS,
    Reading,
    read_heavy,
    read_light,
)
from sdrcheck.filters.excerpt import BitTrack, Excerpt

__all__ = ["decode", "present"]

PIECE_S = 8.0
"""A long excerpt is read in pieces; each sees the longest dot pattern before it and the longest call behind it."""
STRONG_DB_HZ = 55.0
"""Carrier-to-noise density above which noise does not limit the discriminator."""
WEAK_SEARCH_S = 4.0
"""How much of a keying is searched for weak calls on a channel where none are expected."""
FITS_A_STRETCH = 12
"""No stretch of a few seconds holds more calls than this."""
DOUBTFUL_MARGIN = 3.0
"""Nats above its best rival, below which a weak call's symbol is called doubtful."""
VOUCHED_WRONG_WORDS = 0.5
"""Expected number of wrong symbols up to which an error check that fits vouches for a weak call: one wrong symbol never
passes it, two pass once in 128."""
UNPROVEN = "The ECC fits, but with so many doubtful symbols that proves little."
UNREAD = "The phasing of a selective call stands out of the noise here, but its characters are too weak to be read."


def decode(excerpt: Excerpt) -> Decode:
    """Find every selective call in one keying of a VHF channel."""
    readings: list[Reading] = []
    unread = 0
    if excerpt.iq.size < SYMBOL_BITS * BIT_S * excerpt.sample_rate_hz:
        return Decode()
    for begin, end in _pieces(excerpt):
        piece = _Piece(excerpt, begin, end)
        found = piece.readings()
        readings += [reading for reading in found if reading.believed]
        unread += sum(reading.phased and not reading.believed for reading in found)
    calls: list[DecodedCall] = []
    before: Reading | None = None
    for reading in sorted(readings, key=lambda r: r.clock.first_bit_s):
        if before is None or reading.clock.first_bit_s > before.end_s - 0.5 * BIT_S:
            calls.append(_told(excerpt, reading, before))
            before = reading
    return Decode(calls=tuple(calls), remarks=(UNREAD,) if unread else ())


def _pieces(excerpt: Excerpt) -> Iterator[tuple[int, int]]:
    """Where a reading's phasing may begin, piece by piece, in samples."""
    length = max(int(PIECE_S * excerpt.sample_rate_hz), 1)
    for begin in range(0, excerpt.iq.size, length):
        yield begin, min(begin + length, excerpt.iq.size)


class _Piece:
    """One stretch of an excerpt and the calls whose phasing begins in it. Times inside count from its first sample."""

    def __init__(self, excerpt: Excerpt, begin: int, end: int) -> None:
        rate = excerpt.sample_rate_hz
        before = round((LONGEST_DOT_PATTERN_BITS + PHASING_BITS) * BIT_S * rate)
        behind = round((LONGEST_CALL_BITS + PHASING_BITS) * BIT_S * rate)
        first = max(begin - before, 0)
        self.iq = excerpt.iq[first : end + behind]
        self.rate_hz = rate
        self.at_s = first / rate
        self.own_s = (-math.inf if begin == 0 else (begin - first) / rate, (end - first) / rate)
        slack_s = max(3 * excerpt.edge_uncertainty_s, 0.002)
        self.on_s = max(excerpt.key_on / rate - self.at_s - slack_s, 0.0)
        self.off_s = min(excerpt.key_off / rate - self.at_s + slack_s, self.iq.size / rate)
        self.noise_density = excerpt.noise_density
        self.calling = excerpt.channel is None or excerpt.channel.calling
        self.sound = Discriminated(self.iq, rate)
        self._samples: Samples | None = None

    @property
    def samples(self) -> Samples:
        """The same stretch as the heavy path wants it, made when first asked for."""
        if self._samples is None:
            self._samples = Samples(self.iq, self.rate_hz)
        return self._samples

    def readings(self) -> list[Reading]:
        """All calls of this piece, those that only their phasing betrays included."""
        found = self._plain_calls()
        if self.noise_density > 0:
            found += self._weak_calls(found, inverted=False)
            if self.calling and not found:
                found += self._weak_calls(found, inverted=True)
        return [reading.later(self.at_s) for reading in found]

    def _owns(self, time_s: float) -> bool:
        return self.own_s[0] <= time_s < self.own_s[1]

    def _plain_calls(self) -> list[Reading]:
        found: list[Reading] = []
        search = Search(self.sound)
        starts = search.starts()
        for place, start in enumerate(starts):
            after_s = found[-1].end_s if found else -math.inf
            if not self._owns(start.first_bit_s) or start.first_bit_s < after_s - 0.5 * BIT_S:
                continue
            following = (s.first_bit_s for s in starts[place + 1 :] if s.plain)
            until_s = min(next(following, math.inf), self.off_s)
            reading = read_light(search, start, self.noise_density, until_s, after_s)
            if not reading.sure and self._noise_limits(reading):
                reading = self._better(reading, start, until_s, after_s)
            if reading.believed:
                found.append(reading)
        return found

    def _noise_limits(self, reading: Reading) -> bool:
        power = self.sound.power(np.array([reading.start_s]), reading.end_s - reading.start_s)
        carrier = float(power[0]) - self.noise_density * receiver_noise_bandwidth_hz()
        return carrier < self.noise_density * 10 ** (STRONG_DB_HZ / 10)

    def _better(self, reading: Reading, start: Start, until_s: float, after_s: float) -> Reading:
        """The heavy path's reading of the same call, if it is the better one."""
        about = reading.clock.first_bit_s
        slack_s = 24 * BIT_S
        nearby = suspicions(
            self.samples,
            about - slack_s,
            about + PHASING_BITS * BIT_S + slack_s,
            inverted=start.inverted,
            offsets_hz=(reading.offset_hz - 600, reading.offset_hz + 600),
        )
        fit = credible_phasing(self.samples, nearby[0], self.noise_density) if nearby else None
        if fit is None:
            return reading
        heavy = read_heavy(self.samples, fit, self.sound, self.noise_density, until_s, after_s)
        return max(reading, heavy, key=lambda r: (r.believed, r.frame.error_check == "ok", -r.wrong_words))

    def _weak_calls(self, plain: list[Reading], *, inverted: bool) -> list[Reading]:
        """Calls too weak for the discriminator, wherever no plain one lies."""
        fits = []
        for begin_s, end_s in self._weak_stretches(plain):
            for suspicion in suspicions(self.samples, begin_s, end_s, inverted=inverted)[:FITS_A_STRETCH]:
                fit = credible_phasing(self.samples, suspicion, self.noise_density)
                if fit and self._owns(fit.first_bit_s):
                    fits.append(fit)
        found: list[Reading] = []
        for fit in sorted(fits, key=lambda f: -f.explained):
            taken = [(r.start_s, r.end_s) for r in plain + found]
            if any(begin - PHASING_BITS * BIT_S < fit.first_bit_s < end - 0.5 * BIT_S for begin, end in taken):
                continue
            later = [r.clock.first_bit_s for r in plain + found if r.clock.first_bit_s > fit.first_bit_s]
            later += [
                other.first_bit_s
                for other in fits
                if other.first_bit_s > fit.first_bit_s + PHASING_BITS * BIT_S and other.explained > 0.5 * fit.explained
            ]
            after_s = max([end for _, end in taken if end < fit.first_bit_s + BIT_S], default=-math.inf)
            until_s = min([*later, self.off_s])
            found.append(read_heavy(self.samples, fit, self.sound, self.noise_density, until_s, after_s))
        return found

    def _weak_stretches(self, plain: list[Reading]) -> list[tuple[float, float]]:
        """Where a weak call could hide: keyed, not strong, and not within a call that was read."""
        block = round(0.05 * self.samples.rate_hz)
        count = self.samples.iq.size // block
        blocks = self.samples.iq[: count * block].reshape(count, block)
        power = np.mean(blocks.real**2 + blocks.imag**2, axis=1)
        open_ = power < self.noise_density * (self.samples.rate_hz + 10 ** (STRONG_DB_HZ / 10))
        middle_s = (np.arange(count) + 0.5) * block / self.samples.rate_hz
        open_ &= (middle_s > self.on_s - 0.05) & (middle_s < self.off_s + 0.05)
        for reading in plain:
            open_ &= (middle_s < reading.start_s) | (middle_s > reading.end_s)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], open_, [False]]).astype(np.int8)))
        stretches = []
        left_s = math.inf if self.calling else WEAK_SEARCH_S
        for begin, end in edges.reshape(-1, 2):
            begin_s = max((begin - 0.5) * block / self.samples.rate_hz, 0.0)
            end_s = min((end + 0.5) * block / self.samples.rate_hz, begin_s + left_s)
            if end_s - begin_s > PHASING_BITS * BIT_S:
                stretches.append((begin_s, end_s))
                left_s -= end_s - begin_s
        return stretches


def _told(excerpt: Excerpt, reading: Reading, before: Reading | None) -> DecodedCall:
    """The call in the standard's words, and its bits where they lay."""
    gap = (reading.start_s - before.end_s) / reading.clock.bit_s if before else None
    bits = np.concatenate([reading.dots, reading.bits])
    # What was sent before the keying began is no part of what was received.
    key_on_s = excerpt.key_on / excerpt.sample_rate_hz - max(3 * excerpt.edge_uncertainty_s, 2 * BIT_S)
    missing = max(math.ceil((key_on_s - reading.start_s) / reading.clock.bit_s), 0) if reading.dots.size == 0 else 0
    start_s = reading.start_s + missing * reading.clock.bit_s
    cut = excerpt.cut_at_start and reading.start_s < 2 * BIT_S
    call = interpret.call(
        reading.frame,
        band="vhf",
        start_s=excerpt.start_s + max(start_s, 0.0),
        end_s=excerpt.start_s + reading.end_s,
        dot_pattern_bits=None if cut else reading.dots.size,
        inverted=reading.inverted,
        gap_before_bits=None if gap is None else round(float(gap), 2) + 0.0,
    )
    doubtful = sum(margin < DOUBTFUL_MARGIN for margin in reading.frame.margins)
    if reading.heavy and doubtful:
        sentence = f"The call was so weak that {doubtful} of its {len(call.symbols)} symbols are doubtful."
        call = msgspec.structs.replace(call, remarks=(*call.remarks, sentence))
    if reading.heavy and call.error_check == "ok" and reading.wrong_words > VOUCHED_WRONG_WORDS:
        call = msgspec.structs.replace(call, error_check="inferred", remarks=(*call.remarks, UNPROVEN))
    track = BitTrack(
        bits=tuple(int(bit) for bit in bits[missing:]),
        first_bit_s=start_s,
        rate_bd=1 / reading.clock.bit_s,
        offset_hz=reading.offset_hz,
        inverted=reading.inverted,
    )
    return DecodedCall(call=call, track=track)
