"""The light path to a VHF call: a discriminator, the two tones matched bit by bit, and a bit clock fitted to the call.

Its hard decisions are what an ordinary receiver has. Its soft values carry every call that stands well above the noise.
All times are in seconds from the first sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from sdrcheck.decoders.dsc.frame import PHASING, RX_DELAY_SLOTS, SLOT_BITS
from sdrcheck.decoders.dsc.symbols import SYMBOL_BITS, Format, code_table, mirrored
from sdrcheck.decoders.dsc.vhf_phasing import PHASING_BITS, RATE_BD, TONE_B_HZ, TONE_Y_HZ, known_bits
from sdrcheck.filters.iq import Complex

Real = NDArray[np.floating[Any]]

BIT_S = 1 / RATE_BD
STEPS = 8
"""Places a bit at which the search looks for the start of a call."""
RECEIVER_FLAT_HZ = 8_000.0
RECEIVER_EDGE_HZ = 10_500.0
"""The channel filter of the ordinary receiver, from flat to nothing: a call of index 2 at ±1.5 kHz passes whole."""
LARGEST_RATE_ERROR = 2400e-6
MUTED_BELOW = 0.1
"""Share of the usual power below which the ordinary receiver's sound is muted."""


class Discriminated:
    """One stretch of channel samples behind a discriminator, ready to be asked for the tone of any bit."""

    def __init__(self, iq: Complex, sample_rate_hz: float) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.filtered = receiver_filtered(iq, sample_rate_hz)
        self.duration_s = iq.size / sample_rate_hz
        self._energy = _running_sum((self.filtered.real**2 + self.filtered.imag**2).astype(np.float64))
        product = self.filtered[1:] * np.conj(self.filtered[:-1])
        turn = np.angle(product).astype(np.float64)
        # Where the carrier rises and falls the discriminator hears noise, louder than any tone: it is muted there.
        strength = np.abs(product)
        mute = np.minimum(strength / max(MUTED_BELOW * float(np.median(strength)), 1e-30), 1.0)
        turn += (1 - mute) * (float(np.median(turn)) - turn)
        self.frequency = turn * (sample_rate_hz / (2 * math.pi))
        self._sums = [_running_sum(self.frequency / sample_rate_hz)]
        middle_s = (np.arange(turn.size) + 0.5) / sample_rate_hz
        for tone in (TONE_B_HZ, TONE_Y_HZ):
            carried = self.frequency * np.exp(-2j * math.pi * tone * middle_s) / sample_rate_hz
            self._sums += [_running_sum(carried.real), _running_sum(carried.imag)]

    def tone_energies(self, starts_s: Real) -> tuple[Real, Real]:
        """How much of each bit's sound (Hz² s) is tone B and how much tone Y, for bits that start at `starts_s`.

        Least squares on a constant and the tone, so neither a carrier offset nor the bits' phases matter.
        """
        begin, end = starts_s * self.sample_rate_hz, (starts_s + BIT_S) * self.sample_rate_hz
        index = np.arange(self._sums[0].size)
        mean, *parts = (np.interp(end, index, s) - np.interp(begin, index, s) for s in self._sums)
        energies = []
        for tone, (real, imag) in zip((TONE_B_HZ, TONE_Y_HZ), (parts[0:2], parts[2:4]), strict=True):
            turned = (real + 1j * imag) * np.exp(2j * math.pi * tone * starts_s)
            products = np.stack([mean, turned.real, -turned.imag])
            energies.append(np.einsum("ik,ij,jk->k", products, _inverse_gram(tone), products) - mean**2 / BIT_S)
        return energies[0], energies[1]

    def leaning(self, starts_s: Real) -> Real:
        """From −1 to 1, how much more of each bit's sound is Y than B."""
        tone_b, tone_y = self.tone_energies(starts_s)
        return (tone_y - tone_b) / (np.abs(tone_y) + np.abs(tone_b) + 1e-30)

    def strength(self, starts_s: Real) -> Real:
        """Energy of the stronger tone in each bit's sound, Hz² s."""
        return np.maximum(*self.tone_energies(starts_s))

    def mean_frequency_hz(self, begin_s: float, end_s: float) -> float:
        """Mean frequency between two times, the carrier's offset where the modulation has no mean."""
        begin, end = (min(max(round(t * self.sample_rate_hz), 0), self.frequency.size) for t in (begin_s, end_s))
        return float(np.mean(self.frequency[begin:end])) if end > begin else 0.0

    def power(self, starts_s: Real, length_s: float = BIT_S) -> Real:
        """Mean power in the receiver's filter over `length_s` from each time on."""
        index = np.arange(self._energy.size)
        begin, end = starts_s * self.sample_rate_hz, (starts_s + length_s) * self.sample_rate_hz
        return (np.interp(end, index, self._energy) - np.interp(begin, index, self._energy)) / (end - begin)


