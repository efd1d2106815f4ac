"""What is known of the dongle's hardware: tuners, gain steps, rates, synthesis steps, direct sampling.

From memory and common practice where not said otherwise; none of it is a maker's promise.
"""

from __future__ import annotations

import enum
from collections.abc import Collection

import numpy as np

from sdrcheck.errors import SourceError

CRYSTAL_HZ = 28.8e6
"""The one reference of the tuner's synthesiser and the converter."""

RATES_HZ = ((225_001, 300_000), (900_001, 3_200_000))
"""Sample rates that the chip accepts; up to 2.4 MS/s without losses of its own."""
DEPENDABLE_RATE_HZ = 2.4e6
USUAL_RATE_HZ = 1.024e6

VHF_CENTRE_HZ = 156.7375e6
"""At 2.4 MS/s every frequency that ships use has its place around it, and 0 Hz falls between two channels."""
BESIDE_HZ = 50e3
"""A wanted carrier is kept this far from 0 Hz, off the converter's own line there (common practice: 25 to 100 kHz)."""
_LEAST_BESIDE_HZ = 12.5e3
_USED = 0.4
"""Part of the rate on either side of the centre that is used; filters fall off towards the edges."""
_CENTRE_STEP_HZ = 6.25e3

FOLD_HZ = CRYSTAL_HZ / 2
"""Directly sampled at 28.8 MS/s, what lies above comes out at 28.8 MHz − f, with its spectrum turned round."""
LOWEST_TUNED_HZ = 24e6

INTERMEDIATE_HZ = 3.57e6
"""Intermediate frequency of the R820T family with its 6 MHz filter; narrower filters may use another."""
DOWN_CONVERTER_STEP_HZ = CRYSTAL_HZ / 2**22
"""The digital down-converter's oscillator has 22 bits."""
COARSE_STEP_HZ = 1000.0
"""Taken for tuners whose synthesiser we do not know: they round to the kilohertz."""

R82XX_GAINS_DB = (
    *(0.0, 0.9, 1.4, 2.7, 3.7, 7.7, 8.7, 12.5, 14.4, 15.7, 16.6, 19.7, 20.7, 22.9, 25.4, 28.0, 29.7, 32.8, 33.8, 36.4),
    *(37.2, 38.6, 40.2, 42.1, 43.4, 43.9, 44.5, 48.0, 49.6),
)
"""Nominal only, never a calibration."""


class Tuner(enum.IntEnum):
    """The tuner chip in front of the converter, as the driver numbers them."""

    UNKNOWN = 0
    E4000 = 1
    FC0012 = 2
    FC0013 = 3
    FC2580 = 4
    R820T = 5
    R828D = 6

    @classmethod
    def of(cls, number: int) -> Tuner:
        return next((tuner for tuner in cls if tuner == number), cls.UNKNOWN)

    @property
    def is_r82xx(self) -> bool:
        return self in (Tuner.R820T, Tuner.R828D)

    @property
    def label(self) -> str:
        return "unknown tuner" if self is Tuner.UNKNOWN else self.name


def check_rate(rate_hz: float | None) -> float:
    """The rate to ask for; refuses what the chip cannot do."""
    rate = USUAL_RATE_HZ if rate_hz is None else rate_hz
    if not any(low <= rate <= high for low, high in RATES_HZ):
        spans = " or ".join(f"{low} to {high}" for low, high in RATES_HZ)
        raise SourceError(f"a dongle cannot take {rate:.12g} samples per second; choose {spans} with --rate")
    return float(rate)


def centre_for(wanted_hz: Collection[float], rate_hz: float) -> float | None:
    """A centre that has all of these frequencies in its span, off its edges and off 0 Hz; None where there is none."""
    low, high, reach = min(wanted_hz), max(wanted_hz), _USED * rate_hz
    first, last = np.ceil((high - reach) / _CENTRE_STEP_HZ), np.floor((low + reach) / _CENTRE_STEP_HZ)
    centres = np.arange(last, first - 1, -1) * _CENTRE_STEP_HZ
    if not centres.size:
        return None
    beside = np.min(np.abs(centres[:, None] - np.array(list(wanted_hz))), axis=1)
    best = np.lexsort((np.abs(centres - (low + high) / 2), -np.minimum(beside, BESIDE_HZ)))[0]
    return float(centres[best]) if beside[best] >= _LEAST_BESIDE_HZ else None


def needs_direct_sampling(centre_hz: float, name: str) -> bool:
    """Whether the tuner must be bypassed to get there; refuses what neither way reaches."""
    if FOLD_HZ < centre_hz < LOWEST_TUNED_HZ:
        raise SourceError(
            f"{name} cannot be tuned to {centre_hz / 1e6:.12g} MHz: the tuner begins at {LOWEST_TUNED_HZ / 1e6:g} MHz, "
            f"and directly sampled it folds to {(CRYSTAL_HZ - centre_hz) / 1e6:.12g} MHz (28.8 MHz − f), turned round; "
            "use an up-converter, and give the frequency that comes out of it"
        )
    if centre_hz <= 0:
        raise SourceError(f"{name} cannot be tuned to {centre_hz:.12g} Hz; give --centre, like --centre 156.8M")
    return centre_hz <= FOLD_HZ


def synthesis_step_hz(centre_hz: float) -> float:
    """Step of an R820T's synthesiser near a centre: its oscillator (1770–3540 MHz) has 16 bits, then is divided."""
    oscillator = centre_hz + INTERMEDIATE_HZ
    divider = 2
    while oscillator * divider < 1770e6 and divider < 64:
        divider *= 2
    return 2 * CRYSTAL_HZ / 2**16 / divider


def frequency_step_hz(centre_hz: float, tuner: Tuner) -> float:
    """The true centre lies within half of this of the one asked for."""
    if centre_hz <= FOLD_HZ:
        return DOWN_CONVERTER_STEP_HZ
    return synthesis_step_hz(centre_hz) if tuner.is_r82xx else COARSE_STEP_HZ


def computed_centre_hz(centre_hz: float, tuner: Tuner) -> float:
    """Where the arithmetic of an R820T puts the centre, if it uses the intermediate frequency above. Not verified."""
    if centre_hz <= FOLD_HZ:
        return round(centre_hz / DOWN_CONVERTER_STEP_HZ) * DOWN_CONVERTER_STEP_HZ
    if not tuner.is_r82xx:
        return centre_hz
    step = synthesis_step_hz(centre_hz)
    oscillator = round((centre_hz + INTERMEDIATE_HZ) / step) * step
    return oscillator - round(INTERMEDIATE_HZ / DOWN_CONVERTER_STEP_HZ) * DOWN_CONVERTER_STEP_HZ
