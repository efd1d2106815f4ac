"""Sideband telephony on made signals with known lines. All figures follow from the amplitudes put in."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.limits import practice, usa_2026
from sdrcheck.measurements import ssb
from sdrcheck.measurements.condition import Condition
from sdrcheck.verdicts.judge import Verdict, judge

RATE = 12_000


def excerpt(lines: dict[float, float], seconds: float = 1.2, snr_db: float = 40, dial_error_hz: float = 0.0,
            seed: int = 1) -> Excerpt:  # fmt: skip
    """Lines (hertz from the dial: amplitude) in noise, `snr_db` in 2.7 kHz against the strongest line."""
    rng = np.random.default_rng(seed)
    at = np.arange(int(seconds * RATE)) / RATE
    keyed = sum(a * np.exp(2j * np.pi * ((f + dial_error_hz) * at + rng.uniform())) for f, a in lines.items())
    quiet = np.zeros(RATE // 10)
    iq = np.concatenate([quiet, keyed, quiet])
    density = max(lines.values()) ** 2 / 10 ** (snr_db / 10) / 2_700
    iq = iq + math.sqrt(density * RATE / 2) * (rng.standard_normal(iq.size) + 1j * rng.standard_normal(iq.size))
    return Excerpt(iq.astype(np.complex64), RATE, 2.182e6, 0.0, quiet.size, quiet.size + at.size, density)


TWO_TONES = {1100.0: 0.3, 1700.0: 0.3, 500.0: 0.012, 2300.0: 0.006, 2900.0: 0.003, 0.0: 0.004}


def test_known_tone_gives_the_carrier_offset() -> None:
    found = ssb.measure(excerpt({1000.0: 0.5}, dial_error_hz=7.25), [1000.0])
    assert found.condition is Condition.ONE_TONE
    assert found.readings["carrier offset"].value == pytest.approx(7.25, abs=0.001)
    assert found.readings["modulating tone"].value == pytest.approx(1007.25, abs=0.001)


def test_tone_of_unknown_frequency_gives_none_and_says_why() -> None:
    found = ssb.measure(excerpt({1000.0: 0.5}, dial_error_hz=7.25))
    assert "carrier offset" not in found.readings
    assert any("carrier offset cannot be told" in remark for remark in found.remarks)


@pytest.mark.parametrize("seed", range(4))
def test_two_tones_products_and_rest_of_the_carrier(seed: int) -> None:
    found = ssb.measure(excerpt(TWO_TONES, dial_error_hz=-3.0, seed=seed))
    assert found.condition is Condition.TWO_TONES
    expected = {
        "two-tone product, third": 20 * math.log10(0.012 / 0.3),
        "two-tone product, fifth": 20 * math.log10(0.003 / 0.3),
        "carrier suppression": 20 * math.log10(0.604 / 0.004),
        "level, peak envelope": 20 * math.log10(0.604),
        "carrier offset": -3.0,
    }
    for name, true in expected.items():
        reading = found.readings[name]
        assert abs(reading.value - true) < 2 * reading.uncertainty, name
        assert reading.uncertainty < 1, name
    tones = sorted(found.readings[name].value for name in ("modulating tone", "modulating tone, second"))
    assert tones[1] - tones[0] == pytest.approx(600, abs=0.002)


def test_either_tone_six_decibels_below_the_peak_envelope() -> None:
    """Two equal tones: each is 6 dB below the peak envelope power (−31 dB to PEP is −25 dB to a tone, EN 300 373)."""
    found = ssb.measure(excerpt({1100.0: 0.3, 1700.0: 0.3}))
    assert found.readings["level, peak envelope"].value - 20 * math.log10(0.3) == pytest.approx(6.02, abs=0.02)


def test_what_does_not_show_is_bounded_and_says_so() -> None:
    found = ssb.measure(excerpt({1100.0: 0.3, 1700.0: 0.3}), [1100.0, 1700.0]).readings
    suppression, product = found["carrier suppression"], found["two-tone product, third"]
    assert suppression.value - suppression.uncertainty > 55
    assert suppression.method.startswith("lower bound")
    assert product.value + product.uncertainty < -55
    assert product.method.startswith("upper bound")


(F17,) = (limit for limit in usa_2026.LIMITS if limit.id == "F17")
(F21_THIRD,) = (limit for limit in practice.LIMITS if limit.id == "F21, third")


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("snr_db", [0, 6, 12, 18, 24])
def test_what_the_noise_hides_is_no_fault_of_the_set(snr_db: float, seed: int) -> None:
    """45 dB against the 40 dB of 47 CFR 80.207(c)(2), products 35 dB down against 25: never a proven or likely fail."""
    lines = {1100.0: 0.3, 1700.0: 0.3, 0.0: 0.6 * 10**-2.25, 500.0: 0.3 * 10**-1.75}
    found = ssb.measure(excerpt(lines, snr_db=snr_db, seed=seed)).readings
    for name, true, limit in (
        ("carrier suppression", 45.05, F17),  # 0.05 dB for the carrier's own part of the crest
        ("two-tone product, third", -35.0, F21_THIRD),
    ):
        assert abs(found[name].value - true) <= found[name].uncertainty
        assert judge(found[name], limit) in (Verdict.PASS, Verdict.PASS_NOT_PROVEN)


@pytest.mark.parametrize("down_db", [-6, 0, 3, 8, 15, 25])
@pytest.mark.parametrize("tones", [(1000.0,), (1100.0, 1700.0)])
def test_a_carrier_as_strong_as_the_tones_is_read_and_not_taken_for_speech(
    tones: tuple[float, ...], down_db: float
) -> None:
    """The crest is where tones and carrier add up (peak envelope power, RR 1.157), and the carrier is held to that."""
    carrier = 0.4 * 10 ** (-down_db / 20)
    made = excerpt({0.0: carrier, **dict.fromkeys(tones, 0.4 / len(tones))}, dial_error_hz=4.0)
    found = ssb.measure(made)
    assert found.condition is (Condition.ONE_TONE if len(tones) == 1 else Condition.TWO_TONES)
    readings = found.readings
    assert readings["level, peak envelope"].value == pytest.approx(20 * math.log10(0.4 + carrier), abs=0.01)
    assert readings["carrier suppression"].value == pytest.approx(20 * math.log10(0.4 / carrier + 1), abs=0.05)
    assert judge(readings["carrier suppression"], F17) is Verdict.FAIL
    assert readings["carrier offset"].value == pytest.approx(4.0, abs=0.01)


def test_a_tone_is_told_from_the_rest_of_the_carrier_where_that_shows() -> None:
    bare, with_rest = (ssb.measure(excerpt({1000.0: 0.5, **rest}, dial_error_hz=7.25)) for rest in ({}, {0.0: 0.005}))
    assert bare.readings["modulating tone"].value == pytest.approx(1007.25, abs=0.001)
    assert bare.from_the_dial == ("modulating tone",)
    tone = with_rest.readings["modulating tone"]
    assert abs(tone.value - 1000.0) < 1.5 * tone.uncertainty < 0.05
    assert with_rest.from_the_dial == ()


def test_a_wrong_tone_is_contradicted_by_the_rest_of_the_carrier() -> None:
    made = excerpt({1000.0: 0.5, 0.0: 0.005}, dial_error_hz=3.0)
    for tone, agrees in ((1000.0, True), (1500.0, False)):
        found = ssb.measure(made, [tone])
        assert found.readings["carrier offset"].value == pytest.approx(3.0, abs=0.05)
        assert any("do not agree" in remark for remark in found.remarks) is not agrees


def test_a_tone_far_from_the_declared_one_gives_no_offset_where_no_carrier_shows() -> None:
    """Either the tone or the dial was another: 500 Hz are no proof that the set's oscillator is off."""
    found = ssb.measure(excerpt({1000.0: 0.5}), [1500.0])
    assert "carrier offset" not in found.readings
    assert any("another tone" in remark for remark in found.remarks)


