"""Identities against Rec. ITU-R M.585 and the ITU table of maritime identification digits, as transcribed."""

from __future__ import annotations

import pytest

from sdrcheck.decoders.dsc.identities import Holder, countries, identify, mid_mark
from tests.decoders.dsc.worked import published

MIDS = published("maritime_identification_digits.csv")


@pytest.mark.parametrize(
    ("digits", "holder", "mid"),
    [
        ("219012345", Holder.SHIP, 219),  # MIDXXXXXX [S]
        ("021912345", Holder.GROUP, 219),  # 0MIDXXXXX [S]
        ("002191234", Holder.COAST, 219),  # 00MIDXXXX [S]
        ("003669999", Holder.COAST, 366),  # the US shore stations' group identity [S]
        ("111219001", Holder.SAR_AIRCRAFT, 219),  # 111MIDXXX [S]
        ("821912345", Holder.HAND_HELD, 219),  # 8MIDXXXXX [S]
        ("982191234", Holder.CRAFT, 219),  # 98MIDXXXX [S]
        ("992191234", Holder.AID_TO_NAVIGATION, 219),  # 99MIDXXXX [S]
        ("970123456", Holder.SART, None),  # 970 [S]
        ("972123456", Holder.MAN_OVERBOARD, None),  # 972 [S]
        ("974123456", Holder.EPIRB, None),  # 974 [S]
        ("979123456", Holder.AUTONOMOUS, None),  # 979 [M?]
        ("123456789", Holder.INVALID, None),
        ("200123456", Holder.INVALID, None),  # identification digits run from 201 to 775 [S]
        ("776123456", Holder.INVALID, None),
        ("000000000", Holder.INVALID, None),
        ("960123456", Holder.INVALID, None),
        ("21901234", Holder.INVALID, None),
        ("2190123456", Holder.INVALID, None),
        ("21901234x", Holder.INVALID, None),
    ],
)
def test_forms(digits: str, holder: Holder, mid: int | None) -> None:
    identity = identify(digits)
    assert identity.holder is holder
    assert identity.mid == mid


def test_country_list_is_the_published_one() -> None:
    assert countries() == {int(row["digits"]): row["country"] for row in MIDS}


def test_marks_are_the_published_ones() -> None:
    for row in MIDS:
        assert mid_mark(int(row["digits"])).value == row["mark"], row


def test_unknown_country_is_no_error() -> None:
    identity = identify("299012345")
    assert identity.holder is Holder.SHIP
    assert identity.country is None
    assert identity.mark is None
