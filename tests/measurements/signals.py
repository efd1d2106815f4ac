"""Signals with known answers for the tests of measurements: as a receiver would hand them over, in a channel filter.

All of it is made here, so it shows that the estimators are right about these models, and nothing about real sets.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sdrcheck.filters.excerpt import BitTrack, Excerpt, Opening
from sdrcheck.filters.iq import complex_samples

WIDE_RATE = 240_000
RATE = 48_000
QUIET_S = 0.06
QUANTISATION = (1 / 127.5) ** 2
"""Square of a `cu8` step, full scale being 1."""


def times(duration_s: float, rate: float = WIDE_RATE) -> NDArray[np.float64]:
    return np.arange(round(duration_s * rate)) / rate


def speech_like(
    duration_s: float, rng: np.random.Generator, peak_hz: float, rate: float = WIDE_RATE
) -> NDArray[np.float64]:
    """Phase (rad) of speech-like modulation: noise from 300 Hz to 3 kHz in syllables, largest deviation `peak_hz`."""
    count = round(duration_s * rate)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    frequencies = np.fft.rfftfreq(count, 1 / rate)
    inside = (frequencies > 300) & (frequencies < 3_000)
    weights = np.where(inside, 1 / np.maximum(frequencies, 300), 0)
    at = np.arange(count) / rate
    syllables = 0.25 + 0.75 * np.square(np.sin(np.pi * 4 * at + rng.uniform(0, np.pi)))
    audio = np.fft.irfft(spectrum * weights, count) * syllables
    spectrum = np.fft.rfft(audio)
    spectrum[frequencies > 3_000] = 0
    spectrum[frequencies < 200] = 0
    deviation = np.fft.irfft(spectrum * 1j * frequencies, count)  # 1/2π of the phase's derivative
    return np.fft.irfft(spectrum, count) * (peak_hz / np.abs(deviation).max())


def limited(
    audio: NDArray[np.float64], drive: float, order: int, peak_hz: float, rate: float = WIDE_RATE
) -> NDArray[np.float64]:
    """Deviation (Hz) of audio of unit rms, limited at 1/`drive` and sent through a low-pass of 3 kHz, as a set does."""
    from scipy.signal import butter, sosfilt

    after = sosfilt(butter(order, 3_000, fs=rate, output="sos"), np.clip(drive * audio, -1, 1))
    after -= after.mean()
    return after * (peak_hz / np.abs(after[2_000:-2_000]).max())


def deviation_of(phase: NDArray[np.float64], rate: float = WIDE_RATE) -> NDArray[np.float64]:
    """Frequency deviation in hertz of a phase modulation; the ends follow each other's neighbours."""
    padded = np.pad(phase, 2_000, mode="reflect", reflect_type="odd")
    step = np.diff(padded, prepend=2 * padded[0] - padded[1]) * (rate / (2 * np.pi))  # half a sample early
    spectrum = np.fft.rfft(step)
    turns = np.fft.rfftfreq(step.size, 1 / rate) / rate
    exact = np.fft.irfft(spectrum / np.sinc(turns) * np.exp(1j * np.pi * turns), step.size)
    return exact[2_000:-2_000]


def peak(values: NDArray[np.float64]) -> float:
    """Largest value, between samples by a parabola."""
    top = int(np.argmax(values[1:-1])) + 1
    before, at, after = values[top - 1 : top + 2]
    return float(at - (after - before) ** 2 / (8 * (before - 2 * at + after)))


def excerpt(
    waveform: NDArray[np.complex128],
    rng: np.random.Generator | None = None,
    *,
    snr_db: float = math.inf,
    amplitude: float = 0.5,
    quantised: bool = False,
    quiet_s: float = QUIET_S,
    ramp: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    rate: int = RATE,
) -> Excerpt:
    """An excerpt at `rate` of a waveform of unit amplitude at 240 kS/s, `snr_db` in 25 kHz.

    `ramp` gives the amplitude over the seconds since key-on (and, mirrored, before key-off); none keys at once.
    """
    quiet = round(quiet_s * WIDE_RATE)
    keyed = amplitude * waveform
    if ramp is not None:
        since = np.arange(keyed.size) / WIDE_RATE
        keyed = keyed * ramp(since) * ramp(since[::-1])
    rest = -(2 * quiet + keyed.size) % 60  # so that every rate comes out exactly
    iq = np.concatenate([np.zeros(quiet), keyed, np.zeros(quiet + rest)]).astype(np.complex128)
    density = amplitude**2 / 10 ** (snr_db / 10) / 25_000
    if density > 0:
        assert rng is not None
        pairs = rng.standard_normal((iq.size, 2)) * math.sqrt(density * WIDE_RATE / 2)
        iq += pairs[:, 0] + 1j * pairs[:, 1]
    if quantised:
        codes = np.clip(np.floor(np.stack([iq.real, iq.imag], axis=1) * 127.5 + 128), 0, 255).astype(np.uint8)
        iq = complex_samples(codes.ravel(), "cu8").astype(np.complex128)
        density += QUANTISATION * 2 / 12 / WIDE_RATE
    narrow = filtered(iq, rate)
    on = round(quiet * rate / WIDE_RATE)
    off = round((quiet + waveform.size) * rate / WIDE_RATE)
    return Excerpt(
        narrow.astype(np.complex64),
        float(rate),
        156.8e6,
        0.0,
        on,
        off,
        max(density, 1e-16),
        opening=opening_of(iq, quiet),
    )


def opening_of(iq: NDArray[np.complex128], key_on: int) -> Opening:
    """What a filter of ±40 kHz sees from 60 ms before to 45 ms behind key-on."""
    before, behind = round(0.06 * WIDE_RATE), round(0.045 * WIDE_RATE)
    padded = np.pad(iq, (before, behind))[key_on : key_on + before + behind]
    spectrum = np.fft.fft(padded)
    frequencies = np.fft.fftfreq(padded.size, 1 / WIDE_RATE)
    spectrum[np.abs(frequencies) > 40_000] = 0
    kept = round(padded.size * 0.4)
    half = kept // 2
    wide = np.fft.ifft(np.concatenate([spectrum[: kept - half], spectrum[padded.size - half :]])) * 0.4
    return Opening(wide.astype(np.complex64), 0.4 * WIDE_RATE, round(0.4 * before), 40_000.0)


def filtered(iq: NDArray[np.complex128], rate: int) -> NDArray[np.complex128]:
    """Decimate from 240 kS/s with a filter that is flat to 11 kHz and stops at 15 kHz."""
    count = iq.size
    kept = round(count * rate / WIDE_RATE)
    spectrum = np.fft.fft(iq)
    frequencies = np.abs(np.fft.fftfreq(count, 1 / WIDE_RATE))
    spectrum *= np.square(np.sin(np.pi / 2 * np.clip((15_000 - frequencies) / 4_000, 0, 1)))
    half = kept // 2
    return np.fft.ifft(np.concatenate([spectrum[: kept - half], spectrum[count - half :]])) * (kept / count)


def track_of(bits: list[int], rate_bd: float = 1200.0, offset_hz: float = 0.0, start_s: float = QUIET_S) -> BitTrack:
    """Where a decoder would have placed the bits."""
    return BitTrack(tuple(bits), start_s, rate_bd, offset_hz)
