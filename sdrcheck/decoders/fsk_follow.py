"""One F1B sender followed bit after bit: found in a channel, its timing and centre tracked, let go at its end.

An ordinary receiver's hard decisions are kept beside the soft bits in every case.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.fsk import (
    BIT_S,
    HALF_SHIFT_HZ,
    NARROW_RATE_HZ,
    SEARCH_HZ,
    SHIFT_HZ,
    Reals,
    Samples,
    channel_taps,
    envelope_bits,
    envelope_evidence,
    levels,
    limited,
)
from sdrcheck.decoders.fsk_phase import OVERLAP_BITS, phase_tied
from sdrcheck.filters.iq import Complex


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Bits of one sender without a gap, bit k from `starts_s[k]` on."""

    llr: Reals
    hard: NDArray[np.uint8]
    starts_s: Reals
    bit_s: float
    centre_hz: float
    amplitude: float
    ebn0: float
    phase_continuous: bool
    """The carrier's phase was carried from bit to bit; otherwise the envelopes decided."""


@dataclass(frozen=True, slots=True)
class Lock:
    """Where a sender's bits lie: the next edge, the bit length, the centre, and how well they are known."""

    edge_s: float
    centre_hz: float
    bit_s: float = BIT_S
    edge_variance: float = (0.06 * BIT_S) ** 2
    drift_variance: float = (150e-6) ** 2
    """Variance of the relative error of the bit length."""
    covariance: float = 0.0
    centre_variance: float = 4.0**2

    def later(self, bits: int) -> Lock:
        """The same lock `bits` bits on, less sure of its edge; a little wander of the clock is allowed for."""
        passed = bits * self.bit_s
        return replace(
            self,
            edge_s=self.edge_s + passed,
            edge_variance=self.edge_variance
            + 2 * passed * self.covariance
            + passed**2 * self.drift_variance
            + (2e-4 * BIT_S) ** 2 * bits,
            covariance=self.covariance + passed * self.drift_variance,
            centre_variance=self.centre_variance + passed * 0.7**2,
        )


BLOCK_BITS = 200
LOOK_AHEAD_S = (OVERLAP_BITS + 2) * BIT_S
_STRONG_EBN0 = 10 ** (13 / 10)
"""Above this the envelopes alone are as good as perfect."""


def tuned(samples: Samples, lock: Lock, bits: int) -> Lock:
    """Correct the lock by the next `bits` bits: where they lie best in time and frequency."""
    starts = lock.edge_s + lock.bit_s * np.arange(bits)
    if lock.edge_variance > (0.03 * BIT_S) ** 2 or lock.centre_variance > 3.0**2:
        offsets, hertz = np.linspace(-0.2, 0.2, 9) * lock.bit_s, np.linspace(-9.0, 9.0, 5)
    else:
        offsets, hertz = np.linspace(-0.1, 0.1, 5) * lock.bit_s, np.linspace(-4.5, 4.5, 3)
    b, y = samples.both_lines(lock.centre_hz, starts, lock.bit_s)
    found = levels(b, y)
    score = np.empty((hertz.size, offsets.size))
    moved = (starts[None, :] + offsets[:, None]).ravel()
    for i, h in enumerate(hertz):
        b, y = samples.both_lines(lock.centre_hz + h, moved, lock.bit_s)
        b, y = b.reshape(offsets.size, bits), y.reshape(offsets.size, bits)
        score[i] = envelope_evidence(b, y, found.weight).sum(axis=1)
    i, j = divmod(int(score.argmax()), offsets.size)
    edge, _ = summit(offsets, score[i])
    edge_variance = timing_variance(found.ebn0, bits)
    centre, centre_variance = summit(hertz, score[:, j])
    return _updated(lock, bits, edge, edge_variance, centre, centre_variance)


def timing_variance(ebn0: float, bits: int) -> float:
    """Variance (s²) of the bit timing found from `bits` bits without their phase.

    The curvature of one likelihood is too hopeful in noise; this was fitted to simulated signals of 3 to 30 dB.
    """
    return (0.1 / ebn0 + 3.15 / ebn0**2) / bits * BIT_S**2


