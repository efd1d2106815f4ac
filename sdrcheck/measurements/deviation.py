"""Peak frequency deviation, up and down from the mean carrier.

For steady tones it is the peak of the fitted waveform, harmonics included, in which noise has next to no part. For
anything else it is the largest excursion of the demodulated frequency, in no more audio bandwidth than the modulation
fills. Noise lifts every largest excursion; how much it did is worked out from the noise's own spectrum and taken off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len

from sdrcheck.filters.channeliser import STOPBAND_DB
from sdrcheck.measurements.noise import FLAT_HZ
from sdrcheck.measurements.spectrum import PRUDENCE, Reals, between_samples, tapered
from sdrcheck.measurements.stretch import Stretch
from sdrcheck.measurements.tones import ToneFit, held, mean_of_blocks
from sdrcheck.quantities import Measured, Term

RIPPLE = 10 ** (-STOPBAND_DB / 20)
"""A filter that stops so well is as flat where it passes."""
CUT = "sidebands beyond the channel filter"
"""Name of the term that says so."""
_HIGHEST_HZ = 7_000.0
_BIN_HZ = 100.0
_LONGEST_BEAT_S = 2.0
_MOST_PEAKS = 10
_SLOPE_HZ = 1_200.0
_STILL_MISSING = 1.2
"""Of limited modulation so much of what putting sidebands back changed is still missing (trials)."""
_TRIALS = 400
_MOST_PLACES = 200
_MARGIN_S = 0.02
_ENDS_S = 0.0003
_NEAR_THE_TOP = 0.8
_TOPS_OF_SPEECH = 40
"""Speech of any length comes some twenty times within a fifth of its largest excursion, limited speech a thousand times
a second (trials)."""
_NARROWEST_HZ, _WIDEST_HZ = 4_000.0, 7_000.0
_SMOOTH_NOISE_HZ = 30.0
_DRAWS = 8
_NOISE_OF_TOP = 1.0
_TAKEN_COUNTS = 0.5
"""Part of what the smooth filter was found to take off that stays uncertain, at its widest (trials)."""
_LEAST_DOUBT = 0.005
"""Of limited modulation no peak is known better, as a part of it: edges ring in the channel's filter, too (trials)."""


@dataclass(frozen=True, slots=True, eq=False)
class Demodulated:
    """Instantaneous frequency of a stretch about its mean carrier, filtered to the band that its modulation fills."""

    deviation_hz: Reals
    sample_rate_hz: float
    noise_covariance: Reals
    """Autocovariance of the noise left in it, Hz², by lag in samples."""
    band: str
    """In words, for the method."""
    twice: Smoothed | None = None
    """Given where the modulation is limited: then the noise filter is a smooth one, which does not overshoot."""


@dataclass(frozen=True, slots=True, eq=False)
class Smoothed:
    """What the smooth noise filter makes of a deviation that it has filtered already."""

    deviation_hz: Reals
    noise: tuple[Reals, Reals]
    """Made noise, one row a draw, as it is left in what was filtered once, and in what was filtered twice."""
    width_hz: float
    """Standard deviation of the filter's Gaussian shape."""


