"""The visit in the window: its plan, filing as the command line files, report and bundle, every refusal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sdrcheck.cli.options import Judging
from sdrcheck.evidence.verify import verify
from sdrcheck.sources.source import Tuning
from sdrcheck.visits import document, results
from sdrcheck_gui import look as looks
from sdrcheck_gui import visit_work
from sdrcheck_gui.jobs import Job
from sdrcheck_gui.panels.gates import GatesPage
from sdrcheck_gui.panels.new_visit import NewVisitPage
from sdrcheck_gui.panels.papers import PapersPage, as_written
from sdrcheck_gui.panels.report import ReportPage
from sdrcheck_gui.qt import QtCore, QtWidgets
from sdrcheck_gui.window import Window
from tests.conftest import REPOSITORY
from tests.visits import made

CAPTURES = REPOSITORY / "captures"
CALL_CHECK = "vhf-1/ch70-call"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made.folder_with_visit(tmp_path / "visit")


def opened(window: Window, qtbot, folder: Path, capture: str = "test-call") -> None:  # type: ignore[no-untyped-def]
    window.open(str(CAPTURES / f"{capture}.sigmf-meta"), Tuning(speed=None), Judging())
    qtbot.waitUntil(lambda: "ended" in window.status.text(), timeout=20_000)
    window.open_visit(folder)
    qtbot.waitUntil(lambda: window.visit.case is not None, timeout=10_000)


def choose(window: Window, check_id: str) -> None:
    table = window.visit.table
    rows = (table.topLevelItem(place) for place in range(table.topLevelItemCount()))
    table.setCurrentItem(next(row for row in rows if row.data(0, QtCore.Qt.ItemDataRole.UserRole) == check_id))


def settled(window: Window, qtbot, ready: Callable[[], object]) -> None:  # type: ignore[no-untyped-def]
    qtbot.waitUntil(lambda: bool(ready()) and not window.jobs.running, timeout=20_000)


def states(window: Window) -> dict[str, str]:
    table = window.visit.table
    rows = [table.topLevelItem(place) for place in range(table.topLevelItemCount())]
    return {row.data(0, QtCore.Qt.ItemDataRole.UserRole): row.text(2) for row in rows}


def test_from_a_call_on_the_air_to_the_report(window: Window, qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder)
    visit = window.visit
    choose(window, CALL_CHECK)
    assert "fits what the check asks for" in visit.view.fits.text()
    assert "⚠" in visit.view.cautions.text()
    qtbot.keyClick(window, QtCore.Qt.Key.Key_Return, QtCore.Qt.KeyboardModifier.ControlModifier)
    settled(window, qtbot, lambda: visit.one is not None and visit.one.tries)
    assert states(window)[CALL_CHECK] == "… begun"
    assert "vhf-1 calls itself 211999990" in visit.view.tries.text()
    assert visit.view.proposal.text().startswith("Proposed: satisfactory")

    visit.view.outcome.setCurrentText("satisfactory")
    visit.view.outcome_button.click()
    settled(window, qtbot, lambda: states(window)[CALL_CHECK] == "✓ satisfactory")
    assert visit.one is not None
    assert visit.one.check.id != CALL_CHECK, "the next open check comes up by itself"

    page = ReportPage(visit, folder, visit.one, window.jobs)
    qtbot.addWidget(page)
    page.show()
    page.write()
    settled(window, qtbot, lambda: page.pages)
    assert (folder / "reports" / "report.pdf").read_bytes().startswith(b"%PDF")
    assert page.view_button.isEnabled()

    visit.pack(folder.parent / "bundles")
    settled(window, qtbot, lambda: "Packed" in window.status.text())
    (archive,) = (folder.parent / "bundles").glob("*.tar")
    assert verify(archive).whole
    assert window.status.text().count("seal") == 1


def test_what_the_window_files_is_what_the_command_line_files(
    window: Window, qtbot, folder: Path, tmp_path: Path
) -> None:  # type: ignore[no-untyped-def]
    from sdrcheck.cli.visit_check import file_recording

    opened(window, qtbot, folder)
    choose(window, CALL_CHECK)
    window.visit.attach_chosen()
    settled(window, qtbot, lambda: window.visit.one is not None and window.visit.one.tries)
    other = made.folder_with_visit(tmp_path / "other")
    file_recording(other, CALL_CHECK, CAPTURES / "test-call.sigmf-meta")
    mine, theirs = results.read(folder), results.read(other)
    (one,), (two,) = mine.tries(), theirs.tries()
    assert (one.check, one.supply, one.who, one.transmissions) == (two.check, two.supply, two.who, two.transmissions)
    assert one.how == "live"
    assert mine.transmissions(one) == theirs.transmissions(two)  # the whole capture is within two seconds
    assert one.recording_sha512 == two.recording_sha512


def test_the_chosen_keying_is_filed_even_where_another_would_fit(window: Window, qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder, "two-channels")
    window.choose(next(keying.number for keying in window.keyings if keying.lane == "72"))
    choose(window, CALL_CHECK)
    assert "does not fit. That was channel 72" in window.visit.view.fits.text()
    window.visit.attach_chosen()
    settled(window, qtbot, lambda: window.visit.one is not None and window.visit.one.tries)
    ledger = results.read(folder)
    (filed,) = ledger.transmissions(ledger.tries()[0])
    assert filed.channel == "72"


def test_a_meter_beside_it_is_compared_and_seen_needs_its_note(window: Window, qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder)
    visit, view = window.visit, window.visit.view
    made.file_try(folder, "vhf-1/ch06-high", made.inspection(made.carrier("06", 156_300_000.0)))
    visit.refresh()
    settled(window, qtbot, lambda: states(window)["vhf-1/ch06-high"] == "… begun")
    choose(window, "vhf-1/ch06-high")
    view.quantity.setCurrentIndex(view.quantity.findText("carrier frequency"))
    assert view.unit.text() == "Hz"
    view.value.setText("about 156")
    view.meter_button.click()
    assert "is no number" in view.meters.text()
    view.value.setText("156300100")
    view.uncertainty.setText("16")
    view.instrument.setCurrentIndex(1)
    view.meter_button.click()
    settled(window, qtbot, lambda: "E_n" in view.meters.text())
    assert "agree within their uncertainties (E_n = +0.21)" in view.meters.text()

    choose(window, "ship/papers")
    view.bad_button.click()
    settled(window, qtbot, lambda: "say in a note" in visit.problem.text())
    view.note.setText("licence expired")
    view.bad_button.click()
    settled(window, qtbot, lambda: "licence expired" in view.looked.text())
    assert view.proposal.text() == "Proposed: deficient: licence expired."
    view.outcome.setCurrentText("deficient")
    view.outcome_button.click()
    settled(window, qtbot, lambda: "needs a reason" in visit.problem.text())


def test_a_distress_format_stays_closed_until_the_leak_check_has_passed(window: Window, qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder)
    view = window.visit.view
    choose(window, "vhf-1/distress-format")
    assert "Closed. Still wanted: the leak check" in view.gate_words.text()
    assert not view.attach_button.isEnabled()
    case = window.visit.case
    assert case is not None
    page = GatesPage(window.visit, case, "vhf-1", window.chosen, window.session, looks.LIGHT)
    qtbot.addWidget(page)
    page.wanted.connect(window.visit._go_through)
    page.listener.setText("hand-held on the quay, 5 m")
    page._file_leak_check(False)
    settled(window, qtbot, lambda: "passed" in window.status.text())
    qtbot.waitUntil(lambda: view.gate_words.text() == "Open.", timeout=5000)
    choose(window, CALL_CHECK)
    choose(window, "vhf-1/distress-format")
    assert view.attach_button.isEnabled()


def test_the_way_back_to_the_antenna_keeps_its_order(window: Window, qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder)
    made.file_try(folder, "vhf-1/distress-format", made.inspection(made.call_transmission(made.distress_call())))
    window.visit.refresh()
    settled(window, qtbot, lambda: states(window)["vhf-1/distress-format"] == "… begun")
    case = window.visit.case
    assert case is not None
    page = GatesPage(window.visit, case, "vhf-1", window.chosen, window.session, looks.LIGHT)
    qtbot.addWidget(page)
    page.wanted.connect(window.visit._go_through)
    page._step_button("antenna back", "").click()
    settled(window, qtbot, lambda: "first the alert cancelled" in window.visit.problem.text())


def test_a_silence_is_recorded_and_judged(window: Window, qtbot, folder: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """A second in place of five minutes: too short, and said so; nothing is taken for a silence."""
    monkeypatch.setattr(visit_work, "SILENCE_S", 0.2)
    monkeypatch.setattr(visit_work, "_SPARE_S", 0.0)
    for step in ("alert cancelled", "set restarted"):
        results.add(folder, results.GateStep(utc=made.NOW, set="vhf-1", step=step, passed=True))
    window.open(str(CAPTURES / "test-call.sigmf-meta"), Tuning(speed=0.2), Judging())
    qtbot.waitUntil(lambda: window.session is not None and window.session.memory_span_s[1] > 0, timeout=5000)
    assert window.session is not None
    passed, detail = visit_work.witness_silence(Job("silence"), folder, "vhf-1", window.session)
    assert not passed
    assert detail.startswith("the capture lasts 0.2")


def test_a_new_visit_needs_ship_person_and_folder_and_overwrites_nothing(qtbot, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    page = NewVisitPage()
    qtbot.addWidget(page)
    page.make()
    assert "Name the ship" in page.problem.text()
    page.ship.setText("Invented Ship")
    page.who.setText("N. N.")
    page.folder.setText(str(tmp_path / "new"))
    page.make()
    assert document.load(tmp_path / "new").sets[0].id == "vhf-1"
    again = NewVisitPage()
    qtbot.addWidget(again)
    for field in ("ship", "who", "folder"):
        getattr(again, field).setText(getattr(page, field).text())
    again.make()
    assert "is there already" in again.problem.text()


def test_papers_are_changed_in_place_and_a_wrong_word_is_refused(qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    from sdrcheck_gui import look

    page = PapersPage(None, folder, look.LIGHT)
    qtbot.addWidget(page)
    page.change("sets.vhf-1.serial", "4711")
    page.change("sets.vhf-1.closed_cable", "perhaps")
    assert "closed_cable" in page.problem.text()
    visit = document.load(folder)
    assert visit.sets[0].serial == "4711"
    assert visit.sets[0].closed_cable
    assert "# the office's own remark" in (folder / document.FILE_NAME).read_text()
    assert as_written(("A1", "A2")) == '["A1", "A2"]'


def test_no_visit_in_a_folder_is_one_sentence(window: Window, qtbot, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    window.open_visit(tmp_path)
    qtbot.waitUntil(lambda: "no visit file" in window.visit.problem.text(), timeout=5000)
    assert window.visit.case is None


def test_a_full_disk_while_filing_is_said_and_nothing_is_filed(
    window: Window, qtbot, folder: Path, monkeypatch
) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder)
    choose(window, CALL_CHECK)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sdrcheck.evidence.filing.document.write_whole", full)
    window.visit.attach_chosen()
    settled(window, qtbot, lambda: "No space left" in window.visit.problem.text())
    assert results.read(folder).filed == ()


def test_stopping_an_attachment_files_nothing(window: Window, qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder)
    choose(window, CALL_CHECK)
    window.visit.attach_chosen()
    (job,) = (job for job in window.jobs.running if job.what.startswith("Attaching"))
    job.stop()
    settled(window, qtbot, lambda: "stopped" in window.visit.problem.text())
    assert results.read(folder).filed == ()


def test_every_button_of_the_panel_says_what_it_does(window: Window) -> None:
    for button in window.visit.findChildren(QtWidgets.QPushButton):
        assert button.toolTip() or len(button.text()) > 8, button.text()


def test_without_a_visit_it_says_how_to_begin(window: Window) -> None:
    window.sides.setCurrentWidget(window.visit)
    window._show_sheet(window._work)
    assert window.visit.hint.isVisible()
    assert not window.visit.table.isVisible()
    assert not window.visit.view.isVisible()


def test_of_what_answered_by_chance_the_page_tells_no_identity(folder: Path) -> None:
    """All its sentences can be copied."""
    heard = made.call_transmission(made.call()), made.call_transmission(made.call(self_id="211888880"), start_s=5.0)
    made.file_try(folder, CALL_CHECK, made.inspection(*heard), places=(0, 1))
    own, other = visit_work.gathered(folder).check(CALL_CHECK).tries[-1].transmissions
    assert own.calls[0].self_id == "211999990"
    assert "211888880" not in str(other)


def test_with_text_twice_as_large_the_visit_never_scrolls_sideways(window: Window, qtbot, folder: Path) -> None:  # type: ignore[no-untyped-def]
    opened(window, qtbot, folder)
    before = QtWidgets.QApplication.font()
    try:
        window.scale_font(2.0)
        window.resize(1366, 768)
        for check in (CALL_CHECK, "ship/papers", "vhf-1/distress-format", "vhf-1/ch06-high"):
            choose(window, check)
            qtbot.wait(50)
            assert window.visit.page.horizontalScrollBar().maximum() == 0, check
            blank = window.visit.view.height() - window.visit.view.held.geometry().bottom()
            assert blank < max(100, window.visit.page.viewport().height()), check
    finally:
        QtWidgets.QApplication.setFont(before)
