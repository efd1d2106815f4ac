"""The condition of a transmission, on signals of every kind. The signals are our own models of what is on the air."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.measurements import fm
from sdrcheck.measurements.condition import Condition
from tests.measurements.signals import WIDE_RATE, excerpt, speech_like, times


def condition(phase: np.ndarray, snr_db: float = 35, seed: int = 1) -> Condition:
    return fm.measure(excerpt(np.exp(1j * phase), np.random.default_rng(seed), snr_db=snr_db)).condition


@pytest.mark.parametrize("seconds", [0.15, 0.5, 1.3])
@pytest.mark.parametrize("snr_db", [15, 40])
def test_kinds_are_told_apart(seconds: float, snr_db: float) -> None:
    at, rng = times(seconds), np.random.default_rng(3)
    assert condition(0 * at, snr_db) is Condition.UNMODULATED
    assert condition(3 * np.sin(2 * np.pi * 1000 * at), snr_db) is Condition.ONE_TONE
    two = 1.5 * np.sin(2 * np.pi * 1100 * at) + 1.0 * np.sin(2 * np.pi * 1700 * at)
    assert condition(two, snr_db) is Condition.TWO_TONES
    assert condition(speech_like(seconds, rng, 4_000), snr_db) is Condition.SPEECH
    call = np.angle(vhf_call(rng.integers(0, 2, int(1200 * seconds)).tolist(), WIDE_RATE, index_b=1.5, index_y=1.5))
    assert condition(call, snr_db) is Condition.CALL


def test_a_limited_tone_is_still_one_tone() -> None:
    limited = np.clip(20_000 * np.sin(2 * np.pi * 1000 * times(0.5)), -4_500, 4_500)
    assert condition(2 * np.pi * np.cumsum(limited) / WIDE_RATE) is Condition.ONE_TONE


def test_hum_does_not_make_a_carrier_modulated() -> None:
    assert condition(2.0 * np.sin(2 * np.pi * 100 * times(0.6))) is Condition.UNMODULATED


def test_data_that_fills_the_channel_is_neither() -> None:
    rng = np.random.default_rng(4)
    bits = np.repeat(rng.integers(0, 2, 4800) * 2 - 1, 50)  # 4800 Bd at 240 kS/s
    smooth = np.convolve(bits, np.ones(30) / 30, "same")
    assert condition(2 * np.pi * 2400 * np.cumsum(smooth) / WIDE_RATE) is Condition.UNKNOWN


def test_speech_is_never_taken_for_a_call() -> None:
    for seed in range(12):
        phase = speech_like(1.0, np.random.default_rng(seed), 4_500)
        assert condition(phase, seed=seed) is Condition.SPEECH
