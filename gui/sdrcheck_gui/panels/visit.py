"""The visit: planned checks in order with their state, the chosen one beneath, report and bundle at the end."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from sdrcheck.cli.visit_check import file_recording
from sdrcheck.cli.visit_results import file_meter, file_outcome, file_printout, file_seen
from sdrcheck.visits import gates
from sdrcheck_gui import visit_work
from sdrcheck_gui.feed import Session
from sdrcheck_gui.jobs import Job, Jobs
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.look import Look
from sdrcheck_gui.panels.check import CheckView, state_words
from sdrcheck_gui.panels.flowing import Flowing
from sdrcheck_gui.panels.gates import GatesPage
from sdrcheck_gui.panels.new_visit import NewVisitPage
from sdrcheck_gui.panels.page import Page
from sdrcheck_gui.panels.papers import PapersPage
from sdrcheck_gui.panels.printout import PrintoutPage
from sdrcheck_gui.panels.report import ReportPage
from sdrcheck_gui.panels.text import Words
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

if TYPE_CHECKING:
    from sdrcheck.evidence.bundle import Packed
    from sdrcheck.evidence.case import Case, CheckCase

_HINT = (
    "Open a visit's folder, or make a new one. Its planned checks then stand here in working order, each with what to "
    "do at the set, what is dangerous about it, and what answers it."
)
SIGNS = {"satisfactory": "✓", "deficient": "✕", "not applicable": "–", "not done": "–", "begun": "…", "open": ""}


class VisitPanel(QtWidgets.QWidget):
    """Opens a visit's folder, shows its plan, and files what the user does; it remembers nothing that is not filed."""

    hands_free_wanted = QtCore.Signal()
    opened = QtCore.Signal()

    def __init__(self, look: Look, jobs: Jobs, say: Callable[..., None], session: Callable[[], Session | None]) -> None:
        super().__init__()
        self._look, self._jobs, self._say, self._session = look, jobs, say, session
        self.path: Path | None = None
        self.case: Case | None = None
        self._keying: Keying | None = None
        self._wanted: str | None = None
        self._moving_on = False
        self.heading, self.folder = Words("No visit is open.", strong=True), Words(small=True)
        self.open_button = self._button("&Open …", "Open a visit's folder (Ctrl+O)", self.ask_folder)
        self.new_button = self._button("&New …", "Make a visit's folder with a file to fill in", self.ask_new)
        self.papers_button = self._button(
            "&Papers …", "Ship, sets and their identities, as the papers have them", self._papers
        )
        self.problem = Words()
        self.problem.setAccessibleName("what went wrong with the visit")
        self.progress = QtWidgets.QProgressBar()
        self.progress.setAccessibleName("checks settled")
        self.progress.setToolTip("Checks that have an outcome")
        self.progress.setFormat("%v of %m settled")
        self.table = QtWidgets.QTreeWidget()
        self.table.setHeaderLabels(["check", "set", "state"])
        self.table.setRootIsDecorated(False)
        self.table.setUniformRowHeights(True)
        self.table.setAccessibleName("planned checks in working order")
        self.table.header().setSectionResizeMode(0, QtWidgets.QHeaderView.ResizeMode.Stretch)
        for place in (1, 2):
            self.table.header().setSectionResizeMode(place, QtWidgets.QHeaderView.ResizeMode.ResizeToContents)
        self.table.header().setStretchLastSection(False)
        self.table.currentItemChanged.connect(lambda now, _: self._choose(now))
        self.view = CheckView(look)
        self.page = Page(self.view)
        self.hands_button = self._button(
            "&Hands-free run …",
            "One person at the radio, the laptop three metres away (Ctrl+H)",
            self.hands_free_wanted.emit,
        )
        self.report_button = self._button("R&eport …", "Write the report and look at its pages", self._report)
        self.pack_button = self._button("Bun&dle …", "Pack everything into one folder and one archive", self._pack)
        self._lay_out()
        view = self.view
        view.attach_wanted.connect(self.attach)
        view.file_wanted.connect(self._ask_recording)
        view.meter_wanted.connect(self._file_meter)
        view.seen_wanted.connect(self._file_seen)
        view.outcome_wanted.connect(self._file_outcome)
        view.gates_wanted.connect(self.show_gates)
        view.printout_wanted.connect(self._ask_printout)
        self._enable()
        self.dress(look)

    def _button(self, words: str, does: str, action: Callable[[], object]) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(words)
        button.setToolTip(does)
        button.clicked.connect(lambda: action())
        return button

    def _lay_out(self) -> None:
        parts = self.parts = QtWidgets.QSplitter(QtCore.Qt.Orientation.Vertical)
        parts.addWidget(self.table)
        parts.addWidget(self.page)
        parts.setSizes([190, 380])
        parts.setStretchFactor(1, 1)
        self.hint = Words(_HINT)
        self.hint.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop)
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(4, 4, 4, 4)
        column.addWidget(self.heading)
        column.addWidget(self.folder)
        column.addLayout(Flowing(self.open_button, self.new_button, self.papers_button))
        column.addWidget(self.problem)
        column.addWidget(self.progress)
        column.addWidget(parts, 1)
        column.addWidget(self.hint, 1)
        column.addLayout(Flowing(self.hands_button, self.report_button, self.pack_button))

    def _enable(self) -> None:
        there = self.case is not None
        for button in (self.papers_button, self.hands_button, self.report_button, self.pack_button):
            button.setEnabled(there)
        self.progress.setVisible(there)
        self.parts.setVisible(there)
        self.hint.setVisible(not there)

    def dress(self, look: Look) -> None:
        self._look = look
        self.view.dress(look)
        self.problem.frame(look.warning)
        self.folder.colour(look.faint)
        if self.case is not None:
            self._show_plan(self.case)

    # opening

    def ask_folder(self) -> None:
        """Ask which visit to open."""
        folder = QtWidgets.QFileDialog.getExistingDirectory(self, "Open a visit's folder")
        if folder:
            self.open(Path(folder))

    def ask_new(self) -> None:
        """Ask what a new visit needs to begin with."""
        page = NewVisitPage(self)
        if page.exec() == QtWidgets.QDialog.DialogCode.Accepted and page.made is not None:
            self.open(page.made)

    def open(self, path: Path) -> None:
        """Open a visit by its folder or its file."""
        self.path = path
        self._wanted = None
        self.refresh(f"Opening the visit {path.name}")

    def refresh(self, what: str = "Reading the visit") -> None:
        """Read the visit anew, and show it."""
        path = self.path
        if path is not None:
            self._jobs.start(what, lambda job: visit_work.gathered(path), self._take, self._fail)

    def _take(self, case: Case) -> None:
        first = self.case is None or self.case.folder != case.folder
        self.case = case
        self.problem.say("\n".join(f"⚠ {sentence}" for sentence in (*case.plan.remarks, *case.ledger.unreadable)))
        ship = case.visit.ship
        invented = " (invented)" if case.visit.invented else ""
        self.heading.say(f"{ship.name}{invented}, MMSI {ship.mmsi or 'not stated'}")
        self.folder.say(str(case.folder))
        self._show_plan(case)
        self._enable()
        if first:
            self.opened.emit()

    def _fail(self, sentence: str) -> None:
        self._moving_on = False
        self.problem.say(f"⚠ {sentence}")
        self._say(sentence, warning=True)

    # the plan

    def _show_plan(self, case: Case) -> None:
        settled = sum(one.state.outcome is not None for one in case.checks)
        self.progress.setRange(0, max(len(case.checks), 1))
        self.progress.setValue(settled)
        wanted = self._wanted or next((one.check.id for one in case.checks if one.state.outcome is None), None)
        if self._moving_on:
            wanted = self._after(case, wanted)
            self._moving_on = False
        self.table.blockSignals(True)
        self.table.clear()
        chosen = None
        for one in case.checks:
            words = state_words(one)
            row = QtWidgets.QTreeWidgetItem(
                [one.check.title, one.check.set_id or "ship", f"{SIGNS[words]} {words}".strip()]
            )
            row.setData(0, QtCore.Qt.ItemDataRole.UserRole, one.check.id)
            row.setSizeHint(0, QtCore.QSize(0, round(1.6 * self.table.fontMetrics().height())))
            row.setToolTip(0, f"{one.check.title}\n{one.check.id}")
            if words == "deficient":
                row.setForeground(2, self._look.verdict_ink("fail"))
            if one.check.distress_format:
                row.setText(0, f"⚠ {one.check.title}")
            self.table.addTopLevelItem(row)
            if one.check.id == wanted:
                chosen = row
        self.table.blockSignals(False)
        if chosen is not None:
            self.table.setCurrentItem(chosen)
            self.table.scrollToItem(chosen, QtWidgets.QAbstractItemView.ScrollHint.PositionAtCenter)
            self._choose(chosen)

    @staticmethod
    def _after(case: Case, check_id: str | None) -> str | None:
        """The next check after this one that has no outcome yet."""
        ids = [one.check.id for one in case.checks]
        place = ids.index(check_id) + 1 if check_id in ids else 0
        following = (*case.checks[place:], *case.checks[:place])
        return next((one.check.id for one in following if one.state.outcome is None), check_id)

    def _choose(self, row: QtWidgets.QTreeWidgetItem | None) -> None:
        if row is None or self.case is None:
            return
        self._wanted = row.data(0, QtCore.Qt.ItemDataRole.UserRole)
        one = self.case.check(self._wanted)
        self.view.show_check(one, self.case.visit, self._gate(one))
        self._show_keying()

    @property
    def one(self) -> CheckCase | None:
        """The chosen check as it stands."""
        return None if self.case is None or self._wanted is None else self.case.check(self._wanted)

    @property
    def own_identities(self) -> frozenset[str]:
        """What this ship's sets are known to call themselves; none without a visit."""
        return frozenset() if self.case is None else self.case.mask.own

    def _gate(self, one: CheckCase) -> gates.Gate | None:
        case, radio = self.case, one.radio
        if case is None:
            return None
        if one.check.distress_format and radio is not None:
            return gates.distress_format(case.visit, case.plan, case.ledger, radio)
        if one.check.id == "ship/restored":
            wanted = [
                f"{radio.id}: {words}"
                for radio in case.visit.sets
                for words in gates.antenna_back(case.plan, case.ledger, radio).wanted
            ]
            return gates.Gate(not wanted, tuple(wanted)) if wanted else None
        return None

    def show_chosen(self, keying: Keying | None) -> None:
        """Let the chosen keying be attached."""
        self._keying = keying
        self._show_keying()

    def _show_keying(self) -> None:
        self.view.show_keying(self._keying, self._session() is not None)

    # filing

    def attach_chosen(self) -> None:
        """Attach the chosen keying to the chosen check."""
        if self.one is None:
            self._fail("Open a visit and choose a check first.")
        elif self.one.check.keying is None:
            self._fail(f"{self.one.check.title}: this check is not answered by a recording.")
        else:
            self.attach(self.one.check.id)

    def attach(self, check_id: str) -> None:
        """Keep the chosen keying, inspect it, and file it as a try of a check."""
        path, session, keying = self.path, self._session(), self._keying
        if path is None or session is None or keying is None:
            self._fail("Choose a keying on the tape first.")
            return
        self._start(
            f"Attaching {keying.lane} to {check_id}",
            lambda job: visit_work.attach_keying(job, path, check_id, session, keying),
        )

    def _ask_recording(self, check_id: str) -> None:
        name, _ = QtWidgets.QFileDialog.getOpenFileName(
            self, "File a recording", "", "Recordings (*.sigmf-meta *.wav *.cu8);;All files (*)"
        )
        if name:
            self.file_recording(check_id, Path(name))

    def file_recording(self, check_id: str, recording: Path) -> None:
        """File a recording that was made before as a try of a check."""
        path, session = self.path, self._session()
        if path is None:
            return
        tone = session.judging.tone_source if session is not None else None
        self._start(
            f"Filing {recording.name} to {check_id}",
            lambda job: file_recording(
                path, check_id, recording, tone_source=tone, tell=lambda part: job.tell(part, "inspecting")
            ),
        )

    def _start(self, what: str, work: Callable[[Job], object]) -> None:
        self.problem.say("")
        self._jobs.start(what, work, self._filed, self._fail)

    def _filed(self, found: object) -> None:
        self._say("Filed.")
        self.view.filed()
        self.refresh()

    def _file(self, what: str, work: Callable[[Path], object], *, moving_on: bool = False) -> None:
        path = self.path
        if path is not None:
            self._moving_on = moving_on
            self._start(what, lambda job: work(path))

    def _file_meter(self, check_id: str, reading: dict[str, object]) -> None:
        self._file("Filing the reading", lambda path: file_meter(path, check_id, **reading))  # type: ignore[arg-type]

    def _file_seen(self, check_id: str, good: bool, note: str) -> None:
        self._file("Filing what was seen", lambda path: file_seen(path, check_id, good, note))

    def _file_outcome(self, check_id: str, word: str, reason: str) -> None:
        self._file("Filing the outcome", lambda path: file_outcome(path, check_id, word, reason), moving_on=True)

    # pages of their own

    def _papers(self) -> None:
        if self.case is not None:
            PapersPage(self, self.case.folder, self._look).exec()
            self.refresh()

    def show_gates(self, set_id: str) -> None:
        """Show the gates of a set; what is filed there is filed beside the window."""
        if self.case is not None and self.path is not None:
            page = GatesPage(self, self.case, set_id, self._keying, self._session(), self._look)
            page.wanted.connect(self._go_through)
            page.show()

    def _go_through(self, what: str, work: object) -> None:
        path = self.path
        if path is None:
            return

        def done(found: tuple[bool, str]) -> None:
            passed, detail = found
            self._say(f"{what}: {'passed' if passed else 'NOT passed'}. {detail}", warning=not passed)
            self.refresh()

        self._jobs.start(what, lambda job: work(job, path), done, self._fail)  # type: ignore[operator]

    def _ask_printout(self, check_id: str) -> None:
        path, case = self.path, self.case
        if path is None or case is None:
            return

        def file(text: Path, stations: str, rejected: str, stored: tuple[str, ...]) -> None:
            file_printout(path, check_id, text, stations=stations, rejected=rejected, stored=stored)
            self._filed(None)

        PrintoutPage(self, case.check(check_id).transmissions, file).show()

    def _report(self) -> None:
        if self.case is not None and self.path is not None:
            page = ReportPage(self, self.path, self.one, self._jobs)
            page.show()
            page.write()

    def _pack(self) -> None:
        folder = QtWidgets.QFileDialog.getExistingDirectory(self, "Where to put the bundle")
        if folder:
            self.pack(Path(folder))

    def pack(self, destination: Path) -> None:
        """Pack the visit into a folder of bundles, and say the seal."""
        path = self.path
        if path is None:
            return

        def done(packed: Packed) -> None:
            QtGui.QGuiApplication.clipboard().setText(packed.manifest.short_seal)
            self._say(
                f"Packed: {packed.archive}. Write its seal on paper beside the report: {packed.manifest.short_seal} "
                "(copied). Recordings may hold other stations' traffic; it is confidential."
            )
            self.problem.say("\n".join(packed.remarks))

        self._jobs.start("Packing the visit", lambda job: visit_work.pack(job, path, destination), done, self._fail)
