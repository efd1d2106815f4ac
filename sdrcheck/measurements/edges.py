"""The edges of a keying: rise and fall of the amplitude, and where the frequency goes when the carrier comes up."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements.noise import FLAT_HZ
from sdrcheck.measurements.spectrum import PRUDENCE, Reals, smoothed
from sdrcheck.measurements.stretch import Stretch
from sdrcheck.quantities import Measured, Term

_FILTER_RISE_S = 0.8 / (2 * FLAT_HZ)
"""10 % to 90 % of the channel filter's own step, about."""
_LOOKS_S = (0.05, 0.1, 0.2, 0.4, 0.8)
"""How far about an edge is looked for it: the next further where it fills more than a third of that."""
TRANSIENT_S = 0.025
"""Both intervals after key-on in which the type test looks: 5 ms and 20 ms (ETSI EN 300 162-1, 8.14, from memory)."""


ALLOWED_HZ = 25_000.0
"""So far it may swing there."""
_QUIET_S = 0.015


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of a keying."""

    duration: Measured
    low_index: float
    """Where the amplitude is at 10 %, in samples of the excerpt."""
    high_index: float
    longer: bool = False
    """It goes on beyond what was looked at: the duration is only a part of it."""


def rise(excerpt: Excerpt, noise_power: float) -> Edge | None:
    """Measure the rise from 10 % to 90 % of the amplitude in seconds; None where the excerpt does not show it."""
    if excerpt.cut_at_start:
        return None
    found = None
    for look_s in _LOOKS_S:
        reach = int(look_s * excerpt.sample_rate_hz)
        if found is not None and 2 * reach > excerpt.key_off - excerpt.key_on:
            break  # so far from one edge lies the other
        low = max(0, excerpt.key_on - reach)
        high = min(excerpt.iq.size, excerpt.key_on + reach, excerpt.key_off)
        if any(at < high and at + length > low for at, length in excerpt.lost):
            break
        found = _edge(excerpt.iq[low:high], excerpt.key_on - low, excerpt.sample_rate_hz, noise_power, low)
        found = _doubted(found, (high - excerpt.key_on) / excerpt.sample_rate_hz)
        if found is None or not found.longer:
            break
    return found


def fall(excerpt: Excerpt, noise_power: float) -> Edge | None:
    """Measure the fall from 90 % to 10 % of the amplitude in seconds; None where the excerpt does not show it."""
    if excerpt.cut_at_end:
        return None
    found = None
    for look_s in _LOOKS_S:
        reach = int(look_s * excerpt.sample_rate_hz)
        if found is not None and 2 * reach > excerpt.key_off - excerpt.key_on:
            break  # so far from one edge lies the other
        low = max(0, excerpt.key_off - reach, excerpt.key_on)
        high = min(excerpt.iq.size, excerpt.key_off + reach)
        if any(at < high and at + length > low for at, length in excerpt.lost):
            break
        found = _edge(excerpt.iq[low:high][::-1], high - excerpt.key_off, excerpt.sample_rate_hz, noise_power, low)
        found = _doubted(found, (excerpt.key_off - low) / excerpt.sample_rate_hz)
        if found is None or not found.longer:
            break
    return found


def _doubted(found: Edge | None, seen_s: float) -> Edge | None:
    """Mark an edge that fills too much of what was looked at for its end to be known."""
    return replace(found, longer=found.duration.value > 0.35 * seen_s) if found is not None else None


def _edge(iq: NDArray[np.complex64], near: int, rate: float, noise_power: float, first: int) -> Edge | None:
    powers = np.square(np.abs(iq)).astype(np.float64) - noise_power
    later = powers[near + (powers.size - near) // 2 :]
    if later.size < 16 or near < 8:
        return None
    full = math.sqrt(max(float(np.mean(later)), 0.0))
    if full == 0 or full**2 < 10 * noise_power:
        return None
    width = max(3, int(0.0001 * rate))
    found = None
    for _ in range(4):
        found = _crossings(_local_cubic(powers, width), full)
        if found is None:
            return None
        wider = max(3, min(int(0.3 * (found[1] - found[0])), int(0.02 * rate)))
        if abs(wider - width) <= 1:
            break
        width = wider
    assert found is not None
    low, high = found
    taken = high - low
    own = _FILTER_RISE_S * rate
    duration = math.sqrt(max(taken**2 - own**2, 0.0)) if taken < 4 * own else taken

    # the amplitude's noise where it crosses, over the slope there; a cubic fit averages about width/2.25 samples
    independent = max(1.0, width / 2.25 * 2 * FLAT_HZ / rate)
    if 0.01 * full**2 * independent < noise_power:
        return None  # the 10 % lie in the noise
    slope = 0.8 * full / max(taken, 1.0)
    spread = 0.0
    for part in (0.1, 0.9):
        amplitude = math.sqrt(noise_power / (2 * independent)) * math.sqrt(1 + noise_power / (2 * (part * full) ** 2))
        spread += (amplitude / slope) ** 2
    terms = [Term.normal("noise", PRUDENCE**2 * math.sqrt(spread) / rate)]
    if taken < 4 * own:
        terms.append(Term.rectangular("channel filter", own * own / max(taken, own) / 2 / rate))
    terms.append(Term.rectangular("resolution", 0.5 / rate))
    method = "10 % to 90 % of the amplitude, channel filter allowed for"
    return Edge(Measured(duration / rate, "s", tuple(terms), method), first + low, first + high)


def _local_cubic(values: Reals, width: int) -> Reals:
    """Smooth by a cubic fitted within `width` samples: slopes and bends stay where they are."""
    half = width // 2
    if half < 2:
        return values
    at = np.arange(-half, half + 1) / half
    kernel = np.linalg.pinv(np.stack([at**0, at, at**2, at**3], axis=1))[0]
    padded = np.concatenate([np.full(half, values[:half].mean()), values, np.full(half, values[-half:].mean())])
    result: Reals = np.convolve(padded, kernel[::-1], "valid")
    return result


def _crossings(powers: Reals, full: float) -> tuple[float, float] | None:
    """Samples (with fractions) where the amplitude passes 10 % and 90 % about its passage through half."""
    above = np.flatnonzero(powers >= 0.25 * full**2)
    if not above.size or above[0] == 0:
        return None
    half = int(above[0])
    amplitude = np.sqrt(np.maximum(powers, 0.0))
    under = np.flatnonzero(amplitude[:half] < 0.1 * full)
    over = np.flatnonzero(amplitude[half:] >= 0.9 * full)
    if not under.size or not over.size:
        return None
    low, high = int(under[-1]), half + int(over[0])
    return (
        low + _part(amplitude[low], amplitude[low + 1], 0.1 * full),
        high - 1 + _part(amplitude[high - 1], amplitude[high], 0.9 * full),
    )


def _part(before: float, after: float, level: float) -> float:
    return float((level - before) / (after - before)) if after > before else 0.5


def unseen(excerpt: Excerpt, stretch: Stretch) -> str | None:
    """Why nothing can be said of where the carrier was before it stood in its channel, in words; None where it can."""
    opening = excerpt.opening
    if opening is None or opening.half_width_hz < ALLOWED_HZ:
        seen = FLAT_HZ if opening is None else opening.half_width_hz
        return f"only ±{seen / 1e3:.0f} kHz about the channel could be looked at, and ±25 kHz are asked for"
    power = np.square(np.abs(opening.iq)).astype(np.float64)
    before = float(np.mean(power[: int(_QUIET_S * opening.sample_rate_hz)]))
    behind = opening.iq.size - opening.key_on
    since = int(TRANSIENT_S * opening.sample_rate_hz)
    later = float(np.mean(power[opening.key_on + since :]))
    low, high = (
        excerpt.key_on + int(count * excerpt.sample_rate_hz / opening.sample_rate_hz) for count in (since, behind)
    )
    inside = float(np.mean(np.square(np.abs(excerpt.iq[low:high])))) - stretch.noise.total if low < high else 0.0
    quiet = stretch.noise.density * 2 * opening.half_width_hz
    if before - quiet > 0.05 * stretch.power or not 0.8 * inside < later - before < 1.25 * inside:
        return f"something else was on the air within ±{opening.half_width_hz / 1e3:.0f} kHz of it"
    return None


def transient_frequency(excerpt: Excerpt, stretch: Stretch, carrier_hz: float, edge: Edge) -> Measured | None:
    """Measure the largest excursion from the settled carrier within 25 ms of key-on, in hertz with its sign.

    Assumes that nothing modulates the carrier in that time. Zero means that nothing stood out of the noise. Where the
    carrier came up outside its channel, the wider filter of the opening tells where.
    """
    rate = excerpt.sample_rate_hz
    noise_power = max(stretch.noise.total, 1e-30)
    first = max(0, math.ceil(edge.low_index))
    last = min(first + int(TRANSIENT_S * rate), excerpt.key_off)
    near = _largest_swing(excerpt.iq[first : last + 1], rate, carrier_hz, noise_power)
    opening = excerpt.opening
    if opening is None:
        return near
    rate = opening.sample_rate_hz
    width = int(0.0003 * rate)
    wide_noise = max(stretch.noise.density * 2 * opening.half_width_hz, 1e-30)
    power = smoothed(np.square(np.abs(opening.iq)).astype(np.float64), width)
    up = np.flatnonzero(power > max(0.01 * stretch.power, 4 * wide_noise))  # a tenth of the amplitude
    if not up.size:
        return near
    start = int(up[0])
    wide = opening.iq[start : start + int(TRANSIENT_S * rate) + 1]
    far = _largest_swing(wide, rate, carrier_hz, wide_noise)
    return far if far is not None and abs(far.value) > FLAT_HZ - abs(carrier_hz) else near


def _largest_swing(iq: NDArray[Any], rate: float, carrier_hz: float, noise_power: float) -> Measured | None:
    iq = iq.astype(np.complex128)
    width = max(2, int(0.0003 * rate))
    if iq.size < 4 * width:
        return None
    turn = iq[1:] * np.conj(iq[:-1]) * np.exp(-2j * np.pi * carrier_hz / rate)
    sums = np.convolve(turn, np.ones(width), "valid")
    weight = smoothed(np.square(np.abs(iq[1:])), width)[width // 2 : width // 2 + sums.size]
    frequency = np.angle(sums) * (rate / (2 * np.pi))
    clean = weight > 20 * noise_power
    if not clean.any():
        return None
    # the ends of each sum decide: twice the phase's variance over the sum's length, more where the carrier is weak
    spread = rate / (2 * np.pi * width) * np.sqrt(noise_power / np.maximum(weight, noise_power))
    strength = np.where(clean, np.abs(frequency) / spread, 0.0)
    top = int(np.argmax(np.where(clean, np.abs(frequency), 0.0)))
    method = f"largest excursion within 25 ms of key-on, averaged over {1e3 * width / rate:.1f} ms"
    if strength.max() < math.sqrt(2 * math.log(max(2.0, 20.0 * frequency.size / width))) + 1:
        return Measured(0.0, "Hz", (Term.normal("noise", 1.5 * float(spread[clean].max())),), method)
    found, noise, doubt = float(frequency[top]), float(spread[top]), 0.0
    later = top + 2 * width
    if top <= int(np.flatnonzero(clean)[0]) + width and later < frequency.size:
        # already on its way back: carried on in a straight line to where the carrier comes up
        centres = np.convolve(np.arange(turn.size) * np.abs(turn), np.ones(width), "valid") / np.maximum(
            np.convolve(np.abs(turn), np.ones(width), "valid"), 1e-30
        )
        reach = float(centres[top] / (centres[later] - centres[top]))
        back = float(frequency[top] - frequency[later]) * reach
        found, doubt = found + back, 1.2 * abs(back)
        noise = math.hypot((1 + reach) * noise, reach * float(spread[later]))
    steps = np.diff(frequency[frequency.size // 2 :: width])
    restless = 1.05 * float(np.median(np.abs(steps)))  # 1.48 for a median, √2 for a difference; one jump does not count
    noise = max(noise, restless)  # the carrier's own noise hides as much
    terms = (Term.normal("noise", noise), Term.rectangular("averaging", doubt))
    return Measured(found, "Hz", terms, method)
