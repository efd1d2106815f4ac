"""A page of sentences and fields that scrolls up and down, and is as high as its sentences need at its width."""

from __future__ import annotations

from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets


class Page(QtWidgets.QScrollArea):
    """Never scrolls sideways while its widgets have room; what Qt guesses as its height is for the narrowest."""

    def __init__(self, page: QtWidgets.QWidget) -> None:
        super().__init__()
        self._page = page
        self.setWidget(page)
        self.setWidgetResizable(True)
        self.setFrameShape(QtWidgets.QFrame.Shape.NoFrame)
        page.installEventFilter(self)

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit_height()

    def eventFilter(self, watched: QtCore.QObject, event: QtCore.QEvent) -> bool:
        if event.type() == QtCore.QEvent.Type.LayoutRequest:
            self._fit_height()
        return super().eventFilter(watched, event)

    def _fit_height(self) -> None:
        layout = self._page.layout()
        needed = 0 if layout is None else layout.minimumHeightForWidth(self.viewport().width())
        if needed > 0 and needed != self._page.minimumHeight():
            self._page.setMinimumHeight(needed)
