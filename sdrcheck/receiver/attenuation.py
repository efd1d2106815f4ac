"""Is this chain between a transmitter and the dongle safe, and is what arrives sensible?

A pad is to be rated for twice the power that reaches it, as is common practice for continuous keying: its first
resistor takes nearly all of it. A coupler and a resistive tap sit in the line to the load and take only a part.
"""

from __future__ import annotations

import enum
import math
import re
from dataclasses import dataclass

from sdrcheck.errors import ReceiverError

IMPEDANCE_OHM = 50.0
RATING_FACTOR = 2.0
"""An element is rated for at least this many times the power it meets (common practice)."""
UNRATED_W = 0.1
"""Up to this power an element without a stated rating is taken to bear it (our own, cautious)."""
DAMAGE_DBM = 10.0
"""About where the dongle is said to be damaged (common practice; no maker's figure could be confirmed)."""
SAFE_DBM = 0.0
"""Ten decibels below that."""
PLANNED_DBM = -20.0
"""The most to plan for at the dongle."""
AIMED_DBM = (-40.0, -25.0)
"""Where to aim; between FAINT_DBM and PLANNED_DBM will do."""
FAINT_DBM = -60.0
"""Below this what leaks past the chain is no longer negligible beside what comes through it (our own)."""
STRAY_F = 0.25e-12
"""Capacitance across a tap's resistor, as in the worked example that refuses it at VHF."""
VHF_HZ = 30e6
LEAST_W, MOST_W = 1e-9, 1e6
LEAST_DB, MOST_DB, MOST_WHOLE_DB = 0.01, 120.0, 300.0
LEAST_OHM, MOST_OHM = 1.0, 10e6
"""What is beyond these is no part of any chain, but a typing error."""

GAINS_DB = (
    *(0.0, 0.9, 1.4, 2.7, 3.7, 7.7, 8.7, 12.5, 14.4, 15.7, 16.6, 19.7, 20.7, 22.9, 25.4, 28.0, 29.7, 32.8, 33.8, 36.4),
    *(37.2, 38.6, 40.2, 42.1, 43.4, 43.9, 44.5, 48.0, 49.6),
)
"""The usual tuner's gain steps, nominal and from memory; never a calibration."""
SPURS_AT_GAIN_20_DBM = -25.0
"""Input where one reported generator test at 144 MHz saw the first spurs with the gain at 20 dB."""
GAIN_MARGIN_DB = 10.0
SPURS_DBFS = -3.0
"""Where on the converter's scale that input is taken to lie (the upper end of the valid window)."""


class Kind(enum.StrEnum):
    """What an element of a chain is."""

    PAD = "pad"
    CABLE = "cable"
    COUPLER = "coupler"
    TAP = "tap"


class Verdict(enum.StrEnum):
    """What may be said of a chain before anybody keys."""

    SAFE = "safe"
    NOT_SAFE = "not safe"
    NOT_SENSIBLE = "not sensible"


@dataclass(frozen=True, slots=True)
class Element:
    """One part of a chain, nearest the transmitter first."""

    kind: Kind
    loss_db: float
    rating_w: float | None = None
    resistor_ohm: float | None = None

    def __str__(self) -> str:
        size = f"{self.resistor_ohm:g} Ω" if self.resistor_ohm is not None else f"{self.loss_db:g} dB"
        rating = f", {watts_text(self.rating_w)}" if self.rating_w is not None else ""
        return f"{self.kind} {size}{rating}"

    @property
    def in_line(self) -> bool:
        """The line goes on to a load; only a part is taken."""
        return self.kind in (Kind.COUPLER, Kind.TAP)


def chain_text(chain: tuple[Element, ...]) -> str:
    """A chain in words, nearest the transmitter first: `pad 40 dB, 100 W; pad 30 dB, 2 W`."""
    return "; ".join(str(element) for element in chain)


