"""The four verdicts against the decision rules of ILAC-G8:09/2019, 4.2.3, and at every limit's own edges."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import pytest

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Limit, Standing
from sdrcheck.limits.sets import every_limit
from sdrcheck.quantities import Measured, Term
from sdrcheck.verdicts.judge import Verdict, judge
from sdrcheck.verdicts.others import dissent

ILAC = Limit(
    id="example",
    quantity="carrier offset",
    unit="Hz",
    low=-1500.0,
    high=1500.0,
    source="the limit of the worked example",
    standing=Standing.TYPE_TEST,
    mark=Mark.SEEN,
)
U_50 = (Term.normal("all of it", 50.0),)


@pytest.mark.parametrize(
    ("value", "expected", "probability"),
    [  # worked out by hand after ILAC-G8 4.2.3 and JCGM 106: limit 1500, u = 50, U = w = 100
        (1300.0, Verdict.PASS, 0.99997),
        (1400.0, Verdict.PASS, 0.977),
        (1450.0, Verdict.PASS_NOT_PROVEN, 0.841),
        (1550.0, Verdict.FAIL_NOT_PROVEN, 0.159),
        (1600.0, Verdict.FAIL, 0.023),
        (1650.0, Verdict.FAIL, 0.0013),
    ],
)
def test_verdicts_of_the_worked_example(value: float, expected: Verdict, probability: float) -> None:
    assert judge(Measured(value, "Hz", U_50), ILAC) is expected
    assert judge(Measured(-value, "Hz", U_50), ILAC) is expected
    assert NormalDist().cdf((1500 - value) / 50) == pytest.approx(probability, abs=6e-4)


@pytest.mark.parametrize("limit", every_limit(), ids=lambda limit: f"{limit.id} {limit.quantity}")
def test_all_four_verdicts_at_each_limit(limit: Limit) -> None:
    edges = [(limit.high, 1.0), (limit.low, -1.0)]
    sure = replace(limit, mark=Mark.SEEN, needs_meter=False)
    for edge, outwards in edges:
        if math.isinf(edge):
            continue
        half = (limit.high - limit.low) / 8 if math.isfinite(limit.high - limit.low) else 1.0
        terms = (Term.normal("all of it", half / 2),)  # U = half
        steps = {-2.0: Verdict.PASS, -0.5: Verdict.PASS_NOT_PROVEN, 0.5: Verdict.FAIL_NOT_PROVEN, 2.0: Verdict.FAIL}
        for step, expected in steps.items():
            found = Measured(edge + outwards * step * half, limit.unit, terms)
            assert judge(found, sure) is expected
            if limit.doubtful:
                assert judge(found, limit) in (Verdict.PASS_NOT_PROVEN, Verdict.FAIL_NOT_PROVEN)
            else:
                assert judge(found, limit) is expected


def test_units_must_agree() -> None:
    with pytest.raises(ValueError, match="limited in Hz, but was measured in ppm"):
        judge(Measured(1.0, "ppm"), ILAC)


def test_dissent_names_the_limit_that_would_have_said_otherwise() -> None:
    rule = replace(ILAC, id="rule", low=-1568.0, high=1568.0, standing=Standing.SURVEY_ITEM)
    (sentence,) = dissent(Measured(1530.0, "Hz", U_50), (rule, ILAC))
    assert "inside ±1568 Hz (survey item, rule), but outside ±1500 Hz (type test, example)" in sentence
    assert dissent(Measured(1200.0, "Hz", U_50), (rule, ILAC)) == ()
    assert dissent(Measured(1200.0, "Hz", U_50), ()) == ()


def test_an_uncertainty_wider_than_the_limit_is_said_in_words() -> None:
    """Worked by hand: ±0.5 ppm and ±2 ppm of drift on 8414.5 kHz give U = 4.97 and 19.46 Hz against ±10 Hz."""
    line = replace(ILAC, quantity="line B offset", low=-10.0, high=10.0)
    calm = Measured(1.0, "Hz", (Term.normal("drift", 4.97 / 2),))
    assert dissent(calm, (line,)) == ()
    loose = Measured(1.0, "Hz", (Term.normal("drift", 19.46 / 2), Term.normal("repeatability", 0.2)))
    (sentence,) = dissent(loose, (line,))
    assert "known to ±19 Hz only, and the limit is ±10 Hz: no pass can be proven" in sentence
    assert "What weighs most is the drift." in sentence
    far = replace(loose, value=60.0)
    assert judge(far, line) is Verdict.FAIL
    assert dissent(far, (line,)) == ()
    one_sided = replace(line, low=-math.inf)
    assert dissent(loose, (one_sided,)) == ()
