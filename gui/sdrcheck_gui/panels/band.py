"""The band: time runs sideways, frequency stands upright, strength is colour; the present spectrum stands right."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sdrcheck.bench import SourceFault, SpectrumFrame
from sdrcheck_gui.clock import ChannelAxis, Clock, TimeAxis, hover_text
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.look import Look
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets, pg

COLUMN_S = 0.1
_FINEST_S = 0.02
_COLUMNS_SHOWN = 600
"""What is shown at once has about so many columns, where they need not be finer than frames come."""
_LEFT_WIDTH, _RIGHT_WIDTH = 74, 120
"""Pixels for the channels' names and for the present spectrum, with text of the usual size."""
_ROOMY = 3.5
"""Where a band is not so many times as wide as the spectrum, time gets its room."""
_CODES_PER_DB = 2.0
_LOWEST_DBFS = -127.0
_RANGE_DB = 45.0
_OVERLOAD = 1e-4
"""Clipped fraction from which a frame is marked as overload (metrology practice: 0.01 %)."""
_MOST_NOTES = 40
_SAME_NOTE_S = 1.0
_NOTE_ROWS, _NOTE_ROW = 3, 0.06
"""Words of remarks stand in so many rows above the time axis, each of this share of the height."""
_SHORTEST_S = 0.5
_SKIPPED_S = 0.5
"""Frames may be skipped for so long; a longer hole stays empty."""
_ABOVE_NOISE_DB = 1.0
"""Over the middle of the noise begins the colour: noise stays as quiet as paper."""


