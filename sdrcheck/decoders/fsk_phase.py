"""The phase carried from bit to bit, for F1B: soft bits from a forward–backward pass over the carrier's phase.

Where the keying is phase-continuous, 170 Hz at 100 Bd turns the phase by +0.85 or −0.85 of a turn a bit. That ties
neighbouring bits together and is worth 3 to 4 dB. The phase may wander a little, so that drift, fading and a residual
offset do no harm. Where the phase does not run through, the two envelopes decide, as in an ordinary receiver.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.fsk import (
    HALF_SHIFT_HZ,
    RATE_BD,
    Complexes,
    Levels,
    Reals,
    envelope_bits,
    envelope_evidence,
)

Singles = NDArray[np.float32]

INDEX_TURNS = HALF_SHIFT_HZ / RATE_BD
"""Turns of phase in one bit."""
OVERLAP_BITS = 24
"""Bits that should stand before and behind those asked for."""
_SEGMENT_BITS = 50
_OFFSETS_HZ = np.array([-4.5, -3.0, -1.5, 0.0, 1.5, 3.0, 4.5])

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


def phase_tied(
    b: Complexes, y: Complexes, found: Levels, starts: Reals, centre_hz: float
) -> tuple[Reals, float] | None:
    """Soft bits with the phase carried from bit to bit, and the mean residual offset; None where envelopes do better.

    The bits are cut into overlapping segments, each tried at several residual offsets; all run side by side.
    """
    bits = b.size
    firsts = np.arange(OVERLAP_BITS, bits - OVERLAP_BITS, _SEGMENT_BITS)
    long = _SEGMENT_BITS + 2 * OVERLAP_BITS
    index = np.minimum(firsts[:, None] - OVERLAP_BITS + np.arange(long), bits - 1)
    inside = firsts[:, None] - OVERLAP_BITS + np.arange(long) < bits
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
            last = min(first + _SEGMENT_BITS, bits - OVERLAP_BITS)
            llr[first:last] = soft[segment, OVERLAP_BITS : OVERLAP_BITS + last - first]
    used = gain > 0
    return llr, float(_OFFSETS_HZ[chosen[used]].mean()) if used.any() else 0.0
