"""Time and frequency as they stand on the axes."""

from __future__ import annotations

from datetime import datetime, timedelta

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel
from sdrcheck.recordings.utc import utc_moment
from sdrcheck_gui.qt import QtGui, pg


class Clock:
    """Turns seconds from the start into UTC, where the start is known."""

    def __init__(self) -> None:
        self._start: datetime | None = None

    def starts(self, start_utc: str | None) -> None:
        self._start = None if start_utc is None else utc_moment(start_utc)

    @property
    def known(self) -> bool:
        return self._start is not None

    def text(self, seconds: float, decimals: int = 0) -> str:
        """`12:41:05 UTC`, or `2:05.3` from the start where no clock is known."""
        if self._start is None:
            sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
            minutes, rest = divmod(round(seconds, decimals), 60)
            return f"{sign}{int(minutes)}:{rest:0{3 + decimals if decimals else 2}.{decimals}f}"
        moment = self._start + timedelta(seconds=seconds)
        fraction = f".{moment.microsecond:06d}"[: decimals + 1] if decimals else ""
        return f"{moment:%H:%M:%S}{fraction}"


class TimeAxis(pg.AxisItem):
    """The time axis: UTC where it is known."""

    def __init__(self, clock: Clock) -> None:
        super().__init__("bottom")
        self._clock = clock

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list[float]]]:
        """Where ticks stand; those with words so far apart that no word touches the next."""
        levels: list[tuple[float, list[float]]] = super().tickValues(minVal, maxVal, size)
        if not levels or maxVal <= minVal:
            return levels
        spacing, values = levels[0]
        font = self.style["tickFont"] or QtGui.QGuiApplication.font()
        words = self.tickStrings([maxVal], 1.0, spacing)[0]
        needed = 1.15 * QtGui.QFontMetricsF(font).horizontalAdvance(words) / max(size, 1.0) * (maxVal - minVal)
        while spacing < needed and len(values) > 1:
            spacing *= 2
            values = [value for value in values if round(value / spacing * 2) % 2 == 0]
        return [(spacing, values), *levels[1:]]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        decimals = 0 if spacing >= 1 else 1 if spacing >= 0.1 else 2 if spacing >= 0.01 else 3
        return [self._clock.text(value, decimals) for value in values]


_FIRST = ("70", "16", "06", "13", "AIS 1", "AIS 2")


class ChannelAxis(pg.AxisItem):
    """The frequency axis: the channel plan's names where there is room, megahertz where there is no plan."""

    def __init__(self) -> None:
        super().__init__("left")
        self._keyed: set[str] = set()

    def prefer(self, lanes: set[str]) -> None:
        """Name these channels before others: they were keyed."""
        if lanes != self._keyed:
            self._keyed = lanes
            self.picture = None
            self.update()

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list[float]]]:
        chosen = self._chosen(minVal, maxVal, size)
        if not chosen:
            return super().tickValues(minVal, maxVal, size)
        return [(1.0, [float(channel.frequency_hz) for channel in chosen])]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        names = {float(c.frequency_hz): c.name for c in plan.within(min(values), max(values))} if values else {}
        return [names.get(float(value), plan.frequency_text(value)) for value in values]

    def _chosen(self, low: float, high: float, size: float) -> list[Channel]:
        apart = (high - low) / max(size, 1) * self.line_height()
        found: list[Channel] = []
        ranked = sorted(plan.within(low, high), key=lambda c: (c.name not in self._keyed, not self._first(c), c.name))
        for channel in ranked:
            if all(abs(channel.frequency_hz - other.frequency_hz) >= apart for other in found):
                found.append(channel)
        return found

    @staticmethod
    def _first(channel: Channel) -> bool:
        return channel.calling or channel.text or channel.name in _FIRST

    def line_height(self) -> float:
        """Pixels that one name needs."""
        font = self.style["tickFont"] or QtGui.QGuiApplication.font()
        return 1.1 * QtGui.QFontMetricsF(font).height()


def hover_text(clock: Clock, seconds: float, frequency_hz: float, dbfs: float | None) -> str:
    """What lies under the pointer, in one line."""
    channel = plan.channel_at(frequency_hz)
    place = plan.frequency_text(frequency_hz) + (f" (channel {channel.name})" if channel else "")
    level = "" if dbfs is None else f" · {dbfs:.0f} dBFS"
    return f"{clock.text(seconds, 1)}{' UTC' if clock.known else ''} · {place}{level}"
