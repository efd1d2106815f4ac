"""The whole phase-modulated waveform of a VHF call, fitted by least squares with its bits known.

The carrier's phase is modelled as

    phase(t) = c0 + c1·t + c2·t² + pᵢ·sin θ(t) + qᵢ·cos θ(t) [+ steps at the transitions] [+ hum],

θ being the sub-carrier's phase under the bits and i the tone on the air. The index of a tone is √(p² + q²); its own q
leaves room for an audio path that delays the two tones differently. What is known of real keying decides the variants:

- the sub-carrier's phase runs on across a transition, or each tone has an oscillator of its own, or it starts anew;
- where the indices differ, the carrier's phase jumps (a phase modulator) or runs on (a frequency modulator).

Fits start on a few bits in the middle and double their span, so that tones and rates far off are followed rather than
guessed. The last fit leaves out what lies next to the transitions, as far as the audio path still settles there.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.excerpt import BitTrack
from sdrcheck.measurements.spectrum import Reals, one_sided_density
from sdrcheck.measurements.stretch import Stretch

TONE_B_HZ = 2100.0
TONE_Y_HZ = 1300.0
_FIRST_BITS = 12
_HOPELESS_RAD = 1.0
"""What a fit of some fifty bits leaves when the bits are not those on the air; half of it where phases wrap."""
_SETTLED = 1e-3
"""A fit has settled when a round moves nothing by more than this part of what noise leaves uncertain."""
_HIDDEN = 0.3
"""Of the steps in the carrier so much may lie hidden in the noise, as a part of what is uncertain of them (trials)."""
_NOISY = 12.0
"""Carrier-to-noise power ratio in the excerpt below which an unwrapped phase is not to be trusted."""


class Keying(enum.Enum):
    """How the sub-carrier goes from one tone to the other."""

    CONTINUOUS = "phase runs on"
    INDEPENDENT = "two oscillators"
    RESTARTED = "starts anew with each bit"


@dataclass(frozen=True, slots=True)
class Shape:
    """The parameters that the phase does not depend on linearly."""

    tone_b_hz: float
    tone_y_hz: float
    rate_bd: float
    middle_s: float
    """Time of the edge before the middle bit, from the middle of the stretch."""

    def as_array(self) -> Reals:
        return np.array([self.tone_b_hz, self.tone_y_hz, self.rate_bd, self.middle_s])

    @classmethod
    def of(cls, values: Reals) -> Shape:
        return cls(*(float(value) for value in values))


PATH_DELAYS_S = np.arange(-2, 11) * 1e-4
PATH_MEMORIES_S = np.array([0.4e-3, 0.8e-3, 1.6e-3, 3.2e-3])
"""The audio path as a sum of delays and of first-order lags: band limits from some 50 Hz to 4 kHz are made of these."""

STEPS = np.array([1e-3, 1e-3, 1e-5, 1e-9])
"""Small changes of a shape's parameters, for derivatives by differences."""
PRIORS = np.array([25.0, 25.0, 0.4, 1e-4])
"""How far they may lie from where the decoder put them, as standard deviations; used while spans are short."""


@dataclass(frozen=True, slots=True)
class Model:
    """Which variant of the waveform is fitted."""

    keying: Keying = Keying.CONTINUOUS
    runs_on: bool = False
    """The carrier's phase runs on where the index changes (frequency modulator)."""
    hum_hz: tuple[float, ...] = ()
    loose: bool = False
    """Each run of one tone has a carrier phase of its own, not to be explained."""
    path: bool = False
    """The keyed sub-carrier went through an unknown linear audio path; its response is fitted instead of p and q."""

    @property
    def jumps(self) -> bool:
        """The phase jumps at transitions, so it cannot be unwrapped there."""
        return self.keying is not Keying.CONTINUOUS


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """The samples of a call with the bits that lie over them."""

    iq: NDArray[np.complex128]
    phase: Reals
    times: Reals
    """Seconds from the middle of the stretch."""
    is_b: NDArray[np.bool_]
    """Per bit: the tone that is meant for B was on the air."""
    middle: int
    """The bit whose leading edge is the origin of all phases."""
    noisy: bool
    power: float


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted model: linear parameters in the order of `columns`, and what is left."""

    model: Model
    shape: Shape
    linear: Reals
    residual: Reals
    """Radians, over the samples in `used`."""
    used: NDArray[np.bool_]
    jacobian: Reals
    """Derivatives of the phase by the linear parameters and then the shape's free ones, rows of used samples."""
    free: tuple[int, ...]
    """Which of the shape's parameters were fitted."""

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(np.square(self.residual))))


