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
from sdrcheck.measurements.callfit import Fit, Keying, Model, Samples, Shape
from sdrcheck.measurements.carrier import tapered_mean
from sdrcheck.measurements.spectrum import PRUDENCE, one_sided_density
from sdrcheck.measurements.stretch import Stretch, settled
from sdrcheck.quantities import Measured, Term

NOMINAL_RATE_BD = 1200.0
_WORST_FIT_RAD = 0.6
_SKIPPED_S = (0.0, 0.025, 0.06)
"""After key-on, where the carrier may still be settling: tried one after the other until the waveform fits."""
_INDEX_FLOOR_RAD = 1e-4
_RATE_FLOOR = 6e-8
"""What the channel filter does at the transitions moves index and rate by this; seen in trials without noise."""
_MIDDLE_S = 0.001
"""How far the middle of what was fitted may lie from the middle of the call."""
_PATH_ENDS_S = 0.003
_PATH_INDEX_RAD = 1.5e-3
_JUMPING_TONE_HZ = 2.0
"""How well an index is known through an audio path or jumps, and a tone that starts anew with each bit (trials)."""
_SETTLING_MISFIT = 2.0
"""Misfit over noise from which the audio path is fitted as well."""
_ALIKE = 0.01
"""Indices this near to each other make no steps in the carrier's phase that would matter."""


def measure(excerpt: Excerpt, track: BitTrack) -> dict[str, Measured]:
    """Measure a VHF call whose bits are known; empty where the waveform does not fit them.

    Gives tone B and Y, modulation index B and Y, modulation rate and its error, carrier offset, peak deviation. Tones
    bear the names of the symbols they were sent for: with inverted keying tone B is the lower one.
    """
    for skip_s in _SKIPPED_S:
        stretch = settled(excerpt, skip_s=skip_s)
        samples = callfit.samples_of(stretch, track) if stretch else None
        if stretch is None or samples is None:
            return {}
        found = _best(stretch, samples, track)
        if found is not None:
            readings = _readings(stretch, samples, found)
            return readings | _peak_deviation(readings)
    return {}


def _peak_deviation(readings: dict[str, Measured]) -> dict[str, Measured]:
    """Peak deviation of the call's own modulation: index times tone of whichever tone deviates more.

    The largest raw excursion of a call lies in a transition or at key-in, where it says nothing of the modulator.
    """
    peaks = []
    for name in "BY":
        index, tone = readings.get(f"modulation index, {name}"), readings.get(f"tone {name}")
        if index is None or tone is None:
            return {}
        terms = (*(term.times(tone.value) for term in index.terms), *(term.times(index.value) for term in tone.terms))
        method = "index times tone of the stronger deviating tone, transitions and key-in left out"
        peaks.append(Measured(index.value * tone.value, "Hz", terms, method))
    peak = max(peaks, key=lambda one: one.value)
    return {"peak deviation, up": peak, "peak deviation, down": peak}


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
        if found.rms < 0.35 + 1.5 * noise:
            break
    assert found is not None
    everything = found.used
    stepping = found.model.runs_on and not _alike(found)
    if not stepping:
        hum = callfit.with_hum(samples, found, rate)
        if hum:
            found = _again(samples, found, replace(found.model, hum_hz=hum), everything)
    if found.rms > _WORST_FIT_RAD + noise:
        return None
    used = callfit.settled_mask(samples, found, rate)
    if np.count_nonzero(used) < 0.1 * used.size:
        used = everything
    free = (0, 1) if found.model.keying is Keying.INDEPENDENT else (0, 1, 2)  # two oscillators do not tell the rate
    best = _again(samples, found, replace(found.model, loose=stepping), used, free)
    if best.model.jumps:
        return best
    if _misfit(stretch, samples, best) > _SETTLING_MISFIT:
        inner = everything & (np.abs(samples.times) < np.abs(samples.times).max() - _PATH_ENDS_S)
        path = callfit.fit(samples, found.shape, Model(path=True), inner, (0, 1, 2), rounds=5)
        if _misfit(stretch, samples, path) < 0.7 * _misfit(stretch, samples, best):
            return path
    return best


def _density(samples: Samples, found: Fit, rate: float, low_hz: float, high_hz: float) -> float:
    """One-sided density of what a fit left between two frequencies, rad²/Hz."""
    spread = np.zeros(samples.times.size)
    spread[found.used] = found.residual
    frequencies, density = one_sided_density(spread, rate)
    band = (frequencies > low_hz) & (frequencies < high_hz)
    return float(np.mean(density[band])) * found.used.size / np.count_nonzero(found.used)


def _misfit(stretch: Stretch, samples: Samples, found: Fit) -> float:
    """What a fit left in the audio band, over the noise that would be there anyway."""
    low, high = _audio(found)
    return _density(samples, found, stretch.sample_rate_hz, low, high) / stretch.phase_noise_density


def _audio(found: Fit) -> tuple[float, float]:
    return (2_000.0, 9_000.0) if found.model.loose else (300.0, 4_000.0)


