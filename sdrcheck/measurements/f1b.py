"""What an F1B call or text tells once its bits are known: both lines, shift, modulation rate, level.

The whole waveform is fitted with its bits known (maximum likelihood in white noise): phase, centre, drift, shift, and
the place and rate of the bits. Where the sender's phase does not run through from bit to bit, each line is taken as an
oscillator of its own; where not even that holds, as in bad fading, every bit is taken by itself.

Lines are named by their place: line B is the higher one, also where the keying is inverted.
"""

from __future__ import annotations

import enum
import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.excerpt import BitTrack, Excerpt
from sdrcheck.measurements import level as levels
from sdrcheck.measurements import noise
from sdrcheck.quantities import Measured, Term

NOMINAL_RATE_BD = 100.0
HALF_SHIFT_HZ = 85.0
NOISE_FLOOR_BANDWIDTH_HZ = 300.0

LONGEST_PIECE_S = 10.0
"""Longer transmissions are fitted in pieces, so that a slow wander of either oscillator does not spoil the fit."""
FEWEST_BITS = 60
_END_BITS = 2
"""Left out at both ends, where the carrier rises and falls."""
_TRANSITION_S = 0.0008
"""Around each change of line the sender's and the receiver's filters round the phase; nothing is fitted there."""
_MOST_HZ = 25.0
"""How far a line is looked for from where the decoder has it."""
_PARTS = 8
"""Of a bit, summed beforehand for the search of a line."""
_GOOD_FIT = 0.35
"""Radians of phase, noise taken off, by which tenths of a second may miss the fitted waveform."""

_FILTER = "filter at the changes of line"
_AT_CHANGES = 0.35
"""The noise is taken from the middles of the bits; at their edges simulation shows so much more, as a root sum."""
_FILTER_LEVEL_DB, _FILTER_RATE_PPM_S = 0.006, 1.1
_FILTER_HZ = {"Y": (0.00001, 0.0002, 0.0003), "B": (0.0012, 0.008, 0.017)}
"""What a channel filter flat to ±400 Hz does to a fit that knows nothing of it; half widths, seen in simulation.

For the centre, a line and the shift; by what 1 stands for. In text (B), where every word has four B and three Y, centre
and shift are hard to tell apart."""

Reals = NDArray[np.float64]
Complexes = NDArray[np.complex128]


class Keying(enum.StrEnum):
    """How the phase goes on from bit to bit."""

    CONTINUOUS = "the phase runs through"
    TWO_OSCILLATORS = "two oscillators, each with its own phase"
    UNTIED = "every bit with a phase of its own"


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Some seconds of samples with their bits: `sign` is +1 on the upper line, −1 on the lower."""

    iq: Complexes
    times: Reals
    """Seconds from the middle of the piece."""
    middle_s: float
    """Middle of the piece, seconds from the excerpt's first sample."""
    signs: Reals
    """One per bit."""
    first_bit_s: float
    """Start of the first bit, from the middle of the piece."""
    bit_s: float
    offset_hz: float


@dataclass(frozen=True, slots=True)
class _Lines:
    """What one piece gave, with standard uncertainties. `timing_s` is how late the bits in its middle are."""

    keying: Keying
    centre_hz: float
    u_centre: float
    shift_hz: float
    u_shift: float
    timing_s: float
    u_timing: float
    rate: float
    """Relative error of the bit length against the track's."""
    u_rate: float
    covariance: float
    """Of centre and shift."""
    density: float
    """Noise power per hertz over the carrier's power, 1/Hz."""
    power: float
    middle_s: float
    duration_s: float


def measure(excerpt: Excerpt, track: BitTrack) -> dict[str, Measured]:
    """Measure a transmission whose bits are known; empty where there are fewer than 60 of them in the samples.

    Gives carrier offset (the middle of the two lines), line B offset, line Y offset, shift, modulation rate and its
    error, level and noise floor. Offsets are from the excerpt's centre and ±85 Hz about it.
    """
    pieces = _pieces(excerpt, track)
    if not pieces:
        return {}
    found = [_fitted(piece) for piece in pieces]
    keying = max(found, key=lambda lines: list(Keying).index(lines.keying)).keying
    if any(lines.keying is not keying for lines in found):
        found = [_fitted(piece, keying) for piece in pieces]
    return _readings(excerpt, track, found, keying)


