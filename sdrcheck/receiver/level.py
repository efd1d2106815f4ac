"""One reading of a calibrated meter ties the dongle's dBFS to power at the set; about, and never better than that."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime

from sdrcheck.errors import ReceiverError
from sdrcheck.quantities import Measured, Term
from sdrcheck.receiver.attenuation import Element, Verdict, assess, chain_text, require_gain

PERCENT_PER_DB = 11.5
"""Voltage per cent in a decibel as ETSI TR 100 028 rounds it (from memory)."""

GAIN_DRIFT_DB = 1.0
"""How far the dongle's gain moves with temperature and time: half-width, common practice."""
LINEARITY_DB = 0.5
REPEATABILITY_DB = 0.1
EXCHANGED_DB = 0.6
"""Half-width of what an exchanged chain adds: 0.3 dB for the value of the old one and as much for the new."""
VALID_DBFS = (-30.0, -3.0)
"""Where a dongle reads a level well (common practice)."""
LEAST_DBFS = -100.0
"""Below this nothing is read: 8 bits have 50 dB, and narrow filters add little more than 30 dB to them."""
ASTRAY_DB = 20.0
"""A level further than this from what chain and gain let expect is doubted; that is known within 10 dB or so."""
NEAR = 0.1
"""Part of its frequency within which a level reference holds (our own: the marine VHF band is 4 % wide)."""


def reflection(standing_wave_ratio: float) -> float:
    """Magnitude of the reflection coefficient of a standing wave ratio of 1 or more."""
    if not standing_wave_ratio >= 1:
        raise ReceiverError(f"a standing wave ratio is 1 or more, got {standing_wave_ratio}")
    return (standing_wave_ratio - 1) / (standing_wave_ratio + 1)


def mismatch_term(name: str, swr_1: float, swr_2: float) -> Term:
    """The U-shaped term in dB of two reflections looking at each other (method of ETSI TR 100 028, from memory)."""
    percent = reflection(swr_1) * reflection(swr_2) * 100
    return Term(name, percent / math.sqrt(2) / PERCENT_PER_DB, "U-shaped")


def level_terms(
    *,
    meter_db: float,
    chain_db: float,
    swr_set: float = 1.5,
    swr_chain: float = 1.2,
    swr_dongle: float = 2.0,
) -> tuple[Term, ...]:
    """The budget in dB of a level tied to a meter: `meter_db` and `chain_db` are limits ± of wattmeter and chain."""
    return (
        Term.rectangular("reference wattmeter", meter_db),
        Term.rectangular("attenuator and cable", chain_db),
        Term.rectangular("gain of the dongle with temperature and time", GAIN_DRIFT_DB),
        mismatch_term("mismatch, set to chain", swr_set, swr_chain),
        mismatch_term("mismatch, chain to dongle", swr_chain, swr_dongle),
        Term.rectangular("linearity", LINEARITY_DB),
        Term.normal("repeatability", REPEATABILITY_DB),
    )


