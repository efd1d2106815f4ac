"""Where a dongle is tuned that has only been told what to hear."""

from __future__ import annotations

import pytest

from sdrcheck.channels import plan
from sdrcheck.sources.tuner import DEPENDABLE_RATE_HZ, USUAL_RATE_HZ, VHF_CENTRE_HZ, centre_for


def test_one_carrier_lies_beside_the_converters_own_line() -> None:
    """25 to 100 kHz off the centre is common practice."""
    assert centre_for([156.8e6], USUAL_RATE_HZ) == 156.85e6
    assert centre_for([518e3], 240e3) == 568.75e3


@pytest.mark.parametrize("rate", [USUAL_RATE_HZ, DEPENDABLE_RATE_HZ])
@pytest.mark.parametrize("names", [("70", "16"), ("06", "13", "16", "70"), ("15", "17", "16")])
def test_several_lie_within_the_span_and_none_at_its_middle_or_edge(names: tuple[str, ...], rate: float) -> None:
    wanted = [one.frequency_hz for name in names for one in plan.named(name)]
    centre = centre_for(wanted, rate)
    assert centre is not None
    assert all(12.5e3 <= abs(one - centre) <= 0.4 * rate for one in wanted)


def test_what_lies_too_far_apart_has_no_centre() -> None:
    assert centre_for([156.05e6, 160.65e6], DEPENDABLE_RATE_HZ) is None


def test_all_that_ships_use_on_vhf() -> None:
    """RR Appendix 18: ships send from 156.025 to 157.425 MHz; 0 Hz falls between two channels."""
    assert abs(156.025e6 - VHF_CENTRE_HZ) < 0.4 * DEPENDABLE_RATE_HZ
    assert abs(157.425e6 - VHF_CENTRE_HZ) < 0.4 * DEPENDABLE_RATE_HZ
    assert min(abs(one.frequency_hz - VHF_CENTRE_HZ) for one in plan.PLAN) == 12_500
