"""Level at the set against the worked budget."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any

import pytest

from sdrcheck.errors import ReceiverError
from sdrcheck.quantities import Measured, Term, combined
from sdrcheck.receiver.attenuation import parse_chain
from sdrcheck.receiver.level import LevelReference, doubts, level_terms, mismatch_term, reflection, watts_span

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


SAID: dict[str, Any] = {
    "meter_w": 22.5,
    "indicated_dbfs": -15.3,
    "gain_db": 8.7,
    "frequency_hz": 156.8e6,
    "chain": "40dB/100W,30dB/2W",
}
"""43.5 dBm through 70 dB are −26.5 dBm, which at this gain are about −16 dBFS: nothing is wrong with it."""


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"chain": "tap:4.7k/2W"}, "MF and HF only"),
        ({"frequency_hz": 0.0}, "nothing is keyed on 0 Hz"),
        ({"gain_db": -20.0}, "gain of -20 dB is none of the tuner's"),
        ({"gain_db": 70.0}, "gain of 70 dB is none of the tuner's"),
        ({"indicated_dbfs": 0.0}, "0 dBFS ties nothing down"),
        ({"indicated_dbfs": -200.0}, "-200 dBFS ties nothing down"),
    ],
)
def test_what_cannot_be_ties_nothing(wrong: dict[str, Any], sentence: str) -> None:
    said = SAID | wrong
    with pytest.raises(ReceiverError, match=sentence):
        LevelReference.from_meter(
            said["meter_w"],
            Measured(said["indicated_dbfs"], "dBFS"),
            meter_percent=5,
            gain_db=said["gain_db"],
            frequency_hz=said["frequency_hz"],
            taken_utc=NOON,
            chain=parse_chain(said["chain"]),
        )


@pytest.mark.parametrize(
    ("doubtful", "sentences"),
    [
        ({}, []),
        ({"chain": "30dB/2W,40dB/100W"}, ["the chain is not safe .* rated 2 W, it needs 45 W"]),
        ({"chain": "40dB,30dB/2W"}, ["the chain is not safe .* its rating is not stated"]),
        ({"indicated_dbfs": -0.5}, ["-0.5 dBFS lies outside -30 to -3 dBFS"]),  # the valid window, common practice
        ({"indicated_dbfs": -60.0}, ["lies outside", "about -16 dBFS would be expected"]),
    ],
)
def test_what_is_doubtful_is_told(doubtful: dict[str, Any], sentences: list[str]) -> None:
    said = SAID | doubtful
    told = doubts(**said | {"chain": parse_chain(said["chain"])})
    assert len(told) == len(sentences)
    assert all(re.search(sentence, one) for sentence, one in zip(sentences, told, strict=True))