@dataclass(frozen=True, slots=True)
class Stage:
    """What happens at one element."""

    element: Element
    power_in_w: float
    power_out_w: float
    heat_w: float
    """What stays in the element as heat; for a coupler, what passes through its line."""
    heat_in_first_w: float | None
    """What the first resistor of a pad takes."""
    needed_rating_w: float
    margin_db: float | None
    """Rating over the power it meets; None where no rating is stated."""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Assessment:
    """The whole chain, worked through."""

    transmitter_w: float
    frequency_hz: float | None
    stages: tuple[Stage, ...]
    loss_db: float
    at_dongle_dbm: float
    gain_db: float
    expected_dbfs: float
    verdict: Verdict
    reasons: tuple[str, ...]

    @property
    def load_w(self) -> float | None:
        """What the load behind a coupler or tap has to bear; None where the chain itself is the load."""
        return next((stage.power_in_w for stage in self.stages if stage.element.in_line), None)


def dbm(watts: float) -> float:
    """Power in dBm."""
    return 10 * math.log10(watts * 1000)


def watts(power_dbm: float) -> float:
    """Power in watts."""
    return 10 ** (power_dbm / 10) / 1000


def volts_rms(power_w: float) -> float:
    """Voltage across 50 Ω."""
    return math.sqrt(IMPEDANCE_OHM * power_w)


def watts_text(power_w: float) -> str:
    """`25 W`, `2.5 mW`, `12 µW`."""
    for scale, unit in ((1.0, "W"), (1e3, "mW"), (1e6, "µW")):
        if power_w * scale >= 0.9995:
            return f"{power_w * scale:.3g} {unit}" if power_w * scale < 1000 else f"{power_w * scale:.0f} {unit}"
    return f"{power_w * 1e9:.3g} nW"


@dataclass(frozen=True, slots=True)
class PadResistors:
    """The resistors of a 50 Ω pad, and what share of the power its first one takes."""

    pi_shunt_ohm: float
    pi_series_ohm: float
    t_series_ohm: float
    t_shunt_ohm: float
    first_share: float


def pad_resistors(loss_db: float) -> PadResistors:
    """Work out a 50 Ω pad, π and T; the first element's share of the power is the same in both."""
    k = 10 ** (loss_db / 20)
    t_series = IMPEDANCE_OHM * (k - 1) / (k + 1)
    return PadResistors(
        pi_shunt_ohm=IMPEDANCE_OHM * (k + 1) / (k - 1),
        pi_series_ohm=IMPEDANCE_OHM * (k**2 - 1) / (2 * k),
        t_series_ohm=t_series,
        t_shunt_ohm=2 * IMPEDANCE_OHM * k / (k**2 - 1),
        first_share=t_series / IMPEDANCE_OHM,
    )


def tap_loss_db(resistor_ohm: float, frequency_hz: float = 0.0, stray_f: float = STRAY_F) -> float:
    """Loss of a series resistor from a 50 Ω line into 50 Ω, with the stray capacitance across it at `frequency_hz`."""
    admittance = complex(1 / resistor_ohm, 2 * math.pi * frequency_hz * stray_f)
    return 20 * math.log10(abs(1 / admittance + IMPEDANCE_OHM) / IMPEDANCE_OHM)


_NUMBER = r"(\d+(?:\.\d+)?|\.\d+)"
_ELEMENT = re.compile(
    rf"(?:(pad|cable|coupler|tap)\s*:)?\s*{_NUMBER}\s*(dB|k|kohm|ohm|Ω|kΩ)?\s*(?:/(.*))?", re.IGNORECASE
)


def parse_power(text: str) -> float:
    """Watts from `25W`, `25`, `500 mW`, `1.5 kW`; raises ReceiverError."""
    found = re.fullmatch(rf"\s*{_NUMBER}\s*(mW|kW|W)?(?:\s*PEP)?\s*", text, re.IGNORECASE)
    power_w = float(found[1]) * {"mw": 1e-3, "kw": 1e3}.get((found[2] or "W").lower(), 1.0) if found else 0.0
    if not LEAST_W <= power_w <= MOST_W:
        raise ReceiverError(f"{text!r} is no power; write it like 25W, 2.5W or 500mW, with a point")
    return power_w


