"""VHF calls from samples. The bits are the worked calls'; the waveforms are ours and show that both ends agree."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import resample_poly

from sdrcheck.compositions.call import bits_on_air, symbols_on_air
from sdrcheck.compositions.faults import SenderFaults
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.decoder import Decode, DecodedCall
from sdrcheck.decoders.dsc import vhf
from sdrcheck.decoders.dsc.vhf_phasing import PHASING_BITS, RATE_BD, TONE_B_HZ, TONE_Y_HZ, known_bits
from sdrcheck.filters.excerpt import Excerpt
from tests.benchmarks.vhf_sensitivity import random_call
from tests.conftest import REAL_RECORDINGS
from tests.decoders.dsc.worked import CALLS, Worked, flipped
from tests.decoders.vhf_signals import CLEAN, JUNK, RATE, bits_of_call, fm, in_noise, junk, keying, noise

VHF_CALLS = [call for call in CALLS.values() if call.band == "vhf"]
ALERT, REPLY, GROUP = CALLS["E1"], CALLS["E11"], CALLS["E13"]


def the_call(found: Decode) -> DecodedCall:
    (decoded,) = found.calls
    return decoded


def heard(call: Worked, level_dbhz: float = CLEAN, seed: int = 1, **faults: float | bool) -> DecodedCall:
    """The one call decoded from a sender with faults."""
    return the_call(vhf.decode(in_noise(keying(bits_of_call(call), faults=SenderFaults(**faults)), level_dbhz, seed)))


def test_one_bit_turns_the_subcarrier_by_twelfths() -> None:
    """1300 and 2100 Hz at 1200 Bd (47 CFR 80.359 and the IMO EPIRB standard, 6.2 and 6.4): 13/12 and 21/12 turns."""
    assert pytest.approx(13 / 12) == TONE_Y_HZ / RATE_BD
    assert pytest.approx(21 / 12) == TONE_B_HZ / RATE_BD


@pytest.mark.parametrize("call", VHF_CALLS, ids=lambda call: call.name)
def test_known_bits_are_in_every_worked_call(call: Worked) -> None:
    places, values = known_bits()
    assert places.size == 140
    assert places.max() < PHASING_BITS
    assert np.array_equal(call.bits[places] > 0, values > 0)


@pytest.mark.parametrize("rate_hz", [40_000.0, 48_000.0, 64_000.0])
@pytest.mark.parametrize("call", VHF_CALLS, ids=lambda call: call.name)
def test_worked_calls_come_out_exactly(call: Worked, rate_hz: float) -> None:
    """40 dB in 25 kHz, at the largest lawful offset."""
    faults = SenderFaults(offset_hz=-1400.0, rate_ppm=30.0, tone_b_error_hz=10.0, tone_y_error_hz=-10.0)
    excerpt = in_noise(keying(bits_of_call(call), faults=faults, rate_hz=rate_hz), CLEAN, rate_hz=rate_hz)
    decoded = the_call(vhf.decode(excerpt))
    told = decoded.call
    assert told.symbols == call.symbols
    assert told.error_check == "ok"
    assert told.ordinary_receiver.accepted
    assert told.dot_pattern_bits == 20
    assert len(told.phasing) == 14
    assert told.gap_before_bits is None
    assert told.start_s == pytest.approx(excerpt.key_on_s, abs=5e-6)
    assert told.end_s == pytest.approx(excerpt.key_on_s + excerpt.duration_s, abs=30e-6)
    assert decoded.track.bits == tuple(bits_of_call(call))
    assert decoded.track.first_bit_s == pytest.approx(excerpt.key_on / rate_hz, abs=5e-6)
    assert decoded.track.rate_bd == pytest.approx(1200 * (1 + 30e-6), rel=15e-6)
    assert decoded.track.offset_hz == pytest.approx(-1400.0, abs=25.0)


@pytest.mark.parametrize("call", VHF_CALLS, ids=lambda call: call.name)
def test_weak_calls_come_out_exactly(call: Worked) -> None:
    """40 dB-Hz is 4 dB under the noise in 25 kHz; an ordinary receiver has nothing of it, and the finding says so."""
    random = np.random.default_rng(int(call.name[1:]))
    index = random.uniform(1.8, 2.2)
    decoded = heard(
        call,
        40.0,
        seed=int(call.name[1:]),
        offset_hz=random.uniform(-1400, 1400),
        rate_ppm=random.uniform(-50, 50),
        tone_b_error_hz=random.uniform(-10, 10),
        tone_y_error_hz=random.uniform(-10, 10),
        index_b=index,
        index_y=index,
    )
    assert decoded.call.symbols == call.symbols
    assert decoded.call.error_check == "ok"
    assert not decoded.call.ordinary_receiver.accepted
    assert decoded.call.dot_pattern_bits in (19, 20, 21)


@pytest.mark.parametrize("index", [1.4, 2.4048, 2.8])
def test_weak_call_does_not_need_its_carrier(index: float) -> None:
    """At an index of 2.4048, the first zero of J0 (Abramowitz and Stegun, table 9.5), no carrier is left."""
    decoded = heard(REPLY, 41.0, index_b=index, index_y=index, offset_hz=500.0)
    assert decoded.call.symbols == REPLY.symbols
    assert decoded.call.error_check == "ok"


@pytest.mark.parametrize("drift", [-100.0, 200.0])
def test_weak_call_may_drift(drift: float) -> None:
    decoded = heard(REPLY, 41.0, drift_hz_per_s=drift)
    assert decoded.call.symbols == REPLY.symbols


def test_at_35_dbhz_a_call_is_still_read() -> None:
    read = [heard(ALERT, 35.0, seed, offset_hz=300.0 * seed).call for seed in range(4)]
    assert sum(call.symbols == ALERT.symbols for call in read) >= 3
    assert not any(call.symbols != ALERT.symbols and call.error_check == "ok" for call in read)


@pytest.mark.parametrize("level", [CLEAN, 42.0])
def test_distress_attempt_is_five_calls_without_a_gap(level: float) -> None:
    found = vhf.decode(in_noise(keying(*[bits_of_call(ALERT)] * 5), level))
    assert [decoded.call.symbols for decoded in found.calls] == [ALERT.symbols] * 5
    assert [decoded.call.dot_pattern_bits for decoded in found.calls] == [20] * 5
    assert found.calls[0].call.gap_before_bits is None
    for decoded in found.calls[1:]:
        assert decoded.call.gap_before_bits == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("level", [CLEAN, 42.0])
@pytest.mark.parametrize("carrier", [True, False], ids=["carrier on", "carrier off"])
def test_two_calls_fifty_milliseconds_apart(level: float, carrier: bool) -> None:
    first, second = keying(bits_of_call(REPLY)), keying(bits_of_call(GROUP), faults=SenderFaults(offset_hz=700.0))
    between = np.full(round(0.05 * RATE), 1.0 + 0j if carrier else 0.0j)
    found = vhf.decode(in_noise(np.concatenate([first, between, second]), level))
    assert [decoded.call.symbols for decoded in found.calls] == [REPLY.symbols, GROUP.symbols]
    assert found.calls[1].call.gap_before_bits == pytest.approx(60.0, abs=1.1)


@pytest.mark.parametrize("level", [CLEAN, 44.0])
def test_call_after_voice_in_one_keying(level: float) -> None:
    voice = junk("speech", 1.5, np.random.default_rng(4))
    found = vhf.decode(in_noise(np.concatenate([voice, keying(bits_of_call(GROUP)), voice[:10_000]]), level))
    assert the_call(found).call.symbols == GROUP.symbols


def test_call_late_in_a_long_keying() -> None:
    wave = np.concatenate([np.ones(round(9.7 * RATE), complex), keying(bits_of_call(REPLY))])
    decoded = the_call(vhf.decode(in_noise(wave, CLEAN)))
    assert decoded.call.symbols == REPLY.symbols
    assert decoded.call.dot_pattern_bits == 20


@pytest.mark.parametrize("level", [CLEAN, 42.0])
def test_expansion_is_read_behind_the_call(level: float) -> None:
    bits = bits_on_air(symbols_on_air(ALERT.information, expansion=(100, 12, 34, 56, 78)))
    told = the_call(vhf.decode(in_noise(vhf_call(bits, RATE), level))).call
    assert told.symbols == ALERT.symbols
    (expansion,) = told.expansion
    assert expansion.specifier == 100
    assert expansion.error_check == "ok"


@pytest.mark.parametrize("level", [CLEAN, 42.0])
def test_inverted_keying_is_read_and_named(level: float) -> None:
    decoded = heard(ALERT, level, inverted=True)
    assert decoded.call.symbols == ALERT.symbols
    assert decoded.call.inverted
    assert decoded.track.inverted
    assert not decoded.call.ordinary_receiver.accepted
    assert decoded.track.bits[-520:] == tuple(bits_of_call(ALERT))[-520:]


@pytest.mark.parametrize(
    "faults",
    [
        {"index_b": 2.0 * 1300 / 2100},
        {"index_b": 0.3},
        {"index_y": 0.3},
        {"index_b": 1.0, "index_y": 1.0},
        {"index_b": 3.0, "index_y": 3.0, "offset_hz": 3000.0},
        {"tone_b_error_hz": 60.0, "tone_y_error_hz": -60.0},
        {"rate_ppm": 2000.0},
        {"rate_ppm": -2000.0},
        {"hum_deviation_hz": 1000.0},
        {"drift_hz_per_s": 300.0},
    ],
    ids=str,
)
def test_faulty_sets_are_read(faults: dict[str, float]) -> None:
    decoded = heard(REPLY, 60.0, **faults)
    assert decoded.call.symbols == REPLY.symbols
    assert decoded.call.error_check == "ok"
    assert decoded.track.bits == tuple(bits_of_call(REPLY))
    assert decoded.track.rate_bd == pytest.approx(1200 * (1 + faults.get("rate_ppm", 0.0) * 1e-6), rel=60e-6)


@pytest.mark.parametrize("level", [CLEAN, 42.0])
@pytest.mark.parametrize("dots", [0, 6, 20, 200])
def test_dot_pattern_is_counted(dots: int, level: float) -> None:
    told = the_call(vhf.decode(in_noise(keying(bits_of_call(ALERT, dots)), level))).call
    assert told.symbols == ALERT.symbols
    assert told.dot_pattern_bits == pytest.approx(dots, abs=0 if level == CLEAN else 1)


def test_dot_pattern_behind_a_bare_carrier_is_counted() -> None:
    wave = np.concatenate([np.ones(9_600, complex), keying(bits_of_call(ALERT))])
    assert the_call(vhf.decode(in_noise(wave, CLEAN))).call.dot_pattern_bits == 20


@pytest.mark.parametrize("lost_bits", [30, 80, 130, 165])
def test_phasing_partly_missing(lost_bits: int) -> None:
    """Even without one phasing symbol, the two format specifiers and characters sent twice show where a call begins."""
    decoded = heard(REPLY, cut_start_s=lost_bits / 1200)
    assert decoded.call.symbols == REPLY.symbols
    assert decoded.call.error_check == "ok"
    assert decoded.call.dot_pattern_bits == 0
    assert len(decoded.track.bits) == pytest.approx(680 - lost_bits, abs=5)


def test_call_that_breaks_off_gives_what_was_received() -> None:
    decoded = heard(REPLY, cut_end_s=0.2)
    assert decoded.call.error_check == "not received"
    assert len(decoded.call.symbols) >= 10
    assert decoded.call.symbols == REPLY.symbols[: len(decoded.call.symbols)]


def test_broken_call_in_a_plain_signal_is_a_finding() -> None:
    """Fault vectors V1, V2 and V4 of the worked call, on the air."""
    repaired = [0, 1] * 10 + flipped(ALERT.bits, (11, 0, 2)).tolist()
    told = the_call(vhf.decode(in_noise(keying(repaired), CLEAN))).call
    assert (told.symbols, told.error_check) == (ALERT.symbols, "ok")
    assert told.first_copy.count(None) == 1
    lost = [0, 1] * 10 + flipped(ALERT.bits, (11, 0, 2), (13, 1, 2)).tolist()
    told = the_call(vhf.decode(in_noise(keying(lost), CLEAN))).call
    assert told.error_check == "inferred"
    wrong = bits_on_air(symbols_on_air(ALERT.information, ecc=121))
    told = the_call(vhf.decode(in_noise(keying(wrong), CLEAN))).call
    assert told.error_check == "failed"
    assert told.symbols[:-1] == ALERT.information


def test_weak_call_with_a_wrong_check_is_a_finding_too() -> None:
    wrong = bits_on_air(symbols_on_air(ALERT.information, ecc=121))
    told = the_call(vhf.decode(in_noise(keying(wrong), 42.0))).call
    assert told.error_check == "failed"
    assert told.symbols[:-1] == ALERT.information


@pytest.mark.parametrize("level", [CLEAN, 50.0, 42.0])
@pytest.mark.parametrize("kind", JUNK)
def test_strong_junk_is_no_call(kind: str, level: float) -> None:
    found = vhf.decode(in_noise(junk(kind, 3.0, np.random.default_rng(len(kind))), level))
    assert found == Decode()


def test_noise_is_no_call() -> None:
    random = np.random.default_rng(8)
    for _ in range(4):
        iq = noise(round(5 * RATE), 1e-6, random).astype(np.complex64)
        assert vhf.present(iq, RATE) == ()
        excerpt = Excerpt(
            iq=iq, sample_rate_hz=RATE, centre_hz=0.0, start_s=0.0, key_on=0, key_off=iq.size, noise_density=1e-6
        )
        assert vhf.decode(excerpt) == Decode()


def test_noise_taken_for_stronger_or_weaker_than_it_is() -> None:
    """The engine's noise density is an estimate."""
    excerpt = in_noise(keying(bits_of_call(ALERT)), 40.0)
    for error_db in (-1.5, 1.5):
        density = excerpt.noise_density * 10 ** (error_db / 10)
        wrong = Excerpt(
            iq=excerpt.iq,
            sample_rate_hz=RATE,
            centre_hz=0.0,
            start_s=0.0,
            key_on=excerpt.key_on,
            key_off=excerpt.key_off,
            noise_density=density,
        )
        assert the_call(vhf.decode(wrong)).call.symbols == ALERT.symbols


