"""The settled, loss-free part of one keying with its unwrapped phase: what the FM measurements share."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import prev_fast_len

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements import noise
from sdrcheck.measurements.spectrum import Reals, smoothed

SHORTEST_S = 0.02
"""Nothing is measured on less."""
CLIPPING_MATTERS = 1e-4
"""Part of the samples at an end code from which readings are widened (common practice)."""
UNTOUCHED_HZ = noise.FLAT_HZ - 100.0
"""As far from the centre nothing of an FM channel is altered by its filter."""
_EDGE_GUARD_S = 0.0004
_EDGE_SEARCH_S = 0.06
_LOSS_GUARD_S = 0.001
_ROUNDS = 10
_CHUNK = 1 << 18


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """The longest part of a keying in which the carrier stands and no sample is missing.

    A minute of it is four million samples: what looks at all of them does so in `parts`.
    """

    iq: NDArray[np.complexfloating[Any, Any]]
    phase: Reals
    """Unwrapped, in radians."""
    sample_rate_hz: float
    begin: int
    """Index of its first sample in the excerpt."""
    power: float
    """Mean power, noise removed, full scale squared."""
    noise: noise.Noise
    clipped: bool

    @property
    def duration_s(self) -> float:
        return self.iq.size / self.sample_rate_hz

    @property
    def phase_noise_density(self) -> float:
        """One-sided density of the phase noise that the channel's noise makes, rad² per hertz: N0/C."""
        return self.noise.density / self.power

    @property
    def carrier_to_noise(self) -> float:
        """Power ratio in the whole excerpt's bandwidth: decides whether a discriminator still works."""
        return self.power / self.noise.total if self.noise.total > 0 else math.inf

    def parts(self, longest_s: float) -> list[Stretch]:
        """Cut into equal parts of at most `longest_s` that together cover it, of a length quick to transform."""
        if self.iq.size < _CHUNK and self.duration_s <= longest_s:
            return [self]
        size = prev_fast_len(min(self.iq.size, int(longest_s * self.sample_rate_hz)))
        count = math.ceil(self.iq.size / size)
        starts = np.linspace(0, self.iq.size - size, count).astype(int) if count > 1 else [0]
        return [
            replace(self, iq=self.iq[at : at + size], phase=self.phase[at : at + size], begin=self.begin + int(at))
            for at in starts
        ]

    def centred_times(self) -> Reals:
        """Seconds from the middle of the stretch."""
        return (np.arange(self.iq.size) - (self.iq.size - 1) / 2) / self.sample_rate_hz


def settled(excerpt: Excerpt, *, skip_s: float = 0.0) -> Stretch | None:
    """Cut the settled, loss-free part out of an excerpt; None where there is less than 20 ms of it.

    `skip_s` leaves out that much more after key-on, for carriers that are still moving.
    """
    rate = excerpt.sample_rate_hz
    begin, end = plateau(excerpt)
    begin += int(skip_s * rate)
    begin, end = _longest_without_loss(begin, end, excerpt.lost, int(_LOSS_GUARD_S * rate))
    if end - begin < SHORTEST_S * rate:
        return None
    iq = excerpt.iq[begin:end]
    floor = noise.beside(excerpt)
    received = float(np.mean(np.square(np.abs(iq)), dtype=np.float64))
    power = received - floor.total
    if not power > 0.05 * received or not math.isfinite(received):
        return None
    return Stretch(iq, unwrapped(iq), rate, begin, power, floor, excerpt.clipped_fraction > CLIPPING_MATTERS)


def narrowed(stretch: Stretch) -> Stretch:
    """Cut off sharply all that the channel's filter may have touched."""
    frequencies = np.fft.fftfreq(stretch.iq.size, 1 / stretch.sample_rate_hz)
    iq = np.fft.ifft(np.where(np.abs(frequencies) > UNTOUCHED_HZ, 0, np.fft.fft(stretch.iq)))
    return replace(stretch, iq=iq, phase=unwrapped(iq))


def restored(stretch: Stretch) -> Stretch:
    """Put back the sidebands that the channel's filter cut off, for a carrier of constant envelope.

    What lies inside the filter is kept; outside, it is taken from the same carrier with its envelope made constant,
    again and again until both agree. Each round halves what is still missing.
    """
    frequencies = np.fft.fftfreq(stretch.iq.size, 1 / stretch.sample_rate_hz)
    cut = np.abs(frequencies) > UNTOUCHED_HZ
    inside = np.fft.fft(stretch.iq)
    inside[cut] = 0
    iq = np.fft.ifft(inside)
    for _ in range(_ROUNDS):
        constant = np.fft.fft(iq / np.maximum(np.abs(iq), 1e-30)) * math.sqrt(stretch.power)
        iq = np.fft.ifft(np.where(cut, constant, inside))
    return replace(stretch, iq=iq, phase=unwrapped(iq))


def unwrapped(iq: NDArray[np.complexfloating[Any, Any]]) -> Reals:
    """Phase in radians without jumps, by its steps from sample to sample."""
    phase = np.empty(iq.size)
    phase[0] = np.angle(iq[0])
    for at in range(1, iq.size, _CHUNK):
        later = iq[at : at + _CHUNK].astype(np.complex128)
        phase[at : at + later.size] = np.angle(later * np.conj(iq[at - 1 : at - 1 + later.size]))
    return np.cumsum(phase, out=phase)


def plateau(excerpt: Excerpt) -> tuple[int, int]:
    """Find where the carrier stands at its full level: first index and the one after the last."""
    rate = excerpt.sample_rate_hz
    edge = int(excerpt.edge_uncertainty_s * rate)
    low = excerpt.key_on if excerpt.cut_at_start else max(0, excerpt.key_on - edge)
    high = excerpt.key_off if excerpt.cut_at_end else min(excerpt.iq.size, excerpt.key_off + edge)
    search = min(int(_EDGE_SEARCH_S * rate), (high - low) // 4)
    if search < 8:
        return low, max(low, high)
    guard = int(_EDGE_GUARD_S * rate)
    head = excerpt.iq[low : low + 2 * search]
    tail = excerpt.iq[high - 2 * search : high][::-1]
    begin = low + _settles(head, rate, excerpt.noise_density) + guard
    end = high - _settles(tail, rate, excerpt.noise_density) - guard
    return begin, max(begin, end)


def _settles(iq: NDArray[np.complex64], rate: float, noise_density: float) -> int:
    """How many samples from the start the power takes to reach its later level for good."""
    powers = np.square(np.abs(iq)).astype(np.float64)
    later = float(np.median(powers[powers.size // 2 :]))
    strong = later > 100 * noise_density * 26_000
    width = int((0.0004 if strong else 0.002) * rate)
    low = np.flatnonzero(smoothed(powers, width)[: powers.size // 2] < 0.7 * later)
    return int(low[-1]) + 1 + width // 2 if low.size else 0


def _longest_without_loss(begin: int, end: int, lost: tuple[tuple[int, int], ...], guard: int) -> tuple[int, int]:
    pieces = []
    at = begin
    for place, length in sorted(lost):
        if place + length <= begin or place >= end:
            continue
        pieces.append((at, place - guard))
        at = place + length + guard
    pieces.append((at, end))
    return max(pieces, key=lambda piece: piece[1] - piece[0])
