"""Wide-band scenes for the tests: noise, and keyings put into it. Everything is synthetic."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sdrcheck.filters.lookout import Lookout
from sdrcheck.filters.sightings import Begun, Heard, Spectrum

Samples = NDArray[np.complex128]

MS = 0.003
"""Edges are known at least so well, in seconds."""

CHANNELS_HZ = {"70": 156_525_000, "11": 156_550_000, "71": 156_575_000, "72": 156_625_000, "13": 156_650_000}


def speech_like(count: int, rate: float, seed: int, deviation_hz: float = 3000.0) -> Samples:
    """An FM carrier modulated by band-limited noise whose strength comes and goes like syllables."""
    random = np.random.default_rng(seed)
    frequency = np.fft.rfftfreq(count, 1 / rate)
    shape = ((frequency > 300) & (frequency < 3000)).astype(float)
    sound = np.fft.irfft(np.fft.rfft(random.standard_normal(count)) * shape, count)
    sound *= np.exp(np.sin(2 * np.pi * 3 * np.arange(count) / rate))
    sound = np.clip(sound / np.std(sound), -3, 3) / 3
    return np.exp(2j * np.pi * deviation_hz * np.cumsum(sound) / rate + 1j * seed)


def tone(count: int, rate: float, tone_hz: float = 1000.0, deviation_hz: float = 3000.0) -> Samples:
    """An FM carrier with one tone; bare with a deviation of 0."""
    return np.exp(1j * deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz * np.arange(count) / rate))


def gmsk(count: int, rate: float, seed: int, bit_rate: float = 9600.0) -> Samples:
    """Random data at 9600 Bd, index 0.5, Gaussian 0.4, as ships identify themselves automatically (common practice)."""
    bits = np.random.default_rng(seed).integers(0, 2, int(count * bit_rate / rate) + 1) * 2.0 - 1.0
    keyed = bits[(np.arange(count) * bit_rate / rate).astype(int)]
    reach = int(2 * rate / bit_rate)
    time = np.arange(-reach, reach + 1) * bit_rate / rate
    pulse = np.exp(-2 * np.pi**2 * 0.4**2 * time**2 / np.log(2))
    smooth = np.convolve(keyed, pulse / pulse.sum(), "same")
    return np.exp(1j * np.pi / 2 * np.cumsum(smooth) * bit_rate / rate)


class Scene:
    """Noise of a level in 16 kHz (dBFS), and what is keyed in it."""

    def __init__(self, rate: float, centre_hz: float, seconds: float, noise_dbfs: float = -60.0, seed: int = 1) -> None:
        self.rate, self.centre_hz = rate, centre_hz
        self.random = np.random.default_rng(seed)
        sigma = np.sqrt(10 ** (noise_dbfs / 10) / 16e3 * rate / 2)
        self.iq: Samples = self.random.standard_normal((int(rate * seconds), 2)).view(np.complex128)[:, 0] * sigma

    def put(self, wave: Samples, frequency_hz: float, at_s: float, level_dbfs: float, ramp_s: float = 0.001) -> Scene:
        """Key a waveform of unit amplitude; what lies before or behind the scene is cut off."""
        ramp = int(ramp_s * self.rate)
        shaped = wave * 10 ** (level_dbfs / 20)
        if ramp:
            rise = np.sin(np.pi / 2 * (np.arange(ramp) + 0.5) / ramp) ** 2
            shaped[:ramp] *= rise
            shaped[-ramp:] *= rise[::-1]
        first = round(at_s * self.rate)
        place = np.arange(first, first + wave.size)
        shaped = shaped * np.exp(2j * np.pi * (frequency_hz - self.centre_hz) / self.rate * place)
        inside = (place >= 0) & (place < self.iq.size)
        self.iq[place[inside]] += shaped[inside]
        return self

    def voice(
        self, frequency_hz: float, on_s: float, off_s: float, level_dbfs: float, seed: int = 2, **k: float
    ) -> Scene:
        wave = speech_like(round((off_s - on_s) * self.rate), self.rate, seed)
        return self.put(wave, frequency_hz, on_s, level_dbfs, **k)

    def tone(
        self, frequency_hz: float, on_s: float, off_s: float, level_dbfs: float, deviation_hz: float = 3000.0
    ) -> Scene:
        wave = tone(round((off_s - on_s) * self.rate), self.rate, deviation_hz=deviation_hz)
        return self.put(wave, frequency_hz, on_s, level_dbfs)


def heard_in(scene: Scene, **how: object) -> tuple[list[Heard], Lookout]:
    """Everything a lookout tells of a scene, and the lookout."""
    lookout = Lookout(scene.rate, scene.centre_hz, **how)  # type: ignore[arg-type]
    samples = scene.iq.astype(np.complex64)
    sightings = [s for part in np.array_split(samples, 7) for s in lookout.feed(part) if not isinstance(s, Spectrum)]
    sightings += [s for s in lookout.flush() if not isinstance(s, Spectrum)]
    heard = [sighting for sighting in sightings if isinstance(sighting, Heard)]
    begun = {sighting.number for sighting in sightings if isinstance(sighting, Begun)}
    assert begun == {one.number for one in heard if not one.weak}, "what begins must be told of to its end"
    return heard, lookout


def table(heard: list[Heard]) -> list[tuple[str | None, float, float]]:
    """Channel, key-on and key-off of each in order of time; what counts only if it can be read is left out."""
    rows = []
    for excerpt in (one.excerpt for one in heard if not one.weak):
        name = excerpt.channel.name if excerpt.channel else None
        rows.append((name, excerpt.key_on_s, excerpt.key_on_s + excerpt.duration_s))
    return sorted(rows, key=lambda row: (row[1], row[0] or ""))


def rows(*expected: tuple[str | None, float, float]) -> list[tuple[str | None, object, object]]:
    """What `table` gives where edges lie as expected."""
    return [(name, pytest.approx(on, abs=MS), pytest.approx(off, abs=MS)) for name, on, off in expected]
