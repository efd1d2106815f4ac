"""What comes out of the loudspeaker: the tone that was sent, at a known loudness; silence when nothing is keyed."""

import numpy as np
import pytest

from sdrcheck.channels.channel import Emission
from sdrcheck.errors import SourceError
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching.demodulation import SOUND_RATE_HZ, Demodulator

CENTRE = 156.75e6
CHANNEL = 156.625e6


def heard(iq: np.ndarray, rate: float, **wishes: object) -> np.ndarray:
    source = Synthetic(iq, rate, CENTRE, "cf32_le")
    demodulator = Demodulator(source.facts, CHANNEL, **wishes)  # type: ignore[arg-type]
    return np.concatenate([demodulator.feed(block) for block in source.blocks()])


def strongest_hz(sound: np.ndarray) -> float:
    return float(np.argmax(np.abs(np.fft.rfft(sound * np.hanning(sound.size)))) * SOUND_RATE_HZ / sound.size)


def keyed_tone(rate: float, seconds: float = 1.0) -> np.ndarray:
    times = np.arange(int(rate * seconds)) / rate
    noise = np.random.default_rng(7).normal(0, 0.01, (2, times.size))
    keyed = (times > 0.3) & (times < 0.8)
    phase = 2 * np.pi * (CHANNEL - CENTRE) * times + 3.0 * np.sin(2 * np.pi * 1000 * times)
    return 0.3 * keyed * np.exp(1j * phase) + noise[0] + 1j * noise[1]


@pytest.mark.parametrize("rate", [1_024_000.0, 2_400_000.0, 250_001.0 * 2])
def test_normal_test_modulation_comes_out_at_half_scale(rate: float) -> None:
    sound = heard(keyed_tone(rate), rate)
    middle = sound[int(0.45 * SOUND_RATE_HZ) : int(0.75 * SOUND_RATE_HZ)]
    assert strongest_hz(middle) == pytest.approx(1000, abs=5)
    assert np.sqrt(2 * np.mean(middle**2)) == pytest.approx(0.5, rel=0.05)


def test_squelch_is_silent_before_keying_and_after_its_hold() -> None:
    sound = heard(keyed_tone(1_024_000.0, 1.4), 1_024_000.0)
    assert np.max(np.abs(sound[: int(0.25 * SOUND_RATE_HZ)])) == 0
    assert np.max(np.abs(sound[int(1.15 * SOUND_RATE_HZ) :])) == 0


def test_length_follows_the_sound_clock() -> None:
    rate = 1_024_000.0
    assert heard(keyed_tone(rate, 2.0), rate).size == pytest.approx(2.0 * SOUND_RATE_HZ, abs=0.03 * SOUND_RATE_HZ)


def test_upper_sideband_is_heard_at_its_own_pitch_and_the_lower_not() -> None:
    rate = 250_000.0
    times = np.arange(int(rate)) / rate
    upper = 0.1 * np.exp(2j * np.pi * (CHANNEL - CENTRE + 1500) * times)
    lower = 0.1 * np.exp(2j * np.pi * (CHANNEL - CENTRE - 800) * times)
    sound = heard(upper + lower, rate, emission=Emission.J3E, squelch_db=None)[SOUND_RATE_HZ // 4 :]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size)))
    hz = np.arange(spectrum.size) * SOUND_RATE_HZ / sound.size
    assert strongest_hz(sound) == pytest.approx(1500, abs=5)
    assert spectrum[np.abs(hz - 800) < 20].max() < spectrum.max() / 1000


def test_f1b_is_heard_as_two_tones_around_1700_hz() -> None:
    rate = 300_000.0
    times = np.arange(int(rate)) / rate
    upper_line = 0.1 * np.exp(2j * np.pi * (CHANNEL - CENTRE + 85) * times)
    sound = heard(upper_line, rate, emission=Emission.F1B, squelch_db=None)[SOUND_RATE_HZ // 4 :]
    assert strongest_hz(sound) == pytest.approx(1785, abs=5)


def test_channel_outside_the_span_is_refused_in_words() -> None:
    source = Synthetic(np.zeros(10), 250_000.0, CENTRE)
    with pytest.raises(SourceError, match="not within what is received"):
        Demodulator(source.facts, 161.975e6)
