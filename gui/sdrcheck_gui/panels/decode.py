"""Content: a call as sentences and as the grid of its symbols, or a navigational text as it arrives."""

from __future__ import annotations

from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.decoders.navtex.text import LOST
from sdrcheck.findings.call_words import grid, sentences
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.look import Look
from sdrcheck_gui.panels.printout import PrintoutPage
from sdrcheck_gui.panels.text import harmless
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

_MOST_MARKS = 500
_ROWS = ("first", "second", "accepted")


class Grid(QtWidgets.QTableWidget):
    """Both copies of every symbol above what was accepted; bad ones are struck, combined ones framed by words."""

    def __init__(self) -> None:
        super().__init__(len(_ROWS), 0)
        self.setVerticalHeaderLabels(list(_ROWS))
        self.setEditTriggers(QtWidgets.QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionMode(QtWidgets.QAbstractItemView.SelectionMode.NoSelection)
        self.setTextElideMode(QtCore.Qt.TextElideMode.ElideNone)
        self.setAccessibleName("symbol grid: both copies of each symbol and what was accepted")
        self._fit_font()

    def changeEvent(self, event: QtCore.QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QtCore.QEvent.Type.FontChange:
            self._fit_font()

    def _fit_font(self) -> None:
        metrics = self.fontMetrics()
        line = round(metrics.height() * 1.4)
        self.horizontalHeader().setMinimumSectionSize(10)
        self.horizontalHeader().setDefaultSectionSize(metrics.horizontalAdvance("000") + 8)
        self.verticalHeader().setMinimumSectionSize(10)
        self.verticalHeader().setDefaultSectionSize(line)
        self.horizontalHeader().setFixedHeight(line)
        self.setFixedHeight(line * (len(_ROWS) + 1) + self.horizontalScrollBar().sizeHint().height() + 4)

    def show_call(self, call: Call, look: Look) -> None:
        cells = grid(call)
        self.setColumnCount(len(cells))
        self.setHorizontalHeaderLabels([str(place) for place in range(len(cells))])
        for place, cell in enumerate(cells):
            for row, value in enumerate((cell.first, cell.second, cell.accepted)):
                item = QtWidgets.QTableWidgetItem("✕" if value is None else f"{value:02d}")
                item.setTextAlignment(QtCore.Qt.AlignmentFlag.AlignCenter)
                if value is None:
                    item.setForeground(look.verdict_ink("fail"))
                    item.setToolTip("its own check bits did not fit" if row < 2 else "lost")
                elif row < 2 and cell.accepted is not None and value != cell.accepted:
                    item.setForeground(look.verdict_ink("fail, not proven"))
                    item.setText(f"{value:02d}≠")
                    item.setToolTip("a valid word, but not the one that was accepted")
                elif row == 2 and cell.combined:
                    font = item.font()
                    font.setBold(True)
                    item.setFont(font)
                    item.setText(f"{value:02d}+")
                    item.setToolTip("recovered only from both copies together")
                self.setItem(row, place, item)


class DecodePanel(QtWidgets.QWidget):
    """What the chosen transmission said."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._keying: Keying | None = None
        self._shown: tuple[object, ...] = ()
        self.which = QtWidgets.QComboBox()
        self.which.setAccessibleName("which call or message of this keying")
        self.which.currentIndexChanged.connect(self._show_part)
        self.words = QtWidgets.QPlainTextEdit()
        self.words.setReadOnly(True)
        self.words.setAccessibleName("the content in words")
        option = self.words.document().defaultTextOption()
        option.setTextDirection(QtCore.Qt.LayoutDirection.LeftToRight)  # words of the other direction turn no page
        self.words.document().setDefaultTextOption(option)
        self.printout_button = QtWidgets.QPushButton("The ship's print-out …")
        self.printout_button.setToolTip("Hold what the ship's own receiver printed against these messages")
        self.printout_button.clicked.connect(self._ask_printout)
        self.grid = Grid()
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(4, 4, 4, 4)
        column.addWidget(self.which)
        column.addWidget(self.words, 1)
        column.addWidget(self.printout_button)
        column.addWidget(self.grid)
        self.setFocusProxy(self.words)
        self.show_chosen(None)

    def dress(self, look: Look) -> None:
        self._look = look
        self.show_chosen(self._keying)

    def show_chosen(self, keying: Keying | None) -> None:
        """Show a keying's calls, messages or the text that is arriving."""
        same = keying is not None and self._keying is keying and keying.transmission is None
        self._keying = keying
        if same:
            self._show_arriving()
            return
        self._shown = ()
        if keying is not None and keying.transmission is not None:
            self._shown = (*keying.transmission.calls, *keying.transmission.messages)
        self.which.blockSignals(True)
        self.which.clear()
        for number, part in enumerate(self._shown, 1):
            self.which.addItem(f"{number} of {len(self._shown)}: {self._name(part)}")
        self.which.blockSignals(False)
        self.which.setVisible(len(self._shown) > 1)
        self.printout_button.setVisible(any(isinstance(part, Message) for part in self._shown))
        self._show_part(0)

    def _ask_printout(self) -> None:
        if self._keying is not None and self._keying.transmission is not None:
            PrintoutPage(self, (self._keying.transmission,)).show()

    @staticmethod
    def _name(part: object) -> str:
        if isinstance(part, Call):
            return part.type
        assert isinstance(part, Message)
        return f"message {part.station or '?'}{part.subject or '?'}{part.number or '??'}"

    def _show_part(self, index: int) -> None:
        self.grid.setVisible(False)
        if self._keying is None:
            self.words.setPlainText("")
            self.words.setPlaceholderText("Choose a keying on the tape to see what it said.")
            return
        if 0 <= index < len(self._shown):
            part = self._shown[index]
            if isinstance(part, Call):
                self._show_call(part)
            elif isinstance(part, Message):
                self._show_message(part)
        elif self._keying.transmission is None:
            self._show_arriving()
        else:
            self.words.setPlaceholderText("")
            self._say(
                ["No call and no message in it."],
                self._keying.transmission.remarks,
                self._keying.transmission.stray_text,
            )

    def _show_call(self, call: Call) -> None:
        assert self._keying is not None
        assert self._keying.transmission is not None
        self._say(list(sentences(call)), (*call.remarks, *self._keying.transmission.remarks))
        self.grid.show_call(call, self._look)
        self.grid.setVisible(bool(call.symbols or call.first_copy))

    def _show_message(self, message: Message) -> None:
        receiver = message.ordinary_receiver
        ratio = "" if message.character_error_ratio is None else f" ({100 * message.character_error_ratio:.2g} %)"
        lines = [
            f"Station {message.station or '?'}, subject {message.subject or '?'}, number {message.number or '??'}; "
            + ("complete." if message.complete else "the end was not received."),
            f"{message.characters} characters, {message.character_errors} lost in both copies{ratio}, "
            f"{message.character_errors_repaired} still lost after both copies together; a lost one is *.",
            f"A ship's receiver would have {'printed' if receiver.printed else 'not printed'} and "
            f"{'stored' if receiver.stored else 'not stored'} it{', with its alarm' if receiver.alarm else ''}: "
            f"{receiver.reason.rstrip('.')}.",
        ]
        assert self._keying is not None
        assert self._keying.transmission is not None
        self._say(lines, (*message.remarks, *self._keying.transmission.remarks), message.body)

    def _show_arriving(self) -> None:
        assert self._keying is not None
        text = harmless(self._keying.text)
        bar = self.words.verticalScrollBar()
        at_end = bar.value() >= bar.maximum() - 2
        self.words.setPlainText(text or "On the air …")
        self._mark_lost(LOST)
        if at_end:
            self.words.moveCursor(QtGui.QTextCursor.MoveOperation.End)

    def _say(self, lines: list[str], remarks: tuple[str, ...], body: str = "") -> None:
        text = "\n".join(lines)
        before = len(harmless(text))
        if body:
            text += f"\n\n{body}"
        if remarks:
            text += "\n\nTo look at:\n" + "\n".join(f"• {remark}" for remark in dict.fromkeys(remarks))
        self.words.setPlainText(harmless(text))
        self._mark_lost(LOST if body else "", before)

    def _mark_lost(self, sign: str, after: int = 0) -> None:
        """Set off every character that was lost in a text, after so many that only speak of it."""
        document, found = self.words.document(), QtGui.QTextCursor(self.words.document())
        found.setPosition(min(after, len(self.words.toPlainText())))
        marks: list[QtWidgets.QTextEdit.ExtraSelection] = []
        while sign and len(marks) < _MOST_MARKS:
            found = document.find(sign, found)
            if found.isNull():
                break
            mark = QtWidgets.QTextEdit.ExtraSelection()
            mark.cursor = found
            mark.format.setBackground(QtGui.QColor(self._look.warning))
            mark.format.setForeground(QtGui.QColor(self._look.paper))
            marks.append(mark)
        self.words.setExtraSelections(marks)
