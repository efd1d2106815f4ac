"""Waveforms with chosen faults, measured with plain Fourier transforms and Bessel functions, not with our own tools."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, special

from sdrcheck.compositions.call import call_bits
from sdrcheck.compositions.faults import (
    CharacterFault,
    SenderFaults,
    mf_keying,
    sent_by,
    vhf_keying,
    with_character_faults,
)
from sdrcheck.compositions.level import Keying, noise, placed, shaped
from sdrcheck.compositions.sound import SOUND_RATE_HZ, mf_sound, setup_tones, vhf_sound
from sdrcheck.compositions.tone import fm_tones, sound_tones, ssb_tones
from sdrcheck.errors import CompositionError
from tests.decoders.dsc.worked import CALLS

RATE_HZ = 48_000.0
E6 = CALLS["E6"].information


def frequency_of(iq: np.ndarray, rate_hz: float) -> np.ndarray:
    return np.diff(np.unwrap(np.angle(iq))) / (2 * np.pi) * rate_hz


def line(samples: np.ndarray, frequency_hz: float, rate_hz: float) -> complex:
    """Complex amplitude of one line over whole turns."""
    return complex(np.mean(samples * np.exp(-2j * np.pi * frequency_hz * np.arange(samples.size) / rate_hz)))


def test_runs_of_one_tone_deviate_as_the_index_says() -> None:
    """Index 2.0: 2.60 kHz by 1300 Hz, 4.20 kHz by 2100 Hz (M.493; IMO performance standard for VHF EPIRBs 6.5 [S])."""
    for bit, tone_hz, deviation_hz in ((1, 1300.0, 2600.0), (0, 2100.0, 4200.0)):
        iq = vhf_keying([[bit] * 120], 480e3, SenderFaults())
        assert np.max(frequency_of(iq, 480e3)) == pytest.approx(deviation_hz, rel=1e-3)
        one_second_like = iq[: round(0.1 * 480e3)]
        for order in range(4):  # the lines of a phase-modulated carrier are Bessel functions of its index
            found = abs(line(one_second_like, order * tone_hz, 480e3))
            assert found == pytest.approx(abs(special.jv(order, 2.0)), abs=2e-3)


@pytest.mark.parametrize("null", [2.404826, 5.520078])
def test_carrier_vanishes_at_the_bessel_nulls(null: float) -> None:
    """First and second zero of J0, as printed in every table of Bessel functions."""
    iq = fm_tones([1000.0], null * 1000.0, 1.0, RATE_HZ)
    assert abs(np.mean(iq)) < 1e-6


def test_missing_pre_emphasis_gives_both_tones_one_deviation() -> None:
    faults = SenderFaults().without_pre_emphasis()
    for bit in (0, 1):
        iq = vhf_keying([[bit] * 120], 480e3, faults)
        assert np.max(frequency_of(iq, 480e3)) == pytest.approx(2600.0, rel=2e-3)


def test_offset_drift_and_hum_are_what_was_ordered() -> None:
    carrier = np.ones(48_000, np.complex128)
    iq = sent_by(carrier, RATE_HZ, SenderFaults(offset_hz=-700.0, drift_hz_per_s=60.0))
    found = frequency_of(iq, RATE_HZ)
    assert found[0] == pytest.approx(-700.0, abs=0.01)
    assert found[-1] == pytest.approx(-640.0, abs=0.01)
    hum = sent_by(carrier, RATE_HZ, SenderFaults(hum_deviation_hz=300.0, hum_hz=50.0))
    assert np.max(frequency_of(hum, RATE_HZ)) == pytest.approx(300.0, rel=1e-3)


def test_tone_and_rate_errors_are_what_was_ordered() -> None:
    faults = SenderFaults(tone_y_error_hz=8.0, rate_ppm=1000.0)
    iq = vhf_keying([[1] * 1200], RATE_HZ, faults)
    assert iq.size == pytest.approx(RATE_HZ / 1.001, abs=1)
    sub_carrier = np.angle(iq)
    spectrum = np.abs(np.fft.rfft(sub_carrier * np.hanning(sub_carrier.size)))
    assert np.argmax(spectrum) * RATE_HZ / sub_carrier.size == pytest.approx(1308.0, abs=1.0)


def test_inverted_keying_exchanges_the_tones() -> None:
    bits = call_bits(E6)
    inverted = vhf_keying([bits], RATE_HZ, SenderFaults(inverted=True))
    assert np.allclose(inverted, vhf_keying([[1 - bit for bit in bits]], RATE_HZ, SenderFaults()))


def test_cuts_shorten_the_keying() -> None:
    iq = np.ones(4800, np.complex128)
    assert sent_by(iq, RATE_HZ, SenderFaults(cut_start_s=0.01, cut_end_s=0.02)).size == 4800 - 480 - 960
    with pytest.raises(CompositionError, match="leave nothing"):
        sent_by(iq, RATE_HZ, SenderFaults(cut_start_s=0.06, cut_end_s=0.05))


def test_gap_in_an_attempt_keeps_the_carrier_on() -> None:
    bits = call_bits(CALLS["E1"].information)
    iq = vhf_keying([bits, bits], RATE_HZ, SenderFaults(), gap_s=0.1)
    assert iq.size == pytest.approx((2 * 0.45 + 0.1) * RATE_HZ, abs=2)
    assert np.allclose(np.abs(iq), 1.0)
    middle = iq[round(0.46 * RATE_HZ) : round(0.54 * RATE_HZ)]
    assert np.ptp(np.angle(middle)) == 0.0


def test_mf_keying_has_its_two_lines() -> None:
    """B is the assigned frequency plus 85 Hz, Y minus 85 Hz (Japanese GMDSS training texts, DSC section [S])."""
    for bit, line_hz in ((0, 85.0), (1, -85.0)):
        iq = mf_keying([[bit] * 100], 4000.0, SenderFaults())
        assert np.median(frequency_of(iq, 4000.0)) == pytest.approx(line_hz, abs=1e-6)
    gap = mf_keying([[0] * 10, [0] * 10], 4000.0, SenderFaults(), gap_s=0.5)
    assert np.all(gap[500:2300] == 0)


def test_character_faults_turn_over_the_bits_named() -> None:
    bits = call_bits(E6, dots=20)
    spoilt = with_character_faults(bits, [CharacterFault(5, "both", 3)], 20)
    places = [place for place in range(len(bits)) if bits[place] != spoilt[place]]
    assert places == [20 + 10 * 2 * 11 + 2, 20 + 10 * (2 * 13 + 1) + 2]
    with pytest.raises(CompositionError, match="no character 99"):
        with_character_faults(bits, [CharacterFault(99)], 20)
    with pytest.raises(CompositionError, match="from 1"):
        CharacterFault(0)


def test_level_and_frequency_in_the_recording() -> None:
    keying = Keying(np.ones(4800, np.complex128), 0.05, 156.625e6, -12.0)
    samples = placed([keying], np.zeros(9600, np.complex128), RATE_HZ, 156.62e6)
    assert np.all(samples[:2400] == 0)
    middle = samples[3600:6000]
    assert 20 * np.log10(np.abs(middle).mean()) == pytest.approx(-12.0, abs=1e-6)
    assert frequency_of(middle, RATE_HZ).mean() == pytest.approx(5000.0, abs=1e-6)


@pytest.mark.parametrize(
    ("at_s", "frequency_hz", "sentence"),
    [(0.15, 156.625e6, "does not fit"), (-0.1, 156.625e6, "does not fit"), (0.0, 156.7e6, "outside the span")],
)
def test_keying_that_does_not_fit_is_refused(at_s: float, frequency_hz: float, sentence: str) -> None:
    keying = Keying(np.ones(4800, np.complex128), at_s, frequency_hz, -12.0)
    with pytest.raises(CompositionError, match=sentence):
        placed([keying], np.zeros(9600, np.complex128), RATE_HZ, 156.62e6)


@pytest.mark.parametrize("rise_s", [0.001, 0.005, 0.02])
def test_rise_is_counted_from_ten_to_ninety_per_cent(rise_s: float) -> None:
    rate_hz = 200e3
    amplitude = np.abs(shaped(np.ones(20_000, np.complex128), rate_hz, rise_s, rise_s))
    ten, ninety = (np.argmax(amplitude >= part) for part in (0.1, 0.9))
    assert (ninety - ten) / rate_hz == pytest.approx(rise_s, rel=0.02)
    assert np.allclose(amplitude, amplitude[::-1])


def test_noise_has_the_density_ordered() -> None:
    samples = noise(200_000, 240e3, -100.0, np.random.default_rng(3))
    assert 10 * np.log10(np.mean(np.abs(samples) ** 2)) == pytest.approx(-100 + 10 * np.log10(240e3), abs=0.05)


def test_two_tones_on_single_sideband() -> None:
    iq = ssb_tones([1100.0, 1700.0], 1.0, 8000.0, carrier_suppression_db=40.0)
    lines = np.abs(np.fft.fft(iq)) / iq.size
    assert lines[1100] == pytest.approx(0.5, rel=1e-6)
    assert lines[1700] == pytest.approx(0.5, rel=1e-6)
    assert lines[0] == pytest.approx(0.01, rel=1e-6)
    assert np.max(lines[4001:]) < 1e-9  # nothing on the lower sideband


def test_sound_tones_do_not_click() -> None:
    sound = sound_tones([1000.0], 0.5, SOUND_RATE_HZ)
    assert sound[0] == 0.0
    assert np.max(np.abs(sound)) <= 0.5
    assert np.max(np.abs(np.diff(sound[:200]))) < 0.02


def lines_of_call(sound: np.ndarray) -> np.ndarray:
    """Frequency by Hilbert transform: a second way to the sub-carrier."""
    return frequency_of(signal.hilbert(sound), SOUND_RATE_HZ)


def test_sound_for_a_phase_modulating_generator_is_flat() -> None:
    ones, zeros = vhf_sound([1] * 240, "flat"), vhf_sound([0] * 240, "flat")
    assert np.max(np.abs(ones)) == pytest.approx(np.max(np.abs(zeros)), rel=1e-3)
    assert np.median(lines_of_call(ones)) == pytest.approx(1300.0, abs=0.5)
    assert np.median(lines_of_call(zeros)) == pytest.approx(2100.0, abs=0.5)


def test_sound_for_an_fm_generator_is_pre_emphasised() -> None:
    """Deviation goes with the tone's frequency: 4.20 to 2.60 kHz, 1.615 to 1 (derived from index 2.0 for both)."""
    ones, zeros = vhf_sound([1] * 240, "pre-emphasised"), vhf_sound([0] * 240, "pre-emphasised")
    assert np.max(np.abs(zeros[100:-100])) / np.max(np.abs(ones[100:-100])) == pytest.approx(4.20 / 2.60, rel=1e-3)