@dataclass(frozen=True, slots=True)
class LevelReference:
    """What to add to dBFS to get dBm at the set, at one gain, near one frequency, through one chain."""

    constant_db: float
    terms: tuple[Term, ...]
    gain_db: float
    frequency_hz: float
    taken_utc: datetime
    source: str
    chain: tuple[Element, ...] = ()
    """What stood before the dongle then; empty where nobody said."""

    @classmethod
    def from_meter(
        cls,
        meter_w: float,
        indicated: Measured,
        *,
        meter_percent: float,
        gain_db: float,
        frequency_hz: float,
        taken_utc: datetime,
        chain: tuple[Element, ...] = (),
        chain_db: float = 0.3,
    ) -> LevelReference:
        """Make one from a wattmeter's reading (limit ± `meter_percent`) and the dongle's in dBFS, of one keying.

        `chain` is what stood before the dongle, its loss known within ± `chain_db`. Raises ReceiverError for what
        cannot be.
        """
        if not (math.isfinite(meter_w) and meter_w > 0):
            raise ReceiverError(f"the meter's reading must be above 0 W, got {meter_w}")
        if indicated.unit != "dBFS":
            raise ValueError(f"the dongle's level is in dBFS, got {indicated.unit}")
        if not LEAST_DBFS <= indicated.value < 0:
            raise ReceiverError(
                f"{indicated.value:g} dBFS ties nothing down: a dongle reads from {LEAST_DBFS:g} dBFS to below 0 dBFS, "
                "where it clips; read the level again, with the set keyed"
            )
        require_gain(gain_db)
        if not frequency_hz > 0:
            raise ReceiverError(f"nothing is keyed on {frequency_hz:g} Hz; give the frequency like 156.8M or 2182k")
        if chain:
            assess(meter_w, chain, frequency_hz, gain_db)  # refuses what cannot stand there
        meter_dbm = 10 * math.log10(meter_w * 1000)
        meter_db = -10 * math.log10(1 - meter_percent / 100)
        return cls(
            meter_dbm - indicated.value,
            (*level_terms(meter_db=meter_db, chain_db=chain_db), *indicated.terms),
            gain_db,
            frequency_hz,
            taken_utc,
            f"wattmeter ±{meter_percent:g} %: {meter_w:g} W read as {indicated.value:.2f} dBFS at gain {gain_db:g} dB",
            chain,
        )

    def through(self, chain: tuple[Element, ...]) -> LevelReference:
        """The same through another chain: shifted by the difference of their losses, and known less well.

        Raises ReceiverError where nobody said through which chain the meter reading was taken.
        """
        if chain == self.chain:
            return self
        if not self.chain:
            raise ReceiverError(
                "the level reference does not say through which chain it was taken; take one more meter reading and "
                "name the chain"
            )
        more_db = sum(element.loss_db for element in chain) - sum(element.loss_db for element in self.chain)
        return replace(
            self,
            constant_db=self.constant_db + more_db,
            terms=(*self.terms, Term.rectangular("chain exchanged since the meter reading", EXCHANGED_DB)),
            source=f"{self.source}, through {chain_text(self.chain)}; now {more_db:+.1f} dB",
            chain=chain,
        )

    def holds_at(self, gain_db: float, frequency_hz: float) -> bool:
        """Whether it says anything of readings at this gain and frequency."""
        return abs(gain_db - self.gain_db) <= 0.05 and abs(frequency_hz - self.frequency_hz) <= NEAR * self.frequency_hz

    def at_the_set(self, level: Measured, gain_db: float, frequency_hz: float | None = None) -> Measured:
        """The level at the set in dBm of a reading in dBFS; raises ReceiverError at another gain or far away."""
        if abs(gain_db - self.gain_db) > 0.05:
            raise ReceiverError(
                f"the level reference was taken at gain {self.gain_db:g} dB and says nothing at {gain_db:g} dB; "
                "take one more meter reading at this gain"
            )
        if frequency_hz is not None and not self.holds_at(gain_db, frequency_hz):
            raise ReceiverError(
                f"the level reference was taken at {self.frequency_hz / 1e6:.6g} MHz and says nothing at "
                f"{frequency_hz / 1e6:.6g} MHz; take one more meter reading there"
            )
        shifted = level.shifted(self.constant_db)
        return Measured(shifted.value, "dBm", (*level.terms, *self.terms), "dBFS tied to one meter reading")


def doubts(
    meter_w: float, indicated_dbfs: float, gain_db: float, frequency_hz: float, chain: tuple[Element, ...]
) -> tuple[str, ...]:
    """What makes a meter reading doubtful that could be: a sentence each."""
    found = assess(meter_w, chain, frequency_hz, gain_db)
    told = []
    if found.verdict is not Verdict.SAFE:
        told.append(f"the chain is {found.verdict} for what the meter showed: {' '.join(found.reasons)}")
    if not VALID_DBFS[0] <= indicated_dbfs <= VALID_DBFS[1]:
        told.append(
            f"{indicated_dbfs:g} dBFS lies outside {VALID_DBFS[0]:g} to {VALID_DBFS[1]:g} dBFS, where levels are read "
            "well; change the gain, and take the reading again"
        )
    if abs(indicated_dbfs - found.expected_dbfs) > ASTRAY_DB:
        told.append(
            f"about {found.expected_dbfs:.0f} dBFS would be expected through this chain at this gain; look at both, "
            "and whether meter and dongle read the same keying"
        )
    return tuple(told)


def watts_span(found: Measured) -> tuple[float, float, float]:
    """Low end, value and high end in watts of a level in dBm with its expanded uncertainty; not symmetric."""
    if found.unit != "dBm":
        raise ValueError(f"watts come from dBm, got {found.unit}")
    low, value, high = (
        10 ** (dbm / 10) / 1000
        for dbm in (found.value - found.uncertainty, found.value, found.value + found.uncertainty)
    )
    return low, value, high
