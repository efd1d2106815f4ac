"""What a VHF call's own modulation tells, once its bits are known: tones, indices, rate and the carrier beneath.

The modulation index is the peak phase deviation of each tone's fundamental, fitted on runs of the same tone with the
transitions left out; the type test reads it from steady B and steady Y transmissions instead.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sdrcheck.filters.excerpt import BitTrack, Excerpt
from sdrcheck.measurements import callfit
from sdrcheck.measurements.carrier import carrier, tapered_mean
from sdrcheck.measurements.callfit import Fit, Keying, Model, Samples, Shape
from sdrcheck.measurements.spectrum import one_sided_density
from sdrcheck.measurements.stretch import Stretch, settled
from sdrcheck.quantities import Measured, Term

NOMINAL_RATE_BD = 1200.0
_WORST_FIT_RAD = 0.6
_INDEX_FLOOR_RAD = 1e-4
_RATE_FLOOR = 6e-8
"""What the channel filter does at the transitions moves index and rate by this; seen in trials without noise."""
_ALIKE = 0.01
"""Indices this near to each other make no steps in the carrier's phase that would matter."""


def measure(excerpt: Excerpt, track: BitTrack) -> dict[str, Measured]:
    """Measure a VHF call whose bits are known; empty where the waveform does not fit them.

    Gives tone B and Y, modulation index B and Y, modulation rate and its error, carrier offset. Tones bear the names of
    the symbols they were sent for: with inverted keying tone B is the lower one.
    """
    stretch = settled(excerpt)
    if stretch is None:
        return {}
    samples = callfit.samples_of(stretch, track)
    if samples is None:
        return {}
    found = _best(stretch, samples, track)
    if found is None:
        return {}
    return _readings(stretch, samples, found)


def _best(stretch: Stretch, samples: Samples, track: BitTrack) -> Fit | None:
    """The variant of the waveform that fits, transitions left out at the end."""
    rate = stretch.sample_rate_hz
    start = callfit.start_shape(track, stretch, samples)
    noise = math.sqrt(stretch.noise.total / (2 * stretch.power))
    found: Fit | None = None
    for keying in Keying:
        tried = _of_either_modulator(samples, start, Model(keying), track.offset_hz)
        if found is None or tried.rms < 0.7 * found.rms:
            found = tried
        if found.rms < 0.1 + 1.5 * noise:
            break
    assert found is not None
    everything = found.used
    stepping = found.model.runs_on and abs(_index(found, 3) - _index(found, 5)) > _ALIKE
    if not stepping:
        hum = callfit.with_hum(samples, found, rate)
        if hum:
            found = _again(samples, found, replace(found.model, hum_hz=hum), everything)
    if found.rms > _WORST_FIT_RAD + noise:
        return None
    if found.model.keying is not Keying.CONTINUOUS:
        return found  # the timing shows at the transitions only, so they stay in
    used = callfit.settled_mask(samples, found, rate)
    if np.count_nonzero(used) < 0.1 * used.size:
        used = everything
    return _again(samples, found, replace(found.model, loose=stepping), used, (0, 1, 2))


def _index(found: Fit, at: int) -> float:
    return math.hypot(*found.linear[at : at + 2])


def _of_either_modulator(samples: Samples, start: Shape, model: Model, offset_hz: float) -> Fit:
    """Acquire the call; where the indices differ, with the carrier's phase jumping or running on, as fits better."""
    jumping = callfit.acquire(samples, start, model, offset_hz)
    if abs(_index(jumping, 3) - _index(jumping, 5)) < _ALIKE:
        return jumping
    running = callfit.acquire(samples, start, replace(model, runs_on=True), offset_hz)
    return running if running.rms < jumping.rms else jumping


def _again(
    samples: Samples, found: Fit, model: Model, used: np.ndarray, free: tuple[int, ...] = (0, 1, 2, 3)
) -> Fit:
    linear = None
    if samples.noisy or model.loose:
        moved = callfit.recentred(found.linear, samples, found.used, used)
        linear = np.concatenate([moved[:7], np.zeros(2 * len(model.hum_hz))])
    return callfit.fit(samples, found.shape, model, used, free, linear=linear)


def _over(stretch: Stretch, samples: Samples) -> Stretch:
    """The stretch without what lies outside the bits."""
    return replace(stretch, iq=samples.iq, phase=samples.phase)


def _readings(stretch: Stretch, samples: Samples, found: Fit) -> dict[str, Measured]:
    rate = stretch.sample_rate_hz
    spread = np.zeros(samples.times.size)
    spread[found.used] = found.residual
    part = np.count_nonzero(found.used) / found.used.size
    frequencies, density = one_sided_density(spread, rate, np.hanning(spread.size))
    density = density / part
    low, high = (2_000, 9_000) if found.model.loose else (300, 4_000)
    audio = (frequencies > low) & (frequencies < high)
    variance = float(np.mean(density[audio])) * rate / 2  # of white phase noise that is as dense as this in the audio band

    scale = np.sqrt(np.sum(found.jacobian**2, axis=1)) + 1e-30
    scaled = found.jacobian / scale[:, None]
    covariance = variance * np.linalg.pinv(scaled @ scaled.T, rcond=1e-12) / np.outer(scale, scale)
    spreads = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    first = found.linear.size
    method = (
        f"least squares of the whole waveform with its bits known, {samples.times.size / rate:.3g} s, "
        f"sub-carrier: {found.model.keying.value}, {part:.0%} of the time used"
    )

    def measured(value: float, unit: str, standard: float, *terms: Term) -> Measured:
        return Measured(value, unit, (Term.normal("noise", standard), *terms), method)

    slow = float(np.mean(density[1:8])) / float(np.mean(density[audio]))
    modulation = callfit.modulation(samples, found)
    if found.model.loose:
        steps = callfit.unexplained_steps(samples, found, modulation, float(np.mean(density[audio])))
        readings = {"carrier offset": tapered_mean(_over(stretch, samples), samples.phase - modulation, steps).offset}
    elif slow > 3:
        readings = {"carrier offset": carrier(_over(stretch, samples), modulation).offset}
    else:
        readings = {"carrier offset": measured(found.linear[1] / (2 * np.pi), "Hz", spreads[1] / (2 * np.pi))}
    for name, at, tone in (("B", 3, 0), ("Y", 5, 1)):
        p, q = found.linear[at : at + 2]
        index = math.hypot(p, q)
        if index < 10 * spreads[at]:
            continue
        along = np.array([p, q]) / index
        standard = math.sqrt(max(float(along @ covariance[at : at + 2, at : at + 2] @ along), 0.0))
        readings[f"modulation index, {name}"] = measured(index, "rad", standard, Term.normal("transitions", _INDEX_FLOOR_RAD))
        readings[f"tone {name}"] = measured(found.shape.as_array()[tone], "Hz", spreads[first + tone])
    rate_bd, standard = found.shape.rate_bd, math.hypot(spreads[first + 2], _RATE_FLOOR * NOMINAL_RATE_BD)
    readings["modulation rate"] = measured(rate_bd, "Bd", standard)
    readings["modulation rate error"] = measured(
        1e6 * (rate_bd / NOMINAL_RATE_BD - 1), "ppm", 1e6 * standard / NOMINAL_RATE_BD
    )
    return readings
