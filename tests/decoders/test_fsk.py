"""F1B demodulation: error rates against the textbook, timing and centre followed, passbands searched."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sdrcheck.compositions.f1b import keyed_bits
from sdrcheck.decoders import fsk, fsk_follow
from sdrcheck.decoders.fsk import BIT_S, Samples
from sdrcheck.decoders.fsk_follow import Lock, Stretch
from tests.decoders.f1b_signals import noise, noise_density

RATE = 2_000.0


def follow(iq: np.ndarray, lock: Lock, rate: float = RATE) -> list[Stretch]:
    samples = Samples(fsk.limited(iq.astype(np.complex64), rate), rate)
    stretches = []
    while lock.edge_s + fsk_follow.BLOCK_BITS * BIT_S <= samples.end_s + 1e-3:
        stretch, lock = fsk_follow.read_block(samples, lock)
        stretches.append(stretch)
    return stretches


def textbook_error_rate(ebn0_db: float, correlation: float) -> float:
    """Noncoherent binary signalling with correlated tones: Q1(a, b) − ½·exp(−(a²+b²)/2)·I0(ab).

    With a, b = √(Eb/2N0·(1 ∓ √(1−ρ²))); ρ = 0 gives ½·exp(−Eb/2N0). Textbook form, from memory; ρ = |sinc 1.7| = 0.1515
    at 170 Hz and 100 Bd. Q1 is the complementary noncentral chi-squared distribution with two degrees of freedom.
    """
    from scipy.special import i0
    from scipy.stats import ncx2

    energy = 10 ** (ebn0_db / 10)
    root = math.sqrt(1 - correlation**2)
    a, b = math.sqrt(energy / 2 * (1 - root)), math.sqrt(energy / 2 * (1 + root))
    marcum = ncx2.sf(b**2, 2, a**2) if a > 0 else math.exp(-(b**2) / 2)
    return float(marcum - 0.5 * math.exp(-(a**2 + b**2) / 2) * i0(a * b))


@pytest.mark.parametrize(("ebn0_db", "published"), [(8, 0.0234), (10, 0.00408), (12, 2.72e-4)])
def test_textbook_formula_gives_the_published_figures(ebn0_db: float, published: float) -> None:
    """Figures of the fact sheet on metrology, section 8; computed there."""
    assert textbook_error_rate(ebn0_db, fsk.TONE_OVERLAP) == pytest.approx(published, rel=0.01)
    assert textbook_error_rate(ebn0_db, 0.0) == pytest.approx(0.5 * math.exp(-(10 ** (ebn0_db / 10)) / 2))


@pytest.mark.parametrize(("ebn0_db", "bits"), [(6, 8_000), (8, 20_000), (10, 40_000)])
def test_hard_bits_err_as_often_as_the_textbook_says(ebn0_db: float, bits: int) -> None:
    """½·exp(−Eb/2N0) for orthogonal tones; ours overlap a little. Timing and centre are followed, not given exactly."""
    random = np.random.default_rng(ebn0_db)
    sent = random.integers(0, 2, bits)
    iq = keyed_bits(sent.tolist(), RATE, one_is="Y")
    stretches = follow(iq + noise(iq.size, noise_density(ebn0_db), RATE, random), Lock(0.05 * BIT_S, 2.0))
    hard = np.concatenate([stretch.hard for stretch in stretches])
    errors = int(np.count_nonzero(hard != sent[: hard.size]))
    orthogonal = 0.5 * math.exp(-(10 ** (ebn0_db / 10)) / 2)
    expected = hard.size * textbook_error_rate(ebn0_db, fsk.TONE_OVERLAP)
    counting = math.sqrt(expected)
    assert expected - 4 * counting < errors < 1.06 * expected + 4 * counting
    assert abs(errors / hard.size - orthogonal) < 0.25 * orthogonal + 4 * counting / hard.size


def test_the_tied_phase_is_worth_more_than_two_decibels() -> None:
    """At 6 dB the soft bits err less than the textbook's envelopes would at 9 dB, and claim no more than they keep."""
    random = np.random.default_rng(1)
    sent = random.integers(0, 2, 10_000)
    iq = keyed_bits(sent.tolist(), RATE, one_is="Y")
    stretches = follow(iq + noise(iq.size, noise_density(6.0), RATE, random), Lock(0.0, 0.0))
    llr = np.concatenate([stretch.llr for stretch in stretches])
    errors = np.mean((llr > 0) != sent[: llr.size])
    assert errors < textbook_error_rate(9.0, fsk.TONE_OVERLAP)
    claimed = np.mean(1 / (1 + np.exp(np.abs(llr))))
    assert claimed == pytest.approx(errors, rel=0.8, abs=1e-3)


