"""The window: one feed, one set of keyings, panels that draw; everything it can do the command line can do too."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from sdrcheck.bench import Settings, SourceFault
from sdrcheck.errors import SdrcheckError
from sdrcheck.sources.source import Tuning
from sdrcheck_gui import look as looks
from sdrcheck_gui.clock import Clock
from sdrcheck_gui.feed import EngineStopped, Session, SourceOpened
from sdrcheck_gui.keyings import Keying, Keyings
from sdrcheck_gui.panels.band import BandPanel
from sdrcheck_gui.panels.decode import DecodePanel
from sdrcheck_gui.panels.rulers import RulersPanel
from sdrcheck_gui.panels.start import StartPanel
from sdrcheck_gui.panels.tape import TapePanel
from sdrcheck_gui.panels.traces import TracesPanel
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets
from sdrcheck_gui.setup import remember, remembered

TICK_MS = 33
MEMORY_S = 120.0
LIVE_SPAN_S = 60.0


class Window(QtWidgets.QMainWindow):
    """The whole job on one screen."""

    def __init__(self, folder: Path, memory_s: float = MEMORY_S) -> None:
        super().__init__()
        self.folder, self._memory_s = folder, memory_s
        self.clock = Clock()
        self.keyings = Keyings(memory_s)
        self.session: Session | None = None
        self._number: int | None = None
        self._now = 0.0
        self._look = looks.current()
        self.setWindowTitle("sdrcheck")
        self.resize(1366, 768)

        self.status = QtWidgets.QLabel("No source yet.")
        self.status.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.status.setWordWrap(True)
        self.status.setAccessibleName("what the source is doing")
        self.band = BandPanel(self.clock, memory_s, self._look)
        self.tape = TapePanel(self.keyings, self.band, self._look)
        self.rulers = RulersPanel(self._look)
        self.decode = DecodePanel(self._look)
        self.traces = TracesPanel(self._look)
        self.start = StartPanel(self._look, remembered())
        self.panels = (self.band, self.tape, self.rulers, self.decode, self.traces)

        self.keep_button = self._button("Keep the last minutes", "Ctrl+K", "Write the rolling memory as a recording")
        self.mark_button = self._button("Mark", "M", "Keep the chosen keying on the tape, however old it grows")
        self.setup_button = self._button("Set up …", "Ctrl+E", "Source, attenuator chain and frequency reference")
        self.setup_button.clicked.connect(self.show_start)
        self.keep_button.clicked.connect(self.keep_last_minutes)
        self.mark_button.clicked.connect(self.mark_chosen)
        self._shortcut("P", self.band.peak_button.click)
        self._shortcut("End", self.band.follow_button.click)
        self._shortcut("Ctrl+Shift+C", self.rulers.copy)
        self._shortcut("Ctrl++", lambda: self.scale_font(1.1))
        self._shortcut("Ctrl+-", lambda: self.scale_font(1 / 1.1))
        self._shortcut("F6", self.tape.lanes.setFocus)

        top = QtWidgets.QHBoxLayout()
        top.setContentsMargins(6, 2, 6, 0)
        top.addWidget(self.status, 1)
        for button in (self.mark_button, self.keep_button, self.setup_button):
            top.addWidget(button)
        left = QtWidgets.QSplitter(QtCore.Qt.Orientation.Vertical)
        left.addWidget(self.band)
        left.addWidget(self.tape)
        left.setStretchFactor(0, 3)
        left.setStretchFactor(1, 1)
        left.setSizes([480, 180])
        self.pages = QtWidgets.QTabWidget()
        self.pages.addTab(self.decode, "Content")
        self.pages.addTab(self.traces, "Curves")
        right = QtWidgets.QSplitter(QtCore.Qt.Orientation.Vertical)
        right.addWidget(self.rulers)
        right.addWidget(self.pages)
        right.setSizes([380, 320])
        across = QtWidgets.QSplitter(QtCore.Qt.Orientation.Horizontal)
        across.addWidget(left)
        across.addWidget(right)
        across.setSizes([900, 466])
        across.setStretchFactor(0, 1)
        middle = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(middle)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addLayout(top)
        self.sheets = QtWidgets.QStackedWidget()
        self.sheets.addWidget(self.start)
        self.sheets.addWidget(across)
        column.addWidget(self.sheets, 1)
        self.setCentralWidget(middle)
        self._work = across

        self.start.started.connect(self._start)
        self.tape.lanes.chosen.connect(self.choose)
        self.band.plot.getViewBox().sigXRangeChanged.connect(lambda *_: self.tape.refresh(self._now))
        QtGui.QGuiApplication.styleHints().colorSchemeChanged.connect(lambda _: self.dress())
        self._timer = QtCore.QTimer(self)
        self._timer.timeout.connect(self.tick)
        self._timer.start(TICK_MS)

    def _button(self, words: str, key: str, does: str) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(words)
        button.setToolTip(f"{does} ({key})")
        self._shortcut(key, button.click)
        return button

    def _shortcut(self, key: str, action: Callable[[], object]) -> None:
        shortcut = QtGui.QShortcut(QtGui.QKeySequence(key), self)
        shortcut.activated.connect(lambda: action())

    # the source

    def show_start(self) -> None:
        """Go to the start page; what runs goes on."""
        self.sheets.setCurrentWidget(self.start)

    def _start(self, word: str, tuning: Tuning, settings: Settings) -> None:
        self.open(word, tuning, settings)

    def open(self, word: str, tuning: Tuning, settings: Settings) -> None:
        """Start the engine on a source, in place of the one before."""
        self.stop()
        self.keyings = Keyings(self._memory_s)
        self.band.clear()
        self.tape.follow(self.keyings)
        self._now, self._number = 0.0, None
        self._show_chosen()
        self.say(f"Opening {word} …")
        self.sheets.setCurrentWidget(self._work)
        self.session = Session(word, tuning, settings, self._memory_s)
        self.session.feed.start()

    def stop(self) -> None:
        """End the engine, in any state."""
        if self.session is not None:
            self.session.feed.stop()
            self.session = None

    def say(self, sentence: str, *, warning: bool = False) -> None:
        """Put one sentence where the user looks for news."""
        self.status.setText(("⚠ " if warning else "") + sentence)

    # events

    def tick(self) -> None:
        """Draw what is new. Frames may have been skipped, results never."""
        if self.session is None:
            return
        frames = self.session.feed.frames()
        results = self.session.feed.results()
        if frames:
            self._now = frames[-1].start_s + frames[-1].duration_s
            self.band.show_frames(frames)
        for event in results:
            self._take(event)
        if frames or results:
            self.keyings.forget_before(self._now)
            self.tape.refresh(self._now)

    def _take(self, event: object) -> None:
        if isinstance(event, SourceOpened):
            self.clock.starts(event.facts.start_utc)
            count, rate = event.facts.sample_count, event.facts.sample_rate_hz
            self.band.show_span(LIVE_SPAN_S if count is None else count / rate)
            remember(self.start.setup)
            self.say(f"{event.facts.name}: {event.facts.sample_rate_hz / 1e3:.6g} kS/s. Nothing is transmitted.")
        elif isinstance(event, SourceFault):
            self.say(event.sentence, warning=True)
        elif isinstance(event, EngineStopped):
            self.keyings.drop_unfinished()
            self.say(event.sentence or "The source has ended.", warning=bool(event.sentence))
        self.band.show_event(event)
        changed = self.keyings.show_event(event)
        if changed is not None:
            if self._number is None and changed.transmission is not None:
                self.choose(changed.number)
            elif changed.number == self._number:
                self._show_chosen()

    # choosing

    @property
    def chosen(self) -> Keying | None:
        return self.keyings.get(self._number)

    def choose(self, number: int | None) -> None:
        """Choose a keying everywhere."""
        self._number = number
        self._show_chosen()

    def _show_chosen(self) -> None:
        keying = self.chosen
        self.mark_button.setEnabled(keying is not None)
        self.mark_button.setText("Unmark" if keying is not None and keying.marked else "Mark")
        for panel in self.panels:
            panel.show_chosen(keying)
        if keying is not None and not self.band.following:
            self.band.bring_into_view(keying)

    def mark_chosen(self) -> None:
        keying = self.chosen
        if keying is not None:
            keying.marked = not keying.marked
            self._show_chosen()
            self.tape.refresh(self._now)

    def keep_last_minutes(self) -> Path | None:
        """Write the rolling memory as a recording, and say where."""
        name = f"kept-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
        try:
            if self.session is None:
                self.say("Nothing to keep yet; start a source first.", warning=True)
                return None
            self.folder.mkdir(parents=True, exist_ok=True)
            written = self.session.keep(self.folder / name)
        except (SdrcheckError, OSError) as problem:
            self.say(f"Not kept: {problem}", warning=True)
            return None
        first, last = self.session.memory_span_s
        self.say(f"Kept the last {last - first:.0f} s: {written}")
        return written

    # manners

    def scale_font(self, factor: float) -> None:
        """Make all text larger or smaller."""
        font = QtWidgets.QApplication.font()
        font.setPointSizeF(min(max(font.pointSizeF() * factor, 6.0), 36.0))
        QtWidgets.QApplication.setFont(font)

    def dress(self) -> None:
        """Take on the look that the system now asks for."""
        self._look = looks.current()
        self.band.dress(self._look)
        self.tape.lanes.dress(self._look)
        for panel in (self.rulers, self.decode, self.traces, self.start):
            panel.dress(self._look)

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:
        self._timer.stop()
        self.stop()
        super().closeEvent(event)