def receiver_filtered(iq: Complex, sample_rate_hz: float) -> Complex:
    """The samples behind the ordinary receiver's channel filter, without delay."""
    size = scipy.fft.next_fast_len(iq.size + 256)
    distance = np.abs(scipy.fft.fftfreq(size, 1 / sample_rate_hz))
    slope = np.clip((distance - RECEIVER_FLAT_HZ) / (RECEIVER_EDGE_HZ - RECEIVER_FLAT_HZ), 0, 1)
    gain = (0.5 + 0.5 * np.cos(math.pi * slope)).astype(np.float32)
    return scipy.fft.ifft(scipy.fft.fft(iq, size) * gain)[: iq.size]


@cache
def receiver_noise_bandwidth_hz() -> float:
    """Noise bandwidth of the ordinary receiver's channel filter."""
    return 2 * RECEIVER_FLAT_HZ + 0.75 * (RECEIVER_EDGE_HZ - RECEIVER_FLAT_HZ)


def _running_sum(values: Real) -> Real:
    return np.concatenate([[0.0], np.cumsum(values)])


@cache
def _inverse_gram(tone_hz: float) -> Real:
    """Inverse of the inner products of 1, cos and sin of the tone over one bit."""
    times = (np.arange(4096) + 0.5) / 4096 * BIT_S
    basis = np.stack(
        [np.ones_like(times), np.cos(2 * math.pi * tone_hz * times), np.sin(2 * math.pi * tone_hz * times)]
    )
    return np.linalg.inv(basis @ basis.T * (BIT_S / times.size))


@dataclass(frozen=True, slots=True)
class Start:
    """A place where a call seems to begin."""

    first_bit_s: float
    """Start of the phasing, to about an eighth of a bit."""
    likeness: float
    """From 0 to 1, how well the bits that are known agree."""
    words: int
    """Phasing symbols right, bit for bit, in their places."""
    repeats: int
    """Characters behind the phasing that came twice alike, as they should, and differ from one another."""
    inverted: bool

    @property
    def plain(self) -> bool:
        """No row of fillers or chance inside another call looks like this."""
        return self.likeness > 0.8 or self.words >= 6


