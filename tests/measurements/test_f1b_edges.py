"""Only what was keyed is measured, whatever a decoder took for bits beside it. Synthetic."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.filters.excerpt import BitTrack, Excerpt
from sdrcheck.measurements import f1b

RATE = 2_000.0


def test_noise_taken_for_bits_before_and_behind_is_no_part_of_the_level():
    random = np.random.default_rng(5)
    bits = random.integers(0, 2, 300).tolist()
    wave = 0.3 * keyed_bits(bits, RATE, one_is="B")
    margin = round(0.5 * RATE)
    iq = random.standard_normal((wave.size + 2 * margin, 2)).view(np.complex128)[:, 0] * 0.003
    iq[margin : margin + wave.size] += wave
    excerpt = Excerpt(
        iq=iq.astype(np.complex64),
        sample_rate_hz=RATE,
        centre_hz=518_000.0,
        start_s=0.0,
        key_on=margin,
        key_off=margin + wave.size,
        noise_density=1.8e-5 / RATE,
    )
    junk = random.integers(0, 2, (2, 30)).tolist()
    track = BitTrack(tuple(junk[0] + bits + junk[1]), 0.5 - 0.3, 100.0, 0.0, one_is="B")
    assert f1b.measure(excerpt, track)["level"].value == pytest.approx(20 * np.log10(0.3), abs=0.02)