def parse_chain(text: str) -> tuple[Element, ...]:
    """Read `40dB/100W,30dB/2W`, nearest the transmitter first; raises ReceiverError with the part that fails.

    An element is `40dB` or `pad:40dB`, `cable:1.2dB`, `coupler:40dB`, `tap:4.7k`, each with `/100W` for its rating.
    """
    if not text.strip():
        raise ReceiverError("a chain needs at least one element, for example 40dB/100W,30dB/2W")
    chain = tuple(_parse_element(part) for part in text.split(","))
    whole = sum(element.loss_db for element in chain)
    if whole > MOST_WHOLE_DB:
        raise ReceiverError(f"{whole:g} dB is more than any chain has; {MOST_WHOLE_DB:g} dB are the most")
    return chain


def _parse_element(part: str) -> Element:
    found = _ELEMENT.fullmatch(part.strip())
    if not found:
        raise ReceiverError(
            f"{part.strip()!r} is no element of a chain; write 40dB/100W, cable:1.2dB, coupler:40dB/100W or tap:4.7k/2W"
        )
    kind = Kind((found[1] or "pad").lower())
    number, unit = float(found[2]), (found[3] or "").lower()
    rating = parse_power(found[4]) if found[4] is not None else None
    if kind is Kind.TAP:
        if unit == "db":
            raise ReceiverError(f"{part.strip()!r}: a tap is given by its resistor, for example tap:4.7k")
        ohms = number * (1000 if unit.startswith("k") else 1)
        if not LEAST_OHM <= ohms <= MOST_OHM:
            raise ReceiverError(f"{part.strip()!r}: a tap's resistor lies between 1 Ω and 10 MΩ")
        return Element(kind, tap_loss_db(ohms), rating, ohms)
    if unit != "db":
        raise ReceiverError(
            f"{part.strip()!r}: a {kind} is given by its loss, for example {kind}:{number:g}dB or {kind}:1.2dB; a "
            "comma begins the next element"
        )
    if not LEAST_DB <= number <= MOST_DB:
        raise ReceiverError(f"{part.strip()!r}: a loss lies between {LEAST_DB:g} and {MOST_DB:g} dB")
    return Element(kind, number, rating)


def assess(
    transmitter_w: float,
    chain: tuple[Element, ...],
    frequency_hz: float | None = None,
    gain_db: float | None = None,
) -> Assessment:
    """Work a chain through for the most power the transmitter can give.

    `frequency_hz` None is taken as VHF. Raises ReceiverError for a resistive tap at VHF, and for
    what cannot be.
    """
    if not (math.isfinite(transmitter_w) and transmitter_w > 0):
        raise ReceiverError(f"a transmitter's power must be above 0 W, got {transmitter_w}")
    if frequency_hz is not None and frequency_hz <= 0:
        raise ReceiverError(f"nothing is keyed on {frequency_hz:g} Hz; give the frequency like 156.8M or 2182k")
    if gain_db is not None:
        require_gain(gain_db)
    _refuse_tap_at_vhf(chain, frequency_hz)
    stages, power = [], transmitter_w
    for element in chain:
        stage = _stage(element, power)
        stages.append(stage)
        power = stage.power_out_w
    arriving = dbm(power)
    gain = recommended_gain_db(arriving) if gain_db is None else gain_db
    expected = SPURS_DBFS + arriving - _spurs_dbm(gain)
    verdict, reasons = _judge(tuple(stages), arriving, expected, gain_db is not None)
    return Assessment(
        transmitter_w,
        frequency_hz,
        tuple(stages),
        dbm(transmitter_w) - arriving,
        arriving,
        gain,
        expected,
        verdict,
        reasons,
    )


def require_gain(gain_db: float) -> None:
    """Refuse what no tuner can be set to. Raises ReceiverError."""
    if not GAINS_DB[0] <= gain_db <= GAINS_DB[-1]:
        raise ReceiverError(
            f"a gain of {gain_db:g} dB is none of the tuner's; its steps go from {GAINS_DB[0]:g} to {GAINS_DB[-1]:g} dB"
        )


def recommended_gain_db(at_dongle_dbm: float) -> float:
    """The highest gain step that leaves 10 dB to where spurs were seen; 0 where even that leaves less."""
    fitting = [gain for gain in GAINS_DB if at_dongle_dbm + GAIN_MARGIN_DB <= _spurs_dbm(gain)]
    return max(fitting, default=0.0)


