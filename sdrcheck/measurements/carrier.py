"""Carrier offset, right also under modulation.

The carrier's frequency is the mean slope of the phase. Dividing the phase's two ends by the time (the mean of a
discriminator) takes with it whatever the modulation does at the ends: half a cycle in 0.45 s is already a hertz. Two
estimators are used instead. Where the phase, after the fitted modulation was taken away, is a straight line (or a
parabola: linear drift) with white noise about it, its least-squares slope is as good as any estimator can be
(Rife and Boorstyn 1974). Otherwise the frequency is averaged under a smooth taper, which no modulation far above the
inverse of the duration gets through, and neighbouring tapers tell how much noise and slow movement is left.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.measurements.spectrum import PRUDENCE, Reals
from sdrcheck.measurements.stretch import Stretch
from sdrcheck.quantities import Measured, Term

_TAPERS = 10
_MOST_POINTS = 32_768
_COARSE = 1 << 16


@dataclass(frozen=True, slots=True)
class Carrier:
    """The carrier of one stretch, against the excerpt's centre."""

    offset: Measured
    drift_hz_per_s: float
    drift_standard: float
    """Standard uncertainty of the drift in Hz/s."""
    steady: bool
    """Nothing but a line (or linear drift) and white noise was left in the phase."""


def carrier(stretch: Stretch, modulation: Reals | None = None) -> Carrier:
    """Measure the mean carrier frequency in hertz from the excerpt's centre.

    `modulation` is a fitted phase modulation in radians, one value a sample, to be taken away first.
    """
    line = _line(stretch, modulation)
    if line is not None:
        return line
    phase = stretch.phase if modulation is None else stretch.phase - modulation
    return tapered_mean(stretch, phase)


