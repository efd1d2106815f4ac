"""The plan follows the survey's working order: cold before hot, closed cable before air, restored last."""

import pytest

from sdrcheck.errors import VisitError
from sdrcheck.limits.limit import Standing
from sdrcheck.visits import plan
from sdrcheck.visits.checks.check import How, Stage
from sdrcheck.visits.ship import SetKind
from tests.visits import made


def test_a_plan_covers_every_set_and_all_three_ways_of_answering() -> None:
    made_plan = plan.make(made.visit())
    assert {check.set_id for check in made_plan.checks} == {None, "vhf-1", "vhf-2", "mf-1", "navtex-1"}
    assert {check.how for check in made_plan.checks} == set(How)
    assert [check.stage for check in made_plan.checks] == sorted(check.stage for check in made_plan.checks)
    assert len({check.id for check in made_plan.checks}) == len(made_plan.checks)
    assert made_plan.checks[0].stage is Stage.ARRIVAL
    assert made_plan.checks[-1].stage is Stage.RESTORE
    assert made_plan.remarks == ()


def test_vhf_is_keyed_on_6_13_16_and_at_both_ends_of_the_band() -> None:
    """6, 13, 16: United States examination list and least fit of A.803(19); both ends: Japanese maintenance rule."""
    keyed = {check.keying.channel for check in plan.make(made.visit()).of_set("vhf-1") if check.keying}
    assert {"06", "13", "16", "01", "88", "15", "17", "70"} == keyed


def test_every_check_says_what_to_do_and_where_it_comes_from() -> None:
    text = made.VISIT + "".join(
        f'\n[[sets]]\nid = "other-{place}"\nkind = "{kind.value}"\n' for place, kind in enumerate(SetKind)
    )
    for check in plan.make(made.visit(text)).checks:
        assert check.do, check.id
        assert check.basis, check.id
        assert check.mark, check.id
        assert (check.keying is not None) == (check.how is How.MEASURED), check.id
        assert all(step.endswith((".", "?")) or ":" in step for step in check.do), check.id


def test_limits_come_with_their_standing_and_only_for_what_can_be_judged() -> None:
    made_plan = plan.make(made.visit())
    silent = made_plan.check("vhf-1/ch16-high")
    assert {limit.quantity for limit in silent.limits} >= {"carrier offset"}
    tolerance = next(limit for limit in silent.limits if limit.quantity == "carrier offset")
    assert tolerance.high == pytest.approx(1568.0)  # 10 ppm of 156.8 MHz, RR Appendix 2
    assert tolerance.standing in (Standing.SURVEY_ITEM, Standing.REGULATION)
    assert all(limit.source for check in made_plan.checks for limit in check.limits)


def test_repeats_on_each_supply_that_the_set_has() -> None:
    supplies = [c.supply for c in plan.make(made.visit()).of_set("vhf-1") if c.stage is Stage.SUPPLIES]
    assert supplies == ["main", "reserve"]


def test_no_distress_format_is_planned_for_a_set_that_works_into_its_antenna() -> None:
    text = made.VISIT.replace('kind = "MF DSC"\nclosed_cable = true', 'kind = "MF DSC"')
    mine = plan.make(made.visit(text)).of_set("mf-1")
    assert not any(check.distress_format for check in mine)
    assert any("no distress format at all" in caution for check in mine for caution in check.cautions)


def test_what_the_plan_cannot_do_is_said() -> None:
    said = " ".join(plan.make(made.visit()).not_covered)
    assert "not the statutory list" in said
    assert "calibrated instruments" in said


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('id = "navtex-1"\nkind = "NAVTEX"', 'id = "x"\nkind = "SART"', "No NAVTEX receiver"),
        ('"A1", "A2"', '"A1", "A2", "A4"', "sea area A4"),
        ('kind = "MF DSC"', 'kind = "EPIRB"', "sea area A2 asks for one"),
    ],
)
def test_a_set_that_the_sea_areas_ask_for_is_missed(old: str, new: str, said: str) -> None:
    assert said in " ".join(plan.make(made.visit(made.VISIT.replace(old, new))).remarks)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('channels = ["06", "99"]', "channel '99' is not on the VHF plan"),
        ('channels = ["70"]', "for calls only"),
    ],
)
def test_a_channel_that_cannot_be_keyed_is_refused(line: str, said: str) -> None:
    with pytest.raises(VisitError, match=said):
        plan.make(made.visit(made.VISIT.replace('maker = "invented"', line)))


def test_an_unknown_check_names_those_of_its_set() -> None:
    with pytest.raises(VisitError, match=r"vhf-1/ch16-high"):
        plan.make(made.visit()).check("vhf-1/ch16")