def _pieces(excerpt: Excerpt, track: BitTrack) -> list[_Piece]:
    """Cut the transmission into pieces of some seconds, whole bits each; those with lost samples are left out."""
    rate = excerpt.sample_rate_hz
    bit_s = 1 / track.rate_bd
    bits = np.asarray(track.bits, np.float64)
    upper_is_one = (track.one_is == "B") != track.inverted
    signs = np.where((bits == 1) == upper_is_one, 1.0, -1.0)
    # A decoder may have taken noise beside the keying for bits.
    on, off = ((edge / rate - track.first_bit_s) / bit_s for edge in (excerpt.key_on, excerpt.key_off))
    first = max(0, math.ceil(on - 0.5)) + _END_BITS
    last = min(signs.size, math.floor(off + 0.5)) - _END_BITS
    if last - first < FEWEST_BITS:
        return []
    count = max(1, math.ceil((last - first) * bit_s / LONGEST_PIECE_S))
    edges = np.linspace(first, last, count + 1).round().astype(int).tolist()
    pieces = []
    for low, high in itertools.pairwise(edges):
        start_s = track.first_bit_s + low * bit_s
        begin = max(0, math.ceil(start_s * rate))
        end = min(excerpt.iq.size, math.floor((start_s + (high - low) * bit_s) * rate) + 1)
        if any(at < end and at + length > begin for at, length in excerpt.lost):
            continue
        if np.all(signs[low:high] == signs[low]) or np.count_nonzero(excerpt.iq[begin:end]) < 0.9 * (end - begin):
            continue
        middle_s = (begin + end - 1) / 2 / rate
        pieces.append(
            _Piece(
                iq=excerpt.iq[begin:end].astype(np.complex128),
                times=np.arange(begin, end) / rate - middle_s,
                middle_s=middle_s,
                signs=signs[low:high],
                first_bit_s=start_s - middle_s,
                bit_s=bit_s,
                offset_hz=track.offset_hz,
            )
        )
    return pieces


def _places(piece: _Piece, timing_s: float, rate: float) -> tuple[NDArray[np.intp], Reals]:
    """Which bit each sample belongs to, and how many bits since the first one it is, whole and broken."""
    since = (piece.times - piece.first_bit_s - timing_s - rate * piece.times) / piece.bit_s
    which = np.clip(np.floor(since).astype(np.intp), 0, piece.signs.size - 1)
    return which, since


def _travel(piece: _Piece, which: NDArray[np.intp], since: Reals, rate: float) -> Reals:
    """Integral of the sign over time since the first bit, seconds; its mean over the piece taken off."""
    before = np.concatenate([[0.0], np.cumsum(piece.signs)])
    travel = piece.bit_s / (1 - rate) * (before[which] + piece.signs[which] * (since - which))
    return travel - travel.mean()


def _steady(piece: _Piece, which: NDArray[np.intp], since: Reals) -> NDArray[np.bool_]:
    """Samples away from changes of line and from the ends."""
    part = since - which
    guard = _TRANSITION_S / piece.bit_s
    changes = np.concatenate([[True], piece.signs[1:] != piece.signs[:-1], [True]])
    near_start = changes[which] & (part < guard)
    near_end = changes[which + 1] & (part > 1 - guard)
    return ~(near_start | near_end) & (part >= 0) & (part <= 1)


def _bit_lines(piece: _Piece, centre_hz: float, shift_hz: float) -> Complexes:
    """Each bit's correlation with the line it was sent on, its phase counted from the middle of the bit."""
    which, since = _places(piece, 0.0, 0.0)
    in_bit = (since - which - 0.5) * piece.bit_s
    inside = (since - which >= 0) & (since - which <= 1)
    turned = piece.iq * np.exp(-2j * np.pi * (centre_hz + piece.signs[which] * shift_hz / 2) * in_bit) * inside
    sums = np.bincount(which, turned.real, piece.signs.size) + 1j * np.bincount(which, turned.imag, piece.signs.size)
    count = np.maximum(np.bincount(which[inside], minlength=piece.signs.size), 1)
    return np.asarray(sums / count, np.complex128)


