"""Uncertainty arithmetic against the published examples of JCGM 100:2008 and EA-4/02."""

from __future__ import annotations

import math
from statistics import mean

import numpy as np
import pytest

from sdrcheck.quantities import Measured, Term, combined, effective_degrees_of_freedom, propagated_covariance


def test_end_gauge_of_jcgm_100_h1() -> None:
    """JCGM 100 H.1: l = l_s + d − l_s(δα·θ + α_s·δθ); 50 000 838 nm, u_c 32 nm (31.66), ν_eff 16 (16.75)."""
    l_s, alpha_s = 50_000_623.0, 11.5e-6
    difference = (
        Term.normal("mean of five", 5.8, 24),
        Term.normal("random", 3.9, 5),
        Term.normal("systematic", 6.7, 8),
    )
    assert combined(difference) == pytest.approx(9.7, abs=0.05)
    d_alpha = Term.rectangular("difference of expansion", 1e-6)
    d_theta = Term.rectangular("difference of temperature", 0.05)
    mean_theta = -0.1
    terms = (
        Term.normal("standard", 25.0, 18),
        Term.normal("difference", combined(difference), effective_degrees_of_freedom(difference)),
        Term("expansion", d_alpha.standard, degrees_of_freedom=50).times(l_s * mean_theta),
        Term("temperature", d_theta.standard, degrees_of_freedom=2).times(l_s * alpha_s),
    )
    assert [round(term.standard, 2) for term in terms] == [25.0, 9.68, 2.89, 16.60]
    assert round(combined(terms), 2) == 31.66
    assert round(combined(terms)) == 32
    assert effective_degrees_of_freedom(terms) == pytest.approx(16.75, abs=0.05)
    assert l_s + 215 == 50_000_838
    # second-order products, H.1.7: 34 nm in all
    theta = math.hypot(0.2, 0.5 / math.sqrt(2))
    second = (l_s * d_alpha.standard * theta, l_s * 2e-6 / math.sqrt(3) * d_theta.standard)
    assert second == pytest.approx((11.7, 1.7), abs=0.25)
    assert round(math.hypot(combined(terms), *second)) == 34


VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
AMPERES = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
RADIANS = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def test_correlated_quantities_of_jcgm_100_h2() -> None:
    """JCGM 100 H.2, from the five simultaneous observations of table H.2."""
    series = (VOLTS, AMPERES, RADIANS)
    v, i, phi = (mean(s) for s in series)
    covariance = [
        [sum((a - mean(x)) * (b - mean(y)) for a, b in zip(x, y, strict=True)) / (5 * 4) for y in series]
        for x in series
    ]
    u = [math.sqrt(covariance[n][n]) for n in range(3)]
    assert (v, i * 1e3, phi) == pytest.approx((4.9990, 19.6610, 1.04446), abs=5e-6)
    assert u == pytest.approx((0.0032, 0.0095e-3, 0.00075), rel=0.01)

    def correlation(table: list[list[float]], a: int, b: int) -> float:
        return table[a][b] / math.sqrt(table[a][a] * table[b][b])

    assert correlation(covariance, 0, 1) == pytest.approx(-0.36, abs=0.006)
    assert correlation(covariance, 0, 2) == pytest.approx(0.86, abs=0.006)
    assert correlation(covariance, 1, 2) == pytest.approx(-0.65, abs=0.006)

    r, x, z = v / i * math.cos(phi), v / i * math.sin(phi), v / i
    results = propagated_covariance([[r / v, -r / i, -x], [x / v, -x / i, r], [z / v, -z / i, 0.0]], covariance)
    assert (r, x, z) == pytest.approx((127.732, 219.847, 254.260), abs=6e-4)
    assert [math.sqrt(results[n][n]) for n in range(3)] == pytest.approx((0.071, 0.296, 0.236), abs=6e-4)
    assert correlation(results, 0, 1) == pytest.approx(-0.588, abs=6e-4)
    assert correlation(results, 0, 2) == pytest.approx(-0.485, abs=6e-4)
    assert correlation(results, 1, 2) == pytest.approx(0.993, abs=6e-4)


def test_step_attenuator_of_ea_4_02_s7() -> None:
    """EA-4/02 S7: 30 dB step attenuator, 30.043 dB ± 0.045 dB (the list of terms is from memory)."""
    parts = (0.009, 0.0025, 0.0011, 0.020, 0.0017, 0.0003, 0.0019, 0.0020, 0.0020)
    loss = Measured(30.043, "dB", tuple(Term.normal(f"term {n}", u) for n, u in enumerate(parts)))
    assert round(loss.standard_uncertainty, 4) == 0.0224
    assert round(loss.uncertainty, 3) == 0.045


def test_deviation_budget_of_the_worked_example() -> None:
    """Worked by hand after JCGM 100: limits 0.5, 1.5 and 1.0 %, repeatability 0.5 %: u 1.19 %, U 2.38 %."""
    terms = (
        Term.rectangular("scale by Bessel null", 0.5),
        Term.rectangular("noise and peak bias", 1.5),
        Term.rectangular("flatness", 1.0),
        Term.normal("repeatability", 0.5),
    )
    assert [round(term.standard, 3) for term in terms] == [0.289, 0.866, 0.577, 0.5]
    assert 2 * combined(terms) == pytest.approx(2.38, abs=0.006)
    five_khz = Measured(5000.0, "Hz", tuple(term.times(50.0) for term in terms))
    assert five_khz.uncertainty == pytest.approx(119, abs=0.5)


@pytest.mark.parametrize(
    ("term", "divisor"),
    [  # JCGM 100, 4.3.7, 4.3.9; U-shaped: the arcsine distribution of H.1.3.5
        (Term.rectangular("", 1.0), math.sqrt(3)),
        (Term.triangular("", 1.0), math.sqrt(6)),
        (Term.u_shaped("", 1.0), math.sqrt(2)),
        (Term.expanded("", 1.0), 2.0),
        (Term.expanded("", 1.0, k=3.0), 3.0),
    ],
)
def test_distributions(term: Term, divisor: float) -> None:
    assert term.standard == pytest.approx(1 / divisor)


def test_a_measured_value_is_never_nan() -> None:
    with pytest.raises(ValueError, match="finite"):
        Measured(math.nan, "Hz")
    with pytest.raises(ValueError, match="0 or more"):
        Term("bad", math.nan)


def test_numbers_from_arrays_become_plain() -> None:
    found = Measured(np.float64(1.0), "Hz", (Term("noise", np.float64(0.1)),))
    assert type(found.value) is float
    assert type(found.terms[0].standard) is float