def _spurs_dbm(gain_db: float) -> float:
    return SPURS_AT_GAIN_20_DBM - (gain_db - 20.0)


def _refuse_tap_at_vhf(chain: tuple[Element, ...], frequency_hz: float | None) -> None:
    if frequency_hz is not None and frequency_hz < VHF_HZ:
        return
    for element in chain:
        if element.resistor_ohm is not None:
            really = tap_loss_db(element.resistor_ohm, frequency_hz or 156.8e6)
            raise ReceiverError(
                f"a resistive tap is for MF and HF only: at VHF stray capacitance of {STRAY_F * 1e12:g} pF turns "
                f"{element.loss_db:.1f} dB into about {really:.1f} dB; use a coupler or pads, or say which MF or HF "
                "frequency it is for"
            )


def _stage(element: Element, power_in_w: float) -> Stage:
    power_out_w = power_in_w * 10 ** (-element.loss_db / 10)
    first = None
    if element.kind is Kind.TAP:
        assert element.resistor_ohm is not None
        heat = volts_rms(power_in_w) ** 2 * element.resistor_ohm / (element.resistor_ohm + IMPEDANCE_OHM) ** 2
    elif element.kind is Kind.COUPLER:
        heat = power_in_w
    else:
        heat = power_in_w - power_out_w
        if element.kind is Kind.PAD:
            first = power_in_w * pad_resistors(element.loss_db).first_share
    met = heat if element.kind is Kind.TAP else power_in_w
    needed = met * (RATING_FACTOR if element.kind in (Kind.PAD, Kind.TAP) else 1.0)
    margin = dbm(element.rating_w) - dbm(met) if element.rating_w is not None else None
    return Stage(element, power_in_w, power_out_w, heat, first, needed, margin, _problem(element, heat, needed))


def _problem(element: Element, heat_w: float, needed_w: float) -> str:
    if element.kind is Kind.CABLE and element.rating_w is None:
        return ""
    if element.rating_w is None:
        return "" if heat_w <= UNRATED_W else f"its rating is not stated; it needs {watts_text(needed_w)}"
    if element.rating_w < needed_w * (1 - 1e-9):
        return f"rated {watts_text(element.rating_w)}, it needs {watts_text(needed_w)}"
    return ""


def _judge(
    stages: tuple[Stage, ...], arriving_dbm: float, expected_dbfs: float, gain_given: bool
) -> tuple[Verdict, tuple[str, ...]]:
    unsafe = [f"Element {n}, {s.element}: {s.problem}." for n, s in enumerate(stages, 1) if s.problem]
    if arriving_dbm > SAFE_DBM:
        unsafe.append(
            f"{arriving_dbm:+.1f} dBm would reach the dongle; about {DAMAGE_DBM:+.0f} dBm is commonly taken to damage "
            f"it, and {SAFE_DBM:.0f} dBm is the most called safe here. Add {arriving_dbm - AIMED_DBM[1]:.0f} dB."
        )
    if unsafe:
        return Verdict.NOT_SAFE, tuple(unsafe)
    odd = []
    if arriving_dbm > PLANNED_DBM:
        odd.append(
            f"{arriving_dbm:.1f} dBm at the dongle is above the {PLANNED_DBM:.0f} dBm to plan for; readings may be "
            f"overloaded. Add {arriving_dbm - AIMED_DBM[1]:.0f} dB."
        )
    if arriving_dbm < FAINT_DBM:
        odd.append(
            f"{arriving_dbm:.1f} dBm at the dongle is so faint that what leaks past the chain counts; take out "
            f"{AIMED_DBM[0] - arriving_dbm:.0f} dB."
        )
    if gain_given and expected_dbfs > SPURS_DBFS:
        odd.append(f"about {expected_dbfs:+.0f} dBFS is expected at that gain: overloaded. Choose a lower one.")
    if odd:
        return Verdict.NOT_SENSIBLE, tuple(odd)
    return Verdict.SAFE, (f"Every element bears it, and {arriving_dbm:.1f} dBm reach the dongle.",)
