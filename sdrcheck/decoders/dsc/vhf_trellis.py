"""The bits of a weak VHF call, by forward–backward over sub-carrier phase and carrier phase.

Each bit turns the sub-carrier by +1/12 (Y) or −1/4 (B) of a turn, so a grid that twelve divides follows it exactly;
what the tones, the offset or the transmitter's own drift add is a small random walk on both phases. What the code knows
(every character is one of 128 words, and is sent twice) goes back into the trellis as a bias on each bit, without what
the same bit said itself, and the two are run in turn until they agree.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.decoders.dsc.frame import FIRST_INFORMATION_SLOT, RX_DELAY_SLOTS, SLOT_BITS
from sdrcheck.decoders.dsc.symbols import SYMBOL_BITS, code_table
from sdrcheck.decoders.dsc.vhf_acquisition import LINES, STRONGEST_BIT, Fit, Samples, line_weights
from sdrcheck.decoders.dsc.vhf_phasing import RATE_BD, known_bits

Real = NDArray[np.floating[Any]]

SUBCARRIER_PHASES = 36
CARRIER_PHASES = 24
SUBCARRIER_WALK = 0.05
CARRIER_WALK = 0.04
"""Random walk of the two phases, rad a bit (r.m.s.)."""
PASSES = 6
FEEDBACK = 0.25
"""How much of what the code says goes back into the trellis: all of it at once makes errors believe themselves."""
OVERCONFIDENCE = 0.5
"""What each pass adds to the exaggeration: divided by one and that, e to the minus margin of a word is about its error
rate (simulated, 31 to 34 dB-Hz)."""
MOST_BELIEVED = 9.0
"""Nats: no bit of a call that needed the trellis is believed further."""
CERTAIN = 30.0
"""Log-likelihood given to a bit that is known."""


def soft_bits(samples: Samples, fit: Fit, bits: int, noise_density: float) -> NDArray[np.float64]:
    """Log-likelihood ratio (nats, above 0 for Y) of `bits` bits from the phasing on.

    What the code says about a bit is used for its neighbours but not given back, so both copies of a character stay
    independent witnesses.
    """
    gains = _branch_gains(samples, fit, np.arange(bits), noise_density)
    moves = _moves(fit)
    walk = _walk(CARRIER_PHASES, CARRIER_WALK)
    known = np.zeros(bits)
    places, values = known_bits()
    inside = places < bits
    known[places[inside]] = CERTAIN * values[inside]
    bias: Real = known
    heard = np.zeros(bits)
    decided = np.zeros(bits, bool)
    passes = 0
    while passes < PASSES:
        passes += 1
        heard = _forward_backward(gains, moves, walk, bias)
        said = words_say(heard)
        before, decided = decided, heard + said > 0
        if np.array_equal(decided, before):
            break
        bias = np.where(known != 0, known, FEEDBACK * said)
    return np.clip(heard / (1 + OVERCONFIDENCE * passes), -MOST_BELIEVED, MOST_BELIEVED)


def words_say(llr: Real) -> Real:
    """What the ten-unit code and the two copies say about each bit beyond what the bit itself said."""
    table = code_table().astype(np.float64)
    slots = -(-llr.size // SLOT_BITS)
    padded = np.zeros((slots + RX_DELAY_SLOTS) * SLOT_BITS)
    padded[: llr.size] = llr
    grid = padded.reshape(-1, 2, SYMBOL_BITS)
    dx = grid[FIRST_INFORMATION_SLOT:-RX_DELAY_SLOTS, 0]
    rx = grid[FIRST_INFORMATION_SLOT + RX_DELAY_SLOTS :, 1]
    said = np.zeros_like(grid)
    if dx.size:
        scores = (dx + rx) @ table.T
        weight = np.exp(scores - scores.max(axis=1, keepdims=True))
        odds = np.log((weight @ table + 1e-30) / (weight @ (1 - table) + 1e-30))
        said[FIRST_INFORMATION_SLOT:-RX_DELAY_SLOTS, 0] = odds - dx
        said[FIRST_INFORMATION_SLOT + RX_DELAY_SLOTS :, 1] = odds - rx
    return np.clip(said.reshape(-1)[: llr.size], -CERTAIN, CERTAIN)


def _branch_gains(samples: Samples, fit: Fit, index: NDArray[np.intp], noise_density: float) -> Real:
    """Likelihood of each bit's samples for (B, Y) × sub-carrier phase × carrier phase, up to a factor a bit."""
    noise_density = max(noise_density, fit.amplitude**2 / RATE_BD / STRONGEST_BIT)
    lines = _both_tones(samples, fit, index)
    phases = 2 * math.pi * np.arange(SUBCARRIER_PHASES) / SUBCARRIER_PHASES
    matched = lines @ line_weights(phases, fit.index).T
    carrier = np.exp(-2j * np.pi * np.arange(CARRIER_PHASES) / CARRIER_PHASES)
    scale = 2 * fit.amplitude / (noise_density * samples.rate_hz)
    score = scale * (matched.real[..., None] * carrier.real - matched.imag[..., None] * carrier.imag)
    score -= score.max(axis=(1, 2, 3), keepdims=True)
    return np.exp(score)


