"""Curves of the chosen transmission: deviation over time, and the spectrum of what modulated it."""

from __future__ import annotations

from sdrcheck.measurements import curves
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.look import Look
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets, pg


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
        self.limits = [pg.InfiniteLine(angle=0, label="limit", labelOpts={"position": 0.97}) for _ in range(2)]
        for line in self.limits:
            self.deviation.addItem(line)
            line.hide()
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
        for line in self.limits:
            line.setPen(pg.mkPen(look.accent, width=1, style=QtCore.Qt.PenStyle.DashLine))
            line.label.setColor(look.accent)

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
            for line in self.limits:
                line.hide()
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
        self._draw_limits(keying)

    def _draw_limits(self, keying: Keying) -> None:
        """Draw the most that is allowed, upwards and downwards, where the deviation was judged."""
        found = keying.transmission
        for line, quantity, sign in zip(
            self.limits, ("peak deviation, up", "peak deviation, down"), (1, -1), strict=True
        ):
            reading = None if found is None else found.reading(quantity)
            limit = None if reading is None or reading.limit is None else reading.limit.high
            line.setVisible(limit is not None)
            if limit is not None:
                line.setValue(sign * limit)
        shown = [abs(line.value()) for line in self.limits if line.isVisible()]
        if shown:
            low, high = self.deviation.viewRange()[1]
            most = max(*shown, -low, high) * 1.05
            self.deviation.setYRange(-most, most, padding=0)