def _line(stretch: Stretch, modulation: Reals | None) -> Carrier | None:
    """Least-squares slope of the phase of short coherent sums; None where the phase is no line in white noise."""
    rate, duration = stretch.sample_rate_hz, stretch.duration_s

    def bare(low: int, high: int) -> NDArray[np.complex128]:
        iq = stretch.iq[low:high].astype(np.complex128)
        return iq if modulation is None else iq * np.exp(-1j * modulation[low:high])

    middle_of = stretch.iq.size // 2
    coarse = _strongest_line(bare(max(0, middle_of - _COARSE), middle_of + _COARSE), rate)
    carrier_to_density = stretch.power / stretch.noise.density if stretch.noise.density > 0 else math.inf
    points = int(min(512.0, max(16.0, duration * carrier_to_density / 100), stretch.iq.size // 4))
    size = stretch.iq.size // points
    start = (stretch.iq.size - size * points) // 2
    middle = (np.arange(points) - (points - 1) / 2) * size / rate
    mixer = np.exp(-2j * np.pi * coarse * (np.arange(size) - (size - 1) / 2) / rate)
    sums = np.array([mixer @ bare(at, at + size) for at in range(start, start + size * points, size)]) / size
    sums *= np.exp(-2j * np.pi * coarse * middle)
    if np.abs(sums).min() < 0.3 * np.abs(sums).max():
        return None
    phases = np.unwrap(np.angle(sums))
    basis = np.stack([np.ones(points), middle, middle**2 - np.mean(middle**2)], axis=1)
    solution, _, _, _ = np.linalg.lstsq(basis, phases, rcond=None)
    rest = phases - basis @ solution
    variance = float(rest @ rest) / (points - 3)
    expected = stretch.noise.density / (2 * stretch.power * size / rate)
    neighbours = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-30)
    allowed = 1 + 4 * math.sqrt(2 / points) + 3 * stretch.noise.relative_standard
    if (variance > 2 * allowed * expected and variance > 1e-12) or abs(neighbours) > 4 / math.sqrt(points):
        return None
    spread = PRUDENCE * np.sqrt(variance / np.sum(basis[:, 1:] ** 2, axis=0)) / (2 * np.pi)
    offset = Measured(
        value=coarse + float(solution[1]) / (2 * np.pi),
        unit="Hz",
        terms=(Term.normal("noise", float(spread[0]), points - 3),),
        method=f"least-squares slope of the phase over {duration:.3g} s",
    )
    return Carrier(offset, float(solution[2]) / np.pi, 2 * float(spread[1]), steady=True)


def _strongest_line(iq: NDArray[np.complex128], rate: float) -> float:
    spectrum = np.abs(np.fft.fft(iq, 1 << (2 * iq.size - 1).bit_length()))
    return float(np.fft.fftfreq(spectrum.size, 1 / rate)[int(np.argmax(spectrum))])


@functools.cache
def _taper_integrals() -> tuple[Reals, Reals, Reals, Reals]:
    """∫w, ∫w(u−½), ∫ww' and ∫ẇẇ' of the tapers sin(πu)·sin(kπu) over the unit interval."""
    u = (np.arange(4096) + 0.5) / 4096
    tapers, slopes = _tapers(u)
    return tapers.mean(axis=1), (tapers * (u - 0.5)).mean(axis=1), tapers @ tapers.T / 4096, slopes @ slopes.T / 4096


def _tapers(u: Reals) -> tuple[Reals, Reals]:
    order = np.arange(1, _TAPERS + 1)[:, None]
    turn = np.exp(1j * np.pi * u)
    turns = np.cumprod(np.broadcast_to(turn, (_TAPERS, u.size)), axis=0)  # ten products cost less than ten sines
    slopes = np.pi * (turn.real * turns.imag + order * turn.imag * turns.real)
    return turn.imag * turns.imag, slopes


def tapered_mean(stretch: Stretch, phase: Reals, wander: float = 0.0, *, slips: bool = True) -> Carrier:
    """Mean frequency under a sin² taper, its uncertainty from the tapers beside it.

    `wander` is the two-sided density of white frequency noise in Hz²/Hz that is known to be there already; `slips` says
    that the phase was unwrapped blindly, so that noise may have cost it whole cycles.
    """
    duration = stretch.duration_s
    size = max(1, phase.size // _MOST_POINTS)
    points = phase.size // size
    start = (phase.size - points * size) // 2
    coarse = float(phase[-1] - phase[0]) / (phase.size - 1)
    flat = phase - phase[0] - coarse * np.arange(phase.size)  # small numbers sum exactly
    sums = flat[start : start + points * size].reshape(points, size).mean(axis=1)
    duration *= points * size / phase.size
    _, slopes = _tapers((np.arange(points) + 0.5) / points)
    means = -(slopes @ sums) / points / (2 * np.pi * duration)  # ∫w·f, integrated by parts

    area, moment, overlap, roughness = _taper_integrals()
    white = max(stretch.phase_noise_density, 1e-18) / 2 / (duration * (2 * np.pi * duration) ** 2) * roughness
    basis = np.stack([area, moment * duration], axis=1)

    def misfit(excess: float) -> tuple[float, Reals, Reals]:
        inverse = np.linalg.inv(white + excess / duration * overlap)
        information = basis.T @ inverse @ basis
        found = np.linalg.solve(information, basis.T @ inverse @ means)
        rest = means - basis @ found
        return float(rest @ inverse @ rest), found, np.linalg.inv(information)

    freedom = _TAPERS - 2
    excess = wander
    total, found, covariance = misfit(wander)
    if total > freedom + 3.3 * math.sqrt(2 * freedom):
        low, high = max(wander, 1e-12), 1e12
        for _ in range(80):
            excess = math.sqrt(low * high)
            total, found, covariance = misfit(excess)
            low, high = (excess, high) if total > freedom else (low, excess)
    rate = stretch.sample_rate_hz
    terms = [Term.normal("noise", PRUDENCE * math.sqrt(white[0, 0]) / area[0])]
    if excess:
        slow = math.sqrt(excess / duration * overlap[0, 0]) / area[0]
        known = excess == wander
        freedom_left = math.inf if known else freedom
        terms.append(Term.normal("slow movement of the carrier", slow if known else 1.15 * slow, freedom_left))
    clicks = 4_000 * math.exp(-min(stretch.carrier_to_noise, 700.0))  # a second, about; Rice's clicks under modulation
    slipped = math.sqrt(1.5 * clicks / duration)
    if slips and slipped > 0.1 * terms[0].standard:
        terms.append(Term.normal("cycles lost in noise", slipped))
    offset = Measured(
        value=coarse * rate / (2 * np.pi) + float(means[0]) / area[0],
        unit="Hz",
        terms=tuple(terms),
        method=f"frequency averaged under a sin² taper of {stretch.duration_s:.3g} s",
    )
    return Carrier(offset, float(found[1]), math.sqrt(covariance[1, 1]), steady=False)
