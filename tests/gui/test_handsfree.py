"""The hands-free run on the screen, on a composed recording of one: asked, recognised, filed, heard, read from afar.

The recording is our own composition: it shows that composing, engine and run agree, not that sets behave so.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sdrcheck.cli.options import Judging
from sdrcheck.compositions import level, tone
from sdrcheck.errors import SourceError
from sdrcheck.recordings import sigmf
from sdrcheck.sources.source import SourceFacts, Tuning
from sdrcheck.visits import plan, results
from sdrcheck.visits.hands_free import Sound
from sdrcheck.watching.tones import tone_of
from sdrcheck_gui import look
from sdrcheck_gui.handsfree import LEAST_CAPITAL_MM, HandsFreeScreen, LargeText, out_of_reach
from sdrcheck_gui.listening import Speaker
from sdrcheck_gui.qt import QtCore, QtGui
from sdrcheck_gui.window import Window
from tests.cli.test_visit_run import CENTRE, RATE, VISIT, recording
from tests.gui.conftest import SilentLoudspeaker
from tests.visits import made

FINISHED = "Finished"
CHECKS = plan.make(made.visit(VISIT)).spoken("vhf-1")


@pytest.fixture(scope="module")
def run_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return recording(tmp_path_factory.mktemp("run"))


@pytest.fixture(scope="module")
def short_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first keying that is asked for, and no more."""
    carrier = level.Keying(tone.fm_tones((), 0.0, 2.6, RATE), 0.5, 156.800e6, -14.0)
    quiet = level.noise(round(3.6 * RATE), RATE, -105.0, np.random.default_rng(7))
    base = tmp_path_factory.mktemp("short") / "short"
    return sigmf.write(base, level.placed([carrier], quiet, RATE, CENTRE), "cu8", RATE, CENTRE)


def begun(window: Window, qtbot, path: Path, folder: Path, speed: float | None) -> HandsFreeScreen:  # type: ignore[no-untyped-def]
    window.open_visit(folder)
    qtbot.waitUntil(lambda: window.visit.case is not None, timeout=10_000)
    window.open(str(path), Tuning(speed=0.001), Judging())
    qtbot.waitUntil(lambda: window.session is not None and window.session.facts is not None, timeout=10_000)
    screen = window.begin_hands_free("vhf-1")
    assert screen is not None
    qtbot.keyClick(screen, QtCore.Qt.Key.Key_Return)
    assert window.session is not None
    window.open(str(path), Tuning(speed=speed), window.session.judging)
    return screen


def test_every_keying_of_a_run_is_recognised_and_filed(
    window: Window, qtbot, run_recording: Path, tmp_path: Path
) -> None:  # type: ignore[no-untyped-def]
    folder = made.folder_with_visit(tmp_path / "visit", VISIT)
    screen = begun(window, qtbot, run_recording, folder, None)
    assert screen.isFullScreen()
    qtbot.waitUntil(lambda: screen.finished and not window.jobs.running, timeout=60_000)
    asked = [one.say for one in screen.said if one.place is None and one.check is not None]
    assert asked[0] == CHECKS[0].say
    wrong = [one.text for one in screen.said if one.sound is Sound.WRONG]
    assert wrong[0].startswith("That was channel 15. Please switch to channel 16.")
    assert screen.ask.text.startswith(FINISHED)
    ledger = results.read(folder)
    tries = {entry.check: entry for entry in ledger.tries()}
    assert set(tries) == {check.id for check in CHECKS}
    assert {(entry.how, entry.tone_source) for entry in tries.values()} == {("hands-free", "acoustic")}
    for check in CHECKS:
        (filed,) = ledger.transmissions(tries[check.id])
        assert check.keying is not None
        assert filed.frequency_hz == pytest.approx(check.keying.frequency_hz, abs=1000)
        assert (folder / tries[check.id].recording).exists()
    loudspeaker = window.listening.speaker._opened
    assert isinstance(loudspeaker, SilentLoudspeaker)
    expected = sum(tone_of(one.sound).size for one in screen.said)
    assert loudspeaker.sound.size == expected
    qtbot.keyClick(screen, QtCore.Qt.Key.Key_Escape)
    assert window.hands is None


