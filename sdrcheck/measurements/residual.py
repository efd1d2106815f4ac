"""Residual modulation of a carrier that nothing modulates: hum and noise.

Measured as a modulation meter would: rms after de-emphasis, against a 1 kHz tone of 3 kHz peak deviation through the
same de-emphasis. The de-emphasis flattens below 212 Hz (time constant 750 µs, from memory of ETSI EN 300 162-1
clause 8.10), so that hum counts and the slow noise of an oscillator does not drown it.
"""

from __future__ import annotations

import math

import numpy as np

from sdrcheck.measurements.deviation import phase_noise
from sdrcheck.measurements.level import DECIBELS
from sdrcheck.measurements.spectrum import PRUDENCE, Reals, one_sided_density, spread_of_sum, tapered
from sdrcheck.measurements.stretch import Stretch
from sdrcheck.quantities import Measured, Term

LOW_HZ, HIGH_HZ = 40.0, 3_000.0
_CORNER_HZ = 1 / (2 * math.pi * 750e-6)
_REFERENCE_HZ = 1_000.0
_REFERENCE_DEVIATION_HZ = 3_000.0
_BAND = f"{LOW_HZ:.0f} Hz to {HIGH_HZ:.0f} Hz, de-emphasised (750 µs)"
_MAINS_HZ = (50.0, 60.0, 400.0)
_HIGHEST_HUM_HZ = 800.0
"""Twice the highest mains frequency; what lies higher is no hum."""


def de_emphasis(frequency_hz: Reals | float, corner_hz: float = _CORNER_HZ) -> Reals:
    """Power gain of the de-emphasis at a frequency, relative to 1 kHz."""
    gain: Reals = (_REFERENCE_HZ**2 + corner_hz**2) / (np.asarray(frequency_hz) ** 2 + corner_hz**2)
    return gain


def residual_modulation(stretch: Stretch) -> tuple[Measured, tuple[float, float] | None]:
    """Measure the residual modulation in dB relative to 1 kHz at 3 kHz deviation; with it the strongest hum line.

    The hum line is its frequency in hertz and its peak deviation in hertz, or None. Where nothing stands above the
    receiver's own noise, the value is an upper bound, and its method says so.
    """
    times = stretch.centred_times() / stretch.duration_s
    flat = stretch.phase - np.polynomial.Polynomial.fit(times, stretch.phase, 2)(times)
    window = tapered(flat.size)
    frequencies, density = one_sided_density(flat, stretch.sample_rate_hz, window)
    step = float(frequencies[1])
    band = (frequencies >= LOW_HZ) & (frequencies <= HIGH_HZ)
    deviation = density * frequencies**2
    weight = de_emphasis(frequencies[band])
    received = float(np.sum(deviation[band] * weight)) * step
    noise_density = phase_noise(stretch, frequencies, deviation)
    floor = noise_density * frequencies[band] ** 2 * weight
    own = float(np.sum(floor)) * step

    inflation = spread_of_sum(window)
    scatter = math.sqrt(inflation * float(np.sum(np.square(floor)))) * step
    surplus = received - own
    reference = _REFERENCE_DEVIATION_HZ**2 / 2
    hum = _hum(flat, stretch.sample_rate_hz, noise_density)
    if surplus < 4 * scatter:
        bound = (received + 2 * scatter) / reference
        method = f"upper bound: {_BAND}, all of it within the receiver's own noise"
        noise = DECIBELS * scatter / received
        return Measured(10 * math.log10(bound), "dB", (Term.normal("noise", noise),), method), hum
    found = np.maximum(deviation[band] * weight - floor, 0)
    mixed = 2 * floor * found  # noise beating with what is there
    width = min(51, found.size // 4 * 2 + 1)
    padded = np.pad(found, width // 2, mode="reflect")
    noise_like = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1) / math.log(2)
    own_scatter = math.sqrt(scatter**2 + inflation * float(np.sum(mixed + np.square(noise_like))) * step**2)
    terms = (
        Term.normal("noise", PRUDENCE * DECIBELS * own_scatter / surplus),
        Term.normal("receiver noise taken off", DECIBELS * 0.05 * own / surplus),
    )
    method = f"{_BAND}, relative to 1 kHz at 3 kHz deviation, receiver noise taken off"
    return Measured(10 * math.log10(surplus / reference), "dB", terms, method), hum


def _hum(phase: Reals, rate: float, noise_density: float) -> tuple[float, float] | None:
    """The strongest line at a multiple of a mains frequency, if it stands 15 dB above the noise beside it."""
    frequencies, density = one_sided_density(phase, rate)  # its window keeps a line within two bins of its place
    deviation = density * frequencies**2
    step = float(frequencies[1])
    best: tuple[float, float] | None = None
    reach = max(1.0, 2.5 * step)
    for mains in _MAINS_HZ:
        for harmonic in range(1, 7):
            at = mains * harmonic
            if at > _HIGHEST_HUM_HZ:
                break
            line = np.abs(frequencies - at) <= reach
            beside = (np.abs(frequencies - at) > 2 * reach) & (np.abs(frequencies - at) <= 2 * reach + 15)
            power = float(np.sum(deviation[line])) * step
            ground = (
                max(float(np.median(deviation[beside])), noise_density * at**2) * step * int(np.count_nonzero(line))
            )
            peak = math.sqrt(2 * power)
            if power > 30 * ground and (best is None or peak > best[1]):
                best = (at, peak)
    return best
