"""The window: one feed, one set of keyings, panels that draw; everything it can do the command line can do too."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sdrcheck.bench import Finished, SourceFault
from sdrcheck.cli.options import Judging
from sdrcheck.cli.ready import Finding, findings
from sdrcheck.findings.inspection import Transmission
from sdrcheck.sources.source import Tuning
from sdrcheck.visits import gates
from sdrcheck.visits.checks.check import Check
from sdrcheck.watching.loudspeaker import Loudspeaker, output_names
from sdrcheck_gui import keeping, sweeping, visit_work
from sdrcheck_gui import look as looks
from sdrcheck_gui.clock import Clock
from sdrcheck_gui.feed import EngineStopped, Feed, Session, SourceOpened
from sdrcheck_gui.handsfree import HandsFreeScreen, out_of_reach
from sdrcheck_gui.jobs import Job, Jobs
from sdrcheck_gui.keyings import Keying, Keyings
from sdrcheck_gui.keys import KEYS, KeysPage
from sdrcheck_gui.listening import Listening, Opener, Speaker
from sdrcheck_gui.panels.band import BandPanel
from sdrcheck_gui.panels.decode import DecodePanel
from sdrcheck_gui.panels.doing import DoingStrip
from sdrcheck_gui.panels.listen import ListenStrip
from sdrcheck_gui.panels.rulers import RulersPanel
from sdrcheck_gui.panels.sideways import Sideways
from sdrcheck_gui.panels.start import StartPanel
from sdrcheck_gui.panels.tape import TapePanel
from sdrcheck_gui.panels.text import Words
from sdrcheck_gui.panels.traces import TracesPanel
from sdrcheck_gui.panels.visit import VisitPanel
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets
from sdrcheck_gui.setup import Setup, remember, remembered

TICK_MS = 33
MEMORY_S = 120.0
LIVE_SPAN_S = 60.0
_AFTER_THE_PICTURE_MS = 300
_LARGE = 1.4
"""From so many times the usual size of text on, sentences stand above the buttons, not beside them."""
_SLOW_TICKS = 6
"""What need not follow every frame is drawn once in so many."""


class Window(QtWidgets.QMainWindow):
    """The whole job on one screen."""

    def __init__(self, folder: Path, memory_s: float = MEMORY_S, opener: Opener = Loudspeaker) -> None:
        super().__init__()
        sweeping.begin()
        self.folder, self._memory_s = folder, memory_s
        self.clock = Clock()
        self.keyings = Keyings(memory_s)
        self.jobs = Jobs()
        self.listening = Listening(Speaker(opener))
        self.session: Session | None = None
        self._ending: list[Feed] = []
        """Engines that were asked to end and have not yet; the next one begins when they have let go."""
        self._waits_to_start = False
        self.hands: HandsFreeScreen | None = None
        self._number: int | None = None
        self._now = 0.0
        self._ticks = 0
        self._lost_source = False
        self._finished: Finished | None = None
        self._looked_ready = False
        self._setup: Setup | None = None
        self._shortcuts: dict[str, QtGui.QShortcut] = {}
        self._usual_points = QtWidgets.QApplication.font().pointSizeF()
        self._look = looks.current()
        self.setWindowTitle("sdrcheck")
        self.resize(1366, 768)

        self.status = QtWidgets.QLabel("No source yet.")
        self.status.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.status.setWordWrap(True)
        self.status.setAccessibleName("what the source is doing")
        self.status.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self.doing = DoingStrip(self.jobs)
        self.band = BandPanel(self.clock, memory_s, self._look)
        self.tape = TapePanel(self.keyings, self.band, self._look)
        self.listen = ListenStrip(self.listening)
        self.rulers = RulersPanel(self._look)
        self.decode = DecodePanel(self._look, lambda: self.visit.own_identities)
        self.traces = TracesPanel(self._look)
        self.visit = VisitPanel(self._look, self.jobs, self.say, lambda: self.session)
        self.start = StartPanel(self._look, remembered())
        self.panels = (self.band, self.tape, self.rulers, self.decode, self.traces, self.listen, self.visit)

        self.again_button = self._button("Start again", "Ctrl+R", self.start_again)
        self.again_button.hide()
        self.mark_button = self._button("Mark", "M", self.mark_chosen)
        self.keep_button = self._button("Keep the last minutes", "F3", self.keep_last_minutes)
        self.setup_button = self._button("Set up …", "F2", self.show_start)
        self.keys_button = self._button("Keys", "F1", self.show_keys)
        self._lay_out()
        self._bind()
        self._show_sheet(self.start)

        self.start.started.connect(self._start)
        self.start.shown.connect(self._look_once)
        self.start.ready_wanted.connect(self._look_what_is_ready)
        self.tape.lanes.chosen.connect(self.choose)
        self.listen.on.toggled.connect(lambda on: on and self._look_for_loudspeakers())
        self.listen.trouble.connect(lambda sentence: self.say(sentence, warning=True))
        self.visit.hands_free_wanted.connect(self.ask_hands_free)
        self.visit.opened.connect(lambda: self._go_to(self.visit, self.visit.table))
        self.visit.opened.connect(lambda: self.decode.show_chosen(self.chosen))
        self.band.plot.getViewBox().sigXRangeChanged.connect(lambda *_: self.tape.refresh(self._now))
        self.band.divided.connect(lambda: self.tape.refresh(self._now))
        QtGui.QGuiApplication.styleHints().colorSchemeChanged.connect(lambda _: self.dress())
        self._timer = QtCore.QTimer(self)
        self._timer.timeout.connect(self.tick)
        self._timer.start(TICK_MS)
        self._show_chosen()

    def _lay_out(self) -> None:
        top = self._top = QtWidgets.QBoxLayout(QtWidgets.QBoxLayout.Direction.LeftToRight)
        top.setContentsMargins(6, 2, 6, 0)
        top.addWidget(self.status, 1)
        buttons = QtWidgets.QHBoxLayout()
        for button in (self.again_button, self.mark_button, self.keep_button, self.setup_button, self.keys_button):
            buttons.addWidget(button)
        top.addLayout(buttons)
        over = QtWidgets.QSplitter(QtCore.Qt.Orientation.Vertical)
        over.addWidget(self.band)
        over.addWidget(self.tape)
        over.setStretchFactor(0, 3)
        over.setStretchFactor(1, 1)
        over.setSizes([480, 150])
        left = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(left)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(over, 1)
        column.addWidget(Sideways(self.listen))
        self.pages = QtWidgets.QTabWidget()
        self.pages.addTab(self.decode, "Content")
        self.pages.addTab(self.traces, "Curves")
        keying = QtWidgets.QSplitter(QtCore.Qt.Orientation.Vertical)
        keying.addWidget(self.rulers)
        keying.addWidget(self.pages)
        keying.setSizes([380, 320])
        self.sides = QtWidgets.QTabWidget()
        self.sides.setDocumentMode(True)
        self.sides.addTab(keying, "Keying")
        self.sides.addTab(self.visit, "Visit")
        self._keying_page = keying
        across = QtWidgets.QSplitter(QtCore.Qt.Orientation.Horizontal)
        across.addWidget(left)
        across.addWidget(self.sides)
        across.setSizes([886, 480])
        across.setStretchFactor(0, 1)
        self.sheets = QtWidgets.QStackedWidget()
        self.sheets.addWidget(self.start)
        self.sheets.addWidget(across)
        self._work = across
        middle = QtWidgets.QWidget()
        whole = QtWidgets.QVBoxLayout(middle)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(2)
        whole.addLayout(top)
        whole.addWidget(self.doing)
        whole.addWidget(self.sheets, 1)
        self.setCentralWidget(middle)

    def _bind(self) -> None:
        band = self.band
        for key, action in (
            ("L", self.listen.on.click),
            ("P", band.peak_button.click),
            ("End", band.follow_button.click),
            ("Home", band.show_everything),
            ("Ctrl+Left", lambda: band.go(-0.25)),
            ("Ctrl+Right", lambda: band.go(0.25)),
            ("Ctrl+Up", lambda: band.zoom(0.7, 1.0)),
            ("Ctrl+Down", lambda: band.zoom(1 / 0.7, 1.0)),
            ("Ctrl+Shift+Up", lambda: band.zoom(1.0, 0.7)),
            ("Ctrl+Shift+Down", lambda: band.zoom(1.0, 1 / 0.7)),
            ("F5", lambda: self._go_to(self._keying_page, self.traces)),
            ("F6", self.tape.lanes.setFocus),
            ("F7", lambda: self._go_to(self._keying_page, self.rulers)),
            ("F8", lambda: self._go_to(self._keying_page, self.decode)),
            ("F9", lambda: self._go_to(self.visit, self.visit.table)),
            ("Ctrl+Shift+C", self.rulers.copy),
            ("Ctrl+O", self.visit.ask_folder),
            ("Ctrl+Return", self.visit.attach_chosen),
            ("Ctrl+H", self.ask_hands_free),
            ("Ctrl++", lambda: self.scale_font(1.1)),
            ("Ctrl+-", lambda: self.scale_font(1 / 1.1)),
            ("Ctrl+0", lambda: self.scale_font(None)),
            ("Ctrl+D", self.turn_dark),
            ("Ctrl+Q", self.close),
        ):
            self._shortcut(key, action)
        self._shortcuts["Ctrl++"].setKeys([QtGui.QKeySequence("Ctrl++"), QtGui.QKeySequence("Ctrl+=")])

    def _button(self, words: str, key: str, action: Callable[[], object]) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(words)
        does = KEYS[key]
        button.setToolTip(f"{_upper(does)} ({key})")
        button.clicked.connect(lambda: action())
        self._shortcut(key, button.click)
        return button

    def _shortcut(self, key: str, action: Callable[[], object]) -> None:
        shortcut = QtGui.QShortcut(QtGui.QKeySequence(key), self)
        shortcut.setWhatsThis(KEYS[key])
        shortcut.activated.connect(lambda: action())
        self._shortcuts[key] = shortcut

    def _go_to(self, page: QtWidgets.QWidget, widget: QtWidgets.QWidget) -> None:
        self._show_sheet(self._work)
        self.sides.setCurrentWidget(page)
        if widget in (self.decode, self.traces):
            self.pages.setCurrentWidget(widget)
        widget.setFocus()

    def show_keys(self) -> None:
        """Show the page of keys."""
        page = KeysPage(self)
        page.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        page.open()

    # the source

    def show_start(self) -> None:
        """Go to the start page, or back from it; what runs goes on."""
        there = self.sheets.currentWidget() is self.start
        self._show_sheet(self._work if there else self.start)

    def _show_sheet(self, sheet: QtWidgets.QWidget) -> None:
        self.sheets.setCurrentWidget(sheet)
        self.setup_button.setText("Back" if sheet is self.start else "Set up …")

    def _look_once(self) -> None:
        if not self._looked_ready:
            self._looked_ready = True
            QtCore.QTimer.singleShot(_AFTER_THE_PICTURE_MS, self, self._look_what_is_ready)

    def _look_what_is_ready(self) -> None:
        """Ask every part how it is, beside the window, and show each answer as it comes."""
        answers, serial = self.start.begin_ready(), self.start.serial

        def look(job: Job) -> None:
            for found in findings(serial, self.folder if self.folder.is_dir() else None):
                job.check()
                answers.put(found)

        self.jobs.start(
            "Looking at what is ready",
            look,
            lambda _: self._look_for_loudspeakers(),
            lambda sentence: answers.put(Finding("looking", "missing", sentence)),
        )

    def _look_for_loudspeakers(self) -> None:
        """Offer what can play, where there is any sound; what is wrong with it is said when somebody listens."""
        self.jobs.start("Looking for loudspeakers", lambda _: output_names(), self.listen.offer_devices, lambda _: None)

    def _start(self, word: str, tuning: Tuning, judging: Judging) -> None:
        self._setup = self.start.setup
        self.open(word, tuning, judging)

    def open(self, word: str, tuning: Tuning, judging: Judging) -> None:
        """Start the engine on a source, in place of the one before."""
        self.stop()
        self.keyings = Keyings(self._memory_s)
        self.clock.starts(None)
        self.band.clear()
        self.tape.follow(self.keyings)
        self._now, self._number, self._lost_source, self._finished = 0.0, None, False, None
        self._show_chosen()
        self.again_button.hide()
        self._show_sheet(self._work)
        self.session = Session(word, tuning, judging, self._memory_s, self.listening)
        self._waits_to_start = True
        self.say(f"Opening {word} as soon as the source before it has let go …")
        self._go_on()

    def start_again(self) -> None:
        """Start the same source with the same settings once more."""
        if self.session is None:
            self._show_sheet(self.start)
        else:
            self.open(self.session.word, self.session.tuning, self.session.judging)

    def stop(self) -> None:
        """Ask the engine to end, in any state; it may take its time, and nobody waits for it."""
        self._waits_to_start = False
        if self.session is not None:
            self.session.feed.stop()
            self._ending.append(self.session.feed)
            self.session = None

    def wait(self, seconds: float = 2.0) -> None:
        """Wait until the engines that were asked to end have ended, about so long; after the window is closed."""
        for feed in self._ending:
            feed.wait(seconds)
        self._let_go()

    def _let_go(self) -> None:
        """Forget the engines that have ended."""
        running = [feed for feed in self._ending if feed.running]
        if len(running) < len(self._ending):
            self._ending = running
            sweeping.sweep(everything=True)  # the last minutes are large, and what held them held itself

    def _go_on(self) -> None:
        """Start the engine that waits, once no other holds a source."""
        self._let_go()
        if self._waits_to_start and not self._ending and self.session is not None:
            self._waits_to_start = False
            self.say(f"Opening {self.session.word} …")
            self.session.feed.start()

    def say(self, sentence: str, *, warning: bool = False) -> None:
        """Put one sentence where the user looks for news."""
        self.status.setText(("⚠ " if warning else "") + sentence)

    # events

    def tick(self) -> None:
        """Draw what is new. Frames may have been skipped, results never."""
        self._ticks += 1
        self.jobs.poll()
        self.start.show_ready()
        if self.hands is not None:
            self.hands.tick()
        if self._ticks % _SLOW_TICKS == 0:
            sweeping.sweep()
            self.doing.refresh()
            self.listen.refresh()
            self._look_after_marked()
        self._go_on()
        if self.session is None:
            return
        results, frames = self.session.feed.results(), self.session.feed.frames()
        for event in results:
            self._take(event)
        if frames:
            self._now = frames[-1].start_s + frames[-1].duration_s
            self.band.show_frames(frames)
        if frames or results:
            self.keyings.forget_before(self._now)
            self.tape.refresh(self._now)

    def _look_after_marked(self) -> None:
        for one in self.keyings:
            if sentence := keeping.look_after(one, self._now):
                self.say(sentence, warning=True)

    def _take(self, event: object) -> None:
        if isinstance(event, SourceOpened):
            self._show_source(event)
        elif isinstance(event, SourceFault):
            self.say(event.sentence, warning=True)
            self._lost_source |= event.stopped
            if self.chosen in self.keyings.doubt(event):
                self._show_chosen()
        elif isinstance(event, Finished):
            self._finished = event
        elif isinstance(event, EngineStopped):
            self._ended(event)
        self.band.show_event(event)
        changed = self.keyings.show_event(event)
        if self.hands is not None:
            self.hands.take(event)
        if changed is not None:
            keeping.end_marked(changed)
            over_or_text = changed.transmission is not None or changed.texts
            if self._number == changed.instead_of and over_or_text:
                self.choose(changed.number)
            elif changed.number == self._number:
                self._show_chosen()

    def _show_source(self, event: SourceOpened) -> None:
        facts = event.facts
        self.clock.starts(facts.start_utc)
        self.band.show_span(LIVE_SPAN_S if facts.sample_count is None else facts.sample_count / facts.sample_rate_hz)
        self.listen.show_source(facts)
        if self._setup is not None:
            remember(self._setup)
            self._setup = None
        known = "no frequency reference is known"
        if event.settings.reference is not None:
            reference = event.settings.reference_at(facts.start_utc)
            spread = f"{reference.correction_ppm:+.2f} ± {reference.uncertainty_ppm:.2f} ppm"
            known = f"reference {spread} ({reference.source})"
        remarks = " ".join(("", *facts.remarks, *(f"{_upper(remark)}." for remark in event.remarks)))
        self.say(f"{facts.name}: {facts.sample_rate_hz / 1e3:.6g} kS/s; {known}. Nothing is transmitted.{remarks}")

    def _ended(self, event: EngineStopped) -> None:
        self.keyings.drop_unfinished()
        self.again_button.show()
        if event.sentence:
            kept = " What was received can still be kept." if self._now else ""
            self.say(f"{event.sentence.rstrip('.')}.{kept}", warning=True)
        elif not self._lost_source:
            self._say_finished()
        if self.hands is not None:
            self.hands.take(SourceFault(self._now, event.sentence or "The source has ended.", stopped=True))

    def _say_finished(self) -> None:
        """Say that the source has ended, and what the engine remarked on all of it."""
        whole = self._finished
        remarks = () if whole is None else dict.fromkeys((*whole.recording.remarks, *whole.remarks))
        altered = whole is not None and whole.recording.hash_matches is False
        self.say(" ".join(("The source has ended.", *remarks)), warning=altered)

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

    # keeping

    def mark_chosen(self) -> None:
        """Mark the chosen keying and keep its samples, or let the mark go; what was kept stays."""
        keying, session = self.chosen, self.session
        if keying is None:
            return
        keying.marked = not keying.marked
        self._show_chosen()
        self.tape.refresh(self._now)
        if keying.marked and keying.keeping is None and session is not None:
            self.jobs.start(
                f"Keeping {keying.lane}",
                lambda job: keeping.keep_marked(job, session, keying, self.folder),
                lambda path: self.say(f"Marked and kept: {path}"),
                lambda sentence: self.say(f"Marked, but not kept: {sentence}", warning=True),
            )
        elif not keying.marked and keying.keeping is not None:
            self.say(f"The mark is gone; its recording stays: {keying.keeping.path}")

    def keep_last_minutes(self) -> None:
        """Write the rolling memory as a recording, and say where."""
        session = self.session
        if session is None:
            self.say("Nothing to keep yet; start a source first.", warning=True)
            return
        self.jobs.start(
            "Keeping the last minutes",
            lambda job: keeping.keep_memory(job, session, self.folder),
            lambda kept: self.say(f"Kept the last {kept[1]:.0f} s: {kept[0]}"),
            lambda sentence: self.say(f"Not kept: {sentence}", warning=True),
        )

    # the visit

    def open_visit(self, path: Path) -> None:
        """Open a visit beside the keyings."""
        self.visit.open(path)

    def ask_hands_free(self) -> None:
        """Ask which set the hands-free run is for, where there is more than one."""
        case = self.visit.case
        if case is None:
            self.say("Open a visit first; its plan says what to key.", warning=True)
            return
        sets = [radio.id for radio in case.visit.sets if case.plan.spoken(radio.id)]
        if not sets:
            self.say("No set of this visit has keyings for a hands-free run.", warning=True)
        elif len(sets) == 1:
            self.begin_hands_free(sets[0])
        else:
            of = self.visit.one.check.set_id if self.visit.one is not None else None
            named, sure = QtWidgets.QInputDialog.getItem(
                self, "Hands-free run", "Which set?", sets, sets.index(of) if of in sets else 0, False
            )
            if sure:
                self.begin_hands_free(named)

    def begin_hands_free(self, set_id: str) -> HandsFreeScreen | None:
        """Show the hands-free run of a set on the whole screen; it begins when Enter is pressed."""
        case, session = self.visit.case, self.session
        if case is None or session is None or session.facts is None or not session.feed.running:
            self.say("A hands-free run needs an open visit and a source that runs.", warning=True)
            return None
        gates.find_set(case.visit, set_id)
        checks = [one for one in case.plan.spoken(set_id) if case.check(one.id).state.outcome is None]
        away = out_of_reach(checks, session.facts)
        if away:
            self.say(f"Not within what is received: {'; '.join(away)}. Set the centre to suit them.", warning=True)
            return None
        self.hands = HandsFreeScreen(checks, self._look, self.listening.speaker)
        self.hands.filed.connect(self._file_hands_free)
        self.hands.left.connect(self._hands_free_left)
        self.hands.showFullScreen()
        return self.hands

    def _file_hands_free(self, check: Check, found: Transmission) -> None:
        path, session = self.visit.path, self.session
        keying = self.keyings.of(found)
        if path is None or session is None or keying is None:
            self._hands_free_failed(f"{check.title}: its samples are not there any more")
            return
        self.jobs.start(
            f"Filing {check.title}",
            lambda job: visit_work.attach_keying(job, path, check.id, session, keying, "hands-free"),
            lambda _: self.visit.refresh(),
            self._hands_free_failed,
        )

    def _hands_free_failed(self, sentence: str) -> None:
        self.say(f"Not filed: {sentence}", warning=True)
        if self.hands is not None:
            self.hands.show_not_filed(sentence)

    def _hands_free_left(self) -> None:
        self.hands = None
        self.visit.refresh()
        self.activateWindow()

    # manners

    def scale_font(self, factor: float | None) -> None:
        """Make all text larger or smaller; None for the usual size."""
        font = QtWidgets.QApplication.font()
        points = self._usual_points if factor is None else font.pointSizeF() * factor
        font.setPointSizeF(min(max(points, 6.0), 36.0))
        QtWidgets.QApplication.setFont(font)
        self.band.scale_text(font, font.pointSizeF() / self._usual_points)
        self.traces.scale_text(font)
        way = QtWidgets.QBoxLayout.Direction
        self._top.setDirection(way.TopToBottom if font.pointSizeF() > _LARGE * self._usual_points else way.LeftToRight)
        for words in self.findChildren(Words):
            words.fit_font()

    def turn_dark(self) -> None:
        """Turn dark, or light again, whatever the system asks for."""
        wanted = looks.LIGHT if self._look.dark else looks.DARK
        QtWidgets.QApplication.setPalette(looks.palette(wanted))
        self.dress(wanted)

    def dress(self, look: looks.Look | None = None) -> None:
        """Take on a look, or the one that the system now asks for."""
        self._look = look or looks.current()
        self.band.dress(self._look)
        self.tape.lanes.dress(self._look)
        for panel in (self.rulers, self.decode, self.traces, self.start, self.visit):
            panel.dress(self._look)

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:
        if self._timer.isActive():
            sweeping.end()
        self._timer.stop()
        if self.hands is not None:
            self.hands.close()
        self.stop()
        self.jobs.stop()
        self.listening.speaker.close()
        super().closeEvent(event)


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]
