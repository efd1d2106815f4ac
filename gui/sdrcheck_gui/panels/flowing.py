"""Widgets side by side, on as many lines as they need: large text or a narrow place hides none of them."""

from __future__ import annotations

from sdrcheck_gui.qt import QtCore, QtWidgets


class Flowing(QtWidgets.QLayout):
    """A row that breaks into lines; what may grow fills its line."""

    def __init__(self, *widgets: QtWidgets.QWidget) -> None:
        super().__init__()
        self._items: list[QtWidgets.QLayoutItem] = []
        self.setContentsMargins(0, 0, 0, 0)
        for widget in widgets:
            self.addWidget(widget)

    def addItem(self, item: QtWidgets.QLayoutItem) -> None:
        self._items.append(item)

    def count(self) -> int:
        return len(self._items)

    def itemAt(self, index: int) -> QtWidgets.QLayoutItem | None:  # type: ignore[override]
        return self._items[index] if 0 <= index < len(self._items) else None

    def takeAt(self, index: int) -> QtWidgets.QLayoutItem | None:  # type: ignore[override]
        return self._items.pop(index) if 0 <= index < len(self._items) else None

    def expandingDirections(self) -> QtCore.Qt.Orientation:
        return QtCore.Qt.Orientation.Horizontal

    def hasHeightForWidth(self) -> bool:
        return True

    def heightForWidth(self, width: int) -> int:
        return self._arrange(QtCore.QRect(0, 0, width, 0), place=False)

    def sizeHint(self) -> QtCore.QSize:
        shown = self._shown()
        width = sum(item.sizeHint().width() for item in shown) + self.spacing() * max(len(shown) - 1, 0)
        return QtCore.QSize(width, max((item.sizeHint().height() for item in shown), default=0))

    def minimumSize(self) -> QtCore.QSize:
        shown = self._shown()
        return QtCore.QSize(
            max((item.minimumSize().width() for item in shown), default=0),
            max((item.minimumSize().height() for item in shown), default=0),
        )

    def setGeometry(self, place: QtCore.QRect) -> None:
        super().setGeometry(place)
        self._arrange(place, place=True)

    def _shown(self) -> list[QtWidgets.QLayoutItem]:
        return [item for item in self._items if not item.isEmpty()]

    def _lines(self, width: int) -> list[list[QtWidgets.QLayoutItem]]:
        lines: list[list[QtWidgets.QLayoutItem]] = []
        left = 0
        for item in self._shown():
            needed = item.sizeHint().width()
            if not lines or needed > left:
                lines.append([])
                left = width
            lines[-1].append(item)
            left -= needed + self.spacing()
        return lines

    def _arrange(self, rect: QtCore.QRect, *, place: bool) -> int:
        """Lay the lines out from the top of a place, or only see how high they are."""
        top = rect.top()
        for line in self._lines(rect.width()):
            height = max(item.sizeHint().height() for item in line)
            spare = rect.width() - sum(item.sizeHint().width() for item in line) - self.spacing() * (len(line) - 1)
            growing = [item for item in line if item.widget() is not None and _grows(item.widget())]
            left = rect.left()
            for item in line:
                more = max(spare, 0) // len(growing) if item in growing else min(spare, 0)
                width = max(item.sizeHint().width() + more, 1)
                if place:
                    item.setGeometry(QtCore.QRect(left, top, width, height))
                left += width + self.spacing()
            top += height + self.spacing()
        return max(top - self.spacing() - rect.top(), 0)


def _grows(widget: QtWidgets.QWidget | None) -> bool:
    grow = QtWidgets.QSizePolicy.PolicyFlag.GrowFlag
    return widget is not None and bool(widget.sizePolicy().horizontalPolicy().value & grow.value)
