"""What modulates a carrier: nothing, one tone, two tones, a selective call, speech, or something else.

The thresholds are our own, set between what the kinds look like; no standard has them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sdrcheck.measurements.condition import Condition
from sdrcheck.measurements.spectrum import Reals, one_sided_density, smoothed
from sdrcheck.measurements.stretch import Stretch
from sdrcheck.measurements.tones import BLOCK_S

_QUIET_HZ = 100.0
"""Less rms deviation than this above 250 Hz is no modulation (−26 dB against 3 kHz peak)."""
_VOICE_HZ = (250.0, 6_000.0)
_CALL_RATE_BD = 1200.0
_CALL_CENTRE_HZ = 1700.0


@dataclass(frozen=True, slots=True)
class Block:
    """One block of a stretch: where it lies, what modulates it, and the tones if there are any."""

    start: int
    size: int
    condition: Condition
    tones_hz: tuple[float, ...] = ()
    rms_hz: float = 0.0
    """Of the deviation, noise included, all of the block counting alike."""


@dataclass(frozen=True, slots=True)
class Classified:
    """The condition of a whole stretch and the blocks that show it."""

    condition: Condition
    blocks: tuple[Block, ...]
    """For tones: only those in which the tones stood."""
    part: float = 1.0
    """How much of the modulated time these blocks cover."""


def classify(stretch: Stretch, offset_hz: float) -> Classified:
    """Tell what modulates a stretch; the voting blocks are half a second long, or the whole of a short stretch."""
    count = max(1, round(stretch.duration_s / BLOCK_S))
    size = stretch.phase.size // count
    blocks = tuple(_block(stretch, offset_hz, i * size, size) for i in range(count))
    modulated = [block for block in blocks if block.condition is not Condition.UNMODULATED]
    if not modulated:
        return Classified(Condition.UNMODULATED, blocks)
    for condition in (Condition.ONE_TONE, Condition.TWO_TONES):
        alike = _alike([block for block in modulated if block.condition is condition])
        if len(alike) >= 0.6 * len(modulated):
            full = float(np.median([block.rms_hz for block in alike]))
            standing = tuple(block for block in alike if block.rms_hz > 0.96 * full)  # not the one it began in
            return Classified(condition, standing, len(alike) / len(modulated))
    if is_call(stretch):
        return Classified(Condition.CALL, blocks)
    voices = sum(block.condition is not Condition.UNKNOWN for block in modulated)
    return Classified(Condition.SPEECH if 2 * voices > len(modulated) else Condition.UNKNOWN, blocks)


def _alike(blocks: list[Block]) -> list[Block]:
    """Those blocks whose tones are within 20 Hz of the middle ones."""
    if not blocks:
        return []
    middle = np.median([sorted(block.tones_hz) for block in blocks], axis=0)
    return [block for block in blocks if np.all(np.abs(np.sort(block.tones_hz) - middle) < 20)]


def _block(stretch: Stretch, offset_hz: float, start: int, size: int) -> Block:
    rate = stretch.sample_rate_hz
    deviation = np.diff(stretch.phase[start : start + size]) * (rate / (2 * np.pi)) - offset_hz
    deviation -= deviation.mean()
    frequencies, density = one_sided_density(deviation, rate)
    step = float(frequencies[1])
    floor = stretch.phase_noise_density * frequencies**2
    audio = (frequencies >= _VOICE_HZ[0]) & (frequencies <= _VOICE_HZ[1])
    noise = float(np.sum(floor[audio])) * step
    total = float(np.sum(density[audio])) * step - noise
    doubt = math.sqrt(1.944 * float(np.sum(np.square(floor[audio])))) * step + noise * stretch.noise.relative_standard
    rms = math.sqrt(float(np.mean(np.square(smoothed(deviation, round(rate / 12_000))))))
    if total < max(_QUIET_HZ**2, 5 * doubt):
        return Block(start, size, Condition.UNMODULATED, rms_hz=rms)

    net = np.where(audio, density - floor, 0.0) * step
    first = _peak(frequencies, density, audio)
    harmonics = [h * first for h in range(1, int(_VOICE_HZ[1] / first) + 1)]
    alone = _near(frequencies, net, [first], step)
    rest = audio.copy()
    for line in harmonics:
        rest &= np.abs(frequencies - line) > max(40.0, 6 * step)
    second = _peak(frequencies, density, rest)
    low, high = sorted((first, second))
    products = [
        low,
        high,
        2 * low - high,
        2 * high - low,
        3 * low - 2 * high,
        3 * high - 2 * low,
        high - low,
        high + low,
    ]
    pair = _near(frequencies, net, [low, high], step)
    weaker = _near(frequencies, net, [second], step)
    if pair > 0.7 * total and weaker > 0.04 * total and _near(frequencies, net, products, step) > 0.85 * total:
        return Block(start, size, Condition.TWO_TONES, (low, high), rms)
    if alone > 0.6 * total and _near(frequencies, net, harmonics, step) > 0.85 * total:
        return Block(start, size, Condition.ONE_TONE, (first,), rms)
    beyond = (frequencies > 4_000) & (frequencies < 8_000)
    outside = float(np.sum((density - floor)[beyond])) * step
    beneath, voice = (
        float(np.median(density[(frequencies > low) & (frequencies < high)])) for low, high in ((20, 250), (300, 2_000))
    )
    data = outside > 0.3 * total or beneath > 0.5 * voice  # a microphone's channel passes neither
    return Block(start, size, Condition.UNKNOWN if data else Condition.SPEECH, rms_hz=rms)


def _peak(frequencies: Reals, density: Reals, where: np.ndarray) -> float:
    """Frequency of the strongest bin, between bins by the parabola through the logarithms."""
    top = min(max(int(np.argmax(np.where(where, density, 0.0))), 1), density.size - 2)
    before, at, after = np.log(np.maximum(density[top - 1 : top + 2], 1e-300))
    bend = before - 2 * at + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(frequencies[1] * (top + min(max(shift, -0.5), 0.5)))


def _near(frequencies: Reals, net: Reals, lines: list[float], step: float) -> float:
    reach = max(3.0 * step, 8.0)
    near = np.zeros(frequencies.size, dtype=bool)
    for line in lines:
        near |= np.abs(frequencies - line) <= reach
    return float(np.sum(net[near]))


def is_call(stretch: Stretch) -> bool:
    """Tell whether a sub-carrier keyed between 1300 and 2100 Hz at 1200 Bd modulates the stretch."""
    rate = stretch.sample_rate_hz
    size = int(min(0.25, stretch.duration_s) * rate)
    scores = [
        _keying(stretch.phase[start : start + size], rate) for start in range(0, stretch.phase.size - size + 1, size)
    ]
    return sum(score > 0.6 for score in scores) > 0.5 * len(scores)


def _keying(phase: Reals, rate: float) -> float:
    """How regularly the sub-carrier's frequency crosses 1700 Hz at multiples of a bit: 1 for a call, near 0 else."""
    flat = phase - np.linspace(phase[0], phase[-1], phase.size)
    spectrum = np.fft.fft(flat)
    frequencies = np.fft.fftfreq(flat.size, 1 / rate)
    band = np.clip((frequencies - 600) / 200, 0, 1) * np.clip((2_800 - frequencies) / 200, 0, 1)
    power = np.square(np.abs(spectrum))
    voice = (frequencies > 250) & (frequencies < 6_000)
    if np.sum(power[voice] * band[voice]) < 0.8 * np.sum(power[voice]):
        return 0.0
    subcarrier = np.fft.ifft(spectrum * band)
    lag = max(1, round(0.0001 * rate))  # less than half a cycle of either tone between the two samples
    turn = subcarrier[2 * lag :] * np.conj(subcarrier[: -2 * lag])
    frequency = np.angle(turn) * rate / (4 * np.pi * lag) - _CALL_CENTRE_HZ
    crossings = np.flatnonzero(np.signbit(frequency[1:]) != np.signbit(frequency[:-1]))
    if not 250 < crossings.size / (phase.size / rate) < 1_400:
        return 0.0
    times = (crossings + frequency[crossings] / (frequency[crossings] - frequency[crossings + 1])) / rate
    return float(np.abs(np.mean(np.exp(-2j * np.pi * _CALL_RATE_BD * times))))
