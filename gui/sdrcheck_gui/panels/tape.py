"""The tape: below the band on the same time axis, one lane a keyed channel, every keying a block with what it was."""

from __future__ import annotations

from sdrcheck_gui.keyings import Keying, Keyings
from sdrcheck_gui.look import Look
from sdrcheck_gui.panels.band import BandPanel
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

_SHORTEST_BLOCK_PX = 7.0


class Lanes(QtWidgets.QWidget):
    """Paints the blocks and says which one was chosen, by mouse or by arrow keys."""

    chosen = QtCore.Signal(int)

    def __init__(self, keyings: Keyings, look: Look) -> None:
        super().__init__()
        self._keyings, self._look = keyings, look
        self._low, self._high, self._now = 0.0, 1.0, 0.0
        self._left, self._right = 0, 0
        self._painted: object = None
        self._number: int | None = None
        self._rows: dict[str, int] = {}
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)
        self.setMouseTracking(True)
        self.setAccessibleName("tape of keyings; arrow keys choose one, M marks it")

    @property
    def lane_height(self) -> int:
        return round(self.fontMetrics().height() * 1.55)

    def dress(self, look: Look) -> None:
        self._look = look
        self.update()

    def follow(self, keyings: Keyings) -> None:
        self._keyings, self._number = keyings, None
        self._rows = {}
        self._painted = None
        self.update()

    def set_time(self, low_s: float, high_s: float, now_s: float, left: int, right: int) -> None:
        """Lay the blocks out between two times, with so many pixels beside them; paint where anything has moved."""
        wanted = (low_s, high_s, left, right, self._keyings.changes, now_s if self._keyings.on_the_air else None)
        if wanted == self._painted:
            return
        self._painted = wanted
        self._low, self._high, self._now, self._left, self._right = low_s, high_s, now_s, left, right
        self._rows = {lane: row for row, lane in enumerate(self._keyings.lanes())}
        self.setMinimumHeight(max(len(self._rows), 1) * self.lane_height + 4)
        self.update()

    @property
    def names(self) -> list[str]:
        """Names of the lanes, top to bottom, as they were when the time axis last moved."""
        return list(self._rows)

    def set_chosen(self, number: int | None) -> None:
        self._number = number
        self.update()

    def _x(self, seconds: float) -> float:
        width = self.width() - self._left - self._right
        return self._left + (seconds - self._low) / max(self._high - self._low, 1e-9) * width

    def block_of(self, keying: Keying) -> QtCore.QRectF:
        """Where a keying's block lies."""
        lane = self._rows.get(keying.lane, 0)
        left = self._x(keying.start_s)
        right = self._x(keying.end_s if keying.end_s is not None else max(self._now, keying.start_s))
        wide = max(right - left, _SHORTEST_BLOCK_PX)
        return QtCore.QRectF(left, lane * self.lane_height + 3, wide, self.lane_height - 5)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        painter = QtGui.QPainter(self)
        look = self._look
        painter.fillRect(self.rect(), QtGui.QColor(look.paper))
        lanes = self.names
        if not lanes:
            painter.setPen(QtGui.QColor(look.faint))
            painter.drawText(
                self.rect(), QtCore.Qt.AlignmentFlag.AlignCenter, "nothing keyed yet; every keying will appear here"
            )
            return
        for row, lane in enumerate(lanes):
            top = row * self.lane_height
            if row % 2:
                painter.fillRect(0, top, self.width(), self.lane_height, QtGui.QColor(look.panel))
            painter.setPen(QtGui.QColor(look.ink))
            words = QtCore.QRectF(2, top, self._left - 8, self.lane_height)
            painter.drawText(words, QtCore.Qt.AlignmentFlag.AlignRight | QtCore.Qt.AlignmentFlag.AlignVCenter, lane)
        plain = QtCore.QRectF(self._left, 0, self.width() - self._left - self._right, self.height())
        painter.setClipRect(plain.adjusted(0, 0, self._right, 0))
        nexts: dict[str, float] = {}
        for keying in reversed(list(self._keyings)):
            block = self.block_of(keying)
            if block.right() >= plain.left() and block.left() <= plain.right():
                self._paint_block(painter, keying, block, nexts.get(keying.lane, plain.right() + self._right))
            nexts[keying.lane] = block.left()

    def _paint_block(self, painter: QtGui.QPainter, keying: Keying, block: QtCore.QRectF, next_left: float) -> None:
        """Paint a block, and its words inside it or in the room before the next one."""
        look = self._look
        worst = worst_verdict(keying)
        colour = look.verdict_colour(worst)
        fill = QtGui.QColor(colour)
        fill.setAlpha(70 if keying.transmission else 30)
        painter.setBrush(fill)
        pen = QtGui.QPen(colour, 3.0 if keying.number == self._number else 1.2)
        if worst and "not proven" in worst:
            pen.setStyle(QtCore.Qt.PenStyle.DashLine)
        painter.setPen(pen)
        painter.drawRoundedRect(block, 3, 3)
        mark = "★ " if keying.marked else ""
        sign = {"fail": "✕ ", "fail, not proven": "✕? "}.get(worst or "", "")
        words = mark + sign + keying.label
        metrics = self.fontMetrics()
        inside = metrics.horizontalAdvance(words) + 8 <= block.width()
        left = block.left() + 4 if inside else block.right() + 4
        room = block.width() - 8 if inside else next_left - left - 4
        if room < metrics.horizontalAdvance("mm…"):
            return
        text = metrics.elidedText(words, QtCore.Qt.TextElideMode.ElideRight, int(min(room, 260)))
        painter.setPen(QtGui.QColor(look.ink))
        where = QtCore.QRectF(left, block.top(), room, block.height())
        painter.drawText(where, QtCore.Qt.AlignmentFlag.AlignVCenter | QtCore.Qt.AlignmentFlag.AlignLeft, text)

    def _at(self, place: QtCore.QPointF) -> Keying | None:
        under = [k for k in self._keyings if self.block_of(k).adjusted(-3, -2, 3, 2).contains(place)]
        return under[-1] if under else None

    def mousePressEvent(self, event: QtGui.QMouseEvent) -> None:
        self.setFocus()
        found = self._at(event.position())
        if found is not None:
            self.chosen.emit(found.number)

    def mouseReleaseEvent(self, event: QtGui.QMouseEvent) -> None:
        event.accept()

    def event(self, event: QtCore.QEvent) -> bool:
        if event.type() == QtCore.QEvent.Type.ToolTip and isinstance(event, QtGui.QHelpEvent):
            found = self._at(QtCore.QPointF(event.pos()))
            if found is None:
                QtWidgets.QToolTip.hideText()
            else:
                length = "on the air" if found.end_s is None else f"{found.end_s - found.start_s:.3g} s"
                QtWidgets.QToolTip.showText(event.globalPos(), f"{found.lane}: {found.label}, {length}", self)
            return True
        return super().event(event)

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:
        step = {QtCore.Qt.Key.Key_Left: -1, QtCore.Qt.Key.Key_Right: 1}.get(QtCore.Qt.Key(event.key()))
        hop = {QtCore.Qt.Key.Key_Up: -1, QtCore.Qt.Key.Key_Down: 1}.get(QtCore.Qt.Key(event.key()))
        if step is not None:
            self._step(list(self._keyings), step)
        elif hop is not None:
            self._hop(hop)
        else:
            super().keyPressEvent(event)

    def _step(self, keyings: list[Keying], step: int) -> None:
        if not keyings:
            return
        numbers = [keying.number for keying in keyings]
        if self._number in numbers:
            place = min(max(numbers.index(self._number) + step, 0), len(numbers) - 1)
        else:
            place = len(numbers) - 1 if step < 0 else 0
        self.chosen.emit(numbers[place])

    def _hop(self, hop: int) -> None:
        lanes, now = self.names, self._keyings.get(self._number)
        if now is None or now.lane not in self._rows:
            return
        row = self._rows[now.lane] + hop
        if 0 <= row < len(lanes):
            there = [keying for keying in self._keyings if keying.lane == lanes[row]]
            self.chosen.emit(min(there, key=lambda keying: abs(keying.start_s - now.start_s)).number)


