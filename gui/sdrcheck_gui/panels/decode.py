"""Content: a call as sentences and as the grid of its symbols, or a navigational text as it arrives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.decoders.navtex.text import LOST
from sdrcheck.evidence.masking import Mask
from sdrcheck.findings.call_words import grid, sentences
from sdrcheck.findings.inspection import Transmission
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


class CopiedText(QtWidgets.QPlainTextEdit):
    """Text to be read. Where something else may be copied of it, that is copied whole, whatever was selected."""

    def __init__(self) -> None:
        super().__init__()
        self.setReadOnly(True)
        self.copied: str | None = None

    def createMimeDataFromSelection(self) -> QtCore.QMimeData:
        if self.copied is None:
            return super().createMimeDataFromSelection()
        data = QtCore.QMimeData()
        data.setText(self.copied)
        return data


class DecodePanel(QtWidgets.QWidget):
    """What the chosen transmission said. It is shown whole; copied, other stations' calls are masked unless asked."""

    def __init__(self, look: Look, own: Callable[[], frozenset[str]] = frozenset) -> None:
        """`own` tells which identities are those of the ship under test."""
        super().__init__()
        self._look, self._own = look, own
        self._masked: str | None = None
        self._keying: Keying | None = None
        self._shown: tuple[object, ...] = ()
        self.which = QtWidgets.QComboBox()
        self.which.setAccessibleName("which call or message of this keying")
        self.which.currentIndexChanged.connect(self._show_part)
        self.words = CopiedText()
        self.words.setAccessibleName("the content in words")
        option = self.words.document().defaultTextOption()
        option.setTextDirection(QtCore.Qt.LayoutDirection.LeftToRight)  # words of the other direction turn no page
        self.words.document().setDefaultTextOption(option)
        self.printout_button = QtWidgets.QPushButton("The ship's print-out …")
        self.printout_button.setToolTip("Hold what the ship's own receiver printed against these messages")
        self.printout_button.clicked.connect(self._ask_printout)
        self.others = QtWidgets.QCheckBox("cop&y it whole")
        self.others.setToolTip(
            "Copied text does not hold other stations' identities and positions; tick it only where they are needed"
        )
        self.others.toggled.connect(self._let_copy)
        self.grid = Grid()
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(4, 4, 4, 4)
        column.addWidget(self.which)
        column.addWidget(self.words, 1)
        column.addWidget(self.others)
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
        self.others.setChecked(False)
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
        self._mask_copies(None)
        if self._keying is None:
            self.words.setPlainText("")
            self.words.setPlaceholderText("Choose a keying on the tape to see what it said.")
            return
        found = self._keying.transmission
        if found is None:
            self._show_arriving()
            return
        self.words.setPlaceholderText("")
        shown, masked = _told(found, index), _told(Mask(self._own()).transmission(found), index)
        self._say(shown)
        self._mask_copies(None if masked == shown else masked.text)
        part = self._shown[index] if index < len(self._shown) else None
        if isinstance(part, Call):
            self.grid.show_call(part, self._look)
            self.grid.setVisible(bool(part.symbols or part.first_copy))

    def _mask_copies(self, text: str | None) -> None:
        """Let this be copied in place of what is shown; None where all of it may be."""
        self._masked = text
        self.others.setVisible(text is not None)
        self._let_copy(self.others.isChecked())

    def _let_copy(self, whole: bool) -> None:
        self.words.copied = None if whole or self._masked is None else harmless(self._masked)

    def _show_arriving(self) -> None:
        assert self._keying is not None
        text = harmless(self._keying.text)
        bar = self.words.verticalScrollBar()
        at_end = bar.value() >= bar.maximum() - 2
        self.words.setPlainText(text or "On the air …")
        self._mark_lost(LOST)
        if at_end:
            self.words.moveCursor(QtGui.QTextCursor.MoveOperation.End)

    def _say(self, told: _Told) -> None:
        self.words.setPlainText(harmless(told.text))
        self._mark_lost(LOST if told.body else "", len(harmless(told.head)))

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


@dataclass(frozen=True, slots=True)
class _Told:
    """What a call or a message said, in words."""

    head: str
    remarks: tuple[str, ...]
    body: str = ""

    @property
    def text(self) -> str:
        text = self.head
        if self.body:
            text += f"\n\n{self.body}"
        if self.remarks:
            text += "\n\nTo look at:\n" + "\n".join(f"• {remark}" for remark in dict.fromkeys(self.remarks))
        return text


def _told(found: Transmission, index: int) -> _Told:
    """The words of one call or message of a transmission, or of one that has none."""
    parts = (*found.calls, *found.messages)
    if index >= len(parts):
        return _Told("No call and no message in it.", found.remarks, found.stray_text)
    part = parts[index]
    head = "\n".join(sentences(part)) if isinstance(part, Call) else _message_head(part)
    return _Told(head, (*part.remarks, *found.remarks), "" if isinstance(part, Call) else part.body)


def _message_head(message: Message) -> str:
    receiver = message.ordinary_receiver
    ratio = "" if message.character_error_ratio is None else f" ({100 * message.character_error_ratio:.2g} %)"
    return (
        f"Station {message.station or '?'}, subject {message.subject or '?'}, number {message.number or '??'}; "
        f"{'complete.' if message.complete else 'the end was not received.'}\n"
        f"{message.characters} characters, {message.character_errors} lost in both copies{ratio}, "
        f"{message.character_errors_repaired} still lost after both copies together; a lost one is *.\n"
        f"A ship's receiver would have {'printed' if receiver.printed else 'not printed'} and "
        f"{'stored' if receiver.stored else 'not stored'} it{', with its alarm' if receiver.alarm else ''}: "
        f"{receiver.reason.rstrip('.')}."
    )
