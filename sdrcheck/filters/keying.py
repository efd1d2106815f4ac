"""When a channel was keyed: the power in its filter against its noise, down to a millisecond.

Works on the ratio of power to noise in short windows, so that a gain step of the receiver does not look like keying.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Manner:
    """How transmissions of one sort are keyed: what is a pause within one, and what a gap between two."""

    window_s: float
    """Length of the power windows."""
    gap_s: float
    """A steep fall out of a strong signal that lasts this long ends a transmission."""
    fade_s: float
    """A gradual or uncertain fall must last this long."""
    shortest_s: float
    """Anything shorter is a click."""
    pauses: bool = False
    """It falls into the noise and comes back, as speech does on a suppressed carrier."""


TELEPHONY_FM = Manner(window_s=0.0005, gap_s=0.02, fade_s=0.25, shortest_s=0.004)
TELEGRAPHY = Manner(window_s=0.005, gap_s=0.04, fade_s=1.5, shortest_s=0.03)
SINGLE_SIDEBAND = Manner(window_s=0.005, gap_s=1.2, fade_s=1.5, shortest_s=0.03, pauses=True)
PULSES = Manner(window_s=0.0005, gap_s=0.02, fade_s=0.25, shortest_s=0.004)

STRONG = 16.0
"""Signal plus noise over noise from which single windows can be trusted."""
FAINT = 6.0
"""Below this the watch for weak calls has the first word on a calling channel."""
_SMOOTH_S = 0.012
_STEADY = 150.0
"""Bandwidth times time over which noise is steady enough for a threshold near it."""
_EDGE = 0.01
"""A keyed signal begins and ends at this share of its settled power: a tenth of its amplitude."""
_STEP = 120.0
_STAYS_PAUSING_S = 0.5
_LEAST = 2.0
"""Under so much power over noise there is a pause, and no other station."""
_STEP_S = 0.01


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch of windows in which the channel was keyed, [on, off)."""

    on: int
    off: int
    steep: bool
    """It ended in a fall from full strength into the noise within a few milliseconds."""


def smoothing_s(bandwidth_hz: float) -> float:
    """Over how long the power of a weak signal is averaged: its edges are known no better."""
    return max(_SMOOTH_S, _STEADY / bandwidth_hz)


def runs(
    ratio: Array,
    manner: Manner,
    bandwidth_hz: float,
    *,
    over_noise: Array | None = None,
    lost: NDArray[np.bool_] | None = None,
) -> list[Run]:
    """Find the keyed stretches in the ratio of power to noise in `bandwidth_hz`, one value a window.

    Where `ratio` takes the skirts of neighbours for noise, `over_noise` is the ratio to the noise alone. Windows marked
    `lost` hold no samples; the channel counts as it was before them.
    """
    if ratio.size == 0:
        return []
    if lost is not None and np.any(lost):
        ratio = _held(ratio, lost)
        over_noise = None if over_noise is None else _held(over_noise, lost)
    smooth_windows = max(1, round(smoothing_s(bandwidth_hz) / manner.window_s))
    smooth = smoothed(ratio, smooth_windows)
    strength = float(np.quantile(smooth, 0.98))
    strong = strength >= STRONG
    threshold = min(max(math.sqrt(max(strength, 0.0)), 1.5), 4.0)
    keyed = (smoothed(ratio, 2) if strong else smooth) > threshold
    edges = np.flatnonzero(np.diff(np.concatenate([[False], keyed, [False]])))
    shortest_s = manner.shortest_s if strong else max(manner.shortest_s, 2 * smoothing_s(bandwidth_hz))
    parts = _bridged(edges.reshape(-1, 2).tolist(), manner.gap_s / manner.window_s)
    found: list[Run] = []
    for on, off in parts:
        if (off - on) * manner.window_s < shortest_s:
            continue  # a click bridges no gap
        steep = strong and _is_steep(ratio[on:off], manner, threshold)
        if found:
            gap_s = (on - found[-1].off) * manner.window_s
            rises = strong and _is_steep(ratio[on:off][::-1], manner, threshold)
            if gap_s < manner.fade_s and not (found[-1].steep and rises):
                found[-1] = Run(found[-1].on, off, steep)
                continue
        found.append(Run(on, off, steep))
    if not strong:
        return found
    over_noise = ratio if over_noise is None else over_noise
    return [part for run in found for part in _split_at_steps(ratio, over_noise, run, manner)]


