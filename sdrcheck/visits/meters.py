"""The calibrated instrument beside the second witness: do the two agree within their uncertainties?

E_n = (x − X) / √(U_x² + U_X²), both U expanded with k = 2; |E_n| ≤ 1 agrees (ISO 13528:2015, 9.7, from memory; the same
number stands in ISO/IEC 17043).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sdrcheck.findings.inspection import Reading, Transmission
from sdrcheck.findings.wording import decimals_for, format_number, format_value
from sdrcheck.quantities import COVERAGE_FACTOR, Term
from sdrcheck.receiver.level import LINEARITY_DB
from sdrcheck.visits.results import MeterReading


@dataclass(frozen=True, slots=True)
class Comparison:
    """A meter's reading and the tool's reading of the same quantity."""

    quantity: str
    unit: str
    meter: float
    meter_uncertainty: float | None
    tool: float
    tool_uncertainty: float
    e_n: float | None
    sentence: str

    @property
    def difference(self) -> float:
        """Tool minus meter."""
        return self.tool - self.meter

    @property
    def agrees(self) -> bool | None:
        """None where the meter came without an uncertainty."""
        return None if self.e_n is None else abs(self.e_n) <= 1


def e_n(value: float, uncertainty: float, reference: float, reference_uncertainty: float) -> float:
    """The E_n number of a value against a reference; both uncertainties expanded, and not both 0."""
    return (value - reference) / math.hypot(uncertainty, reference_uncertainty)


def compare(meter: MeterReading, transmission: Transmission) -> Comparison | None:
    """Hold a meter's reading against the same quantity of a transmission; None where the tool has none."""
    found = _as_measured(meter, transmission)
    if found is None:
        return None
    reading, value, uncertainty = found
    number = None if uncertainty is None else e_n(reading.value, reading.uncertainty, value, uncertainty)
    if number is None or uncertainty is None:
        decimals = decimals_for(reading.uncertainty, reading.value)
        difference = f"{format_number(reading.value - value, decimals, signed=True)} {reading.unit}"
        sentence = f"tool minus meter {difference}; the meter's uncertainty was not given, so nothing follows from it"
    else:
        spread = math.hypot(reading.uncertainty, uncertainty)
        difference = format_value(reading.value - value, spread, reading.unit, signed=True)
        word = "agree" if abs(number) <= 1 else "do not agree"
        score = format_number(number, 2, signed=True)
        sentence = f"tool minus meter {difference}; the two {word} within their uncertainties (E_n = {score})"
    return Comparison(
        reading.quantity, reading.unit, value, uncertainty, reading.value, reading.uncertainty, number, sentence
    )


def _as_measured(meter: MeterReading, transmission: Transmission) -> tuple[Reading, float, float | None] | None:
    """The reading that answers to a meter's quantity, and the meter's value and uncertainty in its unit."""
    if meter.quantity == "carrier frequency" and meter.unit == "Hz":
        reading = transmission.reading("carrier offset")
        return None if reading is None else (reading, meter.value - transmission.frequency_hz, meter.uncertainty)
    if meter.quantity == "forward power" and meter.unit == "W" and meter.value > 0:
        reading = transmission.reading("level at the set")
        if reading is None:
            return None
        spread = None if meter.uncertainty is None else 10 / math.log(10) * meter.uncertainty / meter.value
        return reading, 10 * math.log10(meter.value * 1e3), spread
    reading = transmission.reading(meter.quantity)
    if reading is None or reading.unit != meter.unit:
        return None
    return reading, meter.value, meter.uncertainty


def low_power_by_ratio(high: MeterReading, high_level: Reading, low_level: Reading) -> tuple[float, float]:
    """Low power in watts and its expanded uncertainty: metered high power less the measured ratio.

    Both levels come through the same chain at the same gain. What is common to them falls out of their ratio, yet both
    uncertainties are taken whole here: too wide rather than too narrow. What is left is how linear the dongle is over
    the ratio.
    """
    ratio_db = high_level.value - low_level.value
    watts = high.value * 10 ** (-ratio_db / 10)
    meter = (high.uncertainty or 0.0) / high.value
    linearity = Term.rectangular("linearity", LINEARITY_DB).standard * COVERAGE_FACTOR
    tool = math.hypot(high_level.uncertainty, low_level.uncertainty, linearity) * math.log(10) / 10
    return watts, watts * math.hypot(meter, tool)
