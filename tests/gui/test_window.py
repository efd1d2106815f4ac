"""The whole flow on a capture: start, watch a call arrive, read, mark and keep it; and every bad moment."""

from __future__ import annotations

import gc
import os
import shutil
import subprocess
import sys
import threading
import weakref
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.bench import CharactersArrived, SourceFault, TransmissionStarted
from sdrcheck.cli.options import Judging
from sdrcheck.compositions import level
from sdrcheck.errors import SourceError
from sdrcheck.recordings.recording import open_recording
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.source import IqSource, Tuning
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching.serve import Server
from sdrcheck_gui import keeping
from sdrcheck_gui import look as looks
from sdrcheck_gui.jobs import Job
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.keys import KEYS, KeysPage
from sdrcheck_gui.qt import QtCore, QtWidgets
from sdrcheck_gui.setup import Setup
from sdrcheck_gui.window import Window
from tests.conftest import REPOSITORY

CALL = REPOSITORY / "captures" / "test-call.sigmf-meta"
TWO = REPOSITORY / "captures" / "two-channels.sigmf-meta"


def play(window: Window, qtbot, path: Path, speed: float | None = None) -> None:  # type: ignore[no-untyped-def]
    window.open(str(path), Tuning(speed=speed), Judging())
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
    window.open(str(CALL), Tuning(speed=None), Judging())
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
        assert window.start.known.font().pointSizeF() > 20
    finally:
        QtWidgets.QApplication.setFont(before)


