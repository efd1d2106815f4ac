"""Rounding follows JCGM 100, 7.2.6: at most two significant digits of the uncertainty, the value to the same place."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sdrcheck.decoders.dsc.call import Position
from sdrcheck.findings.inspection import AppliedLimit, BudgetTerm, Reading
from sdrcheck.findings.wording import (
    enumerate_words,
    format_duration,
    format_limit,
    format_position,
    format_reading,
    format_value,
)
from sdrcheck.receiver.reference import UNCORRECTED


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "expected"),
    [
        (100.02147, 0.00079, "g", "100.02147 ± 0.00079 g"),  # the mass of JCGM 100, 7.2.4 (from memory)
        (1180.4, 97.7, "Hz", "1180 ± 98 Hz"),
        (1180.4, 364.2, "Hz", "1180 ± 360 Hz"),
        (-0.04, 0.996, "Hz", "0.0 ± 1.0 Hz"),
        (12.0, 0.0, "bit", "12 bit"),
        (1.23456789, 0.0, "s", "1.23457 s"),
        (0.0, 0.0, "bit", "0 bit"),
    ],
)
def test_value_is_rounded_to_its_uncertainty(value: float, uncertainty: float, unit: str, expected: str) -> None:
    assert format_value(value, uncertainty, unit) == expected


@given(st.floats(-1e9, 1e9), st.floats(1e-9, 1e6))
def test_rounding_never_moves_a_value_by_more_than_a_twentieth_of_its_uncertainty(value: float, u: float) -> None:
    shown = format_value(value, u, "")
    number, _, spread = shown.partition(" ± ")
    assert abs(float(number) - value) <= 0.051 * u + 1e-9 * abs(value)
    assert abs(float(spread) - u) <= 0.051 * u


def test_an_offset_without_a_reference_still_shows_what_was_indicated() -> None:
    unknown = (BudgetTerm(name=UNCORRECTED, standard=9000.0, distribution="rectangular"),)
    offset = Reading(quantity="carrier offset", value=141.2, unit="Hz", uncertainty=18000.0, terms=unknown)
    assert format_reading(offset) == "+140 ± 18000 Hz"


def test_offsets_carry_their_sign() -> None:
    assert (
        format_reading(Reading(quantity="carrier offset", value=12.34, unit="Hz", uncertainty=1.0)) == "+12.3 ± 1.0 Hz"
    )
    assert format_reading(Reading(quantity="level", value=12.34, unit="dBFS", uncertainty=0.0)).startswith("12.34")


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (-1500.0, 1500.0, "-1500 to +1500 Hz"),
        (1.8, 2.2, "1.8 to 2.2 Hz"),
        (None, 5000.0, "at most 5000 Hz"),
        (20.0, None, "at least 20 Hz"),
        (None, None, ""),
    ],
)
def test_limit_in_words(low: float | None, high: float | None, expected: str) -> None:
    limit = AppliedLimit(low=low, high=high, id="x", source="y", standing="regulation", mark="S")
    assert format_limit(limit, "Hz") == expected


def test_position_shows_no_more_than_its_field_carries() -> None:
    assert format_position(Position(latitude=54.175, longitude=-12.0, resolution_minutes=1)) == "54°10' N 012°00' W"
    fine = Position(latitude=-54.17505, longitude=12.1, resolution_minutes=0.0001)
    assert format_position(fine) == "54°10.5030' S 012°06.0000' E"
    assert format_position(Position(latitude=9.99999, longitude=0, resolution_minutes=1)) == "10°00' N 000°00' E"


def test_words() -> None:
    assert enumerate_words(["a", "b", "c"]) == "a, b and c"
    assert enumerate_words(["a", "b"], "or") == "a or b"
    assert enumerate_words([]) == ""
    assert format_duration(0.4501) == "0.45 s"
    assert format_duration(135.2) == "2 min 15 s"


@pytest.mark.parametrize(
    ("value", "method", "said"),
    [
        (54.2, "lower bound 38.3 dB: no rest of the carrier stands out of the noise", "at least 38.3 dB"),
        (-54.2, "upper bound -38.3 dB: no product stands out of the noise", "at most -38.3 dB"),
    ],
)
def test_what_is_only_bounded_is_told_by_its_bound(value: float, method: str, said: str) -> None:
    assert format_reading(Reading(quantity="x", value=value, unit="dB", uncertainty=15.9, method=method)) == said
