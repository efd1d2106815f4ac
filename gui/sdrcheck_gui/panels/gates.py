"""The gates of one set: the leak check before any distress format, and the way back to the antenna, step by step."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from sdrcheck.cli.visit_gate import file_step
from sdrcheck.visits import gates
from sdrcheck.visits.checks.cautions import DISTRESS
from sdrcheck_gui import visit_work
from sdrcheck_gui.feed import Session
from sdrcheck_gui.jobs import Job
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.look import Look
from sdrcheck_gui.panels.text import Words, give_room
from sdrcheck_gui.qt import QtCore, QtWidgets

if TYPE_CHECKING:
    from sdrcheck.evidence.case import Case

Work = Callable[[Job, Path], tuple[bool, str]]


class GatesPage(QtWidgets.QDialog):
    """Shows which steps were taken and which are wanted; a step leaves it as a signal, to be filed."""

    wanted = QtCore.Signal(str, object)
    """What is done, in words, and the work."""

    def __init__(
        self,
        parent: QtWidgets.QWidget,
        case: Case,
        set_id: str,
        keying: Keying | None,
        session: Session | None,
        look: Look,
    ) -> None:
        super().__init__(parent)
        self.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        self._set_id, self._keying, self._session = set_id, keying, session
        radio = gates.find_set(case.visit, set_id)
        self.setWindowTitle(f"Gates of {set_id}")
        before = gates.distress_format(case.visit, case.plan, case.ledger, radio)
        back = gates.antenna_back(case.plan, case.ledger, radio)
        caution = Words(f"⚠ {DISTRESS}")
        caution.frame(look.warning)
        self.state = Words(
            "\n".join(
                (
                    *_said(before, "A distress format may be keyed into the load"),
                    *_said(back, "The antenna may go back"),
                )
            )
        )
        steps = [
            f"{step.utc:%H:%M} UTC, {step.step}: {'passed' if step.passed else 'NOT passed'}"
            + (f", {step.detail}" if step.detail else "")
            for step in case.ledger.gate_steps(set_id)
        ]
        self.steps = Words("\n".join(steps) or "No step was filed yet.")
        column = QtWidgets.QVBoxLayout(self)
        column.setSpacing(8)
        column.addWidget(caution)
        column.addWidget(self.state)
        column.addWidget(Words("Steps filed so far", strong=True))
        column.addWidget(self.steps)
        column.addWidget(self._leak_check())
        column.addWidget(self._way_back())
        buttons = QtWidgets.QDialogButtonBox(QtWidgets.QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.reject)
        column.addStretch(1)
        column.addWidget(buttons)
        give_room(self, 80, 35)

    def _leak_check(self) -> QtWidgets.QWidget:
        box = QtWidgets.QGroupBox("Leak check, with the chosen test call")
        self.listener = QtWidgets.QLineEdit()
        self.listener.setPlaceholderText("which second receiver listened, where and how")
        self.listener.setAccessibleName("which second receiver listened, where and how")
        quiet = QtWidgets.QPushButton("It heard &nothing")
        heard = QtWidgets.QPushButton("It &heard the call")
        chosen = self._keying is not None and self._keying.transmission is not None and self._session is not None
        what = f"The chosen keying: {self._keying.lane}, {self._keying.label}." if self._keying and chosen else ""
        for button, answer in ((quiet, False), (heard, True)):
            button.setAutoDefault(False)  # Enter in the field above files nothing
            button.setEnabled(chosen)
            button.clicked.connect(lambda _=False, answer=answer: self._file_leak_check(answer))
        row = QtWidgets.QHBoxLayout()
        row.addWidget(quiet)
        row.addWidget(heard)
        column = QtWidgets.QVBoxLayout(box)
        column.addWidget(Words(what or "Send a test call into the load, and choose it on the tape first."))
        column.addWidget(self.listener)
        column.addLayout(row)
        return box

    def _file_leak_check(self, heard: bool) -> None:
        session, keying, listener, set_id = self._session, self._keying, self.listener.text(), self._set_id
        if session is None or keying is None:
            return
        self._go(
            f"Leak check of {set_id}",
            lambda job, path: visit_work.check_leaks(job, path, set_id, session, keying, listener, heard),
        )

    def _way_back(self) -> QtWidgets.QWidget:
        box = QtWidgets.QGroupBox("After a distress format, in this order")
        column = QtWidgets.QVBoxLayout(box)
        set_id, session = self._set_id, self._session
        for step, words in (
            ("alert cancelled", "1. Alert &cancelled at the set"),
            ("set restarted", "2. Set &off and on again"),
        ):
            column.addWidget(self._step_button(step, words))
        silence = QtWidgets.QPushButton("3. Witness five minutes of &silence")
        silence.setAutoDefault(False)
        silence.setToolTip("Records the next five minutes, then looks whether the set stayed silent")
        silence.setEnabled(session is not None and session.feed.running)
        silence.clicked.connect(
            lambda: self._go(
                f"Silence of {set_id}",
                lambda job, path: visit_work.witness_silence(job, path, set_id, session),  # type: ignore[arg-type]
            )
        )
        column.addWidget(silence)
        column.addWidget(self._step_button("antenna back", "4. &Antenna back on"))
        return box

    def _step_button(self, step: str, words: str) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(words)
        button.setAutoDefault(False)
        set_id = self._set_id
        button.clicked.connect(lambda: self._go(f"{set_id}, {step}", lambda job, path: file_step(path, set_id, step)))
        return button

    def _go(self, what: str, work: Work) -> None:
        self.wanted.emit(what, work)
        self.accept()


def _said(gate: gates.Gate, what: str) -> list[str]:
    return [f"{what}: {'yes' if gate.open else 'no'}.", *(f"• wanted: {wanted}" for wanted in gate.wanted)]
