"""F1B readings against what was sent. Simulated signals; the benchmark has the table of 200 trials."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sdrcheck.compositions.f1b import fading, keyed_bits
from sdrcheck.filters.excerpt import BitTrack, Excerpt
from sdrcheck.measurements import f1b
from tests.benchmarks.f1b_coverage import trial
from tests.decoders.f1b_signals import excerpt_of, noise, noise_density

RATE = 2_000.0
BITS = np.random.default_rng(1).integers(0, 2, 640).tolist()
TRACK = BitTrack(bits=tuple(BITS), first_bit_s=0.5, rate_bd=100.0, offset_hz=0.0, one_is="Y")


def measured(keyed: np.ndarray, ebn0_db: float, track: BitTrack = TRACK, seed: int = 2) -> dict[str, f1b.Measured]:
    """`keyed` with half a second of quiet on both sides, in noise."""
    random = np.random.default_rng(seed)
    iq = np.pad(keyed, round(0.5 * RATE))
    iq = iq + noise(iq.size, noise_density(ebn0_db), RATE, random)
    excerpt = excerpt_of(iq.astype(np.complex64), RATE, ebn0_db=ebn0_db)
    return f1b.measure(replace(excerpt, key_on=1_000, key_off=1_000 + keyed.size), track)


@pytest.mark.parametrize("ebn0_db", [10.0, 50.0])
def test_uncertainty_covers_the_error_of_decoded_calls(ebn0_db: float) -> None:
    """The whole way from samples to readings; six seeded calls, each quantity covered in at least five."""
    covered: dict[str, int] = {}
    for number in range(6):
        found, truth = trial(ebn0_db, number, text=False)
        for quantity, value in truth.items():
            covered.setdefault(quantity, 0)
            covered[quantity] += abs(found[quantity].value - value) <= found[quantity].uncertainty
    assert min(covered.values()) >= 5, covered


def test_readings_are_as_fine_as_the_signal_allows() -> None:
    """40 dB in 1 kHz: lines to a hundredth of a hertz, rate to 1 ppm."""
    found, truth = trial(50.0, 3, text=False)
    assert found["carrier offset"].value == pytest.approx(truth["carrier offset"], abs=0.01)
    assert found["line B offset"].value == pytest.approx(truth["line B offset"], abs=0.01)
    assert found["line Y offset"].value == pytest.approx(truth["line Y offset"], abs=0.01)
    assert found["modulation rate error"].value == pytest.approx(truth["modulation rate error"], abs=1.0)
    assert found["modulation rate error"].unit == "ppm"
    assert found["modulation rate"].unit == "Bd"


def test_text_is_measured_too() -> None:
    found, truth = trial(30.0, 1, text=True)
    for quantity, value in truth.items():
        assert abs(found[quantity].value - value) <= 1.5 * found[quantity].uncertainty, quantity
    assert found["shift"].uncertainty < 0.1


@pytest.mark.parametrize("drift", [0.0, 1.0])
def test_a_drifting_carrier_is_given_in_its_middle(drift: float) -> None:
    times = np.arange(12_800) / RATE - 3.2
    keyed = keyed_bits(BITS, RATE, one_is="Y") * np.exp(2j * np.pi * (4.0 * times + drift / 2 * times**2))
    found = measured(keyed, 30.0)
    assert found["carrier offset"].value == pytest.approx(4.0, abs=0.01)
    assert found["shift"].value == pytest.approx(170.0, abs=0.02)


def test_inverted_keying_keeps_the_lines_names() -> None:
    track = replace(TRACK, inverted=True)
    keyed = keyed_bits(BITS, RATE, one_is="Y", inverted=True, shift_hz=172.0)
    found = measured(keyed, 30.0, track)
    assert found["line B offset"].value == pytest.approx(1.0, abs=0.05)
    assert found["line Y offset"].value == pytest.approx(-1.0, abs=0.05)


def two_oscillators(upper_hz: float, lower_hz: float) -> np.ndarray:
    times = np.arange(12_800) / RATE
    is_y = np.repeat(np.array(BITS) == 1, 20)
    return np.where(is_y, np.exp(2j * np.pi * lower_hz * times + 1j), np.exp(2j * np.pi * upper_hz * times))


def test_a_sender_of_two_oscillators() -> None:
    found = measured(two_oscillators(86.3, -84.2), 20.0)
    assert "two oscillators" in found["shift"].method
    assert found["line B offset"].value == pytest.approx(1.3, abs=0.05)
    assert found["line Y offset"].value == pytest.approx(0.8, abs=0.05)
    assert found["modulation rate error"].value == pytest.approx(0.0, abs=300)


def test_a_sender_whose_phase_jumps_at_every_bit() -> None:
    random = np.random.default_rng(5)
    jumps = np.repeat(np.exp(2j * np.pi * random.uniform(size=640)), 20)
    found = measured(keyed_bits(BITS, RATE, one_is="Y", edge_s=0.0) * jumps, 20.0)
    assert "every bit" in found["shift"].method
    for quantity, value in (("carrier offset", 0.0), ("shift", 170.0)):
        assert abs(found[quantity].value - value) <= 1.5 * found[quantity].uncertainty
        assert found[quantity].uncertainty < 2.0


def test_fading_widens_and_does_not_mislead() -> None:
    random = np.random.default_rng(6)
    keyed = keyed_bits(BITS, RATE, one_is="Y")
    found = measured(keyed * fading(keyed.size, RATE, 10.0, random, 0.3), 20.0)
    assert abs(found["carrier offset"].value) < 0.3
    assert abs(found["shift"].value - 170.0) < 1.0


def test_level_and_noise_floor() -> None:
    keyed = 0.1 * keyed_bits(BITS, RATE, one_is="Y")
    found = measured(keyed, 40.0)
    assert found["level"].value == pytest.approx(-20.0, abs=0.03)
    # 40 dB below a carrier at 0 dBFS in 100 Hz, counted in 300 Hz
    assert found["noise floor"].value == pytest.approx(-40.0 + 4.77, abs=0.5)


def test_too_little_is_not_measured() -> None:
    track = replace(TRACK, bits=tuple(BITS[:50]))
    assert measured(keyed_bits(BITS[:50], RATE, one_is="Y"), 30.0, track) == {}


def test_lost_samples_are_left_out() -> None:
    bits = (BITS + BITS + BITS)[:1_900]
    keyed = keyed_bits(bits, RATE, one_is="Y")
    iq = np.pad(keyed, 1_000)
    iq[5_000:5_600] = 0
    iq = iq + noise(iq.size, noise_density(30.0), RATE, np.random.default_rng(7))
    excerpt: Excerpt = replace(excerpt_of(iq.astype(np.complex64), RATE, ebn0_db=30.0), lost=((5_000, 600),))
    found = f1b.measure(excerpt, replace(TRACK, bits=tuple(bits)))
    assert found["shift"].value == pytest.approx(170.0, abs=0.05)
    assert found["level"].value == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("what", ["silence", "noise", "one line", "half silence"])
def test_bits_that_are_not_in_the_samples_give_no_nonsense(what: str) -> None:
    """A wrong track may give wide uncertainties, but never an error, never anything but finite numbers."""
    random = np.random.default_rng(8)
    iq = noise(16_000, 1e-3, RATE, random)
    if what == "silence":
        iq[:] = 0
    if what == "half silence":
        iq[:9_000] = 0
    if what == "one line":
        iq += np.exp(2j * np.pi * 85 / RATE * np.arange(iq.size))
    found = f1b.measure(excerpt_of(iq.astype(np.complex64), RATE), TRACK)
    assert (found == {}) == (what in ("silence", "half silence"))
    assert all(np.isfinite([reading.value, reading.uncertainty]).all() for reading in found.values())
