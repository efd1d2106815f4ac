"""F1B and J2B at 100 Bd and 170 Hz: from filtered samples to soft bits, for calls on MF/HF and for navigational text.

Each bit is held against both lines' waveforms over exactly its own time. Where the keying is phase-continuous (170 Hz
at 100 Bd turns the phase by +0.85 or −0.85 of a turn a bit) a forward–backward pass over the carrier's phase ties
neighbouring bits together, which is worth 3 to 4 dB; its phase may wander a little, so that drift, fading and a
residual offset do no harm. Where it is not, the two envelopes decide, as in an ordinary receiver, whose hard decisions
are kept beside the soft ones in every case.

Bit 1 and log-likelihoods above 0 are Y, the lower frequency; times are seconds on the clock of the samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.iq import Complex

RATE_BD = 100.0
SHIFT_HZ = 170.0
BIT_S = 1 / RATE_BD
HALF_SHIFT_HZ = SHIFT_HZ / 2
INDEX_TURNS = HALF_SHIFT_HZ / RATE_BD
"""Turns of phase in one bit."""
TONE_OVERLAP = abs(float(np.sinc(SHIFT_HZ / RATE_BD)))
"""Magnitude of the correlation between the two lines over one bit: 170 Hz is not quite orthogonal at 100 Bd."""

SEARCH_HZ = 80.0
"""How far from the expected centre a signal is looked for: ±60 Hz of offset and what the grid needs beyond."""
NARROW_RATE_HZ = 4_500.0
"""Samples faster than this are a whole passband in which the centre has to be found first."""
WORKING_RATE_HZ = 2_000.0
PASS_HZ, STOP_HZ = 265.0, 400.0
"""The decoder's own channel filter: both lines and their sidebands at the widest offset, and where nothing is left."""

Reals = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Singles = NDArray[np.float32]


_LOG_I0_STEP, _LOG_I0_END = 0.01, 20.0
_LOG_I0 = np.log(np.i0(np.arange(0.0, _LOG_I0_END + _LOG_I0_STEP, _LOG_I0_STEP)))


def log_i0(x: Reals) -> Reals:
    """Logarithm of the modified Bessel function I0 to 1e-4: a table below 20, the asymptotic series above."""
    place = np.minimum(x, _LOG_I0_END) / _LOG_I0_STEP
    whole = np.minimum(place.astype(np.intp), _LOG_I0.size - 2)
    low = _LOG_I0[whole]
    small = low + (place - whole) * (_LOG_I0[whole + 1] - low)
    if x.size == 0 or x.max() <= _LOG_I0_END:
        return small
    large = np.maximum(x, _LOG_I0_END)
    return np.where(x <= _LOG_I0_END, small, large - 0.5 * np.log(2 * np.pi * large) + 1 / (8 * large))


# Before the bits: impulses, passband, centre --------------------------------------------------------------------------