def _both_tones(samples: Samples, fit: Fit, index: NDArray[np.intp]) -> NDArray[np.complex128]:
    """Lines of every bit for B and for Y; shape (bits, 2, lines). Carrier turned back by the fit."""
    size = math.ceil(fit.bit_s * samples.rate_hz)
    starts = (fit.first_bit_s + index * fit.bit_s) * samples.rate_hz
    where = np.ceil(starts).astype(np.intp)[:, None] + np.arange(size)
    inside = (where < (starts + fit.bit_s * samples.rate_hz)[:, None]) & (where >= 0) & (where < samples.iq.size)
    times = where / samples.rate_hz
    since = times - fit.reference_s
    carrier = fit.carrier_phase + 2 * math.pi * (fit.offset_hz * since + fit.drift_hz_per_s / 2 * since**2)
    piece = np.where(inside, samples.iq[np.clip(where, 0, samples.iq.size - 1)], 0) * np.exp(-1j * carrier)
    within = times - (starts / samples.rate_hz)[:, None]
    lines = np.empty((index.size, 2, 2 * LINES + 1), complex)
    for bit in (0, 1):
        turning = np.exp(-2j * np.pi * fit.tone_hz(bool(bit) ^ fit.inverted) * within)
        power = np.ones_like(turning)
        lines[:, bit, LINES] = piece.sum(axis=1)
        for n in range(1, LINES + 1):
            power = power * turning
            lines[:, bit, LINES + n] = np.einsum("ki,ki->k", piece, power)
            lines[:, bit, LINES - n] = np.einsum("ki,ki->k", piece, np.conj(power))
    return lines


def _walk(size: int, spread_rad: float) -> Real:
    """Circulant of a random walk: how likely each phase is to have come from each other one."""
    step = 2 * math.pi / size
    aside = min((spread_rad / step) ** 2 / 2, 0.25)
    eye = np.eye(size)
    return (1 - 2 * aside) * eye + aside * (np.roll(eye, 1, 0) + np.roll(eye, -1, 0))


def _moves(fit: Fit) -> Real:
    """Sub-carrier phase at the next bit from that at this one, after B and after Y; shape (2, phases, phases)."""
    walk = _walk(SUBCARRIER_PHASES, SUBCARRIER_WALK)
    eye = np.eye(SUBCARRIER_PHASES)
    moves = []
    for y in (False, True):
        steps = fit.tone_hz(y ^ fit.inverted) * fit.bit_s * SUBCARRIER_PHASES
        whole = math.floor(steps)
        part = steps - whole
        moves.append(walk @ ((1 - part) * np.roll(eye, whole, 0) + part * np.roll(eye, whole + 1, 0)))
    return np.stack(moves)


def _forward_backward(gains: Real, moves: Real, walk: Real, bias: Real) -> NDArray[np.float64]:
    """What the samples say about each bit, its own bias left out."""
    count = len(gains)
    prior = np.stack([1 / (1 + np.exp(bias)), 1 / (1 + np.exp(-bias))], axis=1)
    onward = np.concatenate([moves[0], moves[1]], axis=1)  # (phases, 2 · phases)
    back = np.concatenate([moves[0].T, moves[1].T], axis=0)  # (2 · phases, phases)
    shape = gains.shape[2:]
    ahead = np.empty((count, *shape))
    state = np.full(shape, 1 / (shape[0] * shape[1]))
    weighted = prior[:, :, None, None]
    for k in range(count):
        ahead[k] = state
        branch = gains[k] * state
        branch *= weighted[k]
        state = onward @ branch.reshape(-1, shape[1]) @ walk
        state /= state.sum()
        state += 1e-12
    heard = np.empty(count)
    state = np.full(shape, 1.0)
    for k in range(count - 1, -1, -1):
        branch = (back @ (state @ walk)).reshape(2, *shape)
        branch *= gains[k]
        b, y = np.tensordot(branch, ahead[k], 2)
        heard[k] = math.log((y + 1e-300) / (b + 1e-300))
        branch *= weighted[k]
        state = branch[0] + branch[1]
        state /= state.max()
        state += 1e-12
    return heard
