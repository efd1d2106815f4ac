"""The ship's print-out in the window: pasted, held against what was heard, filed to the visit's check."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sdrcheck.cli.options import Judging
from sdrcheck.errors import VisitError
from sdrcheck.sources.source import Tuning
from sdrcheck.visits import results
from sdrcheck_gui.panels.printout import PrintoutPage
from sdrcheck_gui.window import Window
from tests.conftest import REPOSITORY
from tests.gui.test_visit import choose, opened

VISIT = REPOSITORY / "captures" / "visit"
PRINTED = VISIT / "printouts" / "navtex-1-518.txt"
(HEARD,) = (VISIT / "recordings").glob("navtex-1-518-received-*.sigmf-meta")


def test_a_message_arrives_and_the_print_out_is_compared(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.open(str(HEARD), Tuning(speed=None), Judging())
    qtbot.waitUntil(lambda: "ended" in window.status.text(), timeout=30_000)
    keying = next(one for one in window.keyings if one.transmission and one.transmission.messages)
    window.choose(keying.number)
    assert window.decode.printout_button.isVisibleTo(window.decode)
    assert "characters" in window.decode.words.toPlainText()
    assert keying.transmission is not None
    page = PrintoutPage(None, (keying.transmission,))
    qtbot.addWidget(page)
    page.load(PRINTED)
    page.compare()
    assert keying.transmission.messages[0].subject is not None
    identity = "".join(str(part) for part in (
        keying.transmission.messages[0].station, keying.transmission.messages[0].subject,
        keying.transmission.messages[0].number,
    ))  # fmt: skip
    assert identity in page.found.toPlainText()
    assert not page.file_button.isVisibleTo(page)


def test_nothing_pasted_and_a_missing_file_are_sentences(qtbot, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    page = PrintoutPage(None, ())
    qtbot.addWidget(page)
    page.compare()
    assert "paste what the ship's receiver printed" in page.found.toPlainText()
    page.load(tmp_path / "none.txt")
    assert "cannot be read" in page.found.toPlainText()


def test_a_refusal_keeps_the_page_and_what_was_typed(qtbot) -> None:  # type: ignore[no-untyped-def]
    def refuse(*_: object) -> None:
        raise VisitError("the visit's folder is gone; look for it")

    page = PrintoutPage(None, (), refuse)
    qtbot.addWidget(page)
    page.show()
    page.pasted.setPlainText("ZCZC LA12\nINVENTED\nNNNN")
    page.file()
    assert page.isVisible()
    assert "folder is gone" in page.found.toPlainText()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(VISIT, tmp_path / "visit"))


def test_it_is_filed_to_the_check_as_the_command_line_files_it(window: Window, qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder)
    choose(window, "navtex-1/518-received")
    view = window.visit.view
    assert "The ship's print-out:" in view.tries.text()
    view.printout_button.click()
    page = window.visit.findChild(PrintoutPage)
    assert page is not None
    page.load(PRINTED)
    page.stations.setText("LS")
    before = len(results.read(folder).filed)
    page.file()
    qtbot.waitUntil(lambda: not window.jobs.running, timeout=10_000)
    entry = results.read(folder).filed[before].entry
    assert isinstance(entry, results.Printout)
    assert (entry.check, entry.stations) == ("navtex-1/518-received", "LS")
