"""A row of controls that may be wider than its place: it scrolls sideways and never hides what cannot be reached."""

from __future__ import annotations

from sdrcheck_gui.qt import QtCore, QtWidgets


class Sideways(QtWidgets.QScrollArea):
    """As high as what it holds, and as narrow as anybody likes."""

    def __init__(self, row: QtWidgets.QWidget) -> None:
        super().__init__()
        self._row = row
        self.setWidget(row)
        self.setWidgetResizable(True)
        self.setFrameShape(QtWidgets.QFrame.Shape.NoFrame)
        self.setVerticalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(1)
        row.installEventFilter(self)

    def sizeHint(self) -> QtCore.QSize:
        row = self._row
        height = row.minimumSizeHint().height()
        if row.minimumSizeHint().width() > self.width():
            height += self.horizontalScrollBar().sizeHint().height()
        return QtCore.QSize(row.minimumSizeHint().width(), height)

    minimumSizeHint = sizeHint

    def resizeEvent(self, event: QtCore.QEvent) -> None:
        super().resizeEvent(event)  # type: ignore[arg-type]
        self.updateGeometry()

    def eventFilter(self, watched: QtCore.QObject, event: QtCore.QEvent) -> bool:
        if event.type() == QtCore.QEvent.Type.LayoutRequest:
            self.updateGeometry()
        return super().eventFilter(watched, event)