def test_two_wrong_tones_give_no_offset() -> None:
    found = ssb.measure(excerpt({1100.0: 0.3, 1700.0: 0.3}), [1000.0, 1700.0])
    assert "carrier offset" not in found.readings
    assert any("do not agree" in remark for remark in found.remarks)


def test_products_outside_the_filter_are_said_to_be_missing() -> None:
    """2·2300 − 700 = 3900 Hz passes, 3·2300 − 2·700 = 5500 Hz and 3·700 − 2·2300 = −2500 Hz do not."""
    found = ssb.measure(excerpt({700.0: 0.3, 2300.0: 0.3, 3900.0: 0.01}))
    assert found.readings["two-tone product, third"].value == pytest.approx(20 * math.log10(0.01 / 0.3), abs=0.1)
    assert "two-tone product, fifth" not in found.readings
    assert any(remark.startswith("The fifth products") for remark in found.remarks)


def test_a_lone_line_below_all_sound_is_a_carrier_off_its_frequency() -> None:
    found = ssb.measure(excerpt({150.0: 0.4}))
    assert found.condition is Condition.UNMODULATED
    assert found.readings["carrier offset"].value == pytest.approx(150.0, abs=0.001)


def test_bare_carrier() -> None:
    found = ssb.measure(excerpt({0.0: 0.4}, dial_error_hz=-12.5))
    assert found.condition is Condition.UNMODULATED
    assert found.readings["carrier offset"].value == pytest.approx(-12.5, abs=0.001)


