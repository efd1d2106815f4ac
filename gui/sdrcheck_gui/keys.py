"""Every key of the window in one table; what is bound is listed, and what is listed is bound."""

from __future__ import annotations

from sdrcheck_gui.panels.text import give_room
from sdrcheck_gui.qt import QtGui, QtWidgets

KEYS = {  # key -> what it does
    "F1": "this page",
    "F2": "set up: source, attenuator chain, frequency reference",
    "Ctrl+R": "start the source again",
    "F3": "keep the last minutes as a recording",
    "M": "mark the chosen keying: it is kept, and stays on the tape",
    "L": "listen, and stop listening",
    "P": "hold the peaks of the spectrum, and clear them",
    "End": "follow the newest moment",
    "Home": "show the whole span of the source",
    "Ctrl+Left": "earlier",
    "Ctrl+Right": "later",
    "Ctrl+Up": "less time on the screen",
    "Ctrl+Down": "more time on the screen",
    "Ctrl+Shift+Up": "less of the band on the screen",
    "Ctrl+Shift+Down": "more of the band on the screen",
    "F5": "to the curves",
    "F6": "to the tape",
    "F7": "to the readings",
    "F8": "to the content",
    "F9": "to the visit",
    "Ctrl+Shift+C": "copy the readings as text",
    "Ctrl+O": "open a visit",
    "Ctrl+Return": "attach the chosen keying to the chosen check",
    "Ctrl+H": "hands-free run",
    "Ctrl++": "larger text",
    "Ctrl+-": "smaller text",
    "Ctrl+0": "text of the usual size",
    "Ctrl+D": "dark, and light again",
    "Ctrl+Q": "close the window",
}

ELSEWHERE = {  # keys that belong to one part of the window
    "Left, Right on the tape": "the keying before, the keying after",
    "Up, Down on the tape": "the channel above, the channel below",
    "Up, Down on the readings": "the reading above, the reading below, each with the source of its limit",
    "Tab": "from one field to the next",
    "Alt and an underlined letter": "to the field of that name",
    "Esc": "leave the hands-free run",
    "mouse wheel, drag on the band": "closer or wider, moved; on an axis one way only",
}


class KeysPage(QtWidgets.QDialog):
    """The page of keys."""

    def __init__(self, parent: QtWidgets.QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("Keys")
        table = QtWidgets.QTableWidget(len(KEYS) + len(ELSEWHERE), 2)
        table.setHorizontalHeaderLabels(["key", "what it does"])
        table.verticalHeader().hide()
        table.setEditTriggers(QtWidgets.QAbstractItemView.EditTrigger.NoEditTriggers)
        table.setSelectionMode(QtWidgets.QAbstractItemView.SelectionMode.NoSelection)
        table.setAccessibleName("keys and what they do")
        shown = {
            QtGui.QKeySequence(key).toString(QtGui.QKeySequence.SequenceFormat.NativeText): KEYS[key] for key in KEYS
        }
        for row, (key, does) in enumerate((shown | ELSEWHERE).items()):
            table.setItem(row, 0, QtWidgets.QTableWidgetItem(key))
            table.setItem(row, 1, QtWidgets.QTableWidgetItem(does))
        table.horizontalHeader().setSectionResizeMode(0, QtWidgets.QHeaderView.ResizeMode.ResizeToContents)
        table.horizontalHeader().setSectionResizeMode(1, QtWidgets.QHeaderView.ResizeMode.Stretch)
        table.verticalHeader().setSectionResizeMode(QtWidgets.QHeaderView.ResizeMode.ResizeToContents)
        buttons = QtWidgets.QDialogButtonBox(QtWidgets.QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.reject)
        column = QtWidgets.QVBoxLayout(self)
        column.addWidget(table)
        column.addWidget(buttons)
        self.table = table
        give_room(self, 100, 38)