def samples_of(stretch: Stretch, track: BitTrack) -> Samples | None:
    """Lay the bits of a decoded call over a stretch; None where hardly any of them lie in it."""
    rate = stretch.sample_rate_hz
    origin = (stretch.begin + (stretch.iq.size - 1) / 2) / rate
    first = track.first_bit_s - origin
    times = stretch.centred_times()
    inside = (times >= first) & (times < first + len(track.bits) / track.rate_bd)
    if np.count_nonzero(inside) < 2 * _FIRST_BITS / track.rate_bd * rate:
        return None
    ones_are_b = track.one_is == "B"
    is_b = (np.asarray(track.bits) == 1) == ones_are_b
    seen = times[inside]
    low = max(0, math.ceil((seen[0] - first) * track.rate_bd))
    high = min(len(track.bits), math.floor((seen[-1] - first) * track.rate_bd))
    iq = stretch.iq[inside].astype(np.complex128)
    return Samples(
        iq, stretch.phase[inside], seen, is_b, (low + high) // 2, stretch.carrier_to_noise < _NOISY, stretch.power
    )


def start_shape(track: BitTrack, stretch: Stretch, samples: Samples) -> Shape:
    """Nominal tones (exchanged where the keying is inverted), rate and timing as the decoder had them."""
    origin = (stretch.begin + (stretch.iq.size - 1) / 2) / stretch.sample_rate_hz
    tones = (TONE_Y_HZ, TONE_B_HZ) if track.inverted else (TONE_B_HZ, TONE_Y_HZ)
    return Shape(*tones, track.rate_bd, track.first_bit_s - origin + samples.middle / track.rate_bd)


def bit_places(samples: Samples, shape: Shape) -> Reals:
    """Which bit each sample lies in, with its fraction."""
    result: Reals = samples.middle + (samples.times - shape.middle_s) * shape.rate_bd
    return result


@dataclass(slots=True)
class _Waves:
    """Sine and cosine of the sub-carrier per sample, its tone, and the steps that a frequency modulator adds."""

    sine: Reals
    cosine: Reals
    on_b: NDArray[np.bool_]
    steps: list[Reals] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Bits:
    """How the sub-carrier goes through each bit."""

    tones_hz: Reals
    edges_s: Reals
    """When each begins, from the middle one."""
    turns: Reals
    """Of the sub-carrier at those times."""
    steps: tuple[Reals, ...]
    """What a frequency modulator adds to the four linear parameters of the tones' waves."""


def _bits(samples: Samples, shape: Shape, model: Model) -> _Bits:
    count, middle = samples.is_b.size, samples.middle
    tones = np.where(samples.is_b, shape.tone_b_hz, shape.tone_y_hz)
    edges = (np.arange(count + 1) - middle) / shape.rate_bd
    if model.keying is Keying.CONTINUOUS:
        turned = np.concatenate([[0.0], np.cumsum(tones / shape.rate_bd)])
        at_edges = turned - turned[middle]
    elif model.keying is Keying.INDEPENDENT:
        at_edges = np.append(tones, tones[-1]) * edges
    else:
        at_edges = np.zeros(count + 1)
    steps = []
    if model.runs_on:
        # at each transition the phase of the tone that ends is kept, and that of the one that begins taken off
        changed = np.flatnonzero(samples.is_b[1:] != samples.is_b[:-1])
        ends = 2 * np.pi * (at_edges[changed] + tones[changed] / shape.rate_bd)
        begins = 2 * np.pi * at_edges[changed + 1]
        for wanted in (True, False):
            sign_end = np.where(samples.is_b[changed] == wanted, 1.0, 0.0)
            sign_begin = np.where(samples.is_b[changed + 1] == wanted, 1.0, 0.0)
            for function in (np.sin, np.cos):
                jumps = np.zeros(count)
                jumps[changed + 1] = sign_end * function(ends) - sign_begin * function(begins)
                level = np.cumsum(jumps)
                steps.append(level - level[middle])
    return _Bits(tones, edges, at_edges, tuple(steps))


