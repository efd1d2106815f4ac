"""A VHF call's own modulation.

The calls are our own, so most of this shows that model and estimator agree; the lines of steady tones are published.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sdrcheck.compositions.waveform import shifted, subcarrier_phase, vhf_call
from sdrcheck.filters.excerpt import BitTrack, Excerpt
from sdrcheck.measurements import calls, fm
from sdrcheck.measurements.condition import Condition
from tests.measurements.signals import QUIET_S, WIDE_RATE, excerpt, times, track_of

# Lines of a steady tone in dB of the unmodulated carrier, by modulation index: J0, J1, J2, J3, J1−J0, J2−J1.
# Bessel functions, computed (any table of J_n gives them); index 2.0 ± 10 % is IMO A.805(19) item 6.5.
INDEX_LINES = [
    (1.8, -9.37, -4.71, -10.28, -20.10, 4.66, -5.57),
    (1.9, -11.00, -4.71, -9.63, -18.91, 6.29, -4.92),
    (2.0, -13.00, -4.78, -9.05, -17.79, 8.22, -4.27),
    (2.1, -15.57, -4.91, -8.53, -16.76, 10.66, -3.62),
    (2.2, -19.14, -5.10, -8.07, -15.79, 14.04, -2.97),
]


def random_bits(seed: int, count: int = 520) -> list[int]:
    return [k % 2 for k in range(20)] + np.random.default_rng(seed).integers(0, 2, count).tolist()


def keyed(phase_or_wave: np.ndarray, offset_hz: float = 0.0, seed: int = 1, snr_db: float = 40, **options) -> Excerpt:
    wave = phase_or_wave if np.iscomplexobj(phase_or_wave) else np.exp(1j * phase_or_wave)
    return excerpt(shifted(wave, WIDE_RATE, offset_hz), np.random.default_rng(seed), snr_db=snr_db, **options)


@pytest.mark.parametrize(("beta", "j0", "j1", "j2", "j3", "j1_j0", "j2_j1"), INDEX_LINES)
@pytest.mark.parametrize("tone_hz", [1300.0, 2100.0])
def test_steady_tone_has_the_published_lines_and_reads_its_index(
    beta: float, j0: float, j1: float, j2: float, j3: float, j1_j0: float, j2_j1: float, tone_hz: float
) -> None:
    made = keyed(beta * np.sin(2 * np.pi * tone_hz * times(0.4)), snr_db=60)
    middle = made.keyed[1000:-1000]
    window = np.blackman(middle.size) / np.blackman(middle.size).sum()
    at = np.arange(middle.size) / made.sample_rate_hz
    lines = [
        20 * math.log10(abs(np.sum(middle * window * np.exp(-2j * np.pi * n * tone_hz * at))) / 0.5) for n in range(4)
    ]
    assert lines == pytest.approx([j0, j1, j2, j3], abs=0.06)
    assert [lines[1] - lines[0], lines[2] - lines[1]] == pytest.approx([j1_j0, j2_j1], abs=0.08)
    found = fm.measure(made).readings
    assert found["peak deviation, up"].value / found["modulating tone"].value == pytest.approx(beta, abs=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_ordinary_call(seed: int) -> None:
    rng = np.random.default_rng(seed)
    bits, rate, index = random_bits(seed), 1200 * (1 + rng.uniform(-5e-5, 5e-5)), rng.uniform(1.8, 2.2)
    tone_b, tone_y, offset = 2100 + rng.uniform(-10, 10), 1300 + rng.uniform(-10, 10), rng.uniform(-1400, 1400)
    wave = vhf_call(bits, WIDE_RATE, index_b=index, index_y=index, tone_b_hz=tone_b, tone_y_hz=tone_y, rate_bd=rate)
    found = calls.measure(
        keyed(wave, offset, seed, quantised=True), track_of(bits, offset_hz=offset + rng.uniform(-5, 5))
    )
    assert found["carrier offset"].value == pytest.approx(offset, abs=0.01)
    assert found["tone B"].value == pytest.approx(tone_b, abs=0.02)
    assert found["tone Y"].value == pytest.approx(tone_y, abs=0.02)
    assert found["modulation index, B"].value == pytest.approx(index, abs=0.004)
    assert found["modulation index, Y"].value == pytest.approx(index, abs=0.004)
    assert found["modulation rate error"].value == pytest.approx(1e6 * (rate / 1200 - 1), abs=0.6)
    assert found["modulation rate"].value == pytest.approx(rate, abs=0.6e-6 * 1200)
    assert [found[name].unit for name in ("modulation index, B", "modulation rate")] == ["rad", "Bd"]


@pytest.mark.parametrize(("tone_error", "rate_ppm"), [(50, 500), (-50, -500)])
def test_tones_and_rate_far_off_are_followed(tone_error: float, rate_ppm: float) -> None:
    bits = random_bits(11)
    rate = 1200 * (1 + 1e-6 * rate_ppm)
    wave = vhf_call(bits, WIDE_RATE, tone_b_hz=2100 + tone_error, tone_y_hz=1300 - tone_error, rate_bd=rate)
    found = calls.measure(keyed(wave), track_of(bits))
    assert found["tone B"].value == pytest.approx(2100 + tone_error, abs=0.02)
    assert found["tone Y"].value == pytest.approx(1300 - tone_error, abs=0.02)
    assert found["modulation rate error"].value == pytest.approx(rate_ppm, abs=1)


def test_missing_pre_emphasis_shows_as_one_deviation_on_both_tones() -> None:
    bits = random_bits(12)
    theta, _ = subcarrier_phase(bits, WIDE_RATE, 1200, 2100, 1300)
    phase = 2 * np.pi * 2600 * np.cumsum(np.cos(theta)) / WIDE_RATE
    found = calls.measure(keyed(phase, 300), track_of(bits, offset_hz=300))
    assert found["modulation index, B"].value * found["tone B"].value == pytest.approx(2600, rel=1e-3)
    assert found["modulation index, Y"].value * found["tone Y"].value == pytest.approx(2600, rel=1e-3)
    assert found["carrier offset"].value == pytest.approx(300, abs=found["carrier offset"].uncertainty)
    assert found["carrier offset"].uncertainty < 1


def test_phase_that_jumps_where_the_index_changes() -> None:
    bits = random_bits(13)
    theta, which = subcarrier_phase(bits, WIDE_RATE, 1200, 2100, 1300)
    found = calls.measure(keyed(np.where(np.asarray(bits)[which] == 1, 2.2, 1.7) * np.sin(theta)), track_of(bits))
    assert found["modulation index, B"].value == pytest.approx(1.7, abs=0.002)
    assert found["modulation index, Y"].value == pytest.approx(2.2, abs=0.002)
    assert found["carrier offset"].value == pytest.approx(0, abs=0.005)


def test_band_limited_audio_path_reads_the_steady_index() -> None:
    """Through a second-order 300 Hz to 3 kHz band pass: the index is what steady tones would have."""
    from scipy.signal import butter, freqz, lfilter

    bits = random_bits(14)
    theta, _ = subcarrier_phase(bits, WIDE_RATE, 1200, 2100, 1300)
    b, a = butter(2, [300, 3000], "band", fs=WIDE_RATE)
    found = calls.measure(keyed(lfilter(b, a, 2.1 * np.sin(theta))), track_of(bits))
    gains = np.abs(freqz(b, a, [2100, 1300], fs=WIDE_RATE)[1])
    for name, gain in zip("BY", gains, strict=True):
        reading = found[f"modulation index, {name}"]
        assert reading.value == pytest.approx(2.1 * gain, abs=0.004)
    assert found["modulation rate error"].value == pytest.approx(0, abs=1)


@pytest.mark.parametrize("way", ["independent", "restarted"])
def test_sub_carrier_whose_phase_does_not_run_on(way: str) -> None:
    bits = random_bits(15)
    _, which = subcarrier_phase(bits, WIDE_RATE, 1200, 2100, 1300)
    at = np.arange(which.size) / WIDE_RATE
    tones = np.where(np.asarray(bits)[which] == 1, 1304.0, 2093.0)
    theta = 2 * np.pi * tones * (at if way == "independent" else at - which / 1200)
    found = calls.measure(keyed(1.9 * np.sin(theta), 50), track_of(bits, offset_hz=50))
    for name, true in (("tone B", 2093), ("tone Y", 1304), ("modulation index, B", 1.9)):
        assert found[name].value == pytest.approx(true, abs=found[name].uncertainty)
    assert found["tone B"].uncertainty < 3
    assert found["carrier offset"].value == pytest.approx(50, abs=0.01)


def test_hum_under_a_call_is_taken_out() -> None:
    bits = random_bits(16)
    theta, _ = subcarrier_phase(bits, WIDE_RATE, 1200, 2100, 1300)
    at = np.arange(theta.size) / WIDE_RATE
    phase = 2 * np.sin(theta) + 0.6 * np.sin(2 * np.pi * 100 * at) + 0.3 * np.sin(2 * np.pi * 50 * at)
    found = calls.measure(keyed(phase, 400), track_of(bits, offset_hz=400))
    assert found["carrier offset"].value == pytest.approx(400, abs=0.01)
    assert found["modulation index, Y"].value == pytest.approx(2, abs=0.004)


def test_carrier_that_settles_while_the_call_begins() -> None:
    bits = random_bits(17)
    wave = vhf_call(bits, WIDE_RATE)
    at = np.arange(wave.size) / WIDE_RATE
    wave = wave * np.exp(2j * np.pi * 2000 * 0.004 * (1 - np.exp(-at / 0.004)))
    found = calls.measure(keyed(wave, 100), track_of(bits, offset_hz=100))
    assert found["carrier offset"].value == pytest.approx(100, abs=0.05)
    assert found["modulation index, B"].value == pytest.approx(2, abs=0.004)


def test_inverted_keying_keeps_the_names_of_what_was_meant() -> None:
    bits = random_bits(18)
    wave = vhf_call([1 - bit for bit in bits], WIDE_RATE)
    found = calls.measure(keyed(wave), replace(track_of(bits), inverted=True))
    assert found["tone B"].value == pytest.approx(1300, abs=0.05)
    assert found["tone Y"].value == pytest.approx(2100, abs=0.05)


def test_weak_call_off_the_air() -> None:
    bits = random_bits(19)
    found = calls.measure(keyed(vhf_call(bits, WIDE_RATE), 500, snr_db=0), track_of(bits, offset_hz=503))
    for name, true in (
        ("carrier offset", 500),
        ("tone B", 2100),
        ("modulation index, Y", 2),
        ("modulation rate", 1200),
    ):
        assert abs(found[name].value - true) < 1.5 * found[name].uncertainty
    assert found["tone B"].uncertainty < 2


def test_lost_samples_leave_the_longer_part() -> None:
    bits = random_bits(20)
    made = keyed(vhf_call(bits, WIDE_RATE), 500)
    place = made.key_on + 5_000
    iq = made.iq.copy()
    iq[place : place + 700] = 0
    found = calls.measure(replace(made, iq=iq, lost=((place, 700),)), track_of(bits, offset_hz=500))
    whole = calls.measure(made, track_of(bits, offset_hz=500))
    assert found["modulation index, B"].value == pytest.approx(2, abs=0.004)
    assert found["modulation rate"].uncertainty > whole["modulation rate"].uncertainty


@pytest.mark.parametrize("rate", [40_000, 60_000, 64_000])
def test_every_excerpt_rate(rate: int) -> None:
    bits = random_bits(21)
    found = calls.measure(keyed(vhf_call(bits, WIDE_RATE), -900, rate=rate), track_of(bits, offset_hz=-900))
    assert found["carrier offset"].value == pytest.approx(-900, abs=0.01)
    assert found["modulation rate error"].value == pytest.approx(0, abs=0.6)


@pytest.mark.parametrize("key_in_phase", [0.0, 1.5])
def test_peak_deviation_is_index_times_tone_however_it_was_keyed_in(key_in_phase: float) -> None:
    """Deviation = index × tone, 4.20 kHz for 2100 Hz (metrology, D05); a phase step at key-in is no modulation."""
    bits = random_bits(12)
    wave = vhf_call(bits, WIDE_RATE, subcarrier_start=key_in_phase)
    made = keyed(np.concatenate([np.ones(int(0.004 * WIDE_RATE)), wave]), seed=12)
    track = replace(track_of(bits), first_bit_s=track_of(bits).first_bit_s + 0.004)
    found = calls.measure(made, track)
    for side in ("up", "down"):
        peak = found[f"peak deviation, {side}"]
        assert peak.value == pytest.approx(4200.0, abs=max(peak.uncertainty, 2.0))


def test_bits_that_are_not_in_the_waveform_give_nothing_wrong() -> None:
    made = keyed(vhf_call(random_bits(22), WIDE_RATE))
    found = calls.measure(made, track_of(random_bits(23)))
    assert "carrier offset" not in found or abs(found["carrier offset"].value) < 5
    assert calls.measure(made, BitTrack((0, 1), QUIET_S, 1200.0, 0.0)) == {}


def test_a_call_is_recognised_without_its_bits() -> None:
    found = fm.measure(keyed(vhf_call(random_bits(24), WIDE_RATE), 1234))
    assert found.condition is Condition.CALL
    assert found.readings["carrier offset"].value == pytest.approx(1234, abs=1)
    assert found.readings["peak deviation, up"].value == pytest.approx(4200, rel=0.025)
