"""One VHF call read by the light or by the heavy path, and how far to believe it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.dsc.frame import (
    LONGEST_BODY,
    LONGEST_EXPANSION,
    SLOT_BITS,
    SLOTS_BEYOND_BODY,
    Frame,
    phasing_margin,
    read_frame,
)
from sdrcheck.decoders.dsc.vhf_acquisition import Fit, Samples, bits_worth, refitted
from sdrcheck.decoders.dsc.vhf_light import (
    BIT_S,
    Clock,
    Discriminated,
    Search,
    Start,
    fitted_clock,
    receiver_noise_bandwidth_hz,
    refitted_clock,
)
from sdrcheck.decoders.dsc.vhf_phasing import PHASING_BITS, known_bits, unbroken_bits
from sdrcheck.decoders.dsc.vhf_trellis import CERTAIN, soft_bits, words_say

Real = NDArray[np.floating[Any]]
Bits = NDArray[np.uint8]

LONGEST_CALL_BITS = (LONGEST_BODY + LONGEST_EXPANSION + SLOTS_BEYOND_BODY) * SLOT_BITS
LONGEST_DOT_PATTERN_BITS = 220
USUAL_REACH_BITS = 860
"""All calls of the standard without an expansion end before this."""
FIRST_REACH_BITS = 26 * SLOT_BITS
"""A distress alert's length: the first fit of the clock reaches no further."""
LEAST_PHASING_MARGIN, LEAST_LATE_PHASING_MARGIN = 3.0, 2.0
"""Nats a bit. Calls at 32 dB-Hz have 6 and 5, fits to anything else less than 1.5 and about 0 (simulated)."""
MOST_WRONG_WORDS = 3.0
"""Expected number of wrong symbols beyond which a weak call is not worth telling."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One call as one of the two paths read it. Times are in seconds from the first sample."""

    clock: Clock
    frame: Frame
    bits: Bits
    """From the phasing to the end of the call, 1 for Y as it was meant."""
    dots: Bits
    """The dot pattern before them, as far as it was received."""
    offset_hz: float
    inverted: bool
    heavy: bool
    phased: bool
    """By its phasing this is a call; light readings claim it only with what follows."""
    believed: bool
    """By its phasing and its words this is a call, whatever the error check says."""

    @property
    def start_s(self) -> float:
        return self.clock.first_bit_s - self.dots.size * self.clock.bit_s

    @property
    def end_s(self) -> float:
        return self.clock.first_bit_s + self.frame.bits_used * self.clock.bit_s

    def later(self, seconds: float) -> Reading:
        """The same reading counted from a sample that came `seconds` earlier."""
        return replace(self, clock=Clock(self.clock.first_bit_s + seconds, self.clock.bit_s))

    @property
    def wrong_words(self) -> float:
        """How many of its words are expected to be wrong, by their margins."""
        return expected_wrong(self.frame)

    @property
    def sure(self) -> bool:
        """Nothing in it leaves room for a better reading: an ordinary receiver would have had it as well."""
        frame = self.frame
        return self.believed and frame.error_check == "ok" and not frame.combined and not frame.disputed


def expected_wrong(frame: Frame) -> float:
    """Number of a frame's words that are expected to be wrong, by their margins."""
    return float(np.sum(np.exp(-np.maximum(frame.margins, 0.0)))) if frame.margins else 0.0


def read_light(search: Search, start: Start, noise_density: float, until_s: float, after_s: float) -> Reading:
    """Read the call that begins at `start` from the discriminator, up to `until_s`; its dots begin after `after_s`."""
    count = _bits_until(start.first_bit_s, until_s, BIT_S)
    sound = search.sound
    clock = fitted_clock(search, start.first_bit_s, min(count, FIRST_REACH_BITS))
    llr, hard = _light_bits(sound, clock, count, start.inverted, noise_density)
    frame = read_frame(llr, hard)
    if FIRST_REACH_BITS < frame.bits_used < count + 1:
        clock = refitted_clock(sound, clock, frame.bits_used)
        llr, hard = _light_bits(sound, clock, count, start.inverted, noise_density)
        frame = read_frame(llr, hard)
    used = frame.bits_used
    plain = _plain(start, frame)
    return Reading(
        clock=clock,
        frame=frame,
        bits=(llr[:used] > 0).astype(np.uint8),
        dots=_light_dots(sound, clock, start.inverted, noise_density, after_s),
        offset_hz=sound.mean_frequency_hz(clock.first_bit_s, clock.first_bit_s + used * clock.bit_s),
        inverted=start.inverted,
        heavy=False,
        phased=plain,
        believed=plain,
    )


