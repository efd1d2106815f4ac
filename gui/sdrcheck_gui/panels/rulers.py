"""Reading rulers: a row a quantity, the limit's span as a bar, the value as a tick, its uncertainty as a whisker."""

from __future__ import annotations

from sdrcheck.findings.inspection import Kind, Reading
from sdrcheck.findings.wording import format_limit, format_place, format_reading, format_verdict
from sdrcheck.recordings.utc import utc_moment
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.look import Look
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

_ROOMY_EMS = 26
_RULE_SHARE = 0.52
_LONGEST_VERDICT = "pass, not proven"
_LEFT = QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignVCenter
_RIGHT = QtCore.Qt.AlignmentFlag.AlignRight | QtCore.Qt.AlignmentFlag.AlignVCenter
_HEAD = "Choose a keying on the tape to see its readings."


def span_of(reading: Reading) -> tuple[float, float]:
    """The stretch that a ruler shows: the limit's span with room on both sides, or the value's own surroundings."""
    limit = reading.limit
    value, reach = reading.value, reading.uncertainty
    if limit is None:
        width = max(3 * reach, abs(value) * 0.05, 1e-9)
        return value - width, value + width
    if limit.low is not None and limit.high is not None:
        room = (limit.high - limit.low) * 0.35
        return limit.low - room, limit.high + room
    edge = limit.high if limit.high is not None else limit.low
    assert edge is not None
    width = max(abs(edge) * 0.5, abs(value - edge) * 1.25, 1.5 * reach, 1e-9)
    return edge - width, edge + width