def _split_at_steps(ratio: Array, over_noise: Array, run: Run, manner: Manner) -> list[Run]:
    """Part a run where its power jumps so far at once that another transmission must have begun or ended.

    A set that changes its power does not reach `_STEP`; a station that comes up on the faint echo of another does.
    When a strong neighbour comes or goes, either its skirts step or what is taken for them, but not both ratios.
    """
    near = max(2, round(_STEP_S / manner.window_s))
    if run.off - run.on < 6 * near:
        return [run]
    size = np.minimum(*(_change(one[run.on : run.off], near) for one in (ratio, over_noise)))
    over = np.flatnonzero(size[near:-near] > _STEP) + near
    cuts = []
    for group in np.split(over, np.flatnonzero(np.diff(over) > 1) + 1):
        if group.size:
            about = near + int(group[group.size // 2])
            if _stays(ratio[run.on : run.off], about, near, manner):
                cuts.append(run.on + _place_of_step(ratio[run.on : run.off], about, near))
    bounds = [run.on, *sorted({cut for cut in cuts if run.on < cut < run.off}), run.off]
    parts = [Run(on, off, True) for on, off in itertools.pairwise(bounds)]
    parts[-1] = Run(parts[-1].on, run.off, run.steep)
    return parts


def _change(keyed: Array, near: int) -> Array:
    """How many times power rises or falls about each window but the outermost."""
    level = smoothed(keyed, near)
    change = level[2 * near :] / np.maximum(level[: -2 * near], 1e-30)
    return np.maximum(change, 1 / np.maximum(change, 1e-30))


def _stays(keyed: Array, about: int, near: int, manner: Manner) -> bool:
    """Whether power is as different a while before and behind a step: a fade comes back, another station does not."""
    far = round(_STAYS_PAUSING_S / manner.window_s) if manner.pauses else 6 * near
    before = float(np.median(keyed[max(0, about - far) : about - near]))
    behind = float(np.median(keyed[about + near : about + far]))
    weaker, stronger = sorted((before, behind))
    if manner.pauses and weaker < _LEAST:
        return False
    return stronger > _STEP * max(weaker, 1e-30)


def _place_of_step(keyed: Array, about: int, near: int) -> int:
    """Where power passes half-way, in decibels, between what it was before a step and what it is behind it."""
    before = float(np.median(keyed[max(0, about - 3 * near) : max(1, about - 2 * near)]))
    behind = float(np.median(keyed[about + 2 * near : about + 3 * near]))
    around = smoothed(keyed, 2)[max(0, about - 2 * near) : about + 2 * near]
    over = np.flatnonzero(around > math.sqrt(before * behind))
    if over.size == 0:
        return about
    return max(0, about - 2 * near) + int(over[0] if behind > before else over[-1] + 1)


def _bridged(parts: list[list[int]], windows: float) -> list[list[int]]:
    """Join parts with gaps of less than so many windows between them."""
    joined: list[list[int]] = []
    for on, off in parts:
        if joined and on - joined[-1][1] < windows:
            joined[-1][1] = off
        else:
            joined.append([on, off])
    return joined


def refined(power: Array, noise: float, run: tuple[int, int], settled: int) -> tuple[int, int]:
    """Move the edges of a keyed stretch to where its power passes a tenth of its settled amplitude.

    `power` is per sample and a little smoothed; `run` lies in it; `settled` samples show the level beside an edge.
    """
    on, off = run
    strong = float(np.median(power[on:off])) > STRONG * noise
    if not strong:
        return run
    reach = max(8, settled // 4)
    first = float(np.median(power[on : min(off, on + settled)]))
    begin = max(0, on - reach)
    over = np.flatnonzero(power[begin : min(off, on + settled)] > max(first * _EDGE, 4 * noise))
    last = float(np.median(power[max(on, off - settled) : off]))
    end = min(power.size, off + reach)
    start = max(on, off - settled)
    under = np.flatnonzero(power[start:end] > max(last * _EDGE, 4 * noise))
    new_on = begin + int(over[0]) if over.size else on
    new_off = start + int(under[-1]) + 1 if under.size else off
    return (new_on, new_off) if new_on < new_off else run


def _held(ratio: Array, lost: NDArray[np.bool_]) -> Array:
    """Carry the last value before a loss through it."""
    place = np.where(lost, 0, np.arange(ratio.size))
    held: Array = ratio[np.maximum.accumulate(place)]
    return held


def smoothed(values: Array, windows: int) -> Array:
    if windows <= 1 or values.size < windows:
        return values
    total = np.concatenate([[0.0], np.cumsum(values)])
    middle = (total[windows:] - total[:-windows]) / windows
    before = windows // 2
    smooth: Array = np.concatenate(
        [np.full(before, middle[0]), middle, np.full(values.size - middle.size - before, middle[-1])]
    )
    return smooth


def _is_steep(keyed: Array, manner: Manner, threshold: float) -> bool:
    """Whether a signal was still near its strength shortly before it fell below the threshold."""
    near = max(2, round(0.006 / manner.window_s))
    usual = max(near + 1, round(0.06 / manner.window_s))
    before = keyed[-usual:]
    usually = float(np.median(before))
    return usually > 2 * threshold and float(before[-near:].max()) > 0.1 * usually