class Search:
    """Where in a stretch of sound calls begin, by whatever of a call arrived: most of the phasing, or its repeats."""

    LEAST_LIKENESS = 0.55
    FEWEST_WORDS = 3
    FEWEST_REPEATS = 5

    def __init__(self, sound: Discriminated) -> None:
        self.sound = sound
        steps = max(int((sound.duration_s - BIT_S) / BIT_S * STEPS), 0)
        self.times_s = np.arange(steps) * (BIT_S / STEPS)
        self.leaning = sound.leaning(self.times_s)

    def starts(self) -> list[Start]:
        """Every likely start in order of time, the likelier first where two exclude each other."""
        if self.times_s.size < STEPS * SYMBOL_BITS:
            return []
        lead = STEPS * PHASING_BITS
        leaning = np.concatenate([np.zeros(lead), self.leaning, np.zeros(lead)])
        likeness = self._likeness(leaning)
        symbols = self._symbols(leaning > 0, np.abs(leaning) > 0)
        found: list[tuple[float, int, Start]] = []
        for inverted in (False, True):
            words, repeats = self._matches(symbols, inverted, likeness.size)
            signed = -likeness if inverted else likeness
            worth = signed + 0.1 * words + 0.1 * repeats
            good = (signed >= self.LEAST_LIKENESS) | (words >= self.FEWEST_WORDS) | (repeats >= self.FEWEST_REPEATS)
            for place in np.flatnonzero(good).tolist():
                start = Start(
                    (place - lead) * BIT_S / STEPS,
                    float(signed[place]),
                    int(words[place]),
                    int(repeats[place]),
                    inverted,
                )
                found.append((float(worth[place]), int(place), start))
        found.sort(key=lambda item: -item[0])
        kept: list[tuple[int, Start]] = []
        taken = np.zeros(likeness.size, bool)
        reach = STEPS * PHASING_BITS
        for _, place, start in found:
            if not taken[place]:
                kept.append((place, start))
                taken[max(place - reach, 0) : place + reach] = True
        return [start for _, start in sorted(kept, key=lambda item: item[0])]

    @staticmethod
    def _likeness(leaning: Real) -> Real:
        """Correlation of the known bits with what was heard, for a start at every step."""
        places, values = known_bits()
        size = scipy.fft.next_fast_len(leaning.size + STEPS * PHASING_BITS)
        pattern = np.zeros((2, size))
        pattern[0, places * STEPS] = values
        pattern[1, places * STEPS] = 1.0
        heard = scipy.fft.rfft(np.stack([leaning, np.abs(leaning)]), size)
        both = scipy.fft.irfft(heard * np.conj(scipy.fft.rfft(pattern)), size)[:, : leaning.size - STEPS * PHASING_BITS]
        # Bits that were not received count as silence, not as agreement: a fifth of full leaning is always expected.
        return both[0] / np.maximum(both[1], 0.2 * values.size)

    @staticmethod
    def _symbols(high: NDArray[np.bool_], there: NDArray[np.bool_]) -> NDArray[np.int16]:
        """The symbol that the ten bits from each step on spell, −1 where their own check fails."""
        count = high.size - STEPS * SYMBOL_BITS
        word = np.zeros(count, np.int16)
        whole = np.ones(count, bool)
        for bit in range(SYMBOL_BITS):
            word |= high[bit * STEPS : bit * STEPS + count].astype(np.int16) << bit
            whole &= there[bit * STEPS : bit * STEPS + count]
        return np.where(whole, _symbol_of_word()[word], np.int16(-1))

    def _matches(
        self, symbols: NDArray[np.int16], inverted: bool, count: int
    ) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
        """For a start at each step: phasing symbols in place, and characters that came twice alike."""
        words = np.zeros(count, np.int16)
        rx_words = np.zeros(count, np.int16)
        padded = np.concatenate([symbols, np.full(STEPS * SLOT_BITS * 32, -1, np.int16)])
        for place, symbol in PHASING:
            expected = mirrored(symbol) if inverted else symbol
            shift = STEPS * SYMBOL_BITS * place
            hit = padded[shift : shift + count] == expected
            words += hit
            if place % 2:
                rx_words += hit
        words[rx_words == 0] = 0  # DX symbols alone do not say where they stand (M.493 §3.3)
        repeats = self._repeats(padded, inverted, count)
        return words, repeats

    def _repeats(self, padded: NDArray[np.int16], inverted: bool, count: int) -> NDArray[np.int16]:
        """Characters that came twice alike behind the phasing, where both format specifiers stand there and agree."""
        delay = STEPS * (RX_DELAY_SLOTS * SLOT_BITS + SYMBOL_BITS)
        alike = (padded[:-delay] >= 0) & (padded[:-delay] == padded[delay:])
        slot = STEPS * SLOT_BITS
        first = STEPS * PHASING_BITS - 2 * slot
        formats = np.where(np.isin(padded, _format_symbols(inverted)), padded, np.int16(-1))
        either = np.where(formats[:-delay] >= 0, formats[:-delay], formats[delay:])
        formats_twice = either[first : first + count] == either[first + slot : first + slot + count]
        formats_twice &= either[first : first + count] >= 0
        repeats = np.zeros(count, np.int16)
        before = padded[first + slot : first + slot + count]
        for position in range(2, 12):
            shift = first + position * slot
            here = padded[shift : shift + count]
            repeats += alike[shift : shift + count] & (here != before)
            before = here
        return np.where(formats_twice, repeats, 0).astype(np.int16)