def test_speech_shows_no_carrier_frequency() -> None:
    rng = np.random.default_rng(5)
    made = excerpt({1500.0: 0.0, 1000.0: 1e-9}, snr_db=40)
    spectrum = np.fft.fft(rng.standard_normal(14_400) + 1j * rng.standard_normal(14_400))
    frequencies = np.fft.fftfreq(14_400, 1 / RATE)
    spectrum[(frequencies < 350) | (frequencies > 2_700)] = 0
    speech = np.fft.ifft(spectrum)
    iq = made.iq.copy()
    iq[made.key_on : made.key_off] = 0.4 * speech / np.abs(speech).max()
    iq += (1e-4 * (rng.standard_normal(iq.size) + 1j * rng.standard_normal(iq.size))).astype(np.complex64)
    found = ssb.measure(replace(made, iq=iq, noise_density=2e-8 / RATE))
    assert found.condition is Condition.SPEECH
    assert "carrier offset" not in found.readings
    assert found.readings["level, peak envelope"].value == pytest.approx(20 * math.log10(0.4), abs=0.1)


def test_frequency_reaches_the_bound() -> None:
    """Rife and Boorstyn's bound, as for the carrier of an FM channel."""
    errors = [ssb.measure(excerpt({1000.0: 0.5}, 0.4, 20, seed=s), [1000.0]).readings["carrier offset"].value
              for s in range(60)]  # fmt: skip
    bound = math.sqrt(6 / ((2 * np.pi) ** 2 * 100 * 2_700 * 0.396**3))
    assert np.sqrt(np.mean(np.square(errors))) < 1.25 * bound


def test_lost_samples_and_overload_are_said() -> None:
    made = excerpt(TWO_TONES)
    iq, place = made.iq.copy(), made.key_on + 3_000
    iq[place : place + 100] = 0
    found = ssb.measure(replace(made, iq=iq, lost=((place, 100),), clipped_fraction=0.01))
    assert any("Samples are missing" in remark for remark in found.remarks)
    assert any("overloaded" in remark for remark in found.remarks)
    assert found.readings["two-tone product, third"].uncertainty > 1
    assert (
        abs(found.readings["two-tone product, third"].value + 27.96)
        < found.readings["two-tone product, third"].uncertainty
    )


def test_noise_alone_and_scraps_raise_nothing() -> None:
    made = excerpt({1000.0: 1e-9}, seconds=0.3)
    for piece in (
        made,
        replace(made, key_off=made.key_on + 20),
        replace(made, iq=np.zeros_like(made.iq), noise_density=0.0),
    ):
        assert ssb.measure(piece).remarks


def test_skirts_of_products_do_not_pull_at_the_carrier() -> None:
    """A carrier 40 dB under the crest, a fifth product on either side of it 100 Hz off and as strong as it."""
    lines = {1100.0: 0.3, 1700.0: 0.3, 0.0: 0.006, -100.0: 0.012, 500.0: 0.01, 2300.0: 0.01, 2900.0: 0.012}
    for seed in range(6):
        found = ssb.measure(excerpt(lines, snr_db=70, seed=seed)).readings
        for name, true in (
            ("carrier offset", 0.0),
            ("carrier suppression", 20 * math.log10(0.606 / 0.006)),
            ("two-tone product, third", 20 * math.log10(0.01 / 0.3)),
        ):
            assert abs(found[name].value - true) < 1.5 * found[name].uncertainty, (name, seed)


@pytest.mark.parametrize("carrier", [0.3, 0.0])
def test_a_product_that_falls_on_the_carrier_is_not_taken_for_it(carrier: float) -> None:
    """2·1000 − 2000 = 0 Hz: a line 25 dB below the tones is the product's, one as strong as they are is none."""
    found = ssb.measure(excerpt({1000.0: 0.3, 2000.0: 0.3, 0.0: carrier or 0.017}))
    assert found.condition is Condition.TWO_TONES
    assert ("carrier offset" in found.readings) is bool(carrier)