class TapePanel(QtWidgets.QScrollArea):
    """The lanes, scrolled up and down where there are many, in step with the band's time axis."""

    def __init__(self, keyings: Keyings, band: BandPanel, look: Look) -> None:
        super().__init__()
        self._keyings, self._band = keyings, band
        self.lanes = Lanes(keyings, look)
        self.setWidget(self.lanes)
        self.setWidgetResizable(True)
        self.setFrameShape(QtWidgets.QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusProxy(self.lanes)

    def follow(self, keyings: Keyings) -> None:
        """Show another source's keyings from now on."""
        self._keyings = keyings
        self.lanes.follow(keyings)

    def refresh(self, now_s: float) -> None:
        """Paint anew for the present time axis."""
        low, high = self._band.plot.viewRange()[0]
        beside = self.width() - self.viewport().width()  # the scroll bar takes its room from the right
        self.lanes.set_time(low, high, now_s, self._band.left_width, self._band.right_width - beside)
        self._band.name_lanes(set(self.lanes.names))

    def show_chosen(self, keying: Keying | None) -> None:
        self.lanes.set_chosen(keying.number if keying else None)
        if keying is not None:
            place = self.lanes.block_of(keying)
            self.ensureVisible(0, round(place.center().y()), 0, self.lanes.lane_height)


_ORDER = ("fail", "fail, not proven", "pass, not proven", "pass")


def worst_verdict(keying: Keying) -> str | None:
    """The gravest verdict among a keying's readings; None where nothing was judged."""
    if keying.transmission is None:
        return None
    given = {reading.verdict for reading in keying.transmission.readings}
    return next((verdict for verdict in _ORDER if verdict in given), None)
