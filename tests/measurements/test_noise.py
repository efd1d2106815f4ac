"""Noise beside a keying: from the quiet that is really quiet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sdrcheck.measurements import noise
from tests.measurements.signals import excerpt, times


def made(**options):
    return excerpt(np.exp(2j * np.pi * 300 * times(0.2)), np.random.default_rng(1), snr_db=30, **options)


def test_density_and_total_are_those_of_the_channel() -> None:
    found = noise.beside(made())
    assert found.density == pytest.approx(made().noise_density, rel=3 * found.relative_standard)
    assert found.total == pytest.approx(found.density * 26_000, rel=0.05)  # flat to 11 kHz, half gone at 13 kHz


def test_the_end_of_an_earlier_keying_is_not_quiet() -> None:
    plain = made()
    iq = plain.iq.copy()
    iq[:900] += 0.3
    found = noise.beside(replace(plain, iq=iq))
    assert found.density == pytest.approx(plain.noise_density, rel=0.15)


def test_without_quiet_the_engines_density_is_taken() -> None:
    plain = made()
    cut = replace(plain, iq=plain.keyed, key_on=0, key_off=plain.keyed.size, cut_at_start=True, cut_at_end=True)
    assert noise.beside(cut).density == plain.noise_density
    assert noise.beside(cut).relative_standard >= 0.1


def test_a_quiet_that_contradicts_the_engine_is_not_believed() -> None:
    plain = made()
    assert noise.beside(replace(plain, noise_density=plain.noise_density * 20)).density == plain.noise_density * 20


def test_lost_samples_are_not_taken_for_silence() -> None:
    plain = made()
    iq = plain.iq.copy()
    iq[200:1200] = 0
    found = noise.beside(replace(plain, iq=iq, lost=((200, 1000),)))
    assert found.density == pytest.approx(plain.noise_density, rel=4 * found.relative_standard)
