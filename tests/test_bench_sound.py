"""The sound of a receiver whose dial stands on a telephony channel, through the engine. All sounds are synthetic."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.bench import Settings, collect, run
from sdrcheck.findings.inspection import Inspection, Kind
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.sources.synthetic import Synthetic

DIAL_HZ = 2_182_000.0
EXACT = FrequencyReference(0.0, 0.001, "for a test")
ON_S, OFF_S, SECONDS = 1.5, 4.5, 6.0


def noise_of_receiver(rate: float, seconds: float, seed: int = 1) -> np.ndarray:
    """Noise as a receiver lets it through, 300 to 2700 Hz, of power 1."""
    count = int(rate * seconds)
    places = np.fft.rfftfreq(count, 1 / rate)
    shape = 1 / (1 + ((places - 1500) / 1200) ** 12)
    noise = np.fft.irfft(shape * np.fft.rfft(np.random.default_rng(seed).standard_normal(count)), count)
    return noise / noise.std()


def sound(wave: np.ndarray, rate: float, *, gain_control: bool, on_s: float = ON_S) -> np.ndarray:
    """A keyed wave 25 dB over the noise, with hum and the steps of a recorder; under it the gain goes down."""
    times = np.arange(int(rate * SECONDS)) / rate
    keyed = (times >= on_s) & (times < OFF_S)
    noise = noise_of_receiver(rate, SECONDS) * np.where(keyed | ~np.bool_(gain_control), 10 ** (-25 / 20), 0.7)
    hum = 10 ** (-40 / 20) * np.sin(2 * np.pi * 50 * times)
    steps = 1e-4 * np.random.default_rng(2).standard_normal(times.size)
    return 0.15 * (np.where(keyed, wave[: times.size], 0.0) + noise + hum) + steps


def tones(rate: float, *frequencies_hz: float) -> np.ndarray:
    times = np.arange(int(rate * SECONDS)) / rate
    return sum(np.sin(2 * np.pi * one * times) for one in frequencies_hz) * np.sqrt(2 / len(frequencies_hz))


def speech(rate: float) -> np.ndarray:
    """Harmonics of a gliding voice, louder and softer three times a second, with pauses of 0.2 s."""
    times = np.arange(int(rate * SECONDS)) / rate
    pitch = 2 * np.pi * np.cumsum(120 + 30 * np.sin(2 * np.pi * 0.7 * times)) / rate
    voice = sum(np.cos(order * pitch + order**2) / order for order in range(3, 16))
    voice *= np.abs(np.sin(2 * np.pi * 1.5 * times)) * (times % 1.1 > 0.2)
    return voice / voice.std()


def inspected(wave: np.ndarray, rate: float, tones_hz: tuple[float, ...] = ()) -> Inspection:
    settings = Settings(reference=EXACT, frames_per_s=0.0, tones_hz=tones_hz)
    return collect(run(Synthetic(wave.astype(complex), rate, DIAL_HZ, "ri16_le"), settings))


WAVES = {
    "one tone": lambda rate: tones(rate, 1003.0),
    "two tones": lambda rate: tones(rate, 1103.0, 1703.0),
    "speech": speech,
}


@pytest.mark.parametrize("gain_control", [False, True])
@pytest.mark.parametrize("rate", [8_000.0, 11_025.0, 44_100.0])
@pytest.mark.parametrize("condition", WAVES)
def test_sound_on_a_telephony_channel_is_what_it_is(condition: str, rate: float, gain_control: bool):
    wave = sound(WAVES[condition](rate), rate, gain_control=gain_control)
    (one,) = inspected(wave, rate).transmissions
    assert (one.channel, one.emission, one.kind, one.condition) == ("2182", "J3E", Kind.VOICE, condition)
    assert (one.start_s, one.start_s + one.duration_s) == (pytest.approx(ON_S, abs=0.3), pytest.approx(OFF_S, abs=0.3))


def test_a_known_tone_shows_the_offset_and_sound_shows_no_carrier():
    """The tones are heard 3 Hz high, so the carrier lies 3 Hz high."""
    rate = 12_000.0
    wave = sound(tones(rate, 1103.0, 1703.0), rate, gain_control=True)
    (one,) = inspected(wave, rate, tones_hz=(1100.0, 1700.0)).transmissions
    assert one.reading("carrier offset").value == pytest.approx(3.0, abs=0.05)
    assert one.reading("carrier suppression") is None
    assert one.reading("two-tone product, third") is None
    assert any("record I/Q" in remark for remark in one.remarks)


def test_sound_that_begins_in_the_middle_of_a_tone():
    rate = 16_000.0
    (one,) = inspected(sound(tones(rate, 1000.0), rate, gain_control=False, on_s=0.0), rate).transmissions
    assert (one.channel, one.condition, one.start_s) == ("2182", "one tone", 0.0)


def test_a_reference_a_little_off_does_not_move_the_channel_out_of_the_sound():
    rate = 8_000.0
    wave = sound(tones(rate, 1000.0), rate, gain_control=False)
    source = Synthetic(wave.astype(complex), rate, DIAL_HZ, "ri16_le")
    low = Settings(reference=FrequencyReference(-0.5, 0.1, "for a test"), frames_per_s=0.0)
    (one,) = collect(run(source, low)).transmissions
    assert (one.channel, one.condition) == ("2182", "one tone")


@pytest.mark.parametrize("rate", [8_000.0, 44_100.0])
def test_nothing_stands_in_the_noise_of_a_receiver(rate: float):
    fading = 1 + 0.5 * np.sin(2 * np.pi * 0.05 * np.arange(int(60 * rate)) / rate)
    assert inspected(0.1 * noise_of_receiver(rate, 60.0) * fading, rate).transmissions == ()