def test_fm_by_the_pre_emphasised_sound_is_the_call_itself() -> None:
    """A generator in FM, set to 4.20 kHz by the 2100 Hz set-up tone, sends what the recording of the call holds."""
    bits = call_bits(E6)
    sound = vhf_sound(bits, "pre-emphasised")
    deviation_hz = 4200.0 * sound / np.max(np.abs(setup_tones("pre-emphasised")[:48_000]))
    phase = 2 * np.pi * np.cumsum(deviation_hz) / SOUND_RATE_HZ
    wanted = np.unwrap(np.angle(vhf_keying([bits], SOUND_RATE_HZ, SenderFaults())))
    assert np.sqrt(np.mean((phase - phase.mean() - wanted + wanted.mean()) ** 2)) < 0.2


def test_set_up_tones_have_the_calls_own_strength() -> None:
    for law, ratio in (("flat", 1.0), ("pre-emphasised", 2100 / 1300)):
        tones = setup_tones(law)  # type: ignore[arg-type]
        first, second = tones[SOUND_RATE_HZ : 19 * SOUND_RATE_HZ], tones[22 * SOUND_RATE_HZ : 40 * SOUND_RATE_HZ]
        assert np.max(first) / np.max(second) == pytest.approx(ratio, rel=1e-3)


def test_mf_sound_is_centred_on_1700_hz() -> None:
    """B 1785 Hz, Y 1615 Hz (Japan, Radio Equipment Regulations 40-5 [S])."""
    assert np.median(lines_of_call(mf_sound([0] * 20))) == pytest.approx(1785.0, abs=0.5)
    assert np.median(lines_of_call(mf_sound([1] * 20))) == pytest.approx(1615.0, abs=0.5)