def of_tones(fits: Sequence[ToneFit], offset_hz: float, cut_counts: float) -> tuple[Measured, Measured]:
    """Measure the peak deviation up and down in hertz from fitted tones.

    `cut_counts` is the part of what the channel filter may have cut that has to be reckoned with.
    """
    hold = min(sum(one.duration_s for one in fits), _LONGEST_BEAT_S)
    peaks = [one.extremes(hold) for one in fits[:: max(1, -(-len(fits) // _MOST_PEAKS))]]
    variances = [noise**2 for _, _, noise in peaks]
    method = f"peak of the fitted tones with their harmonics, mean over {held(fits)}"
    unfitted = max(one.last_harmonic_hz for one in fits)
    up, down = (mean_of_blocks([pair[way] for pair in peaks], variances, "Hz", method) for way in (0, 1))
    up, down = (one.widened(Term.rectangular("channel filter", RIPPLE * one.value)) for one in (up, down))
    if unfitted > 0:
        up, down = (one.widened(Term.rectangular("harmonics beyond the last fitted", unfitted)) for one in (up, down))
    rate = 4 * fits[0].sample_rate_hz
    lost = cut_by_filter(fits[0].modulation(rate, min(fits[0].duration_s, 0.05)), rate, offset_hz)
    return tuple(_with_cut(found, cut_counts * change) for found, change in zip((up, down), lost, strict=True))  # type: ignore[return-value]


def cut_by_filter(modulation: Reals, rate: float, offset_hz: float) -> tuple[float, float]:
    """How much the peaks up and down change in hertz when sidebands beyond the channel's filter are lost."""
    steady = np.arange(modulation.size)
    window = tapered(modulation.size, 0.15)
    whole = window * np.exp(1j * (modulation + 2 * np.pi * offset_hz / rate * steady))
    frequencies = np.fft.fftfreq(whole.size, 1 / rate)
    narrow = np.fft.ifft(np.fft.fft(whole) * (np.abs(frequencies) <= FLAT_HZ + _SLOPE_HZ))
    inner = slice(int(0.2 * whole.size), int(0.8 * whole.size))
    with_all, with_less = (np.angle(z[1:] * np.conj(z[:-1]))[inner] * (rate / (2 * np.pi)) for z in (whole, narrow))
    return float(with_less.max() - with_all.max()), float(with_all.min() - with_less.min())


def _with_cut(found: Measured, change_hz: float) -> Measured:
    """Widen by what the filter may have cut, where that is not drowned in the other terms."""
    if abs(change_hz) < 0.2 * found.standard_uncertainty:
        return found
    return found.widened(Term.rectangular(CUT, abs(change_hz)))


def put_back(before: Measured, after: Measured) -> Measured:
    """Widen a peak by as much as it changed when sidebands were put back: about as much is still missing."""
    return _with_cut(after, _STILL_MISSING * (after.value - before.value))


def demodulated(stretch: Stretch, offset_hz: float) -> Demodulated:
    """Demodulate a stretch about its carrier and filter out what noise lies beyond or beneath its modulation."""
    rate = stretch.sample_rate_hz
    bare = np.diff(stretch.phase) * (rate / (2 * np.pi)) - offset_hz
    margin = min(int(_MARGIN_S * rate), bare.size - 1)
    more = next_fast_len(bare.size + 2 * margin, real=True) - bare.size - 2 * margin
    raw = np.pad(bare, (margin, margin + more), mode="reflect")  # no step where the ends would meet
    spectrum = np.fft.rfft(raw)
    frequencies = np.fft.rfftfreq(raw.size, 1 / rate)
    differentiator = np.sinc(frequencies / rate)  # what a difference of neighbours does to a derivative
    power = np.square(np.abs(spectrum)) * (2 / (rate * raw.size)) / np.square(differentiator)
    floor = phase_noise(stretch, frequencies, power) * frequencies**2
    spectrum /= differentiator
    inner = slice(margin, margin + bare.size)

    def through(gain: Reals) -> Reals:
        result: Reals = np.fft.irfft(spectrum * gain, raw.size)[inner]
        return result

    def covariance(density: Reals, gain: Reals) -> Reals:
        result: Reals = np.fft.irfft(density * gain**2 * rate / 2, raw.size)[: int(0.004 * rate)]
        return result

    kept = _kept_part(frequencies, power, floor)
    found = through(kept)
    if not _is_limited(found[int(_ENDS_S * rate) : found.size - int(_ENDS_S * rate)]):
        band = f"{frequencies[np.flatnonzero(kept > 0.5)[-1]]:.0f} Hz of audio"
        return Demodulated(found, rate, covariance(floor, kept), band)
    floor = stretch.phase_noise_density * frequencies**2  # what limiting makes is no noise
    width = _smooth_width(stretch.phase_noise_density)
    smooth = np.exp(-0.5 * np.square(frequencies / width))
    rng = np.random.default_rng(20)
    scale = np.sqrt(floor * rate / 4 * raw.size) * smooth
    noise = np.empty((2, _DRAWS, bare.size), np.float32)
    for draw in range(_DRAWS):  # one at a time: a long keying's take much room
        row = scale * (rng.standard_normal(floor.size) + 1j * rng.standard_normal(floor.size))
        noise[0, draw] = np.fft.irfft(row, raw.size)[inner]
        noise[1, draw] = np.fft.irfft(row * smooth, raw.size)[inner]
    band = f"a smooth band of audio, {width:.0f} Hz wide, as the modulation is limited"
    twice = Smoothed(through(smooth**2), (noise[0], noise[1]), width)
    return Demodulated(through(smooth), rate, covariance(floor, smooth), band, twice)


def _is_limited(deviation: Reals) -> bool:
    """Whether so many excursions come near the largest that something must hold them there; speech has a few."""
    highest = float(np.max(np.abs(deviation), initial=0.0))
    over = np.abs(deviation) > _NEAR_THE_TOP * highest
    return int(np.count_nonzero(over[1:] & ~over[:-1])) > _TOPS_OF_SPEECH


def _smooth_width(phase_density: float) -> float:
    """As wide as noise allows: ∫f²·exp(−f²/w²) df is √π/4·w³."""
    wanted = (_SMOOTH_NOISE_HZ**2 * 4 / math.sqrt(math.pi) / max(phase_density, 1e-30)) ** (1 / 3)
    return min(max(wanted, _NARROWEST_HZ), _WIDEST_HZ)


def phase_noise(stretch: Stretch, frequencies: Reals, deviation_power: Reals) -> float:
    """One-sided density of the phase noise in rad²/Hz: what lies above the voice band, or the channel's noise if more.

    Between audio and the filter's edge hardly any modulation is left, and a median overlooks its lines.
    """
    beyond = (frequencies >= 6_500) & (frequencies <= 8_500)
    density = np.sort(deviation_power[beyond] / frequencies[beyond] ** 2)
    median = float(np.median(density)) / math.log(2)
    return max(stretch.phase_noise_density, min(median, 30 * stretch.phase_noise_density))


def _kept_part(frequencies: Reals, power: Reals, floor: Reals) -> Reals:
    """Gain of the noise filter: one over every band of 100 Hz in which there is clearly more than noise."""
    step = frequencies[1]
    width = max(1, round(_BIN_HZ / step))
    bands = int(_HIGHEST_HZ / (width * step))
    means = power[: bands * width].reshape(bands, width).mean(axis=1)
    noise = floor[: bands * width].reshape(bands, width).mean(axis=1)
    surplus = means - noise
    clear = surplus > noise * max(1.0, 4 / math.sqrt(width))
    last = int(np.flatnonzero(clear)[-1]) + 1 if clear.any() else bands // 2
    edge = (last + 0.5) * width * step
    slope = 2 * _BIN_HZ
    result: Reals = np.clip((edge + slope - frequencies) / slope, 0.0, 1.0)
    return np.square(np.sin(np.pi / 2 * result))


def of_waveform(
    demodulated_: Demodulated, offset_hz: float, cut_counts: float, hold_s: float
) -> tuple[Measured, Measured]:
    """Measure the largest excursion up and down in hertz, noise taken off, as a part of what was held for `hold_s`."""
    rate = demodulated_.sample_rate_hz
    ends = int(_ENDS_S * rate)
    inner = slice(ends, demodulated_.deviation_hz.size - ends)
    method = (
        f"largest excursion of the demodulated frequency in {demodulated_.band}, hold {hold_s:.3g} s, noise taken off"
    )
    found = []
    for sign in (1, -1):
        values = sign * demodulated_.deviation_hz[inner]
        top = int(np.argmax(values))
        around = values[max(0, top - int(0.01 * rate)) : top + int(0.01 * rate)]
        change, _ = cut_by_filter(np.cumsum(around) * (2 * np.pi / rate), rate, sign * offset_hz)
        twice = demodulated_.twice
        if twice is None:
            largest = _peak(values, demodulated_.noise_covariance, method)
        else:
            again = sign * twice.deviation_hz[inner]
            largest = _unsmoothed(values, again, twice, inner, method)
        found.append(_with_cut(largest, cut_counts * change))
    return found[0], found[1]


def _unsmoothed(values: Reals, again: Reals, twice: Smoothed, inner: slice, method: str) -> Measured:
    """Largest value as it was before the smooth filter: what it took off once, it takes off nearly as much again."""
    once = _top_of_many(values, twice.noise[0][:, inner])
    taken = max(once - _top_of_many(again, twice.noise[1][:, inner]), 0.0)
    noise = float(np.std(2 * twice.noise[0] - twice.noise[1]))
    doubtful = max(_TAKEN_COUNTS * max(taken, noise) * _WIDEST_HZ / twice.width_hz, _LEAST_DOUBT * once)
    terms = (
        Term.normal("noise", PRUDENCE * _NOISE_OF_TOP * noise),
        Term.rectangular("noise filter", doubtful),
    )
    return Measured(once + taken, "Hz", terms, method)


def _top_of_many(values: Reals, noise: Reals) -> float:
    """The height at which values cut off there reach, with made noise, as far as they were found to reach."""
    highest = between_samples(values, int(np.argmax(values)))
    spread = float(np.std(noise))
    if spread == 0:
        return highest
    near = values > np.max(values) - 10 * spread
    competing, made = values[near], noise[:, near]
    low, high = highest - 8 * spread, highest
    for _ in range(20):
        middle = (low + high) / 2
        reached = float(np.mean(np.max(np.minimum(competing, middle) + made, axis=1)))
        low, high = (middle, high) if reached < highest else (low, middle)
    return (low + high) / 2


def _peak(values: Reals, covariance: Reals, method: str) -> Measured:
    """Largest value less what noise adds to a largest value, on average, where several places compete."""
    noise = math.sqrt(max(float(covariance[0]), 0.0))
    top = int(np.argmax(values))
    highest = between_samples(values, top)
    rivals = np.flatnonzero(values > highest - 6 * noise)
    if rivals.size > _MOST_PLACES:
        rivals = np.sort(rivals[np.argsort(values[rivals])[-_MOST_PLACES:]])
    if noise == 0 or not rivals.size:
        return Measured(highest, "Hz", (), method)
    distance = np.abs(rivals[:, None] - rivals[None, :])
    shared = np.where(distance < covariance.size, covariance[np.minimum(distance, covariance.size - 1)], 0.0)
    strengths, directions = np.linalg.eigh(shared)
    root = directions * np.sqrt(np.maximum(strengths, 0.0))
    draws = np.random.default_rng(20).standard_normal((rivals.size, _TRIALS))
    peaks = (values[rivals][:, None] + root @ draws).max(axis=0)
    raised = float(peaks.mean()) - float(values[rivals].max())
    spread = float(peaks.std())
    return Measured(highest - raised, "Hz", (Term.normal("noise", PRUDENCE * max(spread, 0.5 * noise)),), method)