def _waves(samples: Samples, shape: Shape, model: Model, used: NDArray[np.bool_]) -> _Waves:
    keyed = _bits(samples, shape, model)
    times = samples.times[used] - shape.middle_s
    bits = _bit_of(samples, shape, times)
    angle = 2 * np.pi * (keyed.turns[bits] + keyed.tones_hz[bits] * (times - keyed.edges_s[bits]))
    return _Waves(np.sin(angle), np.cos(angle), samples.is_b[bits], [step[bits] for step in keyed.steps])


def _bit_of(samples: Samples, shape: Shape, times: Reals) -> NDArray[np.intp]:
    places = np.floor(times * shape.rate_bd + samples.middle).astype(np.intp)
    result: NDArray[np.intp] = np.clip(places, 0, samples.is_b.size - 1)
    return result


def _modelled(samples: Samples, shape: Shape, model: Model, used: NDArray[np.bool_], linear: Reals) -> Reals:
    """The same as `linear @ columns(…)`, with one sine a sample instead of eight rows: it is asked for most often."""
    if model.path:
        return linear @ columns(samples, shape, model, used)
    keyed = _bits(samples, shape, model)
    along = np.where(samples.is_b, linear[3], linear[5])
    across = np.where(samples.is_b, linear[4], linear[6])
    level = np.zeros(samples.is_b.size)
    for amount, step in zip(linear[3:7], keyed.steps, strict=False):
        level += amount * step
    begin = 2 * np.pi * (keyed.turns[:-1] - keyed.tones_hz * keyed.edges_s[:-1]) + np.arctan2(across, along)
    times = samples.times[used]
    from_middle = times - shape.middle_s
    bits = _bit_of(samples, shape, from_middle)
    result = np.hypot(along, across)[bits] * np.sin(begin[bits] + (2 * np.pi * keyed.tones_hz)[bits] * from_middle)
    span = times - times.mean()
    result += linear[0] + linear[1] * span + linear[2] * (span**2 - np.mean(span**2))
    if keyed.steps:
        result += level[bits]
    for place, hum in enumerate(model.hum_hz):
        cosine, sine = linear[7 + 2 * place : 9 + 2 * place]
        result += cosine * np.cos(2 * np.pi * hum * times) + sine * np.sin(2 * np.pi * hum * times)
    return result


def columns(samples: Samples, shape: Shape, model: Model, used: NDArray[np.bool_]) -> Reals:
    """Derivatives of the phase by its linear parameters: c0, c1, c2, pB, qB, pY, qY, then pairs for hum."""
    times = samples.times[used]
    span = times - times.mean()
    rows = [np.ones(times.size), span, span**2 - np.mean(span**2)]
    if model.path:
        return np.stack([*rows, *_through_path(samples, shape, model, used)])
    waves = _waves(samples, shape, model, used)
    rows += [waves.sine * waves.on_b, waves.cosine * waves.on_b, waves.sine * ~waves.on_b, waves.cosine * ~waves.on_b]
    for i, step in enumerate(waves.steps):
        rows[3 + i] = rows[3 + i] + step
    for hum in model.hum_hz:
        rows += [np.cos(2 * np.pi * hum * times), np.sin(2 * np.pi * hum * times)]
    return np.stack(rows)


def _through_path(samples: Samples, shape: Shape, model: Model, used: NDArray[np.bool_]) -> list[Reals]:
    """Sines through every part of the audio path, then cosines: where the sub-carrier's phase began is not known."""
    waves = _waves(samples, shape, model, np.ones(samples.times.size, dtype=bool))
    step = float(samples.times[1] - samples.times[0])
    count = samples.times.size
    length = 1 << (count + int(8 * PATH_MEMORIES_S[-1] / step)).bit_length()
    turn = -2j * np.pi * np.fft.rfftfreq(length, step)
    parts = [np.exp(turn * delay) for delay in PATH_DELAYS_S]
    parts += [np.fft.rfft(kernel, length) for kernel in _memories(step)]
    spectra = [np.fft.rfft(wave, length) for wave in (waves.sine, waves.cosine)]
    return [np.fft.irfft(spectrum * part, length)[:count][used] for spectrum in spectra for part in parts]


def _memories(step_s: float) -> list[Reals]:
    kernels = [np.exp(-np.arange(int(7 * memory / step_s)) * step_s / memory) for memory in PATH_MEMORIES_S]
    return [kernel / kernel.sum() for kernel in kernels]