def test_leaving_early_keeps_what_was_filed(window: Window, qtbot, short_recording: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    folder = made.folder_with_visit(tmp_path / "visit", VISIT)
    screen = begun(window, qtbot, short_recording, folder, None)
    qtbot.waitUntil(lambda: any(one.filed for one in screen.said), timeout=60_000)
    qtbot.keyClick(screen, QtCore.Qt.Key.Key_Escape)
    assert window.hands is None
    qtbot.waitUntil(lambda: not window.jobs.running, timeout=60_000)
    assert results.read(folder).tries()


def test_a_keying_that_cannot_be_filed_is_said_large(
    window: Window, qtbot, short_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    def gone(*_: object) -> None:
        raise SourceError("nothing of that time is in the rolling memory any more")

    monkeypatch.setattr("sdrcheck_gui.visit_work.attach_keying", gone)
    folder = made.folder_with_visit(tmp_path / "visit", VISIT)
    screen = begun(window, qtbot, short_recording, folder, None)
    qtbot.waitUntil(lambda: screen.finished and not window.jobs.running, timeout=60_000)
    assert screen.top.text().startswith("0 of 7 filed\n✕ 1 NOT filed: nothing of that time is in the rolling memory")


def test_a_run_needs_visit_and_source_and_says_so(window: Window) -> None:
    window.ask_hands_free()
    assert "Open a visit first" in window.status.text()
    assert window.begin_hands_free("vhf-1") is None
    assert "needs an open visit and a source" in window.status.text()


def test_what_the_source_cannot_hear_is_named() -> None:
    near = SourceFacts("dongle", RATE, CENTRE, "cu8")
    assert out_of_reach(CHECKS, near) == []
    away = out_of_reach(CHECKS, SourceFacts("dongle", 250_000.0, 156.75e6, "cu8"))
    assert away == [f"{CHECKS[-1].title} (156.525 MHz)"]


@pytest.mark.parametrize(("size", "inches"), [((1366, 768), 14.0), ((1024, 600), 10.1)])
def test_everything_asked_can_be_read_three_metres_away(qtbot, size: tuple[int, int], inches: float) -> None:  # type: ignore[no-untyped-def]
    """On laptops of 14 and of 10 inches across."""
    px_a_millimetre = (size[0] ** 2 + size[1] ** 2) ** 0.5 / (inches * 25.4)
    screen = HandsFreeScreen(CHECKS, look.DARK, Speaker(SilentLoudspeaker))  # type: ignore[arg-type]
    qtbot.addWidget(screen)
    screen.resize(*size)
    screen.show()
    screen.top.setText("3 of 8 filed")
    qtbot.wait(20)
    for check in CHECKS:
        assert check.keying is not None
        for place, text in ((screen.ask, check.say), (screen.channel, check.keying.channel or "")):
            place.say(text, QtGui.QColor("white"))
            capital = QtGui.QFontMetricsF(place.fitting()).capHeight() / px_a_millimetre
            assert capital >= LEAST_CAPITAL_MM, text


def test_large_text_stays_inside_its_place(qtbot) -> None:  # type: ignore[no-untyped-def]
    words = LargeText()
    qtbot.addWidget(words)
    words.resize(300, 120)
    words.say("Channel one six, high power. Key five seconds, say nothing.", QtGui.QColor("black"))
    room = words.rect().adjusted(12, 4, -12, -4)
    needed = QtGui.QFontMetrics(words.fitting()).boundingRect(room, words._flags(), words.text)
    assert room.contains(needed)


def test_tones_are_told_apart() -> None:
    heard, wrong = tone_of(Sound.HEARD), tone_of(Sound.WRONG)
    assert abs(heard.size - wrong.size) > 4800
    assert np.max(np.abs(heard)) <= 1
    assert tone_of(Sound.NONE).size == 0


def test_a_run_that_breaks_off_says_so_and_asks_no_more(qtbot, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    def broken(*_: object) -> object:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr("sdrcheck.visits.hands_free.HandsFree.run", broken)
    screen = HandsFreeScreen(CHECKS, look.DARK, Speaker(SilentLoudspeaker))  # type: ignore[arg-type]
    qtbot.addWidget(screen)
    screen.begin()
    qtbot.waitUntil(lambda: bool(screen.tick() or screen.finished), timeout=5000)
    assert screen.ask.text.startswith("The run broke off.")
    assert "ZeroDivisionError: made up" in screen.last.text
