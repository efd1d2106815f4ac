"""The ship's print-out, pasted: held against what was heard, message by message, and filed to a visit on request."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from sdrcheck.cli.visit_options import now_utc
from sdrcheck.errors import SdrcheckError
from sdrcheck.findings.inspection import Kind, Transmission
from sdrcheck.visits.checks.check import Check
from sdrcheck_gui.panels.text import give_room
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

Filer = Callable[[Path, str, str, tuple[str, ...]], object]


def takes_printout(check: Check) -> bool:
    """Whether a check is about text that the ship's receiver prints."""
    return check.keying is not None and Kind.NAVTEX in check.keying.kinds


class PrintoutPage(QtWidgets.QDialog):
    """Paste, compare, read; `file` is given where it can be filed to a check."""

    def __init__(
        self, parent: QtWidgets.QWidget | None, transmissions: Sequence[Transmission], file: Filer | None = None
    ) -> None:
        super().__init__(parent)
        self.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("The ship's print-out")
        self._transmissions, self._file = tuple(transmissions), file
        self.pasted = QtWidgets.QPlainTextEdit()
        self.pasted.setPlaceholderText(
            "Paste or type here what the ship's receiver printed, or its NRX sentences (IEC 61162-1)."
        )
        self.pasted.setAccessibleName("the ship's print-out")
        self.pasted.setTabChangesFocus(True)
        self.stations, self.refused, self.stored = (QtWidgets.QLineEdit() for _ in range(3))
        self.stations.setPlaceholderText("such as LS")
        self.stations.setToolTip("Station letters selected on the ship's receiver; empty where nobody looked")
        self.refused.setPlaceholderText("such as EF")
        self.refused.setToolTip("Subject letters rejected on it")
        self.stored.setPlaceholderText("such as LB20,LE31")
        self.stored.setToolTip("Identities of messages that it held before")
        self.found = QtWidgets.QPlainTextEdit()
        self.found.setReadOnly(True)
        self.found.setAccessibleName("the comparison")
        browse = QtWidgets.QPushButton("&From a file …")
        browse.clicked.connect(self._browse)
        compare = QtWidgets.QPushButton("&Compare")
        compare.clicked.connect(self.compare)
        self.file_button = QtWidgets.QPushButton("File to the &visit")
        self.file_button.setVisible(file is not None)
        self.file_button.clicked.connect(self.file)
        close = QtWidgets.QPushButton("Close")
        close.clicked.connect(self.close)
        row = QtWidgets.QHBoxLayout()
        for words, field in (
            ("stations", self.stations),
            ("subjects rejected", self.refused),
            ("held before", self.stored),
        ):
            row.addWidget(QtWidgets.QLabel(words))
            row.addWidget(field)
        buttons = QtWidgets.QHBoxLayout()
        for button in (browse, compare, self.file_button, close):
            button.setAutoDefault(False)
            buttons.addWidget(button)
        column = QtWidgets.QVBoxLayout(self)
        column.addWidget(self.pasted, 3)
        column.addLayout(row)
        column.addLayout(buttons)
        column.addWidget(self.found, 3)
        give_room(self, 100, 42)

    def _browse(self) -> None:
        name, _ = QtWidgets.QFileDialog.getOpenFileName(
            self, "The ship's print-out", "", "Text (*.txt *.log *);;All (*)"
        )
        if name:
            self.load(Path(name))

    def load(self, path: Path) -> None:
        """Take the text from a file, in whatever encoding it is."""
        from sdrcheck.stations.printout import decoded_text

        try:
            text, problems = decoded_text(path.read_bytes())
        except OSError as problem:
            self.found.setPlainText(f"⚠ {path} cannot be read ({problem.strerror})")
            return
        self.pasted.setPlainText(text)
        self.found.setPlainText("\n".join(problems))

    def _settings(self) -> tuple[str, str, tuple[str, ...]]:
        held = (one.strip().upper() for one in self.stored.text().split(","))
        return self.stations.text().strip(), self.refused.text().strip(), tuple(one for one in held if one)

    def compare(self) -> None:
        """Hold what is pasted against what was heard."""
        from sdrcheck.cli.printout import lines
        from sdrcheck.visits import text_side
        from sdrcheck.visits.results import Printout

        stations, rejected, stored = self._settings()
        data = self.pasted.toPlainText().encode()
        entry = Printout(
            utc=now_utc(), check="", file="", file_sha512="", stations=stations, rejected=rejected, stored=stored
        )
        try:
            found = text_side.of_bytes(data, entry, self._transmissions)
        except SdrcheckError as problem:
            self.found.setPlainText(f"⚠ {problem}")
            return
        self.found.setPlainText("\n".join(line for line, _ in lines(found)))
        self.found.moveCursor(QtGui.QTextCursor.MoveOperation.End)

    def file(self) -> None:
        """File what is pasted, as it is, to the check."""
        if self._file is None:
            return
        stations, rejected, stored = self._settings()
        with tempfile.TemporaryDirectory(prefix="sdrcheck-") as folder:
            path = Path(folder) / "pasted.txt"
            path.write_text(self.pasted.toPlainText(), encoding="utf-8")
            try:
                self._file(path, stations, rejected, stored)
            except (SdrcheckError, OSError) as problem:
                self.found.setPlainText(f"⚠ {problem}")
                return
        self.close()
