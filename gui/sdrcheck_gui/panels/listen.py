"""Listening: which channel, how loud, from which level on, and through which loudspeaker."""

from __future__ import annotations

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.sources.source import SourceFacts
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.listening import Listening, Place
from sdrcheck_gui.qt import QtCore, QtWidgets

CHOSEN = "the chosen keying"
USUAL = "usual loudspeaker"


def place_of(frequency_hz: float, channel: Channel | None) -> Place:
    """How a frequency is listened to: as its channel is keyed; off the plan as is usual there."""
    if channel is None:
        emission = Emission.G3E if frequency_hz > 30e6 else Emission.J3E
        return Place(frequency_hz, emission, plan.frequency_text(frequency_hz))
    return Place(channel.frequency_hz, channel.emission, f"channel {_name(channel)}")


def _name(channel: Channel) -> str:
    return f"{channel.name}, {channel.leg} leg" if channel.leg else channel.name


class ListenStrip(QtWidgets.QWidget):
    """One line of controls under the tape."""

    trouble = QtCore.Signal(str)
    """Why nothing is heard, said once."""

    def __init__(self, listening: Listening) -> None:
        super().__init__()
        self.listening = listening
        self._keying: Keying | None = None
        self.on = QtWidgets.QPushButton("Listen")
        self.on.setCheckable(True)
        self.on.setToolTip("Hear a channel; other people's traffic is secret (L)")
        self.which = QtWidgets.QComboBox()
        self.which.setToolTip("The channel to hear: that of the chosen keying, or a fixed one")
        self.which.setAccessibleName("channel to hear")
        self.which.addItem(CHOSEN)
        self.squelch = QtWidgets.QSpinBox()
        self.squelch.setRange(0, 40)
        self.squelch.setSpecialValueText("open")
        self.squelch.setSuffix(" dB")
        self.squelch.setValue(round(listening.squelch_db or 0))
        self.squelch.setToolTip("Squelch: opens so many dB above the channel's own noise; 0 leaves it open")
        self.squelch.setAccessibleName("squelch in dB above the noise")
        self.level = QtWidgets.QSlider(QtCore.Qt.Orientation.Horizontal)
        self.level.setRange(0, 100)
        self.level.setValue(round(100 * listening.speaker.level))
        self.level.setToolTip("Loudness, 0 to 100 %")
        self.level.setAccessibleName("loudness in per cent")
        self.level.setMaximumWidth(120)
        self.device = QtWidgets.QComboBox()
        self.device.addItem(USUAL)
        self.device.setToolTip("The sound device that plays")
        self.device.setAccessibleName("sound device")
        self.said = QtWidgets.QLabel()
        self.said.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.said.setAccessibleName("what is heard now")
        self.said.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        for combo, letters in ((self.which, 12), (self.device, 12)):
            combo.setSizeAdjustPolicy(QtWidgets.QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
            combo.setMinimumContentsLength(letters)
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(6, 2, 6, 4)
        controls: tuple[QtWidgets.QWidget, ...] = (
            *(self.on, self.which, QtWidgets.QLabel("squelch"), self.squelch),
            *(QtWidgets.QLabel("loudness"), self.level, self.device),
        )
        for widget in controls:
            row.addWidget(widget)
        row.addWidget(self.said, 1)
        self.on.toggled.connect(self._switch)
        self.which.activated.connect(lambda _: self._tune())
        self.squelch.valueChanged.connect(self._open_at)
        self.level.valueChanged.connect(self._turn_up)
        self.device.activated.connect(lambda _: self._switch(self.on.isChecked()))

    def show_source(self, facts: SourceFacts) -> None:
        """Offer the channels that a source's span holds."""
        half = facts.sample_rate_hz / 2
        low = facts.centre_hz if facts.audio else facts.centre_hz - half
        before = self.which.currentText()
        self.which.clear()
        self.which.addItem(CHOSEN)
        for channel in plan.within(low, facts.centre_hz + half):
            self.which.addItem(_name(channel), channel)
        self.which.setCurrentIndex(max(self.which.findText(before), 0))
        self._tune()

    def offer_devices(self, names: list[str]) -> None:
        """Offer these sound devices beside the usual one."""
        for name in names:
            if self.device.findText(name) < 0:
                self.device.addItem(name)

    def show_chosen(self, keying: Keying | None) -> None:
        """Follow the chosen keying, where that is wanted."""
        self._keying = keying
        if self.which.currentIndex() == 0:
            self._tune()

    def _switch(self, on: bool) -> None:
        if on:
            name = self.device.currentText()
            self.listening.speaker.open(None if name == USUAL else name)
        self._tune()

    def _tune(self) -> None:
        self.listening.choose(self._place() if self.on.isChecked() else None)
        self.refresh()

    def _place(self) -> Place | None:
        fixed = self.which.currentData()
        if isinstance(fixed, Channel):
            return place_of(fixed.frequency_hz, fixed)
        return None if self._keying is None else place_of(self._keying.frequency_hz, self._keying.channel)

    def _open_at(self, decibels: int) -> None:
        self.listening.squelch_db = float(decibels) or None

    def _turn_up(self, per_cent: int) -> None:
        self.listening.speaker.level = per_cent / 100

    def refresh(self) -> None:
        """Say what is heard now."""
        words = self._words()
        if words != self.said.text():
            self.said.setText(words)
            self.said.setToolTip(words)
            if words.startswith("⚠"):
                self.trouble.emit(words.removeprefix("⚠ "))

    def _words(self) -> str:
        listening = self.listening
        if not self.on.isChecked():
            return ""
        if trouble := listening.speaker.problem or listening.problem:
            return f"⚠ {trouble}"
        if listening.place is None:
            return "choose a keying or a channel"
        if not listening.speaker.ready:
            return "opening the loudspeaker …"
        if listening.hears is None:
            return f"{listening.place.name}: waiting for samples"
        level = listening.level_dbfs
        heard = "heard" if listening.hears else "quiet"
        return f"{listening.place.name}: {heard}" + ("" if level is None else f", {level:.0f} dBFS")
