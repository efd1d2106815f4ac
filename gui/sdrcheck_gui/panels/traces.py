"""Curves of the chosen transmission: deviation over time, and the spectrum of what modulated it."""

from __future__ import annotations

from sdrcheck.measurements import curves
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.look import Look
from sdrcheck_gui.qt import QtGui, QtWidgets, pg


class TracesPanel(QtWidgets.QWidget):
    """Two plots, drawn only while they can be seen."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._keying: Keying | None = None
        self._drawn: int | None = None
        graphics = pg.GraphicsLayoutWidget()
        self._graphics = graphics
        self.deviation = graphics.addPlot(0, 0)
        self.spectrum = graphics.addPlot(1, 0)
        self._curves = (self.deviation.plot(), self.spectrum.plot())
        for plot in (self.deviation, self.spectrum):
            plot.hideButtons()
            plot.setMenuEnabled(False)
            for side in ("left", "bottom"):
                plot.getAxis(side).enableAutoSIPrefix(False)
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(graphics)
        self.setFocusProxy(graphics)
        self.dress(look)

    def dress(self, look: Look) -> None:
        self._graphics.setBackground(look.paper)
        for plot, curve in zip((self.deviation, self.spectrum), self._curves, strict=True):
            curve.setPen(pg.mkPen(look.ink, width=1))
            for side in ("left", "bottom"):
                plot.getAxis(side).setPen(look.faint)
                plot.getAxis(side).setTextPen(look.ink)

    def scale_text(self, font: QtGui.QFont) -> None:
        """Write the axes in a font."""
        for plot in (self.deviation, self.spectrum):
            for side in ("left", "bottom"):
                plot.getAxis(side).setTickFont(font)
                plot.getAxis(side).label.setFont(font)

    def show_chosen(self, keying: Keying | None) -> None:
        """Draw the curves of a keying that has ended."""
        self._keying, self._drawn = keying, None
        if self.isVisible():
            self._draw()

    def showEvent(self, event: object) -> None:
        self._draw()

    def _draw(self) -> None:
        keying = self._keying
        excerpt = None if keying is None else keying.excerpt
        if keying is None or excerpt is None or excerpt.keyed.size < 64:
            for curve in self._curves:
                curve.setData([], [])
            return
        if self._drawn == keying.number:
            return
        self._drawn = keying.number
        for plot, curve, drawn in zip(
            (self.deviation, self.spectrum),
            self._curves,
            (curves.deviation_over_time(excerpt), curves.demodulated_spectrum(excerpt)),
            strict=True,
        ):
            curve.setData(drawn.x, drawn.y)
            plot.setLabel("bottom", drawn.x_name)
            plot.setLabel("left", drawn.y_name)
            plot.autoRange()