def test_weak_call_is_noticed_in_a_stretch_of_noise() -> None:
    excerpt = in_noise(keying(bits_of_call(ALERT), faults=SenderFaults(offset_hz=900.0)), 36.0, quiet_s=2.0)
    (place,) = vhf.present(excerpt.iq, RATE)
    key_on_s, key_off_s = excerpt.key_on / RATE, excerpt.key_off / RATE
    assert place.start_s == pytest.approx(key_on_s, abs=place.edge_uncertainty_s)
    assert place.end_s == pytest.approx(key_off_s, abs=0.1)
    assert place.carrier_to_noise_dbhz == pytest.approx(36.0, abs=1.5)


@pytest.mark.parametrize("kind", JUNK)
def test_weak_junk_is_not_taken_for_a_weak_call(kind: str) -> None:
    excerpt = in_noise(junk(kind, 3.0, np.random.default_rng(2)), 40.0, quiet_s=1.0)
    assert vhf.present(excerpt.iq, RATE) == ()


@pytest.mark.parametrize("size", [0, 1, 100, 2_000])
def test_next_to_nothing_is_no_call(size: int) -> None:
    iq = np.ones(size, np.complex64)
    excerpt = Excerpt(
        iq=iq, sample_rate_hz=RATE, centre_hz=0.0, start_s=0.0, key_on=0, key_off=size, noise_density=1e-9
    )
    assert vhf.decode(excerpt) == Decode()
    assert vhf.present(iq, RATE) == ()


AFSK = (
    "fm-audio_48k_afsk1200-flags-and-packets.wav",
    "fm-audio_48k_afsk1200-keyed-out-of-noise.wav",
    "fm-audio_26.4k_afsk1200-de-emphasised-packet.wav",
    "fm-audio_48k_pager-fsk1200-overdriven.wav",
    "airband-am_12.5k_msk-data-burst_one-channel.wav",
)


@pytest.mark.skipif(not REAL_RECORDINGS.is_dir(), reason="the real recordings are not here")
@pytest.mark.parametrize("name", AFSK)
def test_real_data_signals_are_no_calls(name: str) -> None:
    """Receiver sound of other services, modulated again; none holds a maritime call."""
    rate, sound = wavfile.read(REAL_RECORDINGS / name)
    sound = resample_poly(sound.astype(float), 480, round(rate / 100))
    for wave in (fm(sound, 4500.0), fm(np.diff(sound), 3000.0)):
        for level in (CLEAN, 47.0):
            assert vhf.decode(in_noise(wave, level)) == Decode()


def test_every_random_call_of_the_sensitivity_table_can_be_composed() -> None:
    random = np.random.default_rng(3)
    assert all(random_call(random) for _ in range(200))