@cache
def _symbol_of_word() -> NDArray[np.int16]:
    table = np.full(1 << SYMBOL_BITS, -1, np.int16)
    table[code_table() @ (1 << np.arange(SYMBOL_BITS))] = np.arange(len(code_table()), dtype=np.int16)
    return table


@cache
def _format_symbols(inverted: bool) -> NDArray[np.int16]:
    return np.array([mirrored(f) if inverted else f for f in Format], np.int16)


@dataclass(frozen=True, slots=True)
class Clock:
    """When the bits of a call begin."""

    first_bit_s: float
    """Start of the first bit of the phasing."""
    bit_s: float

    def starts_s(self, bits: NDArray[np.intp]) -> Real:
        return self.first_bit_s + bits * self.bit_s


def fitted_clock(search: Search, about_s: float, bits: int) -> Clock:
    """Fit the bit clock to a call that starts `about_s` and goes on for `bits` bits."""
    index = np.arange(bits)
    clock = _likeliest_clock(search, Clock(about_s, BIT_S), index)
    return refitted_clock(search.sound, refitted_clock(search.sound, clock, bits), bits)


def _likeliest_clock(search: Search, about: Clock, index: NDArray[np.intp]) -> Clock:
    """The start and rate at which the bits are plainest, on a grid as coarse as the fit behind it allows."""
    errors = np.arange(-LARGEST_RATE_ERROR, LARGEST_RATE_ERROR + 1e-9, 300e-6)
    trials = [
        Clock(about.first_bit_s + shift * BIT_S, BIT_S * (1 + error))
        for error in errors[np.argsort(np.abs(errors), kind="stable")]
        for shift in (0.0, -0.125, 0.125, -0.25, 0.25)
    ]
    plainness = np.abs(search.leaning)
    worth = [np.interp(trial.starts_s(index), search.times_s, plainness).sum() for trial in trials]
    return trials[int(np.argmax(worth))]


def refitted_clock(sound: Discriminated, clock: Clock, bits: int) -> Clock:
    """Fit a straight line through the moments at which one tone gives way to the other, beginning close to them."""
    index = np.arange(bits)
    fractions = np.array([0.3, 0.4, 0.5, 0.6, 0.7])
    starts = clock.starts_s(index)
    change = np.flatnonzero(np.diff(sound.leaning(starts) > 0))
    if change.size < 12:
        return clock
    near = (starts[change, None] + fractions * clock.bit_s).ravel()
    leaning = sound.leaning(near).reshape(change.size, fractions.size)
    upwards = np.where(leaning[:, -1] > 0, 1.0, -1.0)
    slope = leaning @ (fractions - 0.5) / np.sum((fractions - 0.5) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = np.where(np.abs(slope) > 0.3, -leaning.mean(axis=1) / slope, np.nan)  # in bits from the middle
    good = np.isfinite(crossing) & (np.abs(crossing) < 0.5)
    design = np.stack([np.ones(change.size), change - change.mean(), upwards], axis=1)
    for _ in range(3):
        if good.sum() < 12:
            return clock
        solution = np.linalg.lstsq(design[good], crossing[good], rcond=None)[0]
        residual = crossing - design @ solution
        good &= np.abs(residual) < max(3 * float(np.median(np.abs(residual[good]))), 0.02)
    late, drift = float(solution[0] - solution[1] * change.mean()), float(solution[1])
    return Clock(clock.first_bit_s + late * clock.bit_s, clock.bit_s * (1 + drift))
