"""The tool proposes, with its reasons; only a survey item or a regulation may weigh on an outcome."""

from pathlib import Path

from sdrcheck.findings.inspection import AppliedLimit, Transmission
from sdrcheck.visits import plan, results
from sdrcheck.visits.papers_check import Conclusion
from sdrcheck.visits.proposal import Proposal, propose
from tests.visits import made

PLAN = plan.make(made.visit())
CHECK = PLAN.check("vhf-1/ch16-high")


def proposed(folder: Path, *transmissions: Transmission, against: str = "") -> Proposal:
    made.file_try(folder, CHECK.id, made.inspection(*transmissions))
    conclusions = [Conclusion("own identity", False, against, "", None)] if against else []
    return propose(CHECK, results.read(folder).of_check(CHECK.id), transmissions, conclusions)


def judged(verdict: str, standing: str, offset_hz: float = 1700.0) -> Transmission:
    limit = AppliedLimit(low=-1568.0, high=1568.0, id="x", source="y", standing=standing, mark="S")
    base = made.carrier("16", 156.8e6)
    fields = {name: getattr(base, name) for name in Transmission.__struct_fields__}
    reading = made.reading("carrier offset", offset_hz, "Hz", 94.0, limit=limit, verdict=verdict)
    return Transmission(**(fields | {"readings": (reading,)}))


def test_a_proven_failure_of_a_regulation_is_proposed_deficient(tmp_path: Path) -> None:
    found = proposed(tmp_path, judged("fail", "regulation"))
    assert found.outcome == "deficient"
    assert found.reasons == ("carrier offset +1700 ± 94 Hz (limit -1568 to +1568 Hz)",)


def test_a_missed_type_test_figure_is_advice(tmp_path: Path) -> None:
    found = proposed(tmp_path, judged("fail", "type test"))
    assert found.outcome == ""
    assert "advice: carrier offset" in found.reasons[0]


def test_what_is_not_proven_is_left_to_a_calibrated_instrument(tmp_path: Path) -> None:
    for place, word in enumerate(("pass, not proven", "fail, not proven")):
        found = proposed(tmp_path / str(place), judged(word, "survey item"))
        assert found.outcome == ""
        assert "use a calibrated instrument" in found.sentence


def test_proven_inside_is_proposed_satisfactory(tmp_path: Path) -> None:
    assert proposed(tmp_path, made.carrier("16", 156.8e6)).sentence == (
        "satisfactory: carrier offset inside the limits"
    )


def test_papers_that_do_not_fit_weigh_as_much_as_a_failure(tmp_path: Path) -> None:
    found = proposed(tmp_path, made.carrier("16", 156.8e6), against="it calls itself something else")
    assert found.outcome == "deficient"
    assert "it calls itself something else" in found.reasons


def test_nothing_is_proposed_from_nothing() -> None:
    assert propose(CHECK, results.CheckState(), (), ()).outcome == ""
    seen = PLAN.check("vhf-1/antenna")
    assert propose(seen, results.CheckState(), (), ()).outcome == ""
    looked = results.Seen(utc=made.NOW, check=seen.id, as_it_should=False, note="rust")
    assert propose(seen, results.CheckState(seen=(looked,)), (), ()).sentence == "deficient: rust"
