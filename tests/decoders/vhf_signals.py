"""VHF excerpts for tests: calls and other things in noise. All of it is ours and proves nothing about real sets."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sdrcheck.compositions.faults import SenderFaults, sent_by, vhf_keying
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.symbols import bits_of
from sdrcheck.filters.excerpt import Excerpt
from tests.decoders.dsc.worked import CALLS, Worked

RATE = 48_000.0
CLEAN = 84.0
"""dB-Hz: 40 dB in 25 kHz."""
GOOD = SenderFaults()


def bits_of_call(call: Worked, dots: int | None = None) -> list[int]:
    """The worked call's own bits behind a dot pattern."""
    return [(place + 1) % 2 for place in range(call.dots if dots is None else dots)] + call.bits.tolist()


def keying(
    *calls: Sequence[int], faults: SenderFaults = GOOD, gap_s: float = 0.0, rate_hz: float = RATE
) -> NDArray[np.complex128]:
    """One keying with these calls, as a perhaps faulty sender puts it on the air."""
    return sent_by(vhf_keying(calls, rate_hz, faults, gap_s=gap_s), rate_hz, faults)


def in_noise(
    wave: NDArray[np.complex128], level_dbhz: float, seed: int = 1, *, rate_hz: float = RATE, quiet_s: float = 0.1
) -> Excerpt:
    """The wave at a carrier-to-noise density, with quiet around it that is no whole number of bits long."""
    random = np.random.default_rng(seed)
    before = round(random.uniform(1.0, 1.5) * quiet_s * rate_hz)
    density = 10 ** (-level_dbhz / 10)
    iq = noise(before + wave.size + round(quiet_s * rate_hz), density, random, rate_hz)
    iq[before : before + wave.size] += wave * np.exp(2j * math.pi * random.random())
    return Excerpt(
        iq=iq.astype(np.complex64),
        sample_rate_hz=rate_hz,
        centre_hz=156_525_000.0,
        start_s=10.0,
        key_on=before,
        key_off=before + wave.size,
        noise_density=density,
    )


def noise(count: int, density: float, random: np.random.Generator, rate_hz: float = RATE) -> NDArray[np.complex128]:
    """Channel noise of a power per hertz."""
    pairs = random.standard_normal((count, 2)) * math.sqrt(density * rate_hz / 2)
    return pairs.view(np.complex128)[:, 0]


def fm(sound: NDArray[np.float64], deviation_hz: float) -> NDArray[np.complex128]:
    """A carrier frequency-modulated by a sound; its plainest peaks reach the deviation."""
    swing = np.clip(sound / np.percentile(np.abs(sound), 99.9), -1, 1) * deviation_hz
    return np.exp(2j * np.pi * np.cumsum(swing) / RATE)


def speech_like(seconds: float, random: np.random.Generator) -> NDArray[np.complex128]:
    """Noise with four formants in syllables, frequency-modulated."""
    count = round(seconds * RATE)
    frequencies = np.fft.rfftfreq(count, 1 / RATE)
    weights = ((frequencies > 300) & (frequencies < 3000)) / np.maximum(frequencies, 300) ** 0.5
    for centre, width in zip(random.uniform(400, 2800, 4), (80, 120, 150, 200), strict=True):
        weights = weights * (1 + 6 * np.exp(-(((frequencies - centre) / width) ** 2)))
    sound = np.fft.irfft(np.fft.rfft(random.standard_normal(count)) * weights, count)
    syllables = 1 + np.sin(2 * np.pi * 4 * np.arange(count) / RATE)
    return fm(sound * syllables, 4500)


def junk(kind: str, seconds: float, random: np.random.Generator) -> NDArray[np.complex128]:
    """Strong signals that are no call: the right modulation with random bits or symbols, sweeps, speech, a carrier."""
    count = round(seconds * RATE)
    if kind == "random bits":
        return vhf_call(random.integers(0, 2, round(seconds * 1200)).tolist(), RATE)
    if kind == "random symbols":
        symbols = random.integers(0, 128, round(seconds * 120)).tolist()
        return vhf_call([bit for symbol in symbols for bit in bits_of(symbol)], RATE)
    if kind == "one pattern over and over":
        pattern = random.integers(0, 2, random.integers(3, 60)).tolist()
        return vhf_call((pattern * round(seconds * 1200))[: round(seconds * 1200)], RATE)
    if kind == "swept tones":
        tone = 1700 + 1200 * np.sin(2 * np.pi * random.uniform(0.2, 5.0) * np.arange(count) / RATE)
        return np.exp(2j * np.sin(2 * np.pi * np.cumsum(tone) / RATE))
    if kind == "speech":
        return speech_like(seconds, random)
    return np.ones(count, complex)


JUNK = ("random bits", "random symbols", "one pattern over and over", "swept tones", "speech", "carrier")

__all__ = ["CALLS", "CLEAN", "GOOD", "JUNK", "RATE", "bits_of_call", "fm", "in_noise", "junk", "keying", "noise"]
