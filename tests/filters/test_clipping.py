"""When the converter ran out of range, whatever blocks the samples came in."""

from __future__ import annotations

import numpy as np
import pytest

from sdrcheck.filters.clipping import Clipping

RATE = 10_000.0
STRETCH = 500


@pytest.mark.parametrize("block", [70, 500, 1300, 10_000])
def test_stretches_lie_fixed_in_the_stream(block):
    clipped = np.array([10, 1600, 1601, 1999, 9999])
    clipping = Clipping(RATE)
    overloaded = []
    for first in range(0, 10_000, block):
        count = min(block, 10_000 - first)
        places = clipped[(clipped >= first) & (clipped < first + count)] - first
        overloaded += clipping.note(first, count, places)
    assert overloaded == [(0, STRETCH), (1500, STRETCH), (9500, STRETCH)]
    assert clipping.share(1550, 1560) == pytest.approx(3 / STRETCH)
    assert clipping.share(1400, 2100) == pytest.approx(3 / (3 * STRETCH))
    assert clipping.share(2000, 9500) == 0
    assert clipping.share(20_000, 20_100) == 0


def test_one_sample_in_ten_thousand_is_no_overload_yet():
    """Above 0.01 % is (common practice)."""
    clipping = Clipping(1_000_000.0)
    assert clipping.note(0, 50_000, np.arange(5)) == []
    assert clipping.note(50_000, 50_000, np.arange(6)) == [(50_000, 50_000)]


def test_an_hour_is_remembered_and_no_three():
    """Half of the samples of the first stretch were clipped, and none after it."""
    rate = 100.0
    clipping = Clipping(rate)
    clipping.note(0, 5, np.arange(2))
    none = np.zeros(0, np.int64)
    for minute in range(3 * 60):
        clipping.note(5 + minute * 6000, 6000, none)
        if minute == 59:
            assert clipping.share(0, 5) == pytest.approx(2 / 5)
    assert clipping.share(0, 5) == 0
    assert len(clipping._firsts) <= 2 * 72_000