class Ruler(QtWidgets.QWidget):
    """One reading, painted and said."""

    def __init__(self, reading: Reading, look: Look) -> None:
        super().__init__()
        self.reading, self._look = reading, look
        limit = reading.limit
        words = [f"{reading.quantity}: {format_reading(reading)}, expanded uncertainty (k = 2)."]
        if limit is not None:
            words.append(f"Limit {format_limit(limit, reading.unit)} ({limit.standing}; {limit.source}).")
            if limit.mark != "S":
                words.append(f"The limit's value is marked [{limit.mark}]: not seen in the document itself.")
        words.append(f"Verdict: {format_verdict(reading)}.")
        if reading.method:
            words.append(f"Method: {reading.method}.")
        words.extend(f"  {term.name}: u = {term.standard:.3g} {reading.unit}" for term in reading.terms)
        self.setToolTip("\n".join(words))
        self.setAccessibleName(words[0])
        self.setAccessibleDescription("\n".join(words[1:]))
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.TabFocus)

    def _roomy(self, width: int) -> bool:
        """Whether quantity, value and verdict stand in one line, with the limit beside the rule beneath."""
        return width >= _ROOMY_EMS * self.fontMetrics().height()

    def hasHeightForWidth(self) -> bool:
        return True

    def heightForWidth(self, width: int) -> int:
        lines = 1.5 if self.reading.limit is None else 2.45 if self._roomy(width) else 3.4
        return round(lines * self.fontMetrics().height())

    def sizeHint(self) -> QtCore.QSize:
        return QtCore.QSize(300, self.heightForWidth(300))

    def minimumSizeHint(self) -> QtCore.QSize:
        return QtCore.QSize(120, self.heightForWidth(self.width()))

    def focusInEvent(self, event: QtGui.QFocusEvent) -> None:
        super().focusInEvent(event)
        if event.reason() != QtCore.Qt.FocusReason.MouseFocusReason:
            below = self.mapToGlobal(QtCore.QPoint(12, self.height()))
            QtWidgets.QToolTip.showText(below, self.toolTip(), self)
        self.update()

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:
        if event.key() == QtCore.Qt.Key.Key_Down:
            self.focusNextChild()
        elif event.key() == QtCore.Qt.Key.Key_Up:
            self.focusPreviousChild()
        else:
            super().keyPressEvent(event)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
        look, reading, metrics = self._look, self.reading, self.fontMetrics()
        line, width = metrics.height(), self.width()
        roomy = self._roomy(width)
        verdict_room = metrics.horizontalAdvance(_LONGEST_VERDICT) + 12
        value_end = width - 4 - (verdict_room if roomy else 0)
        value = format_reading(reading)
        painter.setPen(QtGui.QColor(look.ink))
        painter.drawText(QtCore.QRectF(4, 2, value_end - 4, line), _RIGHT, value)
        room = value_end - 16 - metrics.horizontalAdvance(value)
        name = metrics.elidedText(reading.quantity, QtCore.Qt.TextElideMode.ElideRight, room)
        painter.drawText(QtCore.QRectF(4, 2, value_end - 4, line), _LEFT, name)
        if self.hasFocus():
            painter.setPen(QtGui.QPen(QtGui.QColor(look.accent), 1, QtCore.Qt.PenStyle.DotLine))
            painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
        if reading.limit is None:
            return
        small = QtGui.QFont(self.font())
        small.setPointSizeF(small.pointSizeF() * 0.82)
        note = f"{format_limit(reading.limit, reading.unit)} · {reading.limit.standing}"
        if roomy:
            rule_end = width * _RULE_SHARE
            said = QtCore.QRectF(width - verdict_room, 2, verdict_room - 4, line)
            noted = QtCore.QRectF(rule_end + 14, line + 2, width - rule_end - 18, line)
        else:
            rule_end = float(width - verdict_room - 8)
            said = QtCore.QRectF(width - verdict_room, line + 2, verdict_room - 4, line)
            noted = QtCore.QRectF(8, 2 * line + 3, width - 12, line)
        self._paint_rule(painter, QtCore.QRectF(12, line + 5, rule_end - 12, line * 0.8))
        painter.setPen(look.verdict_ink(reading.verdict))
        font = QtGui.QFont(self.font())
        font.setBold(reading.verdict in ("pass", "fail"))
        painter.setFont(font)
        painter.drawText(said, _RIGHT, format_verdict(reading))
        painter.setFont(small)
        painter.setPen(QtGui.QColor(look.faint))
        written = QtGui.QFontMetrics(small).elidedText(note, QtCore.Qt.TextElideMode.ElideRight, int(noted.width()))
        painter.drawText(noted, _LEFT, written)

    def _paint_rule(self, painter: QtGui.QPainter, place: QtCore.QRectF) -> None:
        look, reading, limit = self._look, self.reading, self.reading.limit
        assert limit is not None
        low, high = span_of(reading)

        def x(value: float) -> float:
            return place.left() + min(max((value - low) / (high - low), 0.0), 1.0) * place.width()

        first = x(limit.low) if limit.low is not None else place.left()
        last = x(limit.high) if limit.high is not None else place.right()
        bar = QtCore.QRectF(first, place.top() + 2, last - first, place.height() - 4)
        painter.fillRect(bar, QtGui.QColor(look.limit))
        painter.setPen(QtGui.QPen(QtGui.QColor(look.faint), 1))
        middle = place.center().y()
        painter.drawLine(QtCore.QPointF(place.left(), middle), QtCore.QPointF(place.right(), middle))
        for edge in (limit.low, limit.high):
            if edge is not None:
                painter.drawLine(QtCore.QPointF(x(edge), place.top()), QtCore.QPointF(x(edge), place.bottom()))
        colour = look.verdict_colour(reading.verdict)
        painter.setPen(QtGui.QPen(colour, 1.6))
        lower, upper = x(reading.value - reading.uncertainty), x(reading.value + reading.uncertainty)
        painter.drawLine(QtCore.QPointF(lower, middle), QtCore.QPointF(upper, middle))
        for end in (lower, upper):
            painter.drawLine(QtCore.QPointF(end, middle - 3), QtCore.QPointF(end, middle + 3))
        tick = x(reading.value)
        if low <= reading.value <= high:
            painter.setPen(QtGui.QPen(colour, 3))
            painter.drawLine(QtCore.QPointF(tick, place.top() - 1), QtCore.QPointF(tick, place.bottom() + 1))
            return
        side = 1 if reading.value > high else -1  # off the ruler: an arrow says which way
        painter.setBrush(colour)
        painter.setPen(QtCore.Qt.PenStyle.NoPen)
        painter.drawPolygon(
            [
                QtCore.QPointF(tick + 6 * side, middle),
                QtCore.QPointF(tick - 5 * side, middle - 6),
                QtCore.QPointF(tick - 5 * side, middle + 6),
            ]
        )