def _single_line_offset(piece: _Piece, sign: float, guess_hz: float) -> tuple[float, float]:
    """Find one line from its bits taken one by one: frequency and standard uncertainty, hertz."""
    which, since = _places(piece, 0.0, 0.0)
    part = since - which
    mine = (piece.signs[which] == sign) & (part >= 0) & (part < 1)
    eighth = which[mine] * _PARTS + (part[mine] * _PARTS).astype(np.intp)
    turned = piece.iq[mine] * np.exp(-2j * np.pi * guess_hz * (part[mine] - 0.5) * piece.bit_s)
    size = piece.signs.size * _PARTS
    sums = (np.bincount(eighth, turned.real, size) + 1j * np.bincount(eighth, turned.imag, size)).reshape(-1, _PARTS)
    sums = sums[piece.signs == sign]
    middles = ((np.arange(_PARTS) + 0.5) / _PARTS - 0.5) * piece.bit_s
    reach, best, spread = _MOST_HZ, 0.0, _MOST_HZ
    for _ in range(3):
        hertz = best + np.linspace(-reach, reach, 11)
        powers = np.square(np.abs(sums @ np.exp(-2j * np.pi * np.outer(middles, hertz)))).T
        score = powers.sum(axis=1)
        top = min(max(int(score.argmax()), 1), hertz.size - 2)
        left, middle, right = score[top - 1 : top + 2]
        step = hertz[1] - hertz[0]
        curvature = max((2 * middle - left - right) / step**2, 1e-30)
        best = float(hertz[top] + np.clip((right - left) / (2 * step) / curvature, -step, step))
        slopes = (powers[top + 1] - powers[top - 1]) / (2 * step)
        spread = min(float(np.std(slopes) * math.sqrt(max(len(sums), 1)) / curvature), _MOST_HZ)
        reach /= 3
    return guess_hz + best, spread


def _fitted(piece: _Piece, keying: Keying | None = None) -> _Lines:
    """Fit a piece, tying the phase as far as it goes, or as far as `keying` says."""
    upper, u_upper = _single_line_offset(piece, 1.0, piece.offset_hz + HALF_SHIFT_HZ)
    lower, u_lower = _single_line_offset(piece, -1.0, piece.offset_hz - HALF_SHIFT_HZ)
    if keying in (None, Keying.CONTINUOUS):
        tied = _continuous(piece, (upper + lower) / 2, upper - lower)
        if tied is not None or keying is Keying.CONTINUOUS:
            return tied if tied is not None else _untied(piece, upper, u_upper, lower, u_lower)
    if keying in (None, Keying.TWO_OSCILLATORS):
        separate = _two_oscillators(piece, upper, u_upper, lower, u_lower)
        if separate is not None:
            return separate
    return _untied(piece, upper, u_upper, lower, u_lower)


def _tightened(piece: _Piece, centre_hz: float, shift_hz: float) -> tuple[float, float]:
    """Correct centre and shift by adding up ever longer runs of bits in phase."""
    bits = _bit_lines(piece, centre_hz, shift_hz)
    at = piece.first_bit_s + (np.arange(bits.size) + 0.5) * piece.bit_s
    travel = piece.bit_s * (np.cumsum(piece.signs) - piece.signs / 2)
    turned = bits * np.exp(-2j * np.pi * centre_hz * at - 1j * np.pi * shift_hz * travel)
    for run, reach_hz in ((10, 4.0), (30, 0.8), (90, 0.25)):
        whole = bits.size // run * run
        if whole < 2 * run:
            break
        centres = np.linspace(-reach_hz, reach_hz, 13)
        shifts = np.linspace(-2 * reach_hz, 2 * reach_hz, 13)
        best = (-1.0, 0.0, 0.0)
        for c in centres:
            part = turned[:whole] * np.exp(-2j * np.pi * c * at[:whole])
            waves = part * np.exp(-1j * np.pi * shifts[:, None] * travel[:whole])
            score = np.square(np.abs(waves.reshape(shifts.size, -1, run).sum(axis=2))).sum(axis=1)
            top = int(score.argmax())
            best = max(best, (float(score[top]), float(c), float(shifts[top])))
        centre_hz, shift_hz = centre_hz + best[1], shift_hz + best[2]
        turned = turned * np.exp(-2j * np.pi * best[1] * at - 1j * np.pi * best[2] * travel)
    return centre_hz, shift_hz


