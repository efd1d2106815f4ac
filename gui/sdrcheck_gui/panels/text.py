"""Sentences on the screen: plain text that wraps and can be read out; nothing from the air is ever obeyed."""

from __future__ import annotations

from sdrcheck.evidence.printable import printable
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

_LONGEST_SHOWN = 50_000
_SMALLER = 0.85


def harmless(text: str) -> str:
    """Text from outside as it may be shown, as report and command line show it: what could turn a line is spelled."""
    return printable(text.replace("\r\n", "\n").replace("\r", "\n")[-_LONGEST_SHOWN:], lines=True)


def give_room(dialog: QtWidgets.QDialog, letters: int, lines: int) -> None:
    """Let a dialog be so many letters wide and lines high, where the screen has the room."""
    metrics = QtGui.QFontMetrics(QtWidgets.QApplication.font())
    wanted = QtCore.QSize(letters * metrics.averageCharWidth(), lines * metrics.height())
    dialog.resize(wanted.boundedTo(dialog.screen().availableSize() * 0.9))


class Words(QtWidgets.QLabel):
    """Plain sentences; never markup, whatever was received. Hidden while empty."""

    def __init__(self, text: str = "", *, strong: bool = False, small: bool = False) -> None:
        super().__init__()
        self._small = small
        self._border: QtGui.QColor | None = None
        self.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.setWordWrap(True)
        self.setTextInteractionFlags(QtCore.Qt.TextInteractionFlag.TextSelectableByMouse)
        self.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.MinimumExpanding)
        font = QtGui.QFont()
        font.setBold(strong)
        if strong:
            self.setFont(font)
        self.fit_font()
        self.setText(text)
        if not text:
            self.hide()

    def say(self, text: str) -> None:
        """Show a text, or nothing."""
        self.setText(text)
        self.setVisible(bool(text))

    def frame(self, colour: str) -> None:
        """Set it off by a frame in this colour."""
        self._border = QtGui.QColor(colour)
        self.setMargin(6)
        self.update()

    def colour(self, colour: str) -> None:
        """Write in this colour."""
        palette = QtGui.QPalette()
        palette.setColor(QtGui.QPalette.ColorRole.WindowText, QtGui.QColor(colour))
        self.setPalette(palette)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        super().paintEvent(event)
        if self._border is not None:
            painter = QtGui.QPainter(self)
            painter.setPen(QtGui.QPen(self._border, 2))
            painter.drawRect(self.rect().adjusted(1, 1, -1, -1))

    def fit_font(self) -> None:
        """Follow the size of all text, a little smaller where it is meant to be."""
        if self._small:
            font = QtGui.QFont()
            font.setPointSizeF(QtWidgets.QApplication.font().pointSizeF() * _SMALLER)
            self.setFont(font)
