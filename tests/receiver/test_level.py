"""Level at the set against the worked budget."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from sdrcheck.errors import ReceiverError
from sdrcheck.quantities import Measured, Term, combined
from sdrcheck.receiver.level import LevelReference, level_terms, mismatch_term, reflection, watts_span

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def test_budget_of_the_worked_example() -> None:
    """Worked by hand after JCGM 100 with the mismatch rule of ETSI TR 100 028 (remembered): u_c 0.721, U 1.44 dB."""
    terms = level_terms(meter_db=0.22, chain_db=0.3)
    expected = (0.127, 0.173, 0.577, 0.112, 0.186, 0.289, 0.100)
    assert [round(term.standard, 3) for term in terms] == pytest.approx(expected, abs=6e-4)
    assert round(combined(terms), 3) == 0.721
    assert round(2 * combined(terms), 2) == 1.44


def test_reflections_of_the_worked_example() -> None:
    assert reflection(1.5) == pytest.approx(0.2)
    assert reflection(1.2) == pytest.approx(0.0909, abs=5e-5)
    assert reflection(2) == pytest.approx(0.333, abs=5e-4)
    assert mismatch_term("", 1.5, 1.2).distribution == "U-shaped"
    with pytest.raises(ReceiverError, match="1 or more"):
        reflection(0.9)


def test_one_meter_reading_ties_the_scale() -> None:
    indicated = Measured(-14.0, "dBFS", (Term.normal("noise", 0.01),))
    reference = LevelReference.from_meter(
        25.0, indicated, meter_percent=5, gain_db=8.7, frequency_hz=156.8e6, taken_utc=NOON
    )
    level = reference.at_the_set(Measured(-28.0, "dBFS"), 8.7)
    assert level.value == pytest.approx(43.979 - 14.0, abs=1e-3)
    assert level.unit == "dBm"
    assert level.uncertainty == pytest.approx(1.44, abs=0.01)
    low, value, high = watts_span(level)
    # +39 % and −28 % of power, as the worked example's 1.44 dB comes out
    assert high / value == pytest.approx(1.39, abs=0.01)
    assert low / value == pytest.approx(0.72, abs=0.01)
    with pytest.raises(ReceiverError, match="one more meter reading"):
        reference.at_the_set(Measured(-28.0, "dBFS"), 20.7)
