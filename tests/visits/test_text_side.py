"""The ship's print-out filed to a check and held against the invented visit's recording."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from sdrcheck.cli.visit_results import printout
from sdrcheck.errors import VisitError
from sdrcheck.evidence import case
from sdrcheck.visits import results, text_side
from tests.conftest import REPOSITORY
from tests.visits import made

CHECK = "navtex-1/518-received"
GOOD = (REPOSITORY / "captures" / "visit" / "printouts" / "navtex-1-518.txt").read_text(encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(
        shutil.copytree(
            REPOSITORY / "captures" / "visit",
            tmp_path / "visit",
            ignore=shutil.ignore_patterns("vhf-*", "mfhf-*", "make"),
        )
    )


def filed(folder: Path, text: str, *more: str) -> str:
    path = folder.parent / "printed = by the ship.txt"
    path.write_text(text, encoding="utf-8")
    ran = CliRunner().invoke(printout, [CHECK, str(path), "--visit", str(folder), *more], catch_exceptions=False)
    return " ".join(ran.output.split())


def test_a_print_out_with_one_lost_character_of_159_is_received(folder: Path) -> None:
    """Below 4 % a message counts as received (IMO MSC.148(77), 6.2.3)."""
    one = case.gather(folder, now=made.NOW).check(CHECK)
    assert one.printout is not None
    (pair,) = one.printout.pairs
    assert (pair.ship_errors, pair.dongle_errors) == (1, 0)
    assert pair.differences[0].dongle == "N"
    assert [found.agrees for found in one.conclusions if found.about == "print-out"] == [True]


def test_a_message_that_the_ship_missed_weighs_on_the_proposal(folder: Path) -> None:
    said = filed(folder, "ZCZC ZA01\nSOMETHING ELSE ALTOGETHER, INVENTED\nNNNN\n", "--stations", "Z")
    assert "ZB07: missed by the ship" in said
    one = case.gather(folder, now=made.NOW).check(CHECK)
    assert one.proposal.outcome == "deficient"
    assert any("ZB07" in reason for reason in one.proposal.reasons)


def test_what_the_receivers_settings_explain_is_no_fault(folder: Path) -> None:
    said = filed(folder, "ZCZC LA01\nSOMETHING ELSE ALTOGETHER, INVENTED\nNNNN\n", "--stations", "L")
    assert "Station Z is not selected" in said
    assert case.gather(folder, now=made.NOW).check(CHECK).proposal.outcome != "deficient"


def test_the_print_out_is_kept_under_a_harmless_name_and_guarded(folder: Path) -> None:
    filed(folder, GOOD)
    entry = results.read(folder).of_check(CHECK).printouts[-1]
    assert entry.file.endswith("-printed-by-the-ship.txt")
    path = folder / entry.file
    path.write_text(GOOD + "more", encoding="utf-8")
    with pytest.raises(VisitError, match="was changed since it was filed"):
        text_side.compared(folder, entry, ())
    assert "was changed since it was filed" in case.gather(folder, now=made.NOW).check(CHECK).printout_trouble


def test_a_print_out_belongs_to_text_only(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "p.txt"
    path.write_text(GOOD, encoding="utf-8")
    ran = CliRunner().invoke(printout, ["vhf-1/ch16-high", str(path), "--visit", str(folder)])
    assert isinstance(ran.exception, VisitError)
