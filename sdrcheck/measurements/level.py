"""Level and noise floor in dB of full scale."""

from __future__ import annotations

import math

import numpy as np

from sdrcheck.measurements.noise import FLAT_HZ, Noise
from sdrcheck.measurements.spectrum import PRUDENCE
from sdrcheck.measurements.stretch import Stretch
from sdrcheck.quantities import Measured, Term

DECIBELS = 10 / math.log(10)
"""Decibels per unit of relative power change, for small changes."""
_FLAT_DB = 0.015
"""As flat is the channel's filter, and as straight a converter of 8 bits with little noise (trials)."""
_EDGE_HZ = 1_000.0
_EDGE_S = 1.0


def level(stretch: Stretch) -> Measured:
    """Measure the mean power while keyed in dBFS, noise taken off, ramps left out.

    Holds for one carrier of constant envelope inside the filter.
    """
    carrier_to_density = stretch.power / stretch.noise.density if stretch.noise.density > 0 else math.inf
    terms = [
        Term.normal("noise", PRUDENCE * DECIBELS * math.sqrt(2 / (carrier_to_density * stretch.duration_s))),
        Term.normal("noise floor taken off", DECIBELS * stretch.noise.relative_standard / stretch.carrier_to_noise),
    ]
    terms.append(Term.rectangular("channel filter and steps of the converter", _FLAT_DB))
    beyond = DECIBELS * _near_the_filters_edge(stretch)
    if beyond > 0.2 * _FLAT_DB:
        terms.append(Term.rectangular("sidebands beyond the channel filter", beyond))
    if stretch.clipped:
        terms.append(Term.rectangular("clipping", 1.0))
    method = f"mean power over {stretch.duration_s:.3g} s, noise taken off"
    return Measured(10 * math.log10(stretch.power), "dBFS", tuple(terms), method)


def _near_the_filters_edge(stretch: Stretch) -> float:
    """Power near the edge of an FM channel's filter, as a part of the whole: about as much may lie beyond it."""
    part = stretch.parts(_EDGE_S)[0]
    if part.sample_rate_hz < 2 * FLAT_HZ:
        return 0.0
    frequencies = np.fft.fftfreq(part.iq.size, 1 / part.sample_rate_hz)
    near = np.abs(frequencies) > FLAT_HZ - _EDGE_HZ
    received = float(np.sum(np.square(np.abs(np.fft.fft(part.iq * np.hanning(part.iq.size))[near]))))
    received /= part.iq.size**2 * 3 / 8
    usual = stretch.noise.total - 2 * (FLAT_HZ - _EDGE_HZ) * stretch.noise.density
    return max(received - max(usual, 0.0), 0.0) / stretch.power


def noise_floor(noise: Noise, bandwidth_hz: float) -> Measured | None:
    """Noise power in `bandwidth_hz` beside the transmission in dBFS; None where there is none at all."""
    if noise.density <= 0:
        return None
    return Measured(
        value=10 * math.log10(noise.density * bandwidth_hz),
        unit="dBFS",
        terms=(Term.normal("length of the quiet", PRUDENCE * DECIBELS * noise.relative_standard),),
        method=f"in {bandwidth_hz:.0f} Hz, in the quiet beside the keying",
    )


def carrier_to_noise_db(stretch: Stretch, bandwidth_hz: float = 16_000.0) -> float:
    """Carrier-to-noise ratio in dB in `bandwidth_hz`; infinite without noise."""
    noise = stretch.noise.density * bandwidth_hz
    return 10 * math.log10(stretch.power / noise) if noise > 0 else math.inf
