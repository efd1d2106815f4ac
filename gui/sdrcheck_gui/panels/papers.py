"""The papers: fields of the visit file, changed in place; its comments and order stay the user's own."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import msgspec

from sdrcheck.errors import SdrcheckError
from sdrcheck.visits import document, ship
from sdrcheck_gui.look import Look
from sdrcheck_gui.panels.text import Words, give_room
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

_GROUPS = ("ship", "job")


class PapersPage(QtWidgets.QDialog):
    """A table of fields and values. What is typed is written at once, if the whole file is still valid with it."""

    def __init__(self, parent: QtWidgets.QWidget | None, path: Path, look: Look) -> None:
        super().__init__(parent)
        self._path = path
        self.setWindowTitle("Papers")
        self.tree = QtWidgets.QTreeWidget()
        self.tree.setHeaderLabels(["field", "value"])
        self.tree.setAccessibleName("fields of the visit file")
        self.tree.setEditTriggers(QtWidgets.QAbstractItemView.EditTrigger.AllEditTriggers)
        self.problem, self.doubts = Words(), Words()
        self.doubts.setAccessibleName("what in the papers should be looked at")
        self.problem.frame(look.warning)
        whole = QtWidgets.QPushButton("Open the &file itself")
        whole.setToolTip("Open visit.toml in a text editor, for what is not listed here")
        whole.clicked.connect(
            lambda: QtGui.QDesktopServices.openUrl(QtCore.QUrl.fromLocalFile(str(document.locate(path))))
        )
        buttons = QtWidgets.QDialogButtonBox(QtWidgets.QDialogButtonBox.StandardButton.Close)
        buttons.addButton(whole, QtWidgets.QDialogButtonBox.ButtonRole.ActionRole)
        buttons.rejected.connect(self.reject)
        column = QtWidgets.QVBoxLayout(self)
        column.addWidget(self.tree, 1)
        column.addWidget(self.problem)
        column.addWidget(self.doubts)
        column.addWidget(buttons)
        give_room(self, 90, 40)
        self._fill()
        self.tree.itemChanged.connect(self._changed)

    def _fill(self) -> None:
        try:
            visit = document.load(self._path)
        except SdrcheckError as problem:
            self.problem.say(f"⚠ {problem}")
            return
        self.tree.blockSignals(True)
        self.tree.clear()
        for name in _GROUPS:
            self._add_group(name, name, getattr(visit, name))
        for radio in visit.sets:
            self._add_group(f"sets.{radio.id}", radio.title, radio)
        self.tree.expandAll()
        self.tree.resizeColumnToContents(0)
        self.tree.blockSignals(False)
        doubts = ship.doubts(visit, dt.datetime.now(dt.UTC).date())
        self.doubts.say("\n".join(f"• {doubt.sentence}" for doubt in doubts))

    def _add_group(self, path: str, title: str, struct: msgspec.Struct) -> None:
        group = QtWidgets.QTreeWidgetItem([title])
        group.setFlags(QtCore.Qt.ItemFlag.ItemIsEnabled)
        self.tree.addTopLevelItem(group)
        group.setFirstColumnSpanned(True)
        for field in msgspec.structs.fields(struct):
            text = as_written(getattr(struct, field.name))
            if text is None or field.name == "id":
                continue
            row = QtWidgets.QTreeWidgetItem([in_words(field.name), text])
            row.setData(0, QtCore.Qt.ItemDataRole.UserRole, f"{path}.{field.name}")
            row.setFlags(row.flags() | QtCore.Qt.ItemFlag.ItemIsEditable)
            row.setToolTip(0, f"{path}.{field.name}")
            group.addChild(row)

    def _changed(self, row: QtWidgets.QTreeWidgetItem, column: int) -> None:
        field = row.data(0, QtCore.Qt.ItemDataRole.UserRole)
        if column == 1 and field:
            self.change(field, row.text(1).strip())

    def change(self, field: str, value: str) -> None:
        """Write one field, or say why it cannot be that."""
        try:
            document.change(self._path, field, value)
        except (SdrcheckError, OSError) as problem:
            self.problem.say(f"⚠ {problem}")
        else:
            self.problem.say("")
        QtCore.QTimer.singleShot(0, self._fill)


_SPELLED = {"mmsi": "MMSI", "imo": "IMO", "dsc": "DSC", "w": "(W)", "ais": "AIS", "utc": "UTC"}


def in_words(field: str) -> str:
    """A field's name as one reads it: `rated_power_w` is `rated power (W)`."""
    return " ".join(_SPELLED.get(word, word) for word in field.split("_"))


def as_written(value: Any) -> str | None:
    """A value as one writes it into the file; None where it is not one line."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, (str, int, float, dt.date)):
        return str(value)
    if isinstance(value, tuple) and all(isinstance(one, str) for one in value):
        return "[" + ", ".join(f'"{one}"' for one in value) + "]"
    return None
