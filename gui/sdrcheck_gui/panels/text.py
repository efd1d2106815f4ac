"""Sentences on the screen: plain text that wraps and can be read out; nothing from the air is ever obeyed."""

from __future__ import annotations

import unicodedata

from sdrcheck_gui.look import Look
from sdrcheck_gui.qt import QtCore, QtWidgets

_LONGEST_SHOWN = 50_000


def harmless(text: str) -> str:
    """Text from the air as it may be shown: controls and direction marks are written out, never obeyed."""
    return "".join(
        character
        if character == "\n" or unicodedata.category(character) not in ("Cc", "Cf", "Co", "Cs", "Cn", "Zl", "Zp")
        else f"[U+{ord(character):04X}]"
        for character in text.replace("\r\n", "\n").replace("\r", "\n")[-_LONGEST_SHOWN:]
    )


class Words(QtWidgets.QLabel):
    """Plain sentences; never markup, whatever was received. Hidden while empty."""

    def __init__(self, text: str = "", *, strong: bool = False, small: bool = False) -> None:
        super().__init__()
        self._strong, self._small = strong, small
        self._style = ""
        self.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.setWordWrap(True)
        self.setTextInteractionFlags(QtCore.Qt.TextInteractionFlag.TextSelectableByMouse)
        self.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.MinimumExpanding)
        self._paint("")
        self.setText(text)
        if not text:
            self.hide()

    def say(self, text: str) -> None:
        """Show a text, or nothing."""
        self.setText(text)
        self.setVisible(bool(text))

    def frame(self, colour: str, look: Look) -> None:
        """Set it off by a frame in this colour."""
        self._paint(f"border: 2px solid {colour}; padding: 4px; background: {look.panel}; color: {look.ink};")

    def colour(self, colour: str) -> None:
        self._paint(f"color: {colour};")

    def _paint(self, style: str) -> None:
        weight = "font-weight: bold;" if self._strong else ""
        self.setStyleSheet(f"QLabel {{ {style} {weight} }}")
        if self._small:
            font = self.font()
            font.setPointSizeF(QtWidgets.QApplication.font().pointSizeF() * 0.85)
            self.setFont(font)