def summit(places: Reals, score: Reals) -> tuple[float, float]:
    """Top of a log-likelihood and its variance, from a parabola through the best point and its neighbours."""
    step = float(places[1] - places[0])
    top = min(max(int(score.argmax()), 1), score.size - 2)
    left, middle, right = score[top - 1 : top + 2]
    curvature = max((2 * middle - left - right) / step**2, 1e-3 / step**2)
    move = np.clip((right - left) / (2 * step) / curvature, -1.5 * step, 1.5 * step)
    return float(places[top] + move), 1 / curvature


def _updated(lock: Lock, bits: int, edge: float, edge_variance: float, centre: float, centre_variance: float) -> Lock:
    """Fold one observation, valid in the middle of the next `bits` bits, into the lock (a two-state Kalman filter)."""
    middle = bits / 2 * lock.bit_s
    p_ee = lock.edge_variance + 2 * middle * lock.covariance + middle**2 * lock.drift_variance
    p_er = lock.covariance + middle * lock.drift_variance
    gain = 1 / (p_ee + edge_variance)
    rate = float(np.clip(p_er * gain * edge, -100e-6, 100e-6))
    at_middle = p_ee * gain * edge
    p_rr = lock.drift_variance - p_er**2 * gain
    p_er, p_ee = p_er * edge_variance * gain, p_ee * edge_variance * gain
    bit_s = min(max(lock.bit_s * (1 + rate), BIT_S * (1 - 400e-6)), BIT_S * (1 + 400e-6))
    gain_centre = lock.centre_variance / (lock.centre_variance + centre_variance)
    return replace(
        lock,
        edge_s=lock.edge_s + at_middle - middle * rate,
        bit_s=bit_s,
        edge_variance=max(p_ee - 2 * middle * p_er + middle**2 * p_rr, (0.002 * BIT_S) ** 2),
        covariance=p_er - middle * p_rr,
        drift_variance=max(p_rr, (5e-6) ** 2),
        centre_hz=lock.centre_hz + gain_centre * centre,
        centre_variance=lock.centre_variance * (1 - gain_centre),
    )


def read_block(samples: Samples, lock: Lock, bits: int = BLOCK_BITS) -> tuple[Stretch, Lock]:
    """Read the next `bits` bits and move the lock behind them, corrected on the way.

    The samples should reach `LOOK_AHEAD_S` beyond; bits without samples come out as 0, undecided.
    """
    lock = tuned(samples, lock, bits)
    reach = OVERLAP_BITS
    starts = lock.edge_s + lock.bit_s * np.arange(-reach, bits + reach)
    b, y = samples.both_lines(lock.centre_hz, starts, lock.bit_s)
    found = levels(b, y)
    inner = slice(reach, reach + bits)
    hard = (np.abs(y[inner]) > np.abs(b[inner])).astype(np.uint8)
    llr = envelope_bits(b[inner], y[inner], found.weight[inner])
    continuous = False
    after = lock
    if found.ebn0 < _STRONG_EBN0:
        better = phase_tied(b, y, found, starts, lock.centre_hz)
        if better is not None:
            llr, moved_hz = better[0][inner], better[1]
            continuous = True
            after = replace(lock, centre_hz=lock.centre_hz + 0.7 * moved_hz, centre_variance=1.0)
    stretch = Stretch(
        llr=llr,
        hard=hard,
        starts_s=starts[inner],
        bit_s=lock.bit_s,
        centre_hz=lock.centre_hz,
        amplitude=float(np.sqrt(np.mean(np.square(found.amplitude[inner])))),
        ebn0=found.ebn0,
        phase_continuous=continuous,
    )
    return stretch, after.later(bits)


# Finding and watching -------------------------------------------------------------------------------------------------

_WATCH_S = BLOCK_BITS * BIT_S
_CHUNK_S = 2.0
_GATE_RATIO = 1.6
_CELL_HZ = 10.0
_LEAST_BEAT = 2.5
"""Standard deviations. Noise reaches it now and then; whoever locks on to noise finds no text in it and lets go."""
_LEAST_PHASING = 6.0
_GRID = 8
_PERIOD = np.array([1, -1, -1, 1, 1, -1, -1, -1, -1, -1, -1, 1, 1, 1], np.float64)
"""RQ and alpha, the phasing of navigational text, 1 for Y."""
_PHASING_SHIFTS = np.stack([np.roll(_PERIOD, shift) for shift in range(_PERIOD.size)])