class RulersPanel(QtWidgets.QWidget):
    """All readings of the chosen transmission; what is judged stands first."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._keying: Keying | None = None
        self.heading = QtWidgets.QLabel(_HEAD)
        self.heading.setWordWrap(True)
        self.heading.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.copy_button = QtWidgets.QPushButton("Copy as text")
        self.copy_button.setToolTip("Copy all readings with units, uncertainties, limits and verdicts (Ctrl+Shift+C)")
        self.copy_button.clicked.connect(self.copy)
        self.copy_button.setEnabled(False)
        top = QtWidgets.QHBoxLayout()
        top.addWidget(self.heading, 1)
        top.addWidget(self.copy_button)
        self._rows = QtWidgets.QVBoxLayout()
        self._rows.setContentsMargins(0, 0, 0, 0)
        self._rows.setSpacing(0)
        inner = QtWidgets.QWidget()
        outer = QtWidgets.QVBoxLayout(inner)
        outer.setContentsMargins(0, 0, 6, 0)
        outer.addLayout(self._rows)
        outer.addStretch(1)
        scroll = QtWidgets.QScrollArea()
        scroll.setWidget(inner)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QtWidgets.QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(4, 4, 4, 0)
        column.addLayout(top)
        column.addWidget(scroll, 1)

    def dress(self, look: Look) -> None:
        self._look = look
        self.show_chosen(self._keying)

    def rulers(self) -> list[Ruler]:
        """The rows as they stand, top to bottom."""
        items = [self._rows.itemAt(place) for place in range(self._rows.count())]
        widgets = [item.widget() for item in items if item is not None]
        return [widget for widget in widgets if isinstance(widget, Ruler)]

    def show_chosen(self, keying: Keying | None) -> None:
        """Show the readings of a keying, or how to choose one."""
        self._keying = keying
        while (item := self._rows.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.hide()
                widget.deleteLater()
        self.copy_button.setEnabled(False)
        if keying is None:
            self.heading.setText(_HEAD)
            return
        if keying.transmission is None:
            self.heading.setText(f"{keying.lane}: on the air; its readings come when it ends.")
            return
        found = keying.transmission
        what = f"{found.kind}, {found.condition}" if found.kind is Kind.VOICE else str(found.kind)
        when = f", {utc_moment(found.start_utc):%H:%M:%S} UTC" if found.start_utc else ""
        self.heading.setText(f"{format_place(found)}: {what}, {found.duration_s:.3g} s{when}")
        self.copy_button.setEnabled(bool(found.readings))
        for reading in sorted(found.readings, key=lambda reading: reading.limit is None):
            self._rows.addWidget(Ruler(reading, self._look))
        rulers = self.rulers()
        self.setFocusProxy(rulers[0] if rulers else None)

    def text(self) -> str:
        """All readings, a line each, for the clipboard."""
        lines = [self.heading.text()]
        for ruler in self.rulers():
            reading = ruler.reading
            parts = [reading.quantity, format_reading(reading)]
            if reading.limit is not None:
                limit = reading.limit
                parts += [
                    format_limit(limit, reading.unit),
                    format_verdict(reading),
                    f"{limit.standing}, {limit.source}",
                ]
            lines.append("\t".join(parts))
        return "\n".join(lines)

    def copy(self) -> None:
        QtGui.QGuiApplication.clipboard().setText(self.text())
