"""A new visit: the ship, who does the job, which sets; the rest is filled in aboard."""

from __future__ import annotations

from pathlib import Path

from sdrcheck.errors import SdrcheckError
from sdrcheck.visits.ship import SetKind
from sdrcheck_gui import visit_work
from sdrcheck_gui.panels.text import Words, give_room
from sdrcheck_gui.qt import QtWidgets


class NewVisitPage(QtWidgets.QDialog):
    """Asks what a visit's file cannot do without, and makes its folder. `made` is where."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("New visit")
        self.made: Path | None = None
        self.ship, self.who, self.folder = (QtWidgets.QLineEdit() for _ in range(3))
        self.ship.setPlaceholderText("as her papers have it")
        self.who.setPlaceholderText("who does the job and signs")
        self.ship.setToolTip("The ship's name, as her papers have it")
        self.who.setToolTip("Who does the job")
        self.folder.setToolTip("The folder to make; everything of this visit goes into it")
        self.ship.textEdited.connect(self._name_folder)
        browse = QtWidgets.QPushButton("&Into …")
        browse.clicked.connect(self._browse)
        self._inside = Path.home()
        self.counts: dict[SetKind, QtWidgets.QSpinBox] = {}
        form = QtWidgets.QFormLayout()
        form.addRow("&Ship", self.ship)
        form.addRow("&Who", self.who)
        row = QtWidgets.QHBoxLayout()
        row.addWidget(self.folder, 1)
        row.addWidget(browse)
        named = QtWidgets.QLabel("&Folder")
        named.setBuddy(self.folder)
        form.addRow(named, row)
        form.addRow(Words("Sets aboard", strong=True))
        aboard = QtWidgets.QGridLayout()
        for place, kind in enumerate(SetKind):
            box = QtWidgets.QSpinBox()
            box.setRange(0, 9)
            box.setToolTip(f"How many sets of this kind are aboard: {kind.value}")
            box.setAccessibleName(kind.value)
            line, side = divmod(place, 2)
            aboard.addWidget(QtWidgets.QLabel(kind.value), line, 3 * side)
            aboard.addWidget(box, line, 3 * side + 1)
            self.counts[kind] = box
        aboard.setColumnMinimumWidth(2, 40)
        aboard.setColumnStretch(5, 1)
        form.addRow(aboard)
        self.counts[SetKind.VHF_DSC].setValue(1)
        self.problem = Words()
        buttons = QtWidgets.QDialogButtonBox(
            QtWidgets.QDialogButtonBox.StandardButton.Ok | QtWidgets.QDialogButtonBox.StandardButton.Cancel
        )
        buttons.button(QtWidgets.QDialogButtonBox.StandardButton.Ok).setText("&Make the visit")
        buttons.accepted.connect(self.make)
        buttons.rejected.connect(self.reject)
        column = QtWidgets.QVBoxLayout(self)
        column.addLayout(form)
        column.addWidget(self.problem)
        column.addStretch(1)
        column.addWidget(buttons)
        give_room(self, 70, 20)

    def _name_folder(self) -> None:
        from sdrcheck.evidence.bundle import safe_name

        self.folder.setText(str(self._inside / safe_name(self.ship.text().strip().lower())))

    def _browse(self) -> None:
        inside = QtWidgets.QFileDialog.getExistingDirectory(self, "Where to make the visit's folder", str(self._inside))
        if inside:
            self._inside = Path(inside)
            self._name_folder()

    def make(self) -> None:
        """Make the visit, or say what is missing."""
        ship, who, folder = (field.text().strip() for field in (self.ship, self.who, self.folder))
        if not (ship and who and folder):
            self.problem.say("⚠ Name the ship, who does the job, and the folder.")
            return
        kinds = tuple(kind for kind, box in self.counts.items() for _ in range(box.value()))
        try:
            visit_work.make_visit(Path(folder), ship, who, kinds)
        except (SdrcheckError, OSError) as problem:
            self.problem.say(f"⚠ {problem}")
            return
        self.made = Path(folder)
        self.accept()
