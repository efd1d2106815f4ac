"""A cheap second detector: does a call too weak for the eye lie in a stretch of channel samples?

A call at 33 dB-Hz is 9 dB under the noise of a 25 kHz channel, yet over its half second it lifts the middle of the
channel above the edges by many standard deviations. Where that happens, the search for the phasing decides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.dsc.vhf_acquisition import Fit, Samples, credible_phasing, suspicions
from sdrcheck.decoders.dsc.vhf_phasing import PHASING_BITS, RATE_BD
from sdrcheck.filters.iq import Complex

FRAME_S = 0.01
WINDOW_FRAMES = 40
MIDDLE_HZ = 6_000.0
EDGES_HZ = (7_500.0, 10_500.0)
LEAST_LIFT = 4.5
"""Standard deviations by which the middle of the channel must stand above its edges."""
TALLEST_LINE = 4.0
"""A bin counts up to this many times the noise: a spurious carrier is narrow, a call is broad."""
USUAL_DOT_PATTERN_BITS = 20
SHORTEST_CALL_BITS, LONGEST_CALL_BITS = 460, 860
FITS_A_STRETCH = 8


@dataclass(frozen=True, slots=True)
class Presence:
    """Where a weak call, or several close together, may lie; seconds from the first sample."""

    start_s: float
    end_s: float
    edge_uncertainty_s: float
    carrier_to_noise_dbhz: float


def present(iq: Complex, sample_rate_hz: float) -> tuple[Presence, ...]:
    """Find where weak calls may lie in channel samples at 40 to 64 kS/s; empty where none seems to.

    Meant for what no keying detector saw; costs a few milliseconds a second of air where there is only noise.
    """
    frame = round(FRAME_S * sample_rate_hz)
    count = iq.size // frame
    if count < WINDOW_FRAMES:
        return ()
    spectra = np.abs(np.fft.fft(iq[: count * frame].reshape(count, frame), axis=1)).astype(np.float32) ** 2
    distance = np.abs(np.fft.fftfreq(frame, 1 / sample_rate_hz))
    middle = spectra[:, distance <= MIDDLE_HZ]
    edges = spectra[:, (distance >= EDGES_HZ[0]) & (distance <= EDGES_HZ[1])]
    step = 5
    noise = _sliding(edges.mean(axis=1), step)
    lines = np.minimum(_sliding(middle, step), TALLEST_LINE * noise[:, None])
    spread = math.sqrt(1 / (WINDOW_FRAMES * middle.shape[1]) + 1 / (WINDOW_FRAMES * edges.shape[1]))
    lifted = lines.mean(axis=1) > noise * (1 + LEAST_LIFT * spread)
    if not lifted.any():
        return ()
    density = float(np.median(edges)) / math.log(2) / frame / sample_rate_hz
    samples = Samples(iq, sample_rate_hz)
    profile = middle.sum(axis=1) / (middle.shape[1] * density * frame * sample_rate_hz)
    found = [
        _span(fit, profile, density)
        for begin, end in _runs(lifted)
        for fit in _fits(samples, begin * step * FRAME_S, (end * step + WINDOW_FRAMES) * FRAME_S, density)
    ]
    return tuple(_merged(sorted(found, key=lambda p: p.start_s)))


def _sliding(values: NDArray[np.float32], step: int) -> NDArray[np.float64]:
    """Means over the window, one every `step` frames."""
    total = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0, dtype=np.float64)])
    return (total[WINDOW_FRAMES:] - total[:-WINDOW_FRAMES])[::step] / WINDOW_FRAMES


def _runs(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(np.int8)))
    return [(int(begin), int(end)) for begin, end in edges.reshape(-1, 2)]


def _fits(samples: Samples, begin_s: float, end_s: float, density: float) -> list[Fit]:
    slack_s = PHASING_BITS / RATE_BD
    found = suspicions(samples, begin_s - slack_s, end_s + slack_s)[:FITS_A_STRETCH]
    fits = (credible_phasing(samples, suspicion, density) for suspicion in found)
    return [fit for fit in fits if fit]


def _span(fit: Fit, profile: NDArray[np.float32], density: float) -> Presence:
    """From the usual dot pattern before the phasing to where the power falls away."""
    first = round((fit.first_bit_s + SHORTEST_CALL_BITS / RATE_BD) / FRAME_S)
    last = round((fit.first_bit_s + LONGEST_CALL_BITS / RATE_BD) / FRAME_S)
    lift = fit.amplitude**2 / (density * 2 * MIDDLE_HZ)
    worth = np.cumsum(profile[first:last] - 1 - lift / 2)
    length = int(worth.argmax()) + 1 if worth.size and worth.max() > 0 else 0
    return Presence(
        start_s=max(fit.first_bit_s - USUAL_DOT_PATTERN_BITS / RATE_BD, 0.0),
        end_s=(first + length) * FRAME_S,
        edge_uncertainty_s=0.03,
        carrier_to_noise_dbhz=10 * math.log10(fit.amplitude**2 / density),
    )


def _merged(spans: list[Presence]) -> list[Presence]:
    """Spans that touch become one: five calls of a distress attempt have no gap between them."""
    merged: list[Presence] = []
    for span in spans:
        if merged and span.start_s <= merged[-1].end_s + 3 * span.edge_uncertainty_s:
            last = merged.pop()
            span = Presence(
                last.start_s,
                max(last.end_s, span.end_s),
                span.edge_uncertainty_s,
                max(last.carrier_to_noise_dbhz, span.carrier_to_noise_dbhz),
            )
        merged.append(span)
    return merged
