"""The hands-free run on the whole screen: what to do next in letters that can be read three metres away, and tones."""

from __future__ import annotations

import logging
import math
import queue
import threading
from collections.abc import Iterator, Sequence
from typing import Any

from sdrcheck.bench import SourceFault, TransmissionEnded, TransmissionStarted
from sdrcheck.channels.plan import frequency_text
from sdrcheck.sources.source import SourceFacts
from sdrcheck.visits.checks.check import Check
from sdrcheck.visits.hands_free import Announcement, HandsFree, Sound
from sdrcheck.watching.tones import tone_of
from sdrcheck_gui.listening import Speaker
from sdrcheck_gui.look import Look
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

LEAST_CAPITAL_MM = 3_000 * math.tan(math.radians(10 / 60))
"""Height of a capital letter seen from 3 m under 10 minutes of arc: twice what a normal eye just reads (practice)."""
log = logging.getLogger(__name__)
_SIGNS = {Sound.HEARD: "✓ ", Sound.WRONG: "✕ ", Sound.FINISHED: "■ "}


class Run:
    """The run's state machine in a thread of its own: events go in, announcements come out. No Qt."""

    def __init__(self, checks: Sequence[Check]) -> None:
        self.checks = tuple(checks)
        self.state = HandsFree(checks)
        self._events: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._said: queue.SimpleQueue[Announcement] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="hands-free", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def take(self, event: object) -> None:
        """Hand an event of the engine on, if it matters to a run."""
        if isinstance(event, (TransmissionEnded, SourceFault)):
            self._events.put(event)

    def stop(self) -> None:
        """No more events come; the run says how far it got."""
        self._events.put(None)

    def announcements(self) -> list[Announcement]:
        """What was said since the last time."""
        said = []
        while not self._said.empty():
            said.append(self._said.get_nowait())
        return said

    def _run(self) -> None:
        try:
            for announcement in self.state.run(self._arriving()):
                self._said.put(announcement)
        except Exception as problem:  # a bug of ours must reach the user, three metres away
            log.exception("the hands-free run broke off")
            sentence = f"internal error, please report it: {type(problem).__name__}: {problem}"
            self._said.put(Announcement(sentence, "The run broke off. What was filed stays filed.", Sound.FINISHED))

    def _arriving(self) -> Iterator[Any]:
        while (event := self._events.get()) is not None:
            yield event


def out_of_reach(checks: Sequence[Check], facts: SourceFacts) -> list[str]:
    """What the run would ask for that this source cannot hear, in words."""
    half = facts.sample_rate_hz / 2
    low = facts.centre_hz if facts.audio else facts.centre_hz - half
    return [
        f"{check.title} ({frequency_text(check.keying.frequency_hz)})"
        for check in checks
        if check.keying is not None and not low < check.keying.frequency_hz < facts.centre_hz + half
    ]


class LargeText(QtWidgets.QWidget):
    """A sentence as large as its place allows."""

    def __init__(self, share_of_height: float = 1.0) -> None:
        super().__init__()
        self._text, self._colour = "", QtGui.QColor()
        self._share = share_of_height
        self.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Ignored)

    def say(self, text: str, colour: QtGui.QColor) -> None:
        """Show a sentence in a colour."""
        self._text, self._colour = text, colour
        self.setAccessibleName(text)
        self.update()

    @property
    def text(self) -> str:
        return self._text

    def fitting(self) -> QtGui.QFont:
        """The largest font in which the sentence fits."""
        font = QtGui.QFont(self.font())
        font.setBold(True)
        low, high = 8, max(int(self.height() * self._share), 9)
        room = self.rect().adjusted(12, 4, -12, -4)
        while low < high:
            middle = (low + high + 1) // 2
            font.setPixelSize(middle)
            needed = QtGui.QFontMetrics(font).boundingRect(room, self._flags(), self._text)
            low, high = (middle, high) if room.contains(needed) else (low, middle - 1)
        font.setPixelSize(low)
        return font

    @staticmethod
    def _flags() -> int:
        return int(QtCore.Qt.AlignmentFlag.AlignCenter) | int(QtCore.Qt.TextFlag.TextWordWrap)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        painter = QtGui.QPainter(self)
        painter.setPen(self._colour)
        painter.setFont(self.fitting())
        painter.drawText(self.rect().adjusted(12, 4, -12, -4), self._flags(), self._text)


