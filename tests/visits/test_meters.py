"""E_n after ISO 13528:2015, 9.7: (x − X)/√(U_x² + U_X²), |E_n| ≤ 1 agrees. The formula is from memory of the standard;
no worked example of it could be read, so the cases below are right triangles that anyone can check by hand."""

import math

import pytest

from sdrcheck.findings.inspection import Transmission
from sdrcheck.visits.meters import compare, e_n, low_power_by_ratio
from sdrcheck.visits.results import MeterReading
from tests.visits import made


def meter(quantity: str, value: float, unit: str, uncertainty: float | None) -> MeterReading:
    return MeterReading(
        utc=made.NOW, check="vhf-1/ch16-high", quantity=quantity, value=value, unit=unit, uncertainty=uncertainty
    )


@pytest.mark.parametrize(
    ("x", "u", "reference", "u_reference", "expected"),
    [(10.5, 0.3, 10.0, 0.4, 1.0), (9.0, 5.0, 35.0, 12.0, -2.0), (7.0, 8.0, 7.0, 15.0, 0.0), (8.5, 8.0, 0.0, 15.0, 0.5)],
)
def test_e_n(x: float, u: float, reference: float, u_reference: float, expected: float) -> None:
    assert e_n(x, u, reference, u_reference) == pytest.approx(expected)


def test_a_counter_beside_the_carrier_offset() -> None:
    """156 800 412.0 Hz by the counter: 412 Hz off the channel; the dongle says 400 ± 94 Hz."""
    found = compare(meter("carrier frequency", 156_800_412.0, "Hz", 16.0), made.carrier("16", 156.8e6, offset_hz=400.0))
    assert found is not None
    assert found.meter == pytest.approx(412.0)
    assert found.difference == pytest.approx(-12.0)
    assert found.e_n == pytest.approx(-12 / math.hypot(94, 16))
    assert found.agrees is True
    assert found.sentence == "tool minus meter -12 ± 95 Hz; the two agree within their uncertainties (E_n = -0.13)"


def test_a_counter_that_contradicts_the_dongle() -> None:
    found = compare(meter("carrier frequency", 156_801_412.0, "Hz", 16.0), made.carrier("16", 156.8e6))
    assert found is not None
    assert found.agrees is False
    assert "do not agree" in found.sentence


def test_a_wattmeter_beside_the_level_at_the_set() -> None:
    """25 W are 43.98 dBm; 5 % of power are 0.217 dB (power: 4.343 dB times the relative uncertainty)."""
    at_the_set = Transmission(
        **{
            name: getattr(made.carrier("16", 156.8e6), name)
            for name in Transmission.__struct_fields__
            if name != "readings"
        },
        readings=(made.reading("level at the set", 43.5, "dBm", 1.44),),
    )
    found = compare(meter("forward power", 25.0, "W", 1.25), at_the_set)
    assert found is not None
    assert found.meter == pytest.approx(43.979, abs=0.001)
    assert found.meter_uncertainty == pytest.approx(0.2171, abs=0.0005)
    assert found.agrees is True


def test_a_meter_without_an_uncertainty_proves_nothing() -> None:
    found = compare(meter("carrier frequency", 156_801_412.0, "Hz", None), made.carrier("16", 156.8e6))
    assert found is not None
    assert found.agrees is None
    assert "nothing follows" in found.sentence


def test_a_meter_reading_that_the_tool_has_no_answer_to() -> None:
    assert compare(meter("supply voltage", 24.1, "V", 0.1), made.carrier("16", 156.8e6)) is None
    assert compare(meter("carrier offset", 1.0, "kHz", 0.1), made.carrier("16", 156.8e6)) is None
    assert compare(meter("forward power", 25.0, "W", 1.0), made.carrier("16", 156.8e6)) is None


def test_low_power_by_ratio() -> None:
    """25 W metered and 14 dB between the steps are 0.995 W, 24 dB are 0.0995 W."""
    high = meter("forward power", 25.0, "W", 1.25)
    top = made.reading("level", -20.0, "dBFS", 0.4)
    watts, spread = low_power_by_ratio(high, top, made.reading("level", -34.0, "dBFS", 0.4))
    assert watts == pytest.approx(25 / 10**1.4)
    assert watts == pytest.approx(0.995, abs=0.001)
    linearity = 2 * 0.5 / math.sqrt(3)  # ±0.5 dB, rectangular: metrology's level budget, common practice
    tool = math.hypot(0.4, 0.4, linearity) * math.log(10) / 10
    assert spread / watts == pytest.approx(math.hypot(0.05, tool))
