"""Everything is reached by keyboard: a letter leads to one place only, and every part has its key."""

from __future__ import annotations

import shutil
from collections import Counter
from pathlib import Path

import pytest

from sdrcheck.cli.options import Judging
from sdrcheck.sources.source import Tuning
from sdrcheck_gui import look as looks
from sdrcheck_gui.panels.gates import GatesPage
from sdrcheck_gui.panels.new_visit import NewVisitPage
from sdrcheck_gui.panels.printout import PrintoutPage
from sdrcheck_gui.panels.report import ReportPage
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets
from sdrcheck_gui.window import Window
from tests.conftest import REPOSITORY

VISIT = REPOSITORY / "captures" / "visit"


def letters(page: QtWidgets.QWidget) -> Counter[str]:
    """How often each underlined letter stands on a page, as it is shown now."""
    found: Counter[str] = Counter()
    for kind in (QtWidgets.QAbstractButton, QtWidgets.QLabel):
        for widget in page.findChildren(kind):
            leads = kind is QtWidgets.QAbstractButton or widget.buddy() is not None
            if leads and not widget.isHidden() and "&" in widget.text():
                found[QtGui.QKeySequence.mnemonic(widget.text()).toString()] += 1
    return found


def twice(page: QtWidgets.QWidget) -> list[str]:
    return [letter for letter, count in letters(page).items() if count > 1]


@pytest.fixture
def visit(window: Window, qtbot, tmp_path: Path) -> Path:  # type: ignore[no-untyped-def]
    folder = tmp_path / "visit"
    shutil.copytree(VISIT, folder)
    window.open_visit(folder)
    qtbot.waitUntil(lambda: window.visit.case is not None, timeout=20_000)
    return folder


def test_each_letter_leads_to_one_field_of_the_start_page(window: Window) -> None:
    assert len(letters(window.start)) >= 10
    assert twice(window.start) == []


def test_each_letter_leads_to_one_place_of_every_check(window: Window, visit: Path) -> None:
    case = window.visit.case
    assert case is not None
    for one in case.checks:
        window.visit._wanted = one.check.id
        window.visit._show_plan(case)
        assert twice(window.visit) == [], one.check.id


def test_each_letter_leads_to_one_place_of_every_page(window: Window, visit: Path, qtbot) -> None:  # type: ignore[no-untyped-def]
    case = window.visit.case
    pages = (
        NewVisitPage(window),
        GatesPage(window.visit, case, "vhf-1", None, None, looks.LIGHT),
        PrintoutPage(window, (), lambda *_: None),
        ReportPage(window.visit, visit, None, window.jobs),
    )
    for page in pages:
        qtbot.addWidget(page)
        assert twice(page) == [], page.windowTitle()


@pytest.mark.parametrize(
    ("key", "part"),
    [
        (QtCore.Qt.Key.Key_F5, lambda window: window.traces),
        (QtCore.Qt.Key.Key_F7, lambda window: window.rulers),
        (QtCore.Qt.Key.Key_F8, lambda window: window.decode),
        (QtCore.Qt.Key.Key_F9, lambda window: window.visit),
    ],
)
def test_every_part_is_shown_by_its_key(window: Window, qtbot, key, part) -> None:  # type: ignore[no-untyped-def]
    qtbot.keyClick(window, key)
    assert part(window).isVisible()


@pytest.mark.qt_log_ignore("does not support raise", extend=True)
def test_source_of_a_limit_is_told_to_whoever_comes_by_key(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.open(str(REPOSITORY / "captures" / "test-call.sigmf-meta"), Tuning(speed=None), Judging())
    qtbot.waitUntil(lambda: bool(window.rulers.rulers()), timeout=20_000)
    window.activateWindow()
    first, second, *_ = window.rulers.rulers()
    qtbot.keyClick(window, QtCore.Qt.Key.Key_F7)
    qtbot.waitUntil(first.hasFocus)
    assert "survey item" in QtWidgets.QToolTip.text()
    qtbot.keyClick(first, QtCore.Qt.Key.Key_Down)
    qtbot.waitUntil(second.hasFocus)
    qtbot.keyClick(second, QtCore.Qt.Key.Key_Up)
    qtbot.waitUntil(first.hasFocus)
