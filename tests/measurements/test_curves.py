"""The curves show what a tone of known deviation must look like."""

import numpy as np
import pytest

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.measurements import curves

RATE = 48_000.0


def tone(deviation_hz: float, tone_hz: float, seconds: float, offset_hz: float = 300.0) -> Excerpt:
    times = np.arange(int(seconds * RATE)) / RATE
    phase = 2 * np.pi * offset_hz * times + deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz * times)
    iq = (0.5 * np.exp(1j * phase)).astype(np.complex64)
    return Excerpt(iq, RATE, 156.8e6, 0.0, 0, iq.size, 1e-12)


@pytest.mark.parametrize("seconds", [0.2, 12.0])
def test_deviation_curve_keeps_its_peaks_however_long(seconds: float) -> None:
    curve = curves.deviation_over_time(tone(3000.0, 1000.0, seconds))
    assert curve.x.size <= 4002
    assert curve.y.max() == pytest.approx(3000, rel=0.12)  # the smoothing takes a little of 1 kHz
    assert curve.y.min() == pytest.approx(-3000, rel=0.12)
    assert curve.x[-1] <= curves.LONGEST_S


def test_spectrum_peaks_at_the_modulating_tone() -> None:
    curve = curves.demodulated_spectrum(tone(3000.0, 1000.0, 1.0))
    assert curve.x[int(np.argmax(curve.y))] == pytest.approx(1000, abs=20)
    assert np.sqrt(np.sum(curve.y**2)) == pytest.approx(3000 / np.sqrt(2), rel=0.02)


def test_too_short_a_keying_has_no_spectrum() -> None:
    assert curves.demodulated_spectrum(tone(3000.0, 1000.0, 0.0003)).x.size == 0