def _alike(found: Fit) -> bool:
    """Whether both indices are the same, as far as noise lets one tell."""
    noise = found.rms * math.sqrt(8 / found.residual.size)
    return abs(_index(found, 3) - _index(found, 5)) < max(_ALIKE, 5 * noise)


def _index(found: Fit, at: int) -> float:
    return math.hypot(*found.linear[at : at + 2])


def _of_either_modulator(samples: Samples, start: Shape, model: Model, offset_hz: float) -> Fit:
    """Acquire the call; where the indices differ, with the carrier's phase jumping or running on, as fits better."""
    jumping = callfit.acquire(samples, start, model, offset_hz)
    complete = jumping.used.sum() > samples.times.size / 2
    if complete and _alike(jumping):
        return jumping
    running = callfit.acquire(samples, start, replace(model, runs_on=True), offset_hz)
    return running if running.rms < jumping.rms else jumping


def _again(samples: Samples, found: Fit, model: Model, used: np.ndarray, free: tuple[int, ...] = (0, 1, 2, 3)) -> Fit:
    linear = None
    if samples.noisy or model.loose or model.jumps:
        moved = callfit.recentred(found.linear, samples, found.used, used)
        linear = np.concatenate([moved[:7], np.zeros(2 * len(model.hum_hz))])
    return callfit.fit(samples, found.shape, model, used, free, linear=linear)


def _over(stretch: Stretch, samples: Samples) -> Stretch:
    """The stretch without what lies outside the bits."""
    return replace(stretch, iq=samples.iq, phase=samples.phase)


def _readings(stretch: Stretch, samples: Samples, found: Fit) -> dict[str, Measured]:
    rate = stretch.sample_rate_hz
    density = _density(samples, found, rate, *_audio(found))
    variance = PRUDENCE**2 * density * rate / 2  # of white phase noise that is as dense as this in the audio band
    scale = np.sqrt(np.sum(found.jacobian**2, axis=1)) + 1e-30
    scaled = found.jacobian / scale[:, None]
    covariance = variance * np.linalg.pinv(scaled @ scaled.T, rcond=1e-12) / np.outer(scale, scale)
    spreads = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    first = found.linear.size
    timed = np.count_nonzero(found.used) / found.used.size
    method = (
        f"least squares of the whole waveform with its bits known, {samples.times.size / rate:.3g} s, "
        f"sub-carrier: {found.model.keying.value}, {timed:.0%} of the time used"
    )

    def measured(value: float, unit: str, standard: float, *terms: Term) -> Measured:
        return Measured(value, unit, (Term.normal("noise", standard), *terms), method)

    slow = _density(samples, found, rate, 0.5 / stretch.duration_s, 8 / stretch.duration_s) / density
    if found.model.loose or slow > 3:
        bare = callfit.carrier_phase(samples, found)
        steps = callfit.unexplained_steps(samples, found, bare, density) if found.model.loose else 0.0
        readings = {
            "carrier offset": tapered_mean(_over(stretch, samples), bare, steps, slips=not samples.noisy).offset
        }
    else:
        drift = found.linear[2] / np.pi
        middle = float(samples.times.mean() - samples.times[found.used].mean())
        moving = Term.rectangular("drift", abs(drift) * _MIDDLE_S)
        offset = found.linear[1] / (2 * np.pi) + drift * middle
        readings = {"carrier offset": measured(offset, "Hz", spreads[1] / (2 * np.pi), moving)}
    restarted = found.model.keying is Keying.RESTARTED
    filtered = (Term.rectangular("filter at the jumps", _JUMPING_TONE_HZ),) if restarted else ()
    for name, at, tone in (("B", 3, 0), ("Y", 5, 1)):
        tone_hz = found.shape.as_array()[tone]
        if found.model.path:
            gains = callfit.path_response(tone_hz, 1 / rate)
            response = complex(found.linear[3:] @ gains)
            index, along = abs(response), (gains * np.conj(response)).real / abs(response)
            part = covariance[3:first, 3:first]
        else:
            index = _index(found, at)
            along, part = found.linear[at : at + 2] / max(index, 1e-9), covariance[at : at + 2, at : at + 2]
        standard = math.sqrt(max(float(along @ part @ along), 0.0))
        if index < 5 * standard:
            continue
        readings[f"modulation index, {name}"] = measured(
            index,
            "rad",
            standard,
            Term.normal("transitions", _PATH_INDEX_RAD if found.model.path or found.model.jumps else _INDEX_FLOOR_RAD),
        )
        readings[f"tone {name}"] = measured(tone_hz, "Hz", spreads[first + tone], *filtered)
    if 2 not in found.free:
        return readings
    rate_bd, standard = found.shape.rate_bd, math.hypot(spreads[first + 2], _RATE_FLOOR * NOMINAL_RATE_BD)
    readings["modulation rate"] = measured(rate_bd, "Bd", standard)
    readings["modulation rate error"] = measured(
        1e6 * (rate_bd / NOMINAL_RATE_BD - 1), "ppm", 1e6 * standard / NOMINAL_RATE_BD
    )
    return readings
