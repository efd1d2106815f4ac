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

from sdrcheck.measurements.noise import FLAT_HZ
from sdrcheck.measurements.spectrum import PRUDENCE, Reals, between_samples, tapered
from sdrcheck.measurements.stretch import Stretch
from sdrcheck.measurements.tones import ToneFit, held, mean_of_blocks
from sdrcheck.quantities import Measured, Term

CUT = "sidebands beyond the channel filter"
"""Name of the term that says so."""
_HIGHEST_HZ = 7_000.0
_BIN_HZ = 100.0
_LONGEST_BEAT_S = 2.0
_MOST_PEAKS = 10
_SLOPE_HZ = 1_200.0
_TRIALS = 400
_MOST_PLACES = 200
_MARGIN_S = 0.02
_ENDS_S = 0.0003


@dataclass(frozen=True, slots=True, eq=False)
class Demodulated:
    """Instantaneous frequency of a stretch about its mean carrier, filtered to the band that its modulation fills."""

    deviation_hz: Reals
    sample_rate_hz: float
    noise_covariance: Reals
    """Autocovariance of the noise left in it, Hz², by lag in samples."""
    bandwidth_hz: float


def of_tones(fits: Sequence[ToneFit], offset_hz: float, cut_counts: float) -> tuple[Measured, Measured]:
    """Measure the peak deviation up and down in hertz from fitted tones.

    `cut_counts` is the part of what the channel filter may have cut that has to be reckoned with.
    """
    hold = min(sum(one.duration_s for one in fits), _LONGEST_BEAT_S)
    peaks = [one.extremes(hold) for one in fits[:: max(1, -(-len(fits) // _MOST_PEAKS))]]
    variances = [noise**2 for _, _, noise in peaks]
    method = f"peak of the fitted tones with their harmonics, mean over {held(fits)}"
    up = mean_of_blocks([up for up, _, _ in peaks], variances, "Hz", method)
    down = mean_of_blocks([down for _, down, _ in peaks], variances, "Hz", method)
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

    kept = _kept_part(frequencies, power, floor)
    gain = kept / differentiator
    deviation = np.fft.irfft(spectrum * gain, raw.size)[margin : margin + bare.size]
    lags = int(0.004 * rate)
    covariance = np.fft.irfft(floor * kept**2 * rate / 2, raw.size)[:lags]
    return Demodulated(deviation, rate, covariance, float(frequencies[np.flatnonzero(kept > 0.5)[-1]]))


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
    inner = demodulated_.deviation_hz[ends : demodulated_.deviation_hz.size - ends]
    method = (
        f"largest excursion of the demodulated frequency in {demodulated_.bandwidth_hz:.0f} Hz of audio, "
        f"hold {hold_s:.3g} s, noise taken off"
    )
    found = []
    for sign in (1, -1):
        values = sign * inner
        top = int(np.argmax(values))
        around = values[max(0, top - int(0.01 * rate)) : top + int(0.01 * rate)]
        change, _ = cut_by_filter(np.cumsum(around) * (2 * np.pi / rate), rate, sign * offset_hz)
        found.append(_with_cut(_peak(values, demodulated_.noise_covariance, method), cut_counts * change))
    return found[0], found[1]


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
