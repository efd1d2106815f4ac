"""Papers that do not fit together are named; nothing is refused that a person may have good reason for."""

import datetime as dt

import pytest

from sdrcheck.visits import ship
from sdrcheck.visits.ship import imo_check_digit
from tests.visits import made

TODAY = dt.date(2026, 3, 2)


def sentences(text: str) -> str:
    return " | ".join(f"{doubt.field}: {doubt.sentence}" for doubt in ship.doubts(made.visit(text), TODAY))


def test_the_published_example_of_the_imo_number_scheme() -> None:
    """IMO 9074729, the example printed with the scheme (IMO resolution A.1117(30) and before; from memory).

    9·7 + 0·6 + 7·5 + 4·4 + 7·3 + 2·2 = 139, whose last digit is 9.
    """
    assert 9 * 7 + 0 * 6 + 7 * 5 + 4 * 4 + 7 * 3 + 2 * 2 == 139
    assert imo_check_digit("9074729") == 9


def test_check_digit_finds_every_single_digit_slip_but_those_its_weights_cannot_see() -> None:
    """A slip by d in a place of weight w moves the sum by w·d; it hides only where that is a multiple of 10."""
    for place in range(6):
        for digit in "0123456789":
            slipped = "9074729"[:place] + digit + "9074729"[place + 1 :]
            moved = (int(digit) - int("9074729"[place])) * (7 - place)
            assert (imo_check_digit(slipped) == 9) == (moved % 10 == 0)


def test_good_papers_raise_no_doubt() -> None:
    assert sentences(made.VISIT) == ""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"9074729"', '"9074728"', "the check digit of 9074728 does not fit"),
        ('"9074729"', '"90747290"', "an IMO number has seven digits"),
        ('"211999990"', '"21199999"', "an MMSI has nine digits"),
        ('"211999990"', '"002119999"', "has the form: coast station"),
        ('"211999990"', '"244999990"', "belong to Netherlands, the flag is Germany"),
        ("due = 2026-12-31", "due = 2026-01-31", "was due on 2026-01-31"),
        ("due = 2026-12-31", "", "has no calibration due date"),
        ("08:05:02Z", "08:09:02Z", "differ by +242 s"),
        ('mmsi = "211999990"   # invented', "", "the ship's MMSI is not given"),
    ],
)
def test_doubts_are_named(old: str, new: str, said: str) -> None:
    assert said in sentences(made.VISIT.replace(old, new))


def test_missing_reference_and_clock_are_named() -> None:
    text = made.VISIT.split("[reference]")[0]
    assert "uncorrected dongle" in sentences(text)
    assert "not compared with the ship's UTC" in sentences(text)


def test_a_set_with_another_identity_than_the_ship() -> None:
    text = made.VISIT.replace('id = "vhf-2"', 'id = "vhf-2"\nmmsi = "211999909"')
    assert "the set's identity 211999909 is not the ship's 211999990" in sentences(text)