def test_a_sender_that_is_not_phase_continuous_is_read_by_its_envelopes() -> None:
    random = np.random.default_rng(2)
    sent = random.integers(0, 2, 6_000)
    per_bit = round(RATE * BIT_S)
    turn = np.repeat(np.exp(2j * np.pi * random.uniform(size=sent.size)), per_bit)
    iq = keyed_bits(sent.tolist(), RATE, one_is="Y", edge_s=0.0) * turn
    stretches = follow(iq + noise(iq.size, noise_density(9.0), RATE, random), Lock(0.0, 0.0))
    llr = np.concatenate([stretch.llr for stretch in stretches])
    errors = int(np.count_nonzero((llr > 0) != sent[: llr.size]))
    assert errors < 1.3 * llr.size * textbook_error_rate(9.0, fsk.TONE_OVERLAP)
    assert not any(stretch.phase_continuous for stretch in stretches)


@pytest.mark.parametrize(("offset_hz", "drift", "rate_ppm"), [(0.0, 1.0, 200.0), (3.0, -1.0, -200.0)])
def test_timing_and_centre_are_followed_over_minutes(offset_hz: float, drift: float, rate_ppm: float) -> None:
    random = np.random.default_rng(3)
    sent = random.integers(0, 2, 6_000)
    iq = keyed_bits(sent.tolist(), RATE, one_is="Y", rate_bd=100 * (1 + rate_ppm * 1e-6))
    times = np.arange(iq.size) / RATE
    iq = iq * np.exp(2j * np.pi * (offset_hz * times + drift / 2 * times**2))
    stretches = follow(iq + noise(iq.size, noise_density(9.0), RATE, random), Lock(0.0, 0.0))
    last = stretches[-1]
    place = sum(stretch.llr.size for stretch in stretches[:-1])
    assert last.starts_s[0] == pytest.approx(place * BIT_S / (1 + rate_ppm * 1e-6), abs=0.05 * BIT_S)
    assert last.centre_hz == pytest.approx(offset_hz + drift * last.starts_s[100], abs=2.0)
    hard = np.concatenate([stretch.hard for stretch in stretches])
    assert np.mean(hard != sent[: hard.size]) < 0.02


def test_impulses_are_cut_down_and_nothing_else() -> None:
    random = np.random.default_rng(4)
    iq = noise(20_000, 1e-6, RATE, random)
    quiet = fsk.limited(iq.astype(np.complex64), RATE)
    assert np.count_nonzero(quiet != iq.astype(np.complex64)) < 20
    level = np.median(np.abs(iq))
    iq[5_000] = 50.0
    assert abs(fsk.limited(iq.astype(np.complex64), RATE)[5_000]) == pytest.approx(level, rel=0.3)


@pytest.mark.parametrize("centre_hz", [-2_900.0, 0.0, 1_500.0, 1_703.0])
def test_a_centre_is_found_in_a_passband(centre_hz: float) -> None:
    random = np.random.default_rng(5)
    rate = 8_000.0
    keyed = keyed_bits(random.integers(0, 2, 600).tolist(), rate, one_is="Y")
    times = np.arange(keyed.size) / rate
    iq = keyed * np.exp(2j * np.pi * centre_hz * times) + 2.0 * np.exp(2j * np.pi * 700.0 * times)
    iq = iq + noise(iq.size, noise_density(12.0), rate, random)
    assert fsk.find_centres(iq.astype(np.complex64), rate)[0] == pytest.approx(centre_hz, abs=30.0)


def test_a_passband_is_narrowed_without_moving_the_lines() -> None:
    rate = 11_025.0
    times = np.arange(33_000) / rate
    iq = (np.exp(2j * np.pi * 1_785.0 * times) + np.exp(2j * np.pi * 3_000.0 * times)).astype(np.complex64)
    narrow, narrow_rate = fsk.shifted_and_narrowed(iq, rate, 1_700.3)
    inner = narrow[500:-500]
    turns = np.angle(np.vdot(inner[:-1], inner[1:])) / (2 * np.pi) * narrow_rate
    assert turns == pytest.approx(84.7, abs=0.05)
    assert np.abs(inner) == pytest.approx(1.0, abs=0.02)


def test_rates_that_cannot_carry_the_channel_are_refused() -> None:
    with pytest.raises(ValueError, match="600 to 4500"):
        fsk_follow.Follower(400.0)
