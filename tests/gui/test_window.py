"""The whole flow on a capture: start, watch a call arrive, read, mark and keep it; and every bad moment."""

from __future__ import annotations

from pathlib import Path

import pytest

from sdrcheck.bench import Settings
from sdrcheck.recordings.recording import open_recording
from sdrcheck.sources.source import Tuning
from sdrcheck_gui.qt import QtCore
from sdrcheck_gui.window import Window
from tests.conftest import REPOSITORY

CALL = REPOSITORY / "captures" / "test-call.sigmf-meta"


def play(window: Window, qtbot, path: Path, speed: float | None = None) -> None:  # type: ignore[no-untyped-def]
    window.open(str(path), Tuning(speed=speed), Settings())
    qtbot.waitUntil(lambda: "ended" in window.status.text() or "⚠" in window.status.text(), timeout=20_000)


def test_a_call_arrives_is_chosen_read_marked_and_kept(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    play(window, qtbot, CALL)
    (keying,) = window.keyings
    assert keying.label == "test call"
    assert window.chosen is keying
    assert any("carrier offset" in ruler.accessibleName() for ruler in window.rulers.rulers())
    assert "Test call from 211999990" in window.decode.words.toPlainText()
    assert window.decode.grid.columnCount() >= 20
    qtbot.keyClick(window, QtCore.Qt.Key.Key_M)
    assert keying.marked
    qtbot.waitUntil(lambda: window.status.text().startswith("Marked and kept:"), timeout=5000)
    assert keying.kept is not None
    assert keying.kept.path.exists()
    window.keep_last_minutes()
    qtbot.waitUntil(lambda: window.status.text().startswith("Kept the last"), timeout=5000)
    written = Path(window.status.text().partition(": ")[2])
    assert open_recording(written).sample_count == open_recording(CALL).sample_count
    assert not window.grab().isNull()


def test_a_bad_recording_is_one_sentence_and_the_window_stays(window: Window, qtbot, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    broken = tmp_path / "broken.sigmf-meta"
    broken.write_text("{")
    play(window, qtbot, broken)
    assert "broken.sigmf-meta" in window.status.text()
    assert window.status.text().count("\n") == 0
    play(window, qtbot, CALL)
    assert len(window.keyings) == 1


def test_a_bug_in_the_engine_is_shown_and_the_window_stays(window: Window, qtbot, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    def broken(*_: object) -> object:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr("sdrcheck_gui.feed.run", broken)
    window.open(str(CALL), Tuning(speed=None), Settings())
    qtbot.waitUntil(lambda: "ZeroDivisionError" in window.status.text(), timeout=5000)
    assert window.isVisible()


def test_keeping_without_a_source_says_so(window: Window) -> None:
    window.keep_last_minutes()
    assert "start a source first" in window.status.text()


def test_a_full_disk_is_said(window: Window, qtbot, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    play(window, qtbot, CALL)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(type(window.session), "keep", full)
    window.keep_last_minutes()
    qtbot.waitUntil(lambda: "No space left" in window.status.text(), timeout=5000)


@pytest.mark.parametrize("size", [(200, 150), (1366, 768), (2732, 1536)])
def test_any_size_can_be_drawn(window: Window, qtbot, size: tuple[int, int]) -> None:  # type: ignore[no-untyped-def]
    play(window, qtbot, CALL)
    window.resize(*size)
    qtbot.wait(50)
    assert not window.grab().isNull()


def test_text_grows_and_shrinks_within_reason(window: Window) -> None:
    from sdrcheck_gui.qt import QtWidgets

    before = QtWidgets.QApplication.font()
    try:
        for _ in range(40):
            window.scale_font(1.1)
        assert QtWidgets.QApplication.font().pointSizeF() <= 36
    finally:
        QtWidgets.QApplication.setFont(before)


def test_closing_in_mid_run_ends_the_engine(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.open(str(CALL), Tuning(speed=0.05), Settings())
    qtbot.wait(200)
    feed = window.session.feed  # type: ignore[union-attr]
    window.close()
    assert not feed.running