def path_response(tone_hz: float, step_s: float) -> NDArray[np.complex128]:
    """What each part of the audio path does to a steady tone; their weighted sum's magnitude is the index."""
    delays = np.exp(-2j * np.pi * tone_hz * PATH_DELAYS_S)
    lags = [
        np.sum(kernel * np.exp(-2j * np.pi * tone_hz * np.arange(kernel.size) * step_s)) for kernel in _memories(step_s)
    ]
    gains = np.concatenate([delays, lags])
    return np.concatenate([gains, 1j * gains])


def fit(
    samples: Samples,
    start: Shape,
    model: Model,
    used: NDArray[np.bool_],
    free: tuple[int, ...] = (0, 1, 2, 3),
    *,
    linear: Reals | None = None,
    trust: float = 0.0,
    rounds: int = 8,
) -> Fit:
    """Gauss–Newton over the samples in `used`; `trust` > 0 holds the shape near its start (phase variance, rad²)."""
    shape, phase = start, samples.phase[used]
    follows = samples.noisy or model.jumps
    basis = columns(samples, shape, model, used)
    if linear is None or linear.size != basis.shape[0] or not (model.loose or follows):
        linear = _solve(basis, phase)
    free_list = list(free)
    jacobian = basis
    for turn in range(rounds):
        modelled = linear @ basis
        rest = (_followed(samples, used, modelled) if follows else phase) - modelled
        unmoved = _modelled(samples, shape, model, used, linear)
        derivatives = []
        for i in free:
            values = shape.as_array()
            values[i] += STEPS[i]
            moved = _modelled(samples, Shape.of(values), model, used, linear)
            derivatives.append((moved - unmoved) / STEPS[i])
        jacobian = np.concatenate([basis, np.stack(derivatives)])
        if model.loose:
            jacobian = _without_means(samples, shape, used, jacobian)
            rest = _without_means(samples, shape, used, rest[None])[0]
            jacobian[:3] = 0.0  # the carrier stays as an earlier fit had it
        scale = np.sqrt(np.sum(jacobian**2, axis=1)) + 1e-30
        scaled = jacobian / scale[:, None]
        normal, right = scaled @ scaled.T, scaled @ rest
        if trust:
            for row, i in enumerate(free, start=basis.shape[0]):
                pull = trust / (PRIORS[i] * scale[row]) ** 2
                normal[row, row] += pull
                right[row] += pull * scale[row] * (start.as_array()[i] - shape.as_array()[i])
            curve = trust / (100.0 * np.pi * scale[2]) ** 2  # drifts of more than some 100 Hz/s are not believed
            normal[2, 2] += curve
            right[2] -= curve * scale[2] * linear[2]
        inverse = np.linalg.pinv(normal, rcond=1e-12, hermitian=True)
        change: Reals = inverse @ right / scale
        linear = linear + change[: basis.shape[0]]
        moves = np.clip(change[basis.shape[0] :], -2 * PRIORS[free_list], 2 * PRIORS[free_list])
        values = shape.as_array()
        values[free_list] += moves
        shape = Shape.of(values)
        basis = columns(samples, shape, model, used)
        standard = np.sqrt(np.mean(np.square(rest)) * np.diag(inverse)[-len(free_list) :]) / scale[-len(free_list) :]
        if np.all(np.abs(moves) < _SETTLED * standard + 1e-7 * PRIORS[free_list]) and turn > 0:
            break
    modelled = linear @ basis
    rest = (_followed(samples, used, modelled) if follows else phase) - modelled
    if model.loose:
        rest = _without_means(samples, shape, used, rest[None])[0]
    else:
        last = _solve(basis, rest)
        linear, rest = linear + last, rest - last @ basis
    return Fit(model, shape, linear, rest, used, jacobian, free)


def _without_means(samples: Samples, shape: Shape, used: NDArray[np.bool_], rows: Reals) -> Reals:
    """Take the mean over each run of one tone off every row."""
    first, counts = _runs(samples, shape, used)
    means = np.add.reduceat(rows, first, axis=1) / counts
    result: Reals = rows - np.repeat(means, counts, axis=1)
    return result