def read_heavy(
    samples: Samples, fit: Fit, sound: Discriminated, noise_density: float, until_s: float, after_s: float
) -> Reading:
    """Read the call whose phasing was fitted from the trellis; `sound` gives an ordinary receiver's decisions."""
    most = _bits_until(fit.first_bit_s, until_s, fit.bit_s)
    lead = int(np.clip((fit.first_bit_s - max(after_s, 0.0)) / fit.bit_s + 0.5, 0, LONGEST_DOT_PATTERN_BITS))
    for count in sorted({min(most, USUAL_REACH_BITS), most}):
        llr = soft_bits(samples, fit, count, noise_density)
        hard = _light_bits(sound, Clock(fit.first_bit_s, fit.bit_s), count, fit.inverted, noise_density)[1]
        frame = read_frame(llr, hard)
        if not frame.cut and frame.bits_used + 3 * SLOT_BITS < count:
            break
    used = frame.bits_used
    phased = phasing_margin(llr) > LEAST_PHASING_MARGIN and _late_phasing_margin(llr) > LEAST_LATE_PHASING_MARGIN
    bits = (llr + words_say(llr) > 0).astype(np.uint8)[:used]
    dots = _heavy_dots(samples, fit, lead, noise_density)
    if frame.error_check == "ok":
        whole = refitted(samples, fit, -dots.size, np.concatenate([dots, bits]), noise_density)
        if whole.amplitude > 0.8 * fit.amplitude:  # one wrong bit turns the sub-carrier for all that follow
            fit = whole
    return Reading(
        clock=Clock(fit.first_bit_s, fit.bit_s),
        frame=frame,
        bits=bits,
        dots=dots,
        offset_hz=fit.offset_hz + fit.drift_hz_per_s * (fit.first_bit_s + used * fit.bit_s / 2 - fit.reference_s),
        inverted=fit.inverted,
        heavy=True,
        phased=phased,
        believed=phased and expected_wrong(frame) < MOST_WRONG_WORDS,
    )


def _late_phasing_margin(llr: Real) -> float:
    """Mean log-likelihood by which the phasing speaks behind the format specifiers, where the fit has not looked."""
    places, values = known_bits()
    late = (places >= unbroken_bits().size) & (places < llr.size)
    return float(np.mean(llr[places[late]] * values[late])) if late.any() else 0.0


def _bits_until(first_bit_s: float, until_s: float, bit_s: float) -> int:
    return int(np.clip((until_s - first_bit_s) / bit_s, PHASING_BITS, LONGEST_CALL_BITS))


def _light_bits(
    sound: Discriminated, clock: Clock, count: int, inverted: bool, noise_density: float
) -> tuple[NDArray[np.float64], Bits]:
    """Soft values (nats) and plain decisions of the discriminator."""
    starts = clock.starts_s(np.arange(count))
    leaning = -sound.leaning(starts) if inverted else sound.leaning(starts)
    reach = min(count, FIRST_REACH_BITS)
    plain = np.abs(leaning[:reach])
    mean, spread = float(plain.mean()), max(float(plain.std()), 0.1)
    # Near its threshold a discriminator clicks, and a click is as plain as a bit: the noise bounds what is believed.
    noise = noise_density * receiver_noise_bandwidth_hz()
    power = float(sound.power(starts[:1], reach * clock.bit_s)[0])
    most = float(np.clip(2 * (power / noise - 1), 2.0, CERTAIN)) if noise > 0 else CERTAIN
    llr = np.clip(2 * mean * leaning / spread**2, -most, most).astype(np.float64)
    return llr, (leaning > 0).astype(np.uint8)


def _plain(start: Start, frame: Frame) -> bool:
    """Whether what an ordinary receiver sees proves a call: its phasing, or some of it and characters sent twice."""
    copies = zip(frame.first_copy, frame.second_copy, strict=True)
    twice = [first for first, second in copies if first is not None and first == second]
    different = len(set(twice))
    phasing = len(frame.phasing_received)
    return (
        phasing >= 9
        or (frame.phasing_accepted and len(twice) >= 4 and different >= 3)
        or (start.repeats >= Search.FEWEST_REPEATS and len(twice) >= 8 and different >= 5)
    )


def _light_dots(sound: Discriminated, clock: Clock, inverted: bool, noise_density: float, after_s: float) -> Bits:
    starts = clock.starts_s(np.arange(-LONGEST_DOT_PATTERN_BITS, 0))
    leaning = -sound.leaning(starts) if inverted else sound.leaning(starts)
    # Neither noise before the carrier nor a bare carrier before the dots may count, however it happens to alternate.
    # Where the phasing is cut off, what follows it shows how strong a bit is.
    noise = noise_density * receiver_noise_bandwidth_hz()
    usual, later = (clock.starts_s(np.arange(first, first + PHASING_BITS)) for first in (0, PHASING_BITS))
    if np.median(sound.power(usual)) < 0.25 * np.median(sound.power(later)):
        usual = later
    carrier = (sound.power(starts) - noise) / max(float(np.median(sound.power(usual))) - noise, 1e-30)
    tone = sound.strength(starts) / (float(np.median(sound.strength(usual))) + 1e-30)
    there = np.clip(2 * carrier - 0.5, 0, 1) * np.clip(3 * tone, 0, 1)
    there[starts < max(after_s, 0.0) - 0.25 * clock.bit_s] = 0.0
    return max(
        (_run(np.where(dots, leaning, -leaning) * there - 0.3, dots) for dots in _both_dots(starts.size)), key=len
    )


def _heavy_dots(samples: Samples, fit: Fit, most: int, noise_density: float) -> Bits:
    """The dots that a waveform carried back from the phasing, in phase, finds to be likelier than none."""
    return max((_run(bits_worth(samples, fit, -most, dots, noise_density), dots) for dots in _both_dots(most)), key=len)


def _both_dots(count: int) -> list[Bits]:
    """Alternating bits that end with B or with Y: the standard leaves open with which tone they begin."""
    return [((np.arange(count - 1, -1, -1) + last) % 2).astype(np.uint8) for last in (0, 1)]


def _run(worth: Real, dots: Bits) -> Bits:
    """The end of `dots` that is worth most."""
    total = np.cumsum(worth[::-1])
    count = int(total.argmax()) + 1 if total.size and total.max() > 0 else 0
    return dots[dots.size - count :]