class History:
    """A ring of spectrum columns, the strongest of the frames that fell into each; uint8, 0.5 dB a code."""

    def __init__(self, bins: int, span_s: float, column_s: float = COLUMN_S) -> None:
        self.bins, self.columns, self.column_s = bins, max(round(span_s / column_s), 2), column_s
        self._ring = np.zeros((bins, 2 * self.columns), np.uint8)
        self.newest = -1

    def add(self, frame: SpectrumFrame) -> bool:
        """Take in a frame; True where a new column began."""
        first = int(frame.start_s / self.column_s + 1e-6)
        last = max(int((frame.start_s + frame.duration_s) / self.column_s - 1e-6), first)
        codes = np.clip((frame.power_dbfs - _LOWEST_DBFS) * _CODES_PER_DB, 0, 255).astype(np.uint8)
        if last <= self.newest - self.columns:
            return False
        begins = last > self.newest
        if begins:
            hole = first - self.newest - 1
            skipped = self.newest >= 0 and hole * self.column_s <= _SKIPPED_S
            filled = codes if skipped else np.zeros(self.bins, np.uint8)
            for fresh in range(max(self.newest + 1, last - self.columns + 1), last + 1):
                self._write(fresh, filled if fresh < first else codes)
            last, self.newest = self.newest, last
        for column in range(max(first, self.newest - self.columns + 1), last + 1):
            self._write(column, np.maximum(self._read(column), codes))
        return begins

    def _write(self, column: int, codes: NDArray[np.uint8]) -> None:
        place = column % self.columns
        self._ring[:, place] = codes
        self._ring[:, place + self.columns] = codes

    def _read(self, column: int) -> NDArray[np.uint8]:
        return self._ring[:, column % self.columns]

    def picture(self) -> NDArray[np.uint8]:
        """All columns, oldest first, shape (bins, columns)."""
        first = (self.newest + 1) % self.columns
        return np.ascontiguousarray(self._ring[:, first : first + self.columns])

    def noise_code(self) -> float:
        """The middle of the newest column."""
        return float(np.median(self._read(self.newest)))

    @property
    def end_s(self) -> float:
        return (self.newest + 1) * self.column_s

    @property
    def start_s(self) -> float:
        return (self.newest + 1 - self.columns) * self.column_s

    def dbfs_at(self, seconds: float, place: int) -> float | None:
        """What was there, or None where nothing is held."""
        column = int(seconds // self.column_s)
        if not 0 <= place < self.bins or not self.newest - self.columns < column <= self.newest or column < 0:
            return None
        code = int(self._read(column)[place])
        return code / _CODES_PER_DB + _LOWEST_DBFS if code else None


class Note:
    """A remark on the time axis: a stretch of time in the colour of warnings, and words that stand level."""

    def __init__(self, start_s: float, end_s: float, words: str, place: float, look: Look) -> None:
        self.start_s, self.end_s, self.words = start_s, end_s, words
        self.region = pg.LinearRegionItem((start_s, end_s), movable=False)
        self._label = pg.InfLineLabel(
            self.region.lines[0], text=words, position=place, anchors=[(0, 0.5), (1, 0.5)], fill=look.paper
        )
        self.dress(look)

    def dress(self, look: Look) -> None:
        """Take on the colours of a look."""
        shade = QtGui.QColor(look.warning)
        shade.setAlpha(60)
        self.region.setBrush(shade)
        for line in self.region.lines:
            line.setPen(pg.mkPen(look.warning, width=1, style=QtCore.Qt.PenStyle.DashLine))
        self._label.setColor(look.warning)
        self._label.fill = pg.mkBrush(look.paper)

    def goes_on(self, start_s: float, words: str) -> bool:
        """Whether a remark from then on is this one, going on."""
        return words.split(",")[0] == self.words.split(",")[0] and start_s - self.end_s < _SAME_NOTE_S

    def end_at(self, end_s: float) -> None:
        """Let it last until then."""
        self.end_s = max(self.end_s, end_s)
        self.region.setRegion((self.start_s, self.end_s))


class BandPanel(QtWidgets.QWidget):
    """Draws spectrum frames; pan, zoom and hover; never more often than the window's timer asks."""

    divided = QtCore.Signal()
    """The time axis begins or ends at another place now."""

    def __init__(self, clock: Clock, span_s: float, look: Look) -> None:
        super().__init__()
        self._clock, self._span_s = clock, span_s
        self._shown_s = span_s
        self._history: History | None = None
        self._low_hz = self._step_hz = 0.0
        self._peak: NDArray[np.float32] | None = None
        self._latest: SpectrumFrame | None = None
        self._framed: Keying | None = None
        self._black: float | None = None
        self._notes: list[Note] = []
        self._noted = 0
        self.following = True

        self._graphics = pg.GraphicsLayoutWidget()
        self._graphics.ci.setContentsMargins(0, 0, 0, 0)
        self._graphics.ci.setSpacing(0)
        self._channels = ChannelAxis()
        self.plot = self._graphics.addPlot(0, 0, axisItems={"bottom": TimeAxis(clock), "left": self._channels})
        self._spectrum_plot = self._graphics.addPlot(0, 1)
        self._spectrum_plot.setYLink(self.plot)
        self._spectrum_plot.hideAxis("left")
        self._spectrum_plot.setXRange(-125, 0, padding=0)
        self._spectrum_plot.getAxis("bottom").setTicks([[(-100, "−100"), (-60, "dBFS"), (-20, "−20")]])
        self._text_scale = 1.0
        for plot in (self.plot, self._spectrum_plot):
            plot.hideButtons()
            plot.setMenuEnabled(False)
            plot.disableAutoRange()
            plot.getAxis("bottom").setHeight(24)
        self._spectrum_plot.setMouseEnabled(x=False, y=True)
        self._image = pg.ImageItem(axisOrder="row-major")
        self.plot.addItem(self._image)
        self._curve = self._spectrum_plot.plot(skipFiniteCheck=True)
        self._peak_curve = self._spectrum_plot.plot(skipFiniteCheck=True)
        self._chosen = QtWidgets.QGraphicsRectItem()
        self._chosen.setVisible(False)
        self.plot.addItem(self._chosen)

        self.below_pointer = QtWidgets.QLabel(" ")
        self.below_pointer.setAccessibleName("time, frequency and level under the pointer")
        self.below_pointer.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self.peak_button = QtWidgets.QPushButton("Hold peaks")
        self.peak_button.setCheckable(True)
        self.peak_button.setToolTip("Keep the strongest level of every frequency in the spectrum, in dBFS (P)")
        self.peak_button.toggled.connect(self._hold_peaks)
        self.follow_button = QtWidgets.QPushButton("Follow the newest")
        self.follow_button.setCheckable(True)
        self.follow_button.setChecked(True)
        self.follow_button.setToolTip("Keep the newest moment at the right edge (End)")
        self.follow_button.toggled.connect(self._follow)
        strip = QtWidgets.QHBoxLayout()
        strip.setContentsMargins(4, 0, 4, 0)
        strip.addWidget(self.below_pointer, 1)
        strip.addWidget(self.follow_button)
        strip.addWidget(self.peak_button)
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addLayout(strip)
        column.addWidget(self._graphics, 1)
        self.plot.scene().sigMouseMoved.connect(self._hover)
        self.plot.getViewBox().sigRangeChangedManually.connect(self._moved_by_hand)
        self._write_figures(False)
        self._divide()
        self._show_until(0.0, span_s)
        self.dress(look)

    @property
    def left_width(self) -> int:
        """Pixels left of the time axis."""
        return round(_LEFT_WIDTH * max(self._text_scale, 1.0))

    @property
    def right_width(self) -> int:
        """Pixels right of it, where the present spectrum stands; none where the band is narrow."""
        return self._right

    def _divide(self) -> None:
        """Give names, time and spectrum their shares of the width."""
        wanted = round(_RIGHT_WIDTH * max(self._text_scale, 1.0))
        self._right = wanted if self.width() >= _ROOMY * wanted else 0
        self._channels.setWidth(self.left_width)
        self._spectrum_plot.setFixedWidth(self._right)
        self.divided.emit()

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        super().resizeEvent(event)
        self._divide()

    def dress(self, look: Look) -> None:
        """Take on the colours of a look."""
        self._graphics.setBackground(look.paper)
        self._curve.setPen(pg.mkPen(look.ink, width=1))
        self._peak_curve.setPen(pg.mkPen(look.accent, width=1))
        self._chosen.setPen(pg.mkPen(look.accent, width=2))
        self._look = look
        for note in self._notes:
            note.dress(look)
        self._image.setColorMap(look.strength)
        for plot in (self.plot, self._spectrum_plot):
            for side in ("left", "bottom"):
                plot.getAxis(side).setPen(look.faint)
                plot.getAxis(side).setTextPen(look.ink)

    def show_span(self, seconds: float) -> None:
        """Show so many seconds at once, no more than are held."""
        self._shown_s = min(max(seconds, _SHORTEST_S), self._span_s)
        self._show_until(0.0, self._shown_s)

    def clear(self) -> None:
        """Forget everything shown, for a new source."""
        self._history = self._latest = self._peak = self._black = None
        self._image.clear()
        self._curve.setData([], [])
        self._peak_curve.setData([], [])
        for note in self._notes:
            self.plot.removeItem(note.region)
        self._notes.clear()
        self.show_chosen(None)
        self.follow_button.setChecked(True)
        self._write_figures(False)
        self.below_pointer.setText("Waiting for the first samples …")

    def show_event(self, event: object) -> None:
        """Put lost samples and a stopped source onto the time axis."""
        if isinstance(event, SourceFault):
            words = f"{event.lost_samples} samples lost" if event.lost_samples else "source stopped"
            self._note(event.time_s - event.within_s, event.time_s, words)

    def show_frames(self, frames: list[SpectrumFrame]) -> None:
        """Draw what came since the last time."""
        if not frames:
            return
        begins = False
        for frame in frames:
            if self._history is None or self._changed(frame):
                self._begin(frame)
            assert self._history is not None
            begins |= self._history.add(frame)
            if frame.clipped_fraction > _OVERLOAD:
                words = f"overload, {100 * frame.clipped_fraction:.2g} % clipped"
                self._note(frame.start_s, frame.start_s + frame.duration_s, words)
            if self._peak is not None:
                self._peak = np.maximum(self._peak, frame.power_dbfs)
        self._latest = frames[-1]
        if self._framed is not None and self._framed.end_s is None:
            self._frame_chosen()
        frequencies = self._low_hz + self._step_hz * np.arange(self._latest.power_dbfs.size)
        self._curve.setData(self._latest.power_dbfs, frequencies)
        if self._peak is not None:
            self._peak_curve.setData(self._peak, frequencies)
        if begins:
            self._draw_history()

    def _write_figures(self, shown: bool) -> None:
        """Write times and channels on the axes, or, where there is no source, nothing."""
        self.figures_shown = shown
        for side in ("left", "bottom"):
            self.plot.getAxis(side).setStyle(showValues=shown, tickLength=-5 if shown else 0)

    def _changed(self, frame: SpectrumFrame) -> bool:
        assert self._history is not None
        same = (self._low_hz, self._step_hz, self._history.bins)
        return same != (frame.low_hz, frame.step_hz, frame.power_dbfs.size)

    def _begin(self, frame: SpectrumFrame) -> None:
        column_s = min(max(self._shown_s / _COLUMNS_SHOWN, _FINEST_S), COLUMN_S)
        self._history = History(frame.power_dbfs.size, min(self._span_s, 1200 * column_s), column_s)
        self._low_hz, self._step_hz = frame.low_hz, frame.step_hz
        self._peak = None if self._peak is None else frame.power_dbfs.copy()
        self._write_figures(True)
        self.below_pointer.setText(" ")
        low, high = frame.low_hz, frame.low_hz + frame.step_hz * frame.power_dbfs.size
        self.plot.setLimits(yMin=low, yMax=high)
        self.plot.setYRange(low, high, padding=0)

    def _draw_history(self) -> None:
        history = self._history
        assert history is not None
        noise = history.noise_code()
        if self._black is None or abs(noise - self._black) > 3 * _CODES_PER_DB:
            self._black = noise
        black = self._black + _ABOVE_NOISE_DB * _CODES_PER_DB
        self._image.setImage(
            history.picture(), autoLevels=False, levels=[black, black + _RANGE_DB * _CODES_PER_DB], autoDownsample=False
        )
        height = self._step_hz * history.bins
        self._image.setRect(QtCore.QRectF(history.start_s, self._low_hz, history.columns * history.column_s, height))
        if self.following:
            low, high = self.plot.viewRange()[0]
            self._show_until(history.end_s, high - low)
        while self._notes and self._notes[0].end_s < history.start_s:
            self.plot.removeItem(self._notes.pop(0).region)

    def _note(self, start_s: float, end_s: float, words: str) -> None:
        """Write a remark onto the time axis; one of the same kind that goes on is drawn longer."""
        last = self._notes[-1] if self._notes else None
        if last is not None and last.goes_on(start_s, words):
            last.end_at(end_s)
            return
        note = Note(start_s, end_s, words, (self._noted % _NOTE_ROWS + 0.5) * _NOTE_ROW, self._look)
        self._noted += 1
        self.plot.addItem(note.region)
        self._notes.append(note)
        if len(self._notes) > _MOST_NOTES:
            self.plot.removeItem(self._notes.pop(0).region)

    def notes(self) -> list[str]:
        """What is written on the time axis now."""
        return [note.words for note in self._notes]

    def _hold_peaks(self, on: bool) -> None:
        self._peak = self._latest.power_dbfs.copy() if on and self._latest is not None else None
        if on and self._peak is None:
            self._peak = np.full(self._history.bins, -200.0, np.float32) if self._history else None
        if not on:
            self._peak_curve.setData([], [])
        self.peak_button.setText("Clear peaks" if on else "Hold peaks")

    def _follow(self, on: bool) -> None:
        self.following = on
        if on and self._history is not None and self._latest is not None:
            self._show_until(self._history.end_s, self._shown_s)

    def _show_until(self, end_s: float, length_s: float) -> None:
        """Show so much time up to a moment; a beginning fills the picture from the left."""
        end_s = max(end_s, length_s)
        self.plot.setXRange(end_s - length_s, end_s, padding=0)

    def _moved_by_hand(self) -> None:
        self.follow_button.setChecked(False)

    def show_everything(self) -> None:
        """Show the whole span of frequencies, and as much time as at the beginning."""
        if self._history is not None:
            low = self._low_hz
            self.plot.setYRange(low, low + self._step_hz * self._history.bins, padding=0)
        self.follow_button.setChecked(False)
        self.follow_button.setChecked(True)

    def go(self, part: float) -> None:
        """Go through time by a part of what is shown; positive is later."""
        low, high = self.plot.viewRange()[0]
        step = part * (high - low)
        self.follow_button.setChecked(False)
        self.plot.setXRange(low + step, high + step, padding=0)

    def zoom(self, time: float, frequency: float) -> None:
        """Show more or less: factors on the span of time and of frequency. The newest moment stays where it is."""
        (low, high), (bottom, top) = self.plot.viewRange()
        if time != 1.0:
            length = min(max((high - low) * time, _SHORTEST_S), self._span_s)
            end = high if self.following else (low + high + length) / 2
            self.plot.setXRange(end - length, end, padding=0)
        if frequency != 1.0:
            middle, half = (bottom + top) / 2, (top - bottom) / 2 * frequency
            self.plot.setYRange(middle - half, middle + half, padding=0)

    def scale_text(self, font: QtGui.QFont, factor: float) -> None:
        """Write the axes in a font that is so many times as large as usual."""
        self._text_scale = factor
        self._divide()
        self.plot.getAxis("bottom").setTickDensity(1 / max(factor, 1.0))
        for plot in (self.plot, self._spectrum_plot):
            for side in ("left", "bottom"):
                plot.getAxis(side).setTickFont(font)
            plot.getAxis("bottom").setHeight(round(1.9 * QtGui.QFontMetricsF(font).height()))

    def _hover(self, place: QtCore.QPointF) -> None:
        box = self.plot.getViewBox()
        if not box.sceneBoundingRect().contains(place) or not self._step_hz:
            self.below_pointer.setText(" ")
            return
        at = box.mapSceneToView(place)
        level = None
        if self._history is not None:
            level = self._history.dbfs_at(at.x(), int((at.y() - self._low_hz) / self._step_hz))
        self.below_pointer.setText(hover_text(self._clock, at.x(), at.y(), level))

    def show_chosen(self, keying: Keying | None) -> None:
        """Frame the chosen transmission."""
        self._framed = keying
        self._chosen.setVisible(keying is not None)
        self._frame_chosen()

    def _frame_chosen(self) -> None:
        keying = self._framed
        if keying is None:
            return
        width = keying.channel.spacing_hz if keying.channel else 25_000
        now_s = keying.start_s if self._latest is None else self._latest.start_s + self._latest.duration_s
        length = (now_s if keying.end_s is None else keying.end_s) - keying.start_s
        self._chosen.setRect(keying.start_s, keying.frequency_hz - width / 2, max(length, 0.1), width)

    def bring_into_view(self, keying: Keying) -> None:
        """Move the time axis so that a keying can be seen, if it cannot."""
        low, high = self.plot.viewRange()[0]
        if not low <= keying.start_s <= high:
            self.follow_button.setChecked(False)
            self.plot.setXRange(keying.start_s - (high - low) / 2, keying.start_s + (high - low) / 2, padding=0)

    def name_lanes(self, lanes: set[str]) -> None:
        """Name keyed channels first on the frequency axis."""
        self._channels.prefer(lanes)