def keyed_lines(samples: Samples, start_s: float, length_s: float = _WATCH_S) -> bool:
    """Ask cheaply whether there could be two lines 170 Hz apart: both well above what lies 250 to 330 Hz off.

    Made for watching a quiet channel, after its filter, at next to no cost; noise passes once in a thousand times.
    """
    rate = samples.sample_rate_hz
    first = max(0, round((start_s - samples.start_s) * rate))
    x = samples.iq[first : first + round(length_s * rate)]
    if x.size < 0.5 * length_s * rate:
        return False
    power = np.square(np.abs(np.fft.fft(x * np.hanning(x.size))))
    middle, response = _cells(rate)
    edges = np.round((np.append(middle, middle[-1] + _CELL_HZ) - _CELL_HZ / 2) / rate * x.size).astype(np.intp)
    cells = np.add.reduceat(power[np.arange(edges[0], edges[-1])], edges[:-1] - edges[0]) / np.diff(edges) / response
    beside = float(np.median(cells[np.abs(middle) >= 250]))
    smooth = np.convolve(cells, np.ones(7) / 7, "same")
    centre = middle.size // 2
    places = np.round(np.arange(-SEARCH_HZ, SEARCH_HZ + 1, _CELL_HZ) / _CELL_HZ).astype(np.intp) + centre
    half = round(HALF_SHIFT_HZ / _CELL_HZ)
    return bool(np.minimum(smooth[places + half], smooth[places - half]).max() > _GATE_RATIO * beside)


@cache
def _cells(sample_rate_hz: float) -> tuple[Reals, Reals]:
    """Middles of the cells in which power is looked at, hertz, and what the channel filter leaves in each."""
    middle = np.arange(-330.0, 331.0, _CELL_HZ)
    taps = channel_taps(sample_rate_hz)
    places = np.arange(taps.size) - taps.size // 2
    gain = np.cos(2 * np.pi * np.outer(middle, places) / sample_rate_hz) @ taps
    return middle, np.square(gain)