def _runs(samples: Samples, shape: Shape, used: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where each run of one tone begins among the used samples, and how many samples it has."""
    bits = np.clip(np.floor(bit_places(samples, shape)[used]).astype(np.intp), 0, samples.is_b.size - 1)
    runs = np.concatenate([[0], np.cumsum(samples.is_b[1:] != samples.is_b[:-1])])[bits]
    first = np.flatnonzero(np.concatenate([[True], runs[1:] != runs[:-1]]))
    return first, np.diff(np.append(first, runs.size))


def _solve(basis: Reals, target: Reals) -> Reals:
    scale = np.sqrt(np.sum(basis**2, axis=1)) + 1e-30
    scaled = basis / scale[:, None]
    result: Reals = np.linalg.lstsq(scaled @ scaled.T, scaled @ target, rcond=1e-12)[0] / scale
    return result


def _followed(samples: Samples, used: NDArray[np.bool_], modelled: Reals) -> Reals:
    """The phase near the modelled one, where it cannot be unwrapped: in noise its error is Im(z·e^(−jφ))/A."""
    turned = samples.iq[used] * np.exp(-1j * modelled)
    error = turned.imag / math.sqrt(samples.power) if samples.noisy else np.clip(np.angle(turned), -1, 1)
    result: Reals = modelled + error
    return result


def acquire(samples: Samples, start: Shape, model: Model, offset_hz: float) -> Fit:
    """Fit a few bits in the middle, then twice as many, and so on until all are in."""
    places = bit_places(samples, start)
    total = int(max(samples.middle, samples.is_b.size - samples.middle))
    bits = 4 * _FIRST_BITS if samples.noisy else _FIRST_BITS
    follows = samples.noisy or model.jumps
    shape, linear = start, None
    used = np.abs(places - samples.middle) <= bits / 2
    if follows:
        linear = _first_phases(samples, shape, model, used, offset_hz)
    while True:
        found = fit(samples, shape, model, used, linear=linear, trust=0.05 if samples.noisy else 0.01)
        bound = _HOPELESS_RAD / 2 if model.jumps else _HOPELESS_RAD
        hopeless = found.rms > bound and bits >= 4 * _FIRST_BITS and not samples.noisy
        if bits / 2 >= total or hopeless:
            return found
        bits *= 2
        wider = np.abs(places - samples.middle) <= bits / 2
        shape, linear = found.shape, recentred(found.linear, samples, used, wider) if follows else None
        used = wider


def recentred(linear: Reals, samples: Samples, old: NDArray[np.bool_], new: NDArray[np.bool_]) -> Reals:
    """Linear parameters of the same phase when time is counted from the middle of another span."""
    before, after = samples.times[old], samples.times[new]
    shift = after.mean() - before.mean()
    moment_before = np.mean((before - before.mean()) ** 2)
    moment_after = np.mean((after - after.mean()) ** 2)
    c0, c1, c2 = linear[:3]
    moved = linear.copy()
    moved[0] = c0 + c1 * shift + c2 * (shift**2 - moment_before + moment_after)
    moved[1] = c1 + 2 * c2 * shift
    return moved


def _first_phases(samples: Samples, shape: Shape, model: Model, used: NDArray[np.bool_], offset_hz: float) -> Reals:
    """Carrier and sub-carrier phase of the first span where the phase cannot be unwrapped: the best of a grid."""
    basis = columns(samples, shape, model, used)
    times = samples.times[used]
    offsets = offset_hz + (np.arange(-60.0, 61.0, 4.0) if samples.noisy else np.arange(-8.0, 9.0, 8.0))
    turns = np.exp(-2j * np.pi * offsets[:, None] * (times - times.mean())) * samples.iq[used]
    angles = np.arange(16) / 16 * 2 * np.pi
    best, found = -1.0, np.zeros(basis.shape[0])
    for angle_b in angles:
        for angle_y in angles if model.keying is Keying.INDEPENDENT else [angle_b]:
            phases = 2 * np.array([math.cos(angle_b), math.sin(angle_b), math.cos(angle_y), math.sin(angle_y)])
            totals = turns @ np.exp(-1j * (phases @ basis[3:7]))
            top = int(np.argmax(np.abs(totals)))
            if abs(totals[top]) > best:
                best = float(abs(totals[top]))
                found[:7] = [np.angle(totals[top]), 2 * np.pi * offsets[top], 0.0, *phases]
    return found


def carrier_phase(samples: Samples, found: Fit) -> Reals:
    """The phase of all samples with the fitted modulation taken away: the carrier and what it does by itself."""
    everywhere = np.ones(samples.times.size, dtype=bool)
    basis = columns(samples, found.shape, found.model, everywhere)
    if not (samples.noisy or found.model.jumps):
        return samples.phase - found.linear[3:] @ basis[3:]
    linear = recentred(found.linear, samples, found.used, everywhere)
    followed = _followed(samples, everywhere, linear @ basis)
    result: Reals = followed - linear[3:] @ basis[3:]
    return result


def unexplained_steps(samples: Samples, found: Fit, carrier_rad: Reals, phase_noise_density: float) -> float:
    """White frequency noise (two-sided, Hz²/Hz) that the carrier's unexplained steps at the transitions amount to."""
    rest = carrier_rad[found.used]
    times = samples.times[found.used]
    rest = rest - np.polynomial.Polynomial.fit(times, rest, 1)(times)
    first, counts = _runs(samples, found.shape, found.used)
    lasts = counts * float(np.median(np.diff(times)))
    differences = np.diff(np.add.reduceat(rest, first) / counts)
    own = phase_noise_density / 2 * (1 / lasts[1:] + 1 / lasts[:-1])
    surplus = np.square(differences) - own
    step = max(float(np.mean(surplus)), 0.0) + _HIDDEN * float(np.std(surplus)) / math.sqrt(surplus.size)
    return step * differences.size / float(times[-1] - times[0]) / (2 * np.pi) ** 2


def settled_mask(samples: Samples, found: Fit, rate: float) -> NDArray[np.bool_]:
    """Leave out what lies so near a transition that the audio path still settles: as far as the misfit shows it."""
    places = bit_places(samples, found.shape)
    bits = np.floor(places).astype(np.intp)
    count = samples.is_b.size
    inside = (bits >= 0) & (bits < count)
    bits = np.clip(bits, 0, count - 1)
    changed = np.concatenate([[False], samples.is_b[1:] != samples.is_b[:-1], [False]])
    last = np.maximum.accumulate(np.where(changed[:-1], np.arange(count), -10_000))[bits]
    following = np.where(changed[1:], np.arange(1, count + 1), 10_000_000)
    following = np.minimum.accumulate(following[::-1])[::-1][bits]
    since, until = places - last, following - places

    misfit = np.zeros(places.size)
    misfit[found.used] = np.square(found.residual)
    valid = inside & found.used
    step = found.shape.rate_bd / rate
    # the quietest quarter of bit-time classes is the floor; whatever stands above it near a transition is settling
    after = _reach(since, misfit, valid, step, most=1.2)
    before = _reach(until, misfit, valid & (since > after), step, most=0.3)
    if found.model.jumps:
        nearest = np.abs(places - np.rint(places))
        return valid & (nearest > 0.12)
    least = 2.0 * step
    result: NDArray[np.bool_] = valid & (since > max(1.4 * after, least)) & (until > max(1.4 * before, least))
    return result


def _reach(distance: Reals, misfit: Reals, valid: NDArray[np.bool_], step: float, most: float) -> float:
    """How far from a transition, in bits, the mean squared misfit stays above what it is further away."""
    width = 2 * step
    classes = (distance[valid] / width).astype(np.intp)
    classes = np.minimum(classes, int(2.0 / width))
    counts = np.bincount(classes)
    means = np.bincount(classes, misfit[valid]) / np.maximum(counts, 1)
    enough = counts > 30
    far = enough & (np.arange(counts.size) * width > 0.4)
    if not far.any():
        return 0.0
    floor = float(np.quantile(means[far], 0.25))
    allowed = floor * (1.25 + 4 / np.sqrt(np.maximum(counts, 1)))
    reach = 0.0
    for i in range(min(counts.size, int(most / width) + 1)):
        if enough[i] and means[i] > allowed[i]:
            reach = (i + 1) * width
        elif (i + 1) * width - reach > 3 * width:
            break
    return min(reach, most)


def with_hum(samples: Samples, found: Fit, rate: float) -> tuple[float, ...]:
    """Frequencies of lines between 30 and 450 Hz in what a fit left, strongest first; at most six."""
    spread = np.zeros(samples.times.size)
    spread[found.used] = found.residual
    frequencies, density = one_sided_density(spread, rate)
    step = frequencies[1]
    floor = float(np.median(density[(frequencies > 500) & (frequencies < 4_000)])) / math.log(2)
    lines: list[float] = []
    low = density.copy()
    low[(frequencies < 30) | (frequencies > 450)] = 0
    while len(lines) < 6:
        top = int(np.argmax(low))
        if low[top] < 60 * floor:
            break
        before, at, after = np.log(np.maximum(density[top - 1 : top + 2], 1e-300))
        bend = before - 2 * at + after
        lines.append(float(step * (top + (0.5 * (before - after) / bend if bend < 0 else 0.0))))
        low[max(0, top - 3) : top + 4] = 0
    return tuple(lines)