def _coarse_phase(piece: _Piece, centre_hz: float, shift_hz: float) -> Reals | None:
    """Correct centre, shift and drift by the phase of tenths of a second; None where it does not hold together.

    Returns what to add to phase, centre (Hz), shift (Hz) and drift (Hz/s).
    """
    which, since = _places(piece, 0.0, 0.0)
    travel = _travel(piece, which, since, 0.0)
    theta = 2 * np.pi * centre_hz * piece.times + np.pi * shift_hz * travel
    turned = piece.iq * np.exp(-1j * theta)
    groups = np.minimum(which // 10, max((piece.signs.size // 10) - 1, 0))
    count = np.bincount(groups)
    sums = np.bincount(groups, turned.real) + 1j * np.bincount(groups, turned.imag)
    phase = np.unwrap(np.angle(sums))
    weight = np.abs(sums)
    at, along = np.bincount(groups, piece.times) / count, np.bincount(groups, travel) / count
    design = np.stack([np.ones_like(at), 2 * np.pi * at, np.pi * along, np.pi * at**2], axis=1)
    solution = np.zeros(4)
    weight = np.where(weight / count > 0.5 * np.median(weight / count), weight, 0.0)  # not what lies in noise or a fade
    if not weight.any():
        return None
    for _ in range(3):
        solution, *_ = np.linalg.lstsq(design * weight[:, None], phase * weight, rcond=None)
        phase = phase - 2 * np.pi * np.round((phase - design @ solution) / (2 * np.pi))
    miss = phase - design @ solution
    level = float(np.median(np.abs(_bit_lines(piece, centre_hz, shift_hz))))
    wander = float(np.average(np.square(miss), weights=np.square(weight))) - _phase_noise(piece, centre_hz, shift_hz)
    if math.sqrt(max(0.0, wander)) > _GOOD_FIT or float(np.median(weight / count)) < 0.6 * level:
        return None
    return solution


def _phase_noise(piece: _Piece, centre_hz: float, shift_hz: float) -> float:
    """Variance of the phase of a tenth of a second that the noise alone makes, rad²."""
    own = np.square(np.abs(_bit_lines(piece, centre_hz, shift_hz)))
    other = np.square(np.abs(_bit_lines(piece, centre_hz, -shift_hz)))
    noise_power = float(np.mean(other)) - 0.023 * float(np.mean(own))  # the lines overlap a little over one bit
    return max(noise_power, 0.0) / max(float(np.mean(own)), 1e-30) / 20


def _continuous(piece: _Piece, centre_hz: float, shift_hz: float) -> _Lines | None:
    """Fit a waveform whose phase runs through; None where it does not."""
    centre_hz, shift_hz = _tightened(piece, centre_hz, shift_hz)
    coarse = _coarse_phase(piece, centre_hz, shift_hz)
    if coarse is None:
        return None
    phase, centre_hz, shift_hz, drift = coarse[0], centre_hz + coarse[1], shift_hz + coarse[2], coarse[3]
    timing = rate = 0.0
    covariance = np.zeros((6, 6))
    density = power = 0.0
    for _ in range(8):
        which, since = _places(piece, timing, rate)
        travel = _travel(piece, which, since, rate)
        steady = _steady(piece, which, since)
        theta = phase + 2 * np.pi * centre_hz * piece.times + np.pi * shift_hz * travel + np.pi * drift * piece.times**2
        turned = (piece.iq * np.exp(-1j * theta))[steady]
        amplitude = abs(turned.mean())
        if amplitude <= 0:
            return None
        sign = piece.signs[which]
        by_rate = travel - sign * piece.times
        columns = np.stack(
            [
                np.ones_like(piece.times),
                2 * np.pi * piece.times,
                np.pi * travel,
                np.pi * (piece.times**2 - np.mean(piece.times**2)),
                -np.pi * shift_hz * (sign - sign.mean()),
                np.pi * shift_hz * (by_rate - by_rate.mean()),
            ]
        )[:, steady]
        normal = columns @ columns.T
        step = np.linalg.solve(normal, columns @ (turned.imag / amplitude))
        phase, centre_hz, shift_hz = phase + step[0], centre_hz + step[1], shift_hz + step[2]
        drift, timing, rate = drift + step[3], timing + step[4], rate + step[5]
        phase -= math.pi * step[3] * float(np.mean(piece.times**2))
        residual = turned.imag / amplitude - step @ columns
        density = _density(piece, which[steady], residual)
        power = amplitude**2
        covariance = density / (piece.times[1] - piece.times[0]) * np.linalg.inv(normal)
        if abs(step[4]) > 0.3 * piece.bit_s:
            return None
        if np.all(np.square(step[1:]) < 1e-6 * np.diag(covariance)[1:]):
            break
    u = np.sqrt(np.diag(covariance))
    return _Lines(
        Keying.CONTINUOUS,
        centre_hz,
        u[1],
        shift_hz,
        u[2],
        timing,
        u[4],
        rate,
        u[5],
        covariance[1, 2],
        2 * density,
        power,
        piece.middle_s,
        float(piece.times[-1] - piece.times[0]),
    )


def _density(piece: _Piece, which: NDArray[np.intp], residual: Reals) -> float:
    """Two-sided density of the phase residual (rad²/Hz) at the rates that matter: from the means over single bits."""
    count = np.bincount(which, minlength=piece.signs.size)
    means = np.bincount(which, residual, piece.signs.size)[count > 0] / count[count > 0]
    seconds = count[count > 0] * (piece.times[1] - piece.times[0])
    degrees = max(means.size - 6, 1)
    return float(np.sum(np.square(means) * seconds) / degrees)


def _two_oscillators(piece: _Piece, upper: float, u_upper: float, lower: float, u_lower: float) -> _Lines | None:
    """Fit each line as an oscillator that runs on while the other is keyed; None where they do not."""
    lines = []
    for sign, guess in ((1.0, upper), (-1.0, lower)):
        bits = _bit_lines(piece, guess, 0.0)
        mine = np.flatnonzero(piece.signs == sign)
        at = piece.first_bit_s + (mine + 0.5) * piece.bit_s
        reach = min(3 * (u_upper if sign > 0 else u_lower) + 1.0, _MOST_HZ)
        step_hz = 0.2 / max(float(at[-1] - at[0]), 0.1) if mine.size > 1 else 1.0
        hertz = np.arange(-reach, reach + step_hz, step_hz)
        turned = bits[mine] * np.exp(-2j * np.pi * guess * at)
        score = np.abs(np.exp(-2j * np.pi * hertz[:, None] * at) @ turned)
        offset = float(hertz[int(score.argmax())])
        for _ in range(4):
            bare = turned * np.exp(-2j * np.pi * offset * at)
            mean = bare.mean()
            phase = np.imag(bare * np.conj(mean)) / abs(mean) ** 2
            design = np.stack([np.ones_like(at), 2 * np.pi * at, np.pi * (at**2 - np.mean(at**2))], axis=1)
            solution, *_ = np.linalg.lstsq(design, phase, rcond=None)
            offset += float(solution[1])
        coherence = abs(bare.mean()) / float(np.sqrt(np.mean(np.square(np.abs(bare)))))
        if coherence < 0.6 or mine.size < 20:
            return None
        miss = phase - design @ solution
        variance = float(np.sum(np.square(miss))) / max(at.size - 3, 1)
        spread = math.sqrt(variance * float(np.linalg.inv(design.T @ design)[1, 1]))
        lines.append((guess + offset, spread, 2 * variance * piece.bit_s, abs(mean) ** 2))
    (upper, u_upper, density, power), (lower, u_lower, _, _) = lines
    return _by_envelope(piece, Keying.TWO_OSCILLATORS, upper, u_upper, lower, u_lower, density, power)


def _untied(piece: _Piece, upper: float, u_upper: float, lower: float, u_lower: float) -> _Lines:
    """Each line from its bits one by one."""
    own = np.square(np.abs(_bit_lines(piece, (upper + lower) / 2, upper - lower)))
    other = np.square(np.abs(_bit_lines(piece, (upper + lower) / 2, lower - upper)))
    noise_power = max(float(np.mean(other)) - 0.023 * float(np.mean(own)), 1e-30)
    power = max(float(np.mean(own)) - noise_power, 1e-30)
    return _by_envelope(piece, Keying.UNTIED, upper, u_upper, lower, u_lower, noise_power / power * piece.bit_s, power)


def _by_envelope(
    piece: _Piece,
    keying: Keying,
    upper: float,
    u_upper: float,
    lower: float,
    u_lower: float,
    density: float,
    power: float,
) -> _Lines:
    """Complete the lines with bit timing from the envelopes: where the bits' own lines are strongest."""
    timing, u_timing, rate, u_rate = _envelope_timing(piece, (upper + lower) / 2, upper - lower)
    return _Lines(
        keying,
        (upper + lower) / 2,
        math.hypot(u_upper, u_lower) / 2,
        upper - lower,
        math.hypot(u_upper, u_lower),
        timing,
        u_timing,
        rate,
        u_rate,
        (u_upper**2 - u_lower**2) / 2,
        density,
        power,
        piece.middle_s,
        float(piece.times[-1] - piece.times[0]),
    )


def _envelope_timing(piece: _Piece, centre_hz: float, shift_hz: float) -> tuple[float, float, float, float]:
    """How late the bits are, from the energy that their own lines lose at a change when they are cut wrongly.

    Returns lateness in the middle (s), its standard uncertainty, the relative error of the bit length, and its own.
    """
    late = np.linspace(-0.15, 0.15, 7) * piece.bit_s
    rows = []
    for delay in late.tolist():
        which, since = _places(piece, delay, 0.0)
        line_hz = centre_hz + shift_hz / 2 * piece.signs[which]
        turned = piece.iq * np.exp(-2j * np.pi * line_hz * piece.times)
        inside = (since - which >= 0) & (since - which < 1)
        sums = np.bincount(which, turned.real * inside, piece.signs.size) + 1j * np.bincount(
            which, turned.imag * inside, piece.signs.size
        )
        rows.append(np.abs(sums))
    curve, slope, _ = np.polyfit(late, np.array(rows), 2)
    curvature = -2 * float(curve.mean())
    if curvature <= 0:
        return 0.0, 0.2 * piece.bit_s, 0.0, 0.4 * piece.bit_s / float(piece.times[-1] - piece.times[0])
    each = slope / curvature
    at = piece.first_bit_s + (np.arange(each.size) + 0.5) * piece.bit_s
    rate, middle = np.polyfit(at, each, 1)
    spread = float(np.std(each - middle - rate * at))
    return float(middle), spread / math.sqrt(each.size), float(rate), spread / math.sqrt(float(np.sum(np.square(at))))


# Readings -------------------------------------------------------------------------------------------------------------


def _combined(values: Reals, standards: Reals, wander: str, filter_hz: float) -> tuple[float, tuple[Term, ...]]:
    """Weighted mean of the pieces; where they scatter more than their noise, that scatter is a term of its own."""
    weights = 1 / np.square(np.maximum(standards, 1e-30))
    mean = float(np.sum(weights * values) / weights.sum())
    own = (Term.normal("noise", float(1 / math.sqrt(weights.sum()))), Term.rectangular(_FILTER, filter_hz))
    if values.size < 3:
        return mean, own
    scatter = float(np.std(values, ddof=1))
    excess = scatter**2 - float(np.mean(np.square(standards)))
    if excess <= 2 * float(np.mean(np.square(standards))):
        return mean, own
    mean = float(values.mean())
    return mean, (*own, Term.normal(wander, math.sqrt(excess / values.size), values.size - 1))


def _bit_length(found: list[_Lines]) -> tuple[float, float]:
    """Relative error of the bit length against the track's, and its standard uncertainty.

    From the fitted rate of each piece and from how the bits of one piece come late against another's.
    """
    at = np.array([lines.middle_s for lines in found])
    late = np.array([lines.timing_s for lines in found])
    weights = 1 / np.square([max(lines.u_timing, 1e-12) for lines in found])
    spread = weights * (at - float(np.sum(weights * at) / weights.sum()))
    own = 1 / np.square([lines.u_rate for lines in found])
    information = float(np.sum(spread * at) + own.sum())
    rate = (float(np.sum(spread * late)) + float(np.sum(own * [lines.rate for lines in found]))) / information
    standard = 1 / math.sqrt(information)
    if len(found) > 3:
        left = late - rate * at
        left = left - float(np.sum(weights * left) / weights.sum())
        standard *= max(1.0, math.sqrt(float(np.sum(weights * np.square(left))) / (len(found) - 2)))
    return rate, standard


def _readings(excerpt: Excerpt, track: BitTrack, found: list[_Lines], keying: Keying) -> dict[str, Measured]:
    seconds = sum(lines.duration_s for lines in found)
    method = f"least squares of the waveform with its bits known, {seconds:.3g} s; {keying.value}"
    centre = np.array([lines.centre_hz for lines in found])
    u_centre = np.array([lines.u_centre for lines in found])
    shift = np.array([lines.shift_hz for lines in found])
    u_shift = np.array([lines.u_shift for lines in found])
    covariance = np.array([lines.covariance for lines in found])
    wander = "slow movement of the carrier"
    filter_hz = _FILTER_HZ[track.one_is]
    readings: dict[str, Measured] = {}
    value, terms = _combined(centre, u_centre, wander, filter_hz[0])
    readings["carrier offset"] = Measured(value, "Hz", terms, method)
    for name, side in (("line B offset", 1.0), ("line Y offset", -1.0)):
        standards = np.sqrt(np.maximum(np.square(u_centre) + np.square(u_shift) / 4 + side * covariance, 0.0))
        value, terms = _combined(centre + side * shift / 2, standards, wander, filter_hz[1])
        readings[name] = Measured(value - side * HALF_SHIFT_HZ, "Hz", terms, method)
    value, terms = _combined(shift, u_shift, "unsteady shift", filter_hz[2])
    readings["shift"] = Measured(value, "Hz", terms, method)
    longer, u_longer = _bit_length(found)
    rate_bd = track.rate_bd * (1 - longer)
    error = Measured(
        1e6 * (rate_bd / NOMINAL_RATE_BD - 1),
        "ppm",
        (
            Term.normal("noise", 1e6 * u_longer),
            Term.normal("noise at the changes of line", 1e6 * _AT_CHANGES * u_longer),
            Term.rectangular(_FILTER, _FILTER_RATE_PPM_S / seconds),
        ),
        method,
    )
    readings["modulation rate"] = error.scaled(1e-6 * NOMINAL_RATE_BD, "Bd").shifted(NOMINAL_RATE_BD)
    readings["modulation rate error"] = error
    readings |= _level(excerpt, found, seconds)
    return readings


def _level(excerpt: Excerpt, found: list[_Lines], seconds: float) -> dict[str, Measured]:
    """Mean power of both lines in dBFS, and the noise beside them."""
    floor = noise.beside(excerpt, NOISE_FLOOR_BANDWIDTH_HZ / 2)
    weights = np.array([lines.duration_s for lines in found])
    power = float(np.sum(weights * [lines.power for lines in found]) / weights.sum())
    density = float(np.mean([lines.density for lines in found]))
    terms = [
        Term.normal("noise", levels.DECIBELS * math.sqrt(2 * density / seconds)),
        Term.rectangular(_FILTER, _FILTER_LEVEL_DB),
    ]
    if excerpt.clipped_fraction > 1e-4:
        terms.append(Term.rectangular("clipping", 1.0))
    readings = {
        "level": Measured(
            10 * math.log10(power), "dBFS", tuple(terms), f"power of the fitted waveform over {seconds:.3g} s"
        )
    }
    beside = levels.noise_floor(floor, NOISE_FLOOR_BANDWIDTH_HZ)
    if beside is not None:
        readings["noise floor"] = beside
    return readings