def acquired(samples: Samples, start_s: float, bits: int = BLOCK_BITS) -> Lock | None:
    """Find a sender in the next `bits` bits, of unknown timing and within ±80 Hz; None where there seems to be none.

    Two things give a sender away: the periodic phasing of navigational text, in either sense, and the beat of the two
    envelopes' difference at the bit rate, which needs changes of line.
    """
    starts = start_s + np.arange(bits * _GRID) * (BIT_S / _GRID)
    centres = np.arange(-SEARCH_HZ, SEARCH_HZ + 1, 8.0)
    periods = bits // _PERIOD.size
    energy = np.empty((centres.size, _GRID))
    spread = np.empty((centres.size, _GRID))
    phasing = np.empty((centres.size, _GRID))
    for i, centre in enumerate(centres):
        b, y = samples.both_lines(float(centre), starts)
        lean = (np.abs(y) - np.abs(b)).reshape(bits, _GRID)
        energy[i] = np.square(lean).sum(axis=0)
        spread[i] = np.square(lean).std(axis=0)
        folded = lean[: periods * _PERIOD.size].reshape(periods, _PERIOD.size, _GRID).sum(axis=0)
        phasing[i] = np.abs(_PHASING_SHIFTS @ folded).max(axis=0)
    i, j = divmod(int(phasing.argmax()), _GRID)
    if phasing[i, j] < _LEAST_PHASING * math.sqrt(energy[i, j]):
        i, j = divmod(int(energy.argmax()), _GRID)
        opposite = energy[i, (j + _GRID // 2) % _GRID]
        if energy[i, j] - opposite < _LEAST_BEAT * spread[i, j] * math.sqrt(2 * bits):
            return None
    lock = Lock(
        start_s + int(j) * BIT_S / _GRID,
        float(centres[i]),
        edge_variance=(BIT_S / _GRID / 2) ** 2,
        centre_variance=5.0**2,
    )
    return tuned(samples, tuned(samples, lock, bits), bits)


class Follower:
    """Turn a stream of channel samples into bits: watch, lock on to a sender, follow it until told to let go.

    What comes out does not depend on how the samples are cut when they are fed.
    """

    def __init__(self, sample_rate_hz: float, start_s: float = 0.0) -> None:
        if not 2.5 * SHIFT_HZ + 2 * SEARCH_HZ <= sample_rate_hz <= NARROW_RATE_HZ:
            raise ValueError(f"F1B is followed at 600 to {NARROW_RATE_HZ:.0f} samples a second, got {sample_rate_hz:g}")
        self._rate = sample_rate_hz
        self._chunk = round(_CHUNK_S * sample_rate_hz)
        self._raw = np.zeros(0, np.complex64)
        reach = channel_taps(sample_rate_hz).size // 2
        self._beside = np.zeros(2 * reach, np.complex128)
        """The last samples before the filter, which the next ones need."""
        # The filter's first outputs belong to times before the first sample.
        self._samples = Samples(np.zeros(0, np.complex128), sample_rate_hz, start_s - reach / sample_rate_hz)
        self._watch_from_s = start_s
        self.lock: Lock | None = None

    def feed(self, iq: Complex) -> None:
        """Take more samples."""
        self._raw = np.concatenate([self._raw, iq])
        whole = self._raw.size // self._chunk * self._chunk
        for first in range(0, whole, self._chunk):
            self._extend(self._raw[first : first + self._chunk])
        self._raw = self._raw[whole:]

    def close(self) -> None:
        """Say that no more samples come."""
        self._extend(np.concatenate([self._raw, np.zeros(self._beside.size // 2, np.complex64)]))
        self._raw = self._raw[:0]

    def _extend(self, chunk: Complex) -> None:
        keep_s = (self._watch_from_s if self.lock is None else self.lock.edge_s) - 1.0
        drop = max(0, math.floor((keep_s - self._samples.start_s) * self._rate))
        drop = min(drop, self._samples.iq.size)
        coming = np.concatenate([self._beside, limited(chunk, self._rate)])
        self._beside = coming[coming.size - self._beside.size :]
        self._samples = Samples(
            np.concatenate([self._samples.iq[drop:], np.convolve(coming, channel_taps(self._rate), "valid")]),
            self._rate,
            self._samples.start_s + drop / self._rate,
        )

    def next_stretch(self, *, last: bool = False) -> Stretch | None:
        """The next block of bits, or None until more samples have come; `last` reads what is left of them."""
        while self.lock is None:
            if self._samples.end_s < self._watch_from_s + _WATCH_S + BIT_S:
                return None
            if keyed_lines(self._samples, self._watch_from_s):
                self.lock = acquired(self._samples, self._watch_from_s)
            self._watch_from_s += _WATCH_S / 2
        left = int((self._samples.end_s - self.lock.edge_s) / self.lock.bit_s + 0.1)
        if left < BLOCK_BITS + LOOK_AHEAD_S / BIT_S and not last:
            return None
        bits = min(BLOCK_BITS, left)
        if bits < 8:
            return None
        stretch, self.lock = read_block(self._samples, self.lock, bits)
        self._watch_from_s = float(stretch.starts_s[0])
        return stretch

    def rival(self, stretch: Stretch) -> Lock | None:
        """Look in the block just read for a sender whose bits lie elsewhere in time or frequency."""
        found = acquired(self._samples, float(stretch.starts_s[0]), min(BLOCK_BITS, stretch.starts_s.size))
        if found is None or self.lock is None:
            return None
        apart = (found.edge_s - float(stretch.starts_s[0])) / BIT_S
        if abs(apart - round(apart)) > 0.15 or abs(found.centre_hz - stretch.centre_hz) > 15:
            return found
        return None

    def follow(self, lock: Lock) -> None:
        """Follow this sender from here on."""
        self.lock = lock

    def release(self) -> None:
        """Let go of a sender that has ended, and watch again."""
        if self.lock is not None:
            self._watch_from_s = max(self._watch_from_s, self.lock.edge_s - _WATCH_S)
            self.lock = None