def test_closing_in_mid_run_ends_the_engine(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.open(str(CALL), Tuning(speed=0.05), Judging())
    qtbot.wait(200)
    feed = window.session.feed  # type: ignore[union-attr]
    window.close()
    window.wait()
    assert not feed.running


def test_a_source_that_is_still_being_opened_is_left_and_the_next_one_waits_for_it(
    window: Window, qtbot, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    answers, held = threading.Event(), threading.Event()

    def one_at_a_time(word: str, tuning: Tuning) -> IqSource:
        if held.is_set():
            raise SourceError(f"{word} is held by another program")
        held.set()
        answers.wait(20)
        source = open_source(str(CALL), Tuning(speed=None))
        let_go = source.close

        def close() -> None:
            held.clear()
            let_go()

        source.close = close  # type: ignore[method-assign]
        return source

    monkeypatch.setattr("sdrcheck_gui.feed.open_source", one_at_a_time)
    window.open("dongle", Tuning(), Judging())
    qtbot.waitUntil(held.is_set, timeout=5000)
    first = window.session
    window.open("dongle", Tuning(), Judging())
    assert first is not None
    assert first.feed.running, "nobody waits for it"
    assert "as soon as" in window.status.text()
    answers.set()
    qtbot.waitUntil(lambda: "ended" in window.status.text() or "⚠" in window.status.text(), timeout=20_000)
    assert len(window.keyings) == 1
    assert "held" not in window.status.text()


def test_less_is_remembered_where_less_fits_and_that_is_said(window: Window, qtbot, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr("sdrcheck_gui.feed.fitting_memory_s", lambda facts, seconds: 15.0)
    window.open(str(CALL), Tuning(speed=0.05), Judging())
    qtbot.waitUntil(lambda: "Only the last 15 s are remembered" in window.status.text(), timeout=5000)
    assert window.session is not None
    assert window.session.memory_s == 15.0


def test_a_marked_keying_that_does_not_end_is_kept_no_longer_than_a_watch_keeps_it(
    window: Window, qtbot, monkeypatch
) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr(keeping, "LONGEST_S", 0.2)
    monkeypatch.setattr(keeping, "BEFORE_S", 0.0)
    live = marked_on_the_air(window, qtbot, monkeypatch)
    qtbot.waitUntil(lambda: "Only the first 0.2 s" in window.status.text(), timeout=20_000)
    assert live.keeping is not None
    kept = open_recording(live.keeping.path)
    assert kept.sample_count / kept.sample_rate_hz == pytest.approx(0.2, abs=0.001)


def test_a_marked_keying_leaves_the_disk_some_room(window: Window, qtbot, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    live = marked_on_the_air(window, qtbot, monkeypatch)
    qtbot.waitUntil(lambda: window.status.text().startswith("Marked and kept"), timeout=5000)
    monkeypatch.setattr(keeping, "no_room", lambda folder: "only 7 MB are free in kept; free some space")
    qtbot.waitUntil(lambda: "was cut: only 7 MB are free" in window.status.text(), timeout=5000)
    assert (live.marked, live.keeping, live.transmission) == (True, None, None)
    for _ in range(2):
        window.mark_chosen()
    qtbot.waitUntil(lambda: "Marked, but not kept: only 7 MB are free" in window.status.text(), timeout=5000)


def marked_on_the_air(window: Window, qtbot, monkeypatch) -> Keying:  # type: ignore[no-untyped-def]
    """A carrier on channel 16 that stays for a minute, marked while it is on the air."""
    rate = 100_000.0
    keyed = level.Keying(np.full(round(60 * rate), 1, np.complex64), 0.5, 156.8e6, -20.0)
    samples = level.placed(
        [keyed], level.noise(round(61 * rate), rate, -100.0, np.random.default_rng(3)), rate, 156.79e6
    )
    monkeypatch.setattr("sdrcheck_gui.feed.open_source", lambda *_: Synthetic(samples, rate, 156.79e6, speed=2.0))
    window.open("invented", Tuning(), Judging())
    qtbot.waitUntil(lambda: any(keying.transmission is None for keying in window.keyings), timeout=20_000)
    live = next(keying for keying in window.keyings if keying.transmission is None)
    window.choose(live.number)
    window.mark_chosen()
    return live


def test_a_loss_that_comes_out_late_takes_the_shown_verdicts_back(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    play(window, qtbot, CALL)
    (keying,) = window.keyings
    assert keying.end_s is not None
    assert any(ruler.reading.verdict for ruler in window.rulers.rulers())
    window._take(SourceFault(keying.end_s + 0.1, "5000 samples are missing", lost_samples=5000, within_s=2.0))
    assert not any(ruler.reading.verdict for ruler in window.rulers.rulers())
    assert "nothing of it is judged" in window.decode.words.toPlainText()


# -- manners ----------------------------------------------------------------------------------------------------------


def test_a_source_that_vanishes_is_said_and_can_be_started_again(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    server = Server(open_recording(TWO), port=0)
    serving = threading.Thread(target=server.run, daemon=True)
    serving.start()
    try:
        wanted = Tuning(centre_hz=156.6e6, sample_rate_hz=1_024_000.0)
        window.open(f"net:127.0.0.1:{server.port}", wanted, Judging())
        qtbot.waitUntil(lambda: window.band._latest is not None, timeout=20_000)
        assert not window.again_button.isVisible()
        server.hang_up()
        qtbot.waitUntil(lambda: window.again_button.isVisible(), timeout=30_000)
        assert "⚠" in window.status.text()
        assert "closed the connection" in window.status.text()
        window.keep_last_minutes()
        qtbot.waitUntil(lambda: window.status.text().startswith("Kept the last"), timeout=10_000)
        window.again_button.click()
        qtbot.waitUntil(lambda: window.band._latest is not None, timeout=20_000)
        assert not window.again_button.isVisible()
    finally:
        server.close()
        serving.join(5)


def test_no_server_is_said_and_offered_again(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.open("net:127.0.0.1:9", Tuning(centre_hz=156.6e6), Judging())
    qtbot.waitUntil(lambda: window.again_button.isVisible(), timeout=30_000)
    assert "cannot be reached" in window.status.text()


def test_without_a_sound_device_the_rest_goes_on(qtbot, tmp_path: Path, plainly_ready: None) -> None:  # type: ignore[no-untyped-def]
    def none(device: str | None, level: float) -> object:
        raise SourceError("there is no sound on this computer; plug in a sound card")

    window = Window(tmp_path, opener=none)  # type: ignore[arg-type]
    qtbot.addWidget(window)
    window.show()
    window.listen.on.click()
    qtbot.waitUntil(lambda: "no sound on this computer" in window.status.text(), timeout=5000)
    play(window, qtbot, CALL)
    assert len(window.keyings) == 1
    window.close()


def test_every_key_that_is_listed_is_bound_and_the_other_way_round(window: Window) -> None:
    assert set(window._shortcuts) == set(KEYS)
    sequences = [shortcut.key().toString() for shortcut in window._shortcuts.values()]
    assert len(sequences) == len(set(sequences))
    window.show_keys()
    page = window.findChild(KeysPage)
    assert page is not None
    words = {page.table.item(row, 1).text() for row in range(page.table.rowCount())}
    assert set(KEYS.values()) <= words
    page.close()


def test_the_band_is_moved_and_zoomed_by_keys(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    play(window, qtbot, TWO)
    control = QtCore.Qt.KeyboardModifier.ControlModifier
    low, high = window.band.plot.viewRange()[0]
    qtbot.keyClick(window, QtCore.Qt.Key.Key_Up, control)
    assert window.band.plot.viewRange()[0][1] - window.band.plot.viewRange()[0][0] == pytest.approx(0.7 * (high - low))
    qtbot.keyClick(window, QtCore.Qt.Key.Key_Left, control)
    assert not window.band.following
    bottom, top = window.band.plot.viewRange()[1]
    qtbot.keyClick(window, QtCore.Qt.Key.Key_Up, control | QtCore.Qt.KeyboardModifier.ShiftModifier)
    assert window.band.plot.viewRange()[1][1] - window.band.plot.viewRange()[1][0] == pytest.approx(
        0.7 * (top - bottom)
    )
    qtbot.keyClick(window, QtCore.Qt.Key.Key_Home)
    assert window.band.following
    assert window.band.plot.viewRange()[1] == pytest.approx([bottom, top])


def test_words_can_be_typed_where_single_letters_are_keys(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.start.power.clear()
    window.start.power.setFocus()
    for letter in "MPL":
        qtbot.keyClick(window.start.power, letter)
    assert window.start.power.text() == "MPL"
    assert not window.listen.on.isChecked()


def test_everything_that_can_be_worked_has_a_name_or_words(window: Window) -> None:
    kinds = (QtWidgets.QLineEdit, QtWidgets.QComboBox, QtWidgets.QAbstractSpinBox, QtWidgets.QAbstractSlider,
             QtWidgets.QTreeWidget, QtWidgets.QPlainTextEdit, QtWidgets.QProgressBar)  # fmt: skip
    inner = (QtWidgets.QScrollBar,)
    nameless = [
        widget
        for kind in kinds
        for widget in window.findChildren(kind)
        if not isinstance(widget, inner)
        and not widget.objectName().startswith("qt_")
        and not (widget.accessibleName() or widget.toolTip() or widget.property("buddied"))
        and not isinstance(widget.parent(), (QtWidgets.QComboBox, QtWidgets.QAbstractSpinBox))
        and not any(label.buddy() is widget for label in window.findChildren(QtWidgets.QLabel))
    ]
    assert nameless == []


def test_words_of_the_other_direction_turn_no_page(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    """Hebrew letters, as a national alphabet might bring them, and marks that would turn a line round: all spelled."""
    text = "ZCZC LA12\nאזהרה GALE 8 \u202e87 \u2067x\nNNNN"
    window.keyings.show_event(TransmissionStarted(1, 0.0, 518e3, None))
    window.keyings.show_event(CharactersArrived(1, 1.0, None, text))
    window.choose(1)
    shown = window.decode.words.toPlainText()
    assert "U+05D0U+05D6U+05D4U+05E8U+05D4 GALE 8 U+202E87 U+2067x" in shown
    option = window.decode.words.document().defaultTextOption()
    assert option.textDirection() == QtCore.Qt.LayoutDirection.LeftToRight
    assert not window.grab().isNull()


def test_a_small_screen_is_enough(window: Window) -> None:
    """1366×768 at 200 % leaves 683×384."""
    assert window.minimumSizeHint().width() <= 683
    assert window.minimumSizeHint().height() <= 384


def test_at_200_per_cent_everything_is_drawn(tmp_path: Path) -> None:
    """In a process of its own: Qt takes the factor at its start."""
    script = (
        "from pathlib import Path; import sys\n"
        "from sdrcheck_gui.application import application\n"
        "qt = application()\n"
        "from sdrcheck_gui.window import Window\n"
        "window = Window(Path(sys.argv[1])); window._looked_ready = True\n"
        "window.resize(683, 384); window.show(); qt.processEvents()\n"
        "picture = window.grab(); window.close()\n"
        "sys.exit(0 if (picture.width(), picture.height()) == (1366, 768) else 1)\n"
    )
    environment = os.environ | {"QT_SCALE_FACTOR": "2", "QT_QPA_PLATFORM": "offscreen"}
    ran = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], env=environment, capture_output=True, check=False
    )
    assert ran.returncode == 0, ran.stderr.decode()


def test_light_and_dark_follow_the_system(window: Window, qtbot, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    play(window, qtbot, CALL)
    for scheme in (looks.DARK, looks.LIGHT):
        monkeypatch.setattr(looks, "current", lambda scheme=scheme: scheme)
        window.dress()
        assert window.band._graphics.backgroundBrush().color().name() == scheme.paper.lower()
        assert not window.grab().isNull()


def test_it_turns_dark_and_light_again_by_a_key(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    before = QtWidgets.QApplication.palette()
    try:
        for dark in (True, False):
            qtbot.keyClick(window, QtCore.Qt.Key.Key_D, QtCore.Qt.KeyboardModifier.ControlModifier)
            assert looks.current().dark is dark
            qtbot.wait(30)
            assert (window.grab().toImage().pixelColor(5, 400).lightness() < 128) is dark
    finally:
        QtWidgets.QApplication.setPalette(before)


def test_the_last_set_up_that_worked_comes_back(window: Window, qtbot, tmp_path: Path, plainly_ready: None) -> None:  # type: ignore[no-untyped-def]
    window.start.source.setCurrentText(str(CALL))
    window.start.power.setText("")
    window.start.reference.setText("+0.4±0.3")
    window.start.start.click()
    qtbot.waitUntil(lambda: "kS/s" in window.status.text() or "ended" in window.status.text(), timeout=10_000)
    other = Window(tmp_path)
    qtbot.addWidget(other)
    assert other.start.source.currentText() == str(CALL)
    assert other.start.reference.text() == "+0.4±0.3"
    assert other.start.known.text().startswith("+0.40 ± 0.30 ppm")


def test_what_is_ready_comes_by_itself_with_remedies(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    qtbot.waitUntil(lambda: "decoders" in window.start.ready.toPlainText(), timeout=5000)
    text = window.start.ready.toPlainText()
    assert "✕ dongle: none answers on USB.\n   To do: plug one in." in text
    qtbot.waitUntil(lambda: window.listen.device.findText("cabin loudspeaker") > 0, timeout=5000)
    window.start.ready.clear()
    window.start.look_again.click()
    qtbot.waitUntil(lambda: window.start.ready.toPlainText() == text, timeout=5000)


def test_closing_in_the_middle_of_everything_ends_everything(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.open(str(TWO), Tuning(speed=0.05), Judging())
    qtbot.waitUntil(lambda: window.session is not None and window.session.memory_span_s[1] > 0, timeout=10_000)
    window.listen.on.click()
    job = window.jobs.start("Waiting", lambda job: job.wait_until(lambda: False, 60, "waiting"), print, print)
    window.close()
    assert job.stopping
    assert window.session is None
    assert not window.listening.speaker.ready


def test_a_mark_set_while_keyed_keeps_the_whole_keying(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.open(str(TWO), Tuning(speed=0.3), Judging())
    qtbot.waitUntil(lambda: any(keying.transmission is None for keying in window.keyings), timeout=20_000)
    live = next(keying for keying in window.keyings if keying.transmission is None)
    window.choose(live.number)
    window.mark_chosen()
    qtbot.waitUntil(lambda: live.kept is not None and live.end_s is not None, timeout=20_000)
    assert live.kept is not None
    assert live.end_s is not None
    kept = open_recording(live.kept.path)
    assert kept.sample_count / kept.sample_rate_hz >= live.end_s - live.start_s


def test_long_actions_show_how_far_they_are_and_can_be_stopped(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    said: list[str] = []
    window.jobs.start("Waiting", lambda job: job.wait_until(lambda: False, 60, "for a bus"), print, said.append)
    qtbot.waitUntil(lambda: window.doing.isVisible(), timeout=5000)
    (line,) = window.doing.lines.values()
    assert "for a bus" in line._words.text()
    line.stop.click()
    qtbot.waitUntil(lambda: not window.doing.isVisible(), timeout=5000)
    assert said == ["Waiting: stopped."]


def test_what_belongs_to_qt_is_never_collected_in_another_thread(qtbot, tmp_path: Path, plainly_ready: None) -> None:  # type: ignore[no-untyped-def]
    where: list[threading.Thread] = []

    class Knot:
        """Garbage that only the collector finds."""

        def __init__(self) -> None:
            self.itself = self

        def __del__(self) -> None:
            where.append(threading.current_thread())

    def tie(job: Job) -> None:
        for _ in range(5000):
            Knot()

    window = Window(tmp_path)
    qtbot.addWidget(window)
    window.show()
    window.jobs.start("Tying", tie, print, print)
    qtbot.waitUntil(lambda: len(where) == 5000, timeout=10_000)
    assert set(where) == {threading.current_thread()}
    window.close()
    assert gc.isenabled()


def test_another_source_lets_the_memory_of_the_one_before_go(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    play(window, qtbot, CALL)
    assert window.session is not None
    before = weakref.ref(window.session)
    play(window, qtbot, TWO)
    assert before() is None


def test_what_is_declared_on_the_start_page_judges_as_on_the_command_line(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    page = window.start
    page.fill(
        Setup(
            source=str(CALL),
            chain="40dB/100W,30dB/2W",
            reference="+0.4±0.3",
            tone_source="acoustic",
            power_setting="low",
            sound_level="94",
        )
    )
    page.start.click()
    assert window.session is not None
    judging = window.session.judging
    assert (judging.tone_source, judging.power_setting, judging.sound_level) == ("acoustic", "low", "94")
    assert judging.chain is not None
    qtbot.waitUntil(lambda: "Levels stay relative" in window.status.text(), timeout=5000)
    assert "reference +0.40 ± 0.30 ppm (typed on the start page)" in window.status.text()


def test_a_tone_fed_in_electrically_has_no_sound_level(window: Window) -> None:
    window.start.fill(Setup(source=str(CALL), tone_source="electrical", sound_level="94"))
    window.start.start.click()
    assert window.session is None
    assert "electrically" in window.start.problem.text()


def test_samples_that_are_not_those_sealed_are_told_of(window: Window, qtbot, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    altered = tmp_path / CALL.name
    shutil.copy(CALL, altered)
    data = bytearray(CALL.with_suffix(".sigmf-data").read_bytes())
    data[1000] ^= 1
    altered.with_suffix(".sigmf-data").write_bytes(data)
    play(window, qtbot, altered)
    assert "not those that were sealed" in window.status.text()
    assert window.status.text().startswith("⚠")


def test_an_unknown_reference_is_said_in_few_words(window: Window, qtbot) -> None:  # type: ignore[no-untyped-def]
    window.open(str(CALL), Tuning(speed=0.05), Judging())
    qtbot.waitUntil(lambda: "no frequency reference" in window.status.text(), timeout=5000)
    assert len(window.status.text()) < 200