def limited(iq: Complex, sample_rate_hz: float) -> Complexes:
    """The samples with impulses cut down to the level around them.

    Whatever exceeds 3.5 times the median magnitude within some 0.2 s is brought back to that median, phase kept; steady
    noise does so once in 5 000 samples.
    """
    length = max(8, round(0.025 * sample_rate_hz))
    x = np.asarray(iq, np.complex128)
    if x.size < length:
        return x
    magnitude = np.abs(iq)
    whole = x.size // length
    local = np.median(magnitude[: whole * length].reshape(whole, length), axis=1)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(local, 4, mode="edge"), 9)
    level = np.median(around, axis=1)[np.minimum(np.arange(x.size) // length, whole - 1)]
    high = (magnitude > 3.5 * level) & (level > 0)
    if high.any():
        x = x.copy()
        x[high] *= level[high] / magnitude[high]
    return x


@cache
def _taps(sample_rate_hz: float) -> Reals:
    """A low-pass of linear phase: flat to 265 Hz, 60 dB down from 400 Hz on (Kaiser's design formulas)."""
    middle_hz, width_hz, stop_db = (PASS_HZ + STOP_HZ) / 2, STOP_HZ - PASS_HZ, 60.0
    half = math.ceil((stop_db - 7.95) / (2.285 * 2 * math.pi * width_hz / sample_rate_hz) / 2)
    places = np.arange(-half, half + 1)
    taps = np.sinc(2 * middle_hz / sample_rate_hz * places) * np.kaiser(places.size, 0.1102 * (stop_db - 8.7))
    return taps / taps.sum()


def selected(iq: Complexes, sample_rate_hz: float) -> Complexes:
    """The samples with what lies beside the channel taken away: the next calling frequency is 500 Hz off."""
    return np.convolve(iq, _taps(sample_rate_hz), "same") if iq.size > _taps(sample_rate_hz).size else iq


def shifted_and_narrowed(iq: Complex, sample_rate_hz: float, centre_hz: float) -> tuple[Complex, float]:
    """Bring `centre_hz` to 0 Hz at about 2 kS/s, flat to ±400 Hz; returns the samples and their exact rate."""
    count = max(1, round(iq.size * WORKING_RATE_HZ / sample_rate_hz))
    if count >= iq.size:
        turn = np.exp(-2j * np.pi * centre_hz / sample_rate_hz * np.arange(iq.size))
        return (iq * turn).astype(np.complex64), sample_rate_hz
    spectrum = np.fft.fft(iq)
    step_hz = sample_rate_hz / iq.size
    bins = np.fft.fftfreq(count, 1 / count).astype(np.intp)
    first = round(centre_hz / step_hz)
    taken = spectrum[(bins + first) % iq.size]
    away = np.abs(bins * step_hz)
    taken = taken * np.where(away <= 420, 1.0, np.cos(np.clip((away - 420) / 380, 0, 1) * np.pi / 2) ** 2)
    out_rate = sample_rate_hz * count / iq.size
    narrow = np.fft.ifft(taken) * (count / iq.size)
    rest_hz = centre_hz - first * step_hz
    narrow = narrow * np.exp(-2j * np.pi * rest_hz / out_rate * np.arange(count))
    return narrow.astype(np.complex64), out_rate


def find_centres(
    iq: Complex, sample_rate_hz: float, low_hz: float = -3_000.0, high_hz: float = 3_000.0, most: int = 3
) -> tuple[float, ...]:
    """Find where 170 Hz keying at 100 Bd sits in a passband: likely centres in hertz, the likeliest first.

    Looks for two lines 170 Hz apart whose difference in energy beats at the bit rate. The grid is 5 Hz; what comes out
    still has to be decoded to be believed. Empty where nothing beats.
    """
    step_hz = 5.0
    bins = round(sample_rate_hz / step_hz)
    hops_per_bit = 4
    starts = np.arange(0.0, iq.size - sample_rate_hz * BIT_S, sample_rate_hz * BIT_S / hops_per_bit).astype(np.intp)
    length = round(sample_rate_hz * BIT_S)
    if starts.size < 50 * hops_per_bit:
        return ()
    half = round(HALF_SHIFT_HZ / step_hz)
    low = max(round(low_hz / step_hz), -bins // 2 + half + 1)
    high = min(round(high_hz / step_hz), bins // 2 - half - 1)
    places = np.arange(low, high + 1)
    x = limited(iq, sample_rate_hz)
    window_hops = 150 * hops_per_bit
    best = np.zeros(places.size)
    for first in range(0, starts.size, window_hops // 2):
        hops = starts[first : first + window_hops]
        if hops.size < 50 * hops_per_bit:
            break
        hops = hops[: hops.size // hops_per_bit * hops_per_bit]
        windows = x[hops[:, None] + np.arange(length)]
        magnitude = np.abs(np.fft.fft(windows, bins, axis=1))
        difference = magnitude[:, (places + half) % bins] - magnitude[:, (places - half) % bins]
        energy = np.square(difference)
        beat = np.abs(np.exp(-2j * np.pi / hops_per_bit * np.arange(hops.size)) @ energy)
        spread = np.sqrt(np.sum(np.square(energy), axis=0)) + 1e-30
        best = np.maximum(best, beat / spread * np.sqrt(energy.mean(axis=0) / (energy.mean() + 1e-30)))
    found: list[float] = []
    floor = float(np.median(best))
    for place in np.argsort(best)[::-1]:
        centre = float(places[place] * step_hz)
        if best[place] < 3 * floor or len(found) == most:
            break
        if all(abs(centre - other) > 120 for other in found):
            found.append(centre)
    return tuple(found)


# The two lines over one bit -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """A run of samples and the time of its first one."""

    iq: Complexes
    sample_rate_hz: float
    start_s: float = 0.0

    @property
    def end_s(self) -> float:
        return self.start_s + self.iq.size / self.sample_rate_hz

    def line(self, frequency_hz: float, starts_s: Reals, length_s: float) -> Complexes:
        """Correlate with one line over spans of `length_s`, phase counted from each start, divided by `length_s`.

        A line of amplitude A that runs through the span gives A·exp(jφ), φ its phase at the span's start. Missing
        samples count as nothing.
        """
        rate = self.sample_rate_hz
        local = starts_s - self.start_s
        first = min(max(math.floor(float(local.min()) * rate) - 1, 0), self.iq.size)
        last = min(max(math.ceil((float(local.max()) + length_s) * rate) + 2, first), self.iq.size)
        turns = frequency_hz / rate
        n = np.arange(first, last)
        sums = np.concatenate([[0.0], np.cumsum(self.iq[first:last] * np.exp(-2j * np.pi * turns * n))]) / rate

        def up_to(times: Reals) -> Complexes:
            place = np.clip(times * rate + 0.5 - first, 0, sums.size - 1)
            whole = np.minimum(place.astype(np.intp), max(sums.size - 2, 0))
            if sums.size < 2:
                return np.zeros(place.shape, np.complex128)
            return sums[whole] + (place - whole) * (sums[whole + 1] - sums[whole])

        integral = up_to(local + length_s) - up_to(local)
        return integral * np.exp(2j * np.pi * frequency_hz * local) / length_s

    def both_lines(self, centre_hz: float, starts_s: Reals, length_s: float = BIT_S) -> tuple[Complexes, Complexes]:
        """Correlate with line B (higher) and line Y (lower)."""
        return (
            self.line(centre_hz + HALF_SHIFT_HZ, starts_s, length_s),
            self.line(centre_hz - HALF_SHIFT_HZ, starts_s, length_s),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Amplitude at each bit and the noise beside it."""

    amplitude: Reals
    noise: float
    """Variance of one correlation: noise density over bit length."""

    @property
    def ebn0(self) -> float:
        """Mean energy per bit over noise density, a ratio."""
        return float(np.mean(np.square(self.amplitude))) / self.noise

    @property
    def weight(self) -> Reals:
        """What a correlation's magnitude has to be multiplied with to be a log-likelihood."""
        return 2 * self.amplitude / self.noise


def _smoothed(values: Reals, width: int) -> Reals:
    """Running mean over `width`, shorter at the ends."""
    if values.size <= width:
        return np.full(values.size, values.mean())
    sums = np.concatenate([[0.0], np.cumsum(values)])
    low = np.maximum(np.arange(values.size) - width // 2, 0)
    high = np.minimum(low + width, values.size)
    low = np.maximum(high - width, 0)
    return (sums[high] - sums[low]) / (high - low)


def levels(b: Complexes, y: Complexes, width: int = 31) -> Levels:
    """Estimate the amplitude (following fades within `width` bits) and the noise from the correlations themselves."""
    power_b, power_y = np.square(np.abs(b)), np.square(np.abs(y))
    total = power_b + power_y
    tiny = 1e-12 * float(total.mean()) + 1e-30
    right, wrong = np.maximum(power_b, power_y), np.minimum(power_b, power_y)
    overlap = TONE_OVERLAP**2
    noise, amplitude = tiny, np.sqrt(total)
    for _ in range(4):
        local = _smoothed(right, width)
        noise = max(float(np.mean(wrong - overlap * local)) / (1 - overlap), 1e-4 * float(local.mean()), tiny)
        amplitude = np.sqrt(np.maximum(local - noise, 0.05 * noise))
        scale = 2 * amplitude / noise
        spread = log_i0(scale * np.sqrt(power_b)) - log_i0(scale * np.sqrt(power_y))
        share = 0.5 * (1 + np.tanh(np.clip(spread, -60, 60) / 2))
        right = share * power_b + (1 - share) * power_y
        wrong = total - right
    return Levels(amplitude, noise)


# Phase from bit to bit ------------------------------------------------------------------------------------------------

_STATES = 40
_STEP = round(INDEX_TURNS * _STATES) % _STATES
_WALK = 0.15
"""Chance that the phase slips by one fortieth of a turn either way within a bit, each."""
_JUMP = 0.002
"""Chance that it is anywhere after a bit."""


def _kernel() -> Reals:
    """How phase states follow one another: rows are (line, state), columns the state one bit later."""
    wander = np.zeros(_STATES)
    wander[[0, 1, -1]] = 1 - 2 * _WALK, _WALK, _WALK
    wander = (1 - _JUMP) * wander + _JUMP / _STATES
    rows = []
    for step in (_STEP, -_STEP):
        rows += [np.roll(wander, state + step) for state in range(_STATES)]
    return np.array(rows)


_KERNEL = _kernel().astype(np.float32)
_PHASES = np.exp(-2j * np.pi * np.arange(_STATES) / _STATES).astype(np.complex64)


def _emissions(b: Complexes, y: Complexes, weight: Reals) -> tuple[Singles, Reals]:
    """Likelihood of each bit under both lines and all phases, shape (bits, runs, 2, states); what was divided out."""
    both = (np.stack([b.T, y.T], axis=2) * weight.T[:, :, None]).astype(np.complex64)[..., None]
    exponent = both.real * _PHASES.real - both.imag * _PHASES.imag
    top = exponent.max(axis=(2, 3), keepdims=True)
    exponent -= top
    return np.exp(exponent, out=exponent), top[:, :, 0, 0].astype(np.float64)


def _forward(emissions: Singles, top: Reals) -> tuple[Singles, Reals]:
    """Phase distributions before each bit, shape (bits, runs, states), and the log evidence of each run."""
    bits, runs = emissions.shape[:2]
    before = np.empty((bits, runs, _STATES), np.float32)
    state = np.full((runs, _STATES), 1 / _STATES, np.float32)
    evidence = np.zeros(runs)
    for k in range(bits):
        before[k] = state
        state = (state[:, None, :] * emissions[k]).reshape(runs, -1) @ _KERNEL
        if k % 4 == 3 or k == bits - 1:
            total = state.sum(axis=1)
            evidence += np.log(total)
            state /= total[:, None]
    return before, evidence + top.sum(axis=0) - bits * math.log(2)


def _soft_bits(emissions: Singles, before: Singles) -> Reals:
    """Log-likelihood of Y over B for every bit, shape (runs, bits)."""
    bits, runs = emissions.shape[:2]
    out = np.empty((bits, runs))
    after = np.ones((runs, _STATES), np.float32)
    for k in range(bits - 1, -1, -1):
        coming = (after @ _KERNEL.T).reshape(runs, 2, _STATES) * emissions[k]
        chances = np.einsum("rs,rls->rl", before[k], coming)
        out[k] = np.log(chances[:, 1] + 1e-36) - np.log(chances[:, 0] + 1e-36)
        after = coming.sum(axis=1)
        if k % 4 == 0:
            after /= after.max(axis=1, keepdims=True)
    return out.T


def envelope_bits(b: Complexes, y: Complexes, weight: Reals) -> Reals:
    """Log-likelihood of Y over B from the two envelopes alone: the phase of every bit is unknown."""
    return log_i0(weight * np.abs(y)) - log_i0(weight * np.abs(b))


def envelope_evidence(b: Complexes, y: Complexes, weight: Reals) -> Reals:
    """Log evidence of each bit when its phase is unknown and both lines are equally likely."""
    return np.logaddexp(log_i0(weight * np.abs(b)), log_i0(weight * np.abs(y))) - math.log(2)


# Following one sender -------------------------------------------------------------------------------------------------


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
_SEGMENT_BITS = 50
_OVERLAP_BITS = 24
LOOK_AHEAD_S = (_OVERLAP_BITS + 2) * BIT_S
_STRONG_EBN0 = 10 ** (13 / 10)
"""Above this the envelopes alone are as good as perfect."""
_OFFSETS_HZ = np.array([-4.5, -3.0, -1.5, 0.0, 1.5, 3.0, 4.5])


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
    reach = _OVERLAP_BITS
    starts = lock.edge_s + lock.bit_s * np.arange(-reach, bits + reach)
    b, y = samples.both_lines(lock.centre_hz, starts, lock.bit_s)
    found = levels(b, y)
    inner = slice(reach, reach + bits)
    hard = (np.abs(y[inner]) > np.abs(b[inner])).astype(np.uint8)
    llr = envelope_bits(b[inner], y[inner], found.weight[inner])
    continuous = False
    after = lock
    if found.ebn0 < _STRONG_EBN0:
        better = _phase_tied(b, y, found, starts, lock.centre_hz)
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


def _phase_tied(
    b: Complexes, y: Complexes, found: Levels, starts: Reals, centre_hz: float
) -> tuple[Reals, float] | None:
    """Soft bits with the phase carried from bit to bit, and the mean residual offset; None where envelopes do better.

    The bits are cut into overlapping segments, each tried at several residual offsets; all run side by side.
    """
    bits = b.size
    firsts = np.arange(_OVERLAP_BITS, bits - _OVERLAP_BITS, _SEGMENT_BITS)
    long = _SEGMENT_BITS + 2 * _OVERLAP_BITS
    index = np.minimum(firsts[:, None] - _OVERLAP_BITS + np.arange(long), bits - 1)
    inside = firsts[:, None] - _OVERLAP_BITS + np.arange(long) < bits
    times = starts - starts[0]
    turn = np.exp(-2j * np.pi * (centre_hz + _OFFSETS_HZ[:, None]) * times)
    segments, offsets = firsts.size, _OFFSETS_HZ.size
    weight = np.where(inside, found.weight[index], 0.0)
    runs_b = (b * turn)[:, index].transpose(1, 0, 2).reshape(segments * offsets, long)
    runs_y = (y * turn)[:, index].transpose(1, 0, 2).reshape(segments * offsets, long)
    emissions, top = _emissions(runs_b, runs_y, np.repeat(weight, offsets, axis=0))
    before, evidence = _forward(emissions, top)
    evidence = evidence.reshape(segments, offsets)
    unknown = np.where(inside, envelope_evidence(b[index], y[index], weight), 0.0).sum(axis=1)
    # Neighbouring segments speak for one another: an offset does not jump.
    shared = evidence.copy()
    shared[1:] += 0.5 * evidence[:-1]
    shared[:-1] += 0.5 * evidence[1:]
    chosen = shared.argmax(axis=1)
    gain = evidence[np.arange(segments), chosen] - unknown
    if gain.mean() < 1.0:
        return None
    rows = np.arange(segments) * offsets + chosen
    soft = _soft_bits(emissions[:, rows], before[:, rows])
    llr = envelope_bits(b, y, found.weight)
    for segment, first in enumerate(firsts.tolist()):
        if gain[segment] > 0:
            last = min(first + _SEGMENT_BITS, bits - _OVERLAP_BITS)
            llr[first:last] = soft[segment, _OVERLAP_BITS : _OVERLAP_BITS + last - first]
    used = gain > 0
    return llr, float(_OFFSETS_HZ[chosen[used]].mean()) if used.any() else 0.0


# Watching a channel ---------------------------------------------------------------------------------------------------

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
    taps = _taps(sample_rate_hz)
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
        reach = _taps(sample_rate_hz).size // 2
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
            np.concatenate([self._samples.iq[drop:], np.convolve(coming, _taps(self._rate), "valid")]),
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