class HandsFreeScreen(QtWidgets.QWidget):
    """The run as it is seen and heard; what it recognises leaves it as a signal, to be filed."""

    filed = QtCore.Signal(object, object)
    """The check and the transmission that now belongs to it."""
    left = QtCore.Signal()

    def __init__(self, checks: Sequence[Check], look: Look, speaker: Speaker) -> None:
        super().__init__(None, QtCore.Qt.WindowType.Window)
        self.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Hands-free run")
        self._look, self._speaker = look, speaker
        self.run = Run(checks)
        self.begun = self.finished = False
        self.said: list[Announcement] = []
        self.not_filed: list[str] = []
        """Why keyings that were recognised could not be filed; it stays on the screen."""
        self.channel, self.ask, self.last = LargeText(), LargeText(0.6), LargeText(0.5)
        self.channel.setAccessibleName("channel")
        self.top, self.foot = QtWidgets.QLabel(), QtWidgets.QLabel("Esc leaves the run; what was filed stays filed.")
        for label in (self.top, self.foot):
            label.setAlignment(QtCore.Qt.AlignmentFlag.AlignCenter)
            label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
            label.setWordWrap(True)
        large = self.top.font()
        large.setPointSizeF(large.pointSizeF() * 2.2)
        self.top.setFont(large)
        column = QtWidgets.QVBoxLayout(self)
        column.addWidget(self.top)
        column.addWidget(self.channel, 3)
        column.addWidget(self.ask, 6)
        column.addWidget(self.last, 2)
        column.addWidget(self.foot)
        self.setStyleSheet(f"background: {look.paper}; color: {look.ink};")
        self.resize(1024, 700)
        cautions = dict.fromkeys(caution for check in checks for caution in check.cautions)
        self._before(list(cautions), len(checks))
        speaker.open()

    def _before(self, cautions: list[str], count: int) -> None:
        self.top.setText("\n".join(f"⚠ {caution}" for caution in cautions))
        self.channel.say("", self._ink())
        self.ask.say(f"{count} keyings. Press Enter to begin.", self._ink())
        self.last.say("", self._ink())

    def _ink(self) -> QtGui.QColor:
        return QtGui.QColor(self._look.ink)

    def begin(self) -> None:
        """Begin to ask."""
        if not self.begun:
            self.begun = True
            self.run.start()

    def take(self, event: object) -> None:
        """Look at an event of the engine."""
        if self.begun and not self.finished:
            if isinstance(event, TransmissionStarted):
                place = event.channel.name if event.channel else frequency_text(event.frequency_hz)
                self._show_count(f", keyed now: {place}")
            elif isinstance(event, TransmissionEnded):
                self._show_count()
            self.run.take(event)

    def _show_count(self, more: str = "") -> None:
        done = len(self.run.state.filed) - len(self.not_filed)
        text = f"{done} of {len(self.run.checks)} filed{more}"
        if self.not_filed:
            text += f"\n{_SIGNS[Sound.WRONG]}{len(self.not_filed)} NOT filed: {self.not_filed[-1]}"
        self.top.setText(text)

    def tick(self) -> None:
        """Show and sound what the run says."""
        for one in self.run.announcements():
            self._announce(one)

    def _announce(self, one: Announcement) -> None:
        self.said.append(one)
        look = self._look
        self._show_count()
        if one.sound is Sound.NONE and one.check is not None and one.place is None and one.say == one.check.say:
            channel = one.check.keying.channel if one.check.keying else None
            self.channel.say(channel or "", self._ink())
            self.ask.say(one.say, self._ink())
        else:
            colours = {Sound.HEARD: "pass", Sound.WRONG: "fail"}
            self.last.say(
                _SIGNS.get(one.sound, "") + one.text.replace("\n", " "), look.verdict_ink(colours.get(one.sound))
            )
        if one.sound is Sound.FINISHED:
            self.finished = True
            self.channel.say("", self._ink())
            self.ask.say(one.say, self._ink())
        self._speaker.play(tone_of(one.sound))
        if self._speaker.problem:
            self.foot.setText(f"No tones: {self._speaker.problem}")
        if one.filed is not None and one.check is not None:
            self.filed.emit(one.check, one.filed)

    def show_not_filed(self, sentence: str) -> None:
        """Say that a keying could not be filed."""
        self.not_filed.append(sentence)
        self._show_count()
        self.last.say(f"{_SIGNS[Sound.WRONG]}NOT filed: {sentence}", self._look.verdict_ink("fail"))
        self._speaker.play(tone_of(Sound.WRONG))

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:
        if event.key() == QtCore.Qt.Key.Key_Escape:
            self.close()
        elif event.key() in (QtCore.Qt.Key.Key_Return, QtCore.Qt.Key.Key_Enter):
            self.begin()
        else:
            super().keyPressEvent(event)

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:
        self.run.stop()
        self.left.emit()
        super().closeEvent(event)
