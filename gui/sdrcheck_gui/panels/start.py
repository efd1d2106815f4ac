"""The start page: source, transmitter and chain, frequency reference; only what is needed, and whether it is safe."""

from __future__ import annotations

import queue
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from sdrcheck.cli.arguments import CHAIN, FREQUENCY, NUMBER, PPM
from sdrcheck.cli.options import Judging
from sdrcheck.cli.ready import Finding
from sdrcheck.errors import ReceiverError
from sdrcheck.limits.sets import LIMIT_SETS
from sdrcheck.receiver import attenuation, reference_store
from sdrcheck.receiver.attenuation import Assessment, watts_text
from sdrcheck.receiver.cautions import BEFORE_KEYING
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.sources.source import Tuning
from sdrcheck_gui.look import Look
from sdrcheck_gui.panels.page import Page
from sdrcheck_gui.panels.text import Words
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets
from sdrcheck_gui.setup import Setup

_PICTURE_LINES = 7.6
BARE = (".cu8", ".wav")
"""Endings of recordings that may not say how they were tuned."""
PLACES = {  # what is to be checked -> centre, rate
    "VHF, ship channels": (Setup().centre, "2.4M"),
    "VHF, both legs of the upper channels": ("161.0M", "2.4M"),
    "MF calls, 2187.5 kHz": ("2.2M", "250.001k"),
    "Navigational text, 518 kHz": ("530k", "250.001k"),
}


class ChainPicture(QtWidgets.QWidget):
    """The chain drawn from the transmitter to the dongle, with the power at every place and the verdict in words."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._found: Assessment | str = ""
        self.setMinimumHeight(round(self.fontMetrics().height() * _PICTURE_LINES))
        self.setAccessibleName("picture of the attenuator chain")

    def show_assessment(self, found: Assessment | str, look: Look) -> None:
        """Draw a chain, or say why there is none."""
        self._found, self._look = found, look
        words = found if isinstance(found, str) else f"{found.verdict}: {' '.join(found.reasons)}"
        self.setAccessibleDescription(words)
        self.setToolTip(words)
        self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
        look, found, line = self._look, self._found, self.fontMetrics().height()
        painter.setPen(QtGui.QColor(look.ink))
        if isinstance(found, str):
            painter.drawText(self.rect(), QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.TextFlag.TextWordWrap, found)
            return
        places = [("transmitter", watts_text(found.transmitter_w), "")]
        places += [(str(stage.element), watts_text(stage.power_out_w), stage.problem) for stage in found.stages]
        places.append(("dongle", f"{found.at_dongle_dbm:.1f} dBm".replace("-", "−"), ""))
        step = self.width() / len(places)
        top, height = line * 0.3, line * 2.5
        middle = top + height / 2
        painter.setPen(QtGui.QPen(QtGui.QColor(look.faint), 2))
        painter.drawLine(QtCore.QPointF(step / 2, middle), QtCore.QPointF(self.width() - step / 2, middle))
        for number, (name, power, problem) in enumerate(places):
            box = QtCore.QRectF(number * step + 6, top, step - 12, height)
            colour = look.verdict_ink("fail") if problem else QtGui.QColor(look.ink)
            painter.setPen(QtGui.QPen(colour, 3 if problem else 1))
            painter.setBrush(QtGui.QColor(look.paper))
            painter.drawRoundedRect(box, 3, 3)
            painter.setPen(colour)
            centre = QtCore.Qt.AlignmentFlag.AlignCenter
            words = [
                self.fontMetrics().elidedText(part, QtCore.Qt.TextElideMode.ElideMiddle, int(box.width() - 6))
                for part in (("✕ " if problem else "") + name).split(", ")
            ]
            painter.drawText(box, centre, "\n".join(words))
            painter.setPen(QtGui.QColor(look.ink))
            painter.drawText(QtCore.QRectF(box.left(), box.bottom() + 2, box.width(), line), centre, power)
        painter.setPen(look.verdict_ink("pass" if found.verdict is attenuation.Verdict.SAFE else "fail"))
        font = painter.font()
        font.setBold(True)
        painter.setFont(font)
        below = QtCore.QRectF(6, top + height + line * 1.5, self.width() - 12, line * 3.2)
        words_below = f"{found.verdict.upper()}. {' '.join(found.reasons)}"
        painter.drawText(below, QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.TextFlag.TextWordWrap, words_below)


class StartPanel(Page):
    """Asks for a set-up and says at once what is wrong with it."""

    started = QtCore.Signal(str, object, object)
    """Source word, tuning, and how findings are judged, when the user starts."""
    shown = QtCore.Signal()
    ready_wanted = QtCore.Signal()

    def __init__(self, look: Look, setup: Setup) -> None:
        super().__init__(QtWidgets.QWidget())
        self._look = look
        self._answers: queue.SimpleQueue[Finding] = queue.SimpleQueue()
        self.source = QtWidgets.QComboBox()
        self.source.setEditable(True)
        self.source.addItems(["dongle", "net:127.0.0.1:1234", "sound:"])
        self.source.setToolTip("dongle, dongle:SERIAL, net:HOST:PORT, sound:DEVICE, or the path of a recording")
        browse = QtWidgets.QPushButton("Recor&ding …")
        browse.clicked.connect(self._browse)
        self.place = QtWidgets.QComboBox()
        self.place.addItems(["as typed", *PLACES])
        self.place.currentTextChanged.connect(self._take_place)
        self.centre, self.rate, self.gain = (QtWidgets.QLineEdit() for _ in range(3))
        self.centre.setToolTip("Centre frequency, for example 156.7375M (Hz, kHz or MHz); a recording knows its own")
        self.rate.setToolTip("Samples a second, for example 2.4M; a recording knows its own")
        self.gain.setToolTip("Tuner gain in dB; empty takes what the chain recommends, or the lowest")
        self.gain.setPlaceholderText("as recommended")
        self.power, self.chain = QtWidgets.QLineEdit(), QtWidgets.QLineEdit()
        self.power.setToolTip("Most power the transmitter can give, for example 25W or 400W; empty if none is keyed")
        self.chain.setToolTip("Nearest the transmitter first, for example 40dB/100W,30dB/2W or coupler:40dB/100W,30dB")
        self.chain.setPlaceholderText("40dB/100W,30dB/2W")
        self.picture = ChainPicture(look)
        self.reference = QtWidgets.QLineEdit()
        self.reference.setToolTip("Correction of the dongle in ppm with its uncertainty, for example +2.7±0.3")
        self.reference.setPlaceholderText("the stored one of this dongle, if any")
        self.known = Words(small=True)
        self.known.setAccessibleName("the frequency reference that will be used, and its age")
        self.limit_set = QtWidgets.QComboBox()
        self.limit_set.addItems(list(LIMIT_SETS))
        self.limit_set.setToolTip("Which limits judge what is measured")
        self.limits_title = Words(small=True)
        self.limit_set.currentTextChanged.connect(lambda name: self.limits_title.say(_sentence(LIMIT_SETS[name].title)))
        self.tone_source, self.power_setting, self.sound_level = (QtWidgets.QComboBox() for _ in range(3))
        for declared, words, does in (
            (
                self.tone_source,
                ("acoustic", "electrical"),
                "How a test tone gets into the set; undeclared, nothing that depends on it is judged",
            ),
            (self.power_setting, ("high", "low"), "Power setting of the set; undeclared, the most allowed is judged"),
            (self.sound_level, ("94",), "The tone at the microphone is 1 kHz at 94 dB (sound pressure re 20 µPa)"),
        ):
            declared.addItem("not declared", "")
            for word in words:
                declared.addItem(f"{word} dB" if word.isdigit() else word, word)
            declared.setToolTip(does)
        self._first = True
        self.problem = Words()
        self.problem.setAccessibleName("why it does not start")
        self.start = QtWidgets.QPushButton("&Start receiving")
        self.start.setDefault(True)
        self.start.clicked.connect(self._begin)
        self.ready = QtWidgets.QPlainTextEdit()
        self.ready.setReadOnly(True)
        self.ready.setAccessibleName("what is ready and what is not, each with its remedy")
        self.look_again = QtWidgets.QPushButton("Look &again")
        self.look_again.setToolTip("Look again at what is ready, after something was plugged in")
        self.look_again.clicked.connect(self.ready_wanted)
        self._lay_out(browse)
        self.fill(setup)
        for field in (self.power, self.chain, self.centre, self.gain):
            field.textChanged.connect(self._work_out)
        self.reference.textChanged.connect(self._show_reference)
        self.source.currentTextChanged.connect(self._show_reference)
        self.source.currentTextChanged.connect(self._ask_what_is_needed)
        self._ask_what_is_needed()
        self._show_reference()
        self.dress(look)

    def _lay_out(self, browse: QtWidgets.QPushButton) -> None:
        form = QtWidgets.QFormLayout()
        form.setFieldGrowthPolicy(QtWidgets.QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        form.setSpacing(6)
        form.addRow(_heading("What to receive from"))
        source = _beside(self.source, browse)
        source.setStretch(1, 0)
        form.addRow(_named("&Receive from", self.source), source)
        form.addRow("&Place in the bands", self.place)
        form.addRow(_named("&Centre", self.centre), _beside(self.centre, "rate", self.rate, "gain", self.gain))
        form.addRow(_heading("Transmitter, and what stands before the dongle"))
        chain = _beside(self.power, "through", self.chain)
        chain.setStretch(2, 3)
        form.addRow(_named("&Transmitter", self.power), chain)
        form.addRow(self.picture)
        form.addRow(_heading("Frequency reference"))
        form.addRow("C&orrection", self.reference)
        form.addRow(self.known)
        form.addRow(_heading("What findings are held against"))
        form.addRow("&Limits", self.limit_set)
        form.addRow(self.limits_title)
        form.addRow("Test tone &in", self.tone_source)
        form.addRow("Po&wer setting", self.power_setting)
        form.addRow("So&und level", self.sound_level)
        self.cautions = Words("\n".join(f"⚠ {caution}" for caution in BEFORE_KEYING))
        left, right = QtWidgets.QVBoxLayout(), QtWidgets.QVBoxLayout()
        for column in (left, right):
            column.setSpacing(6)
        left.addLayout(form)
        left.addWidget(self.problem)
        left.addSpacing(6)
        left.addWidget(self.start)
        left.addStretch(1)
        right.addWidget(_heading("Before anybody keys a transmitter"))
        right.addWidget(self.cautions)
        heading = QtWidgets.QHBoxLayout()
        heading.addWidget(_heading("What is ready"), 1)
        heading.addWidget(self.look_again)
        right.addLayout(heading)
        right.addWidget(self.ready, 1)
        across = QtWidgets.QHBoxLayout(self._page)
        across.setContentsMargins(12, 8, 12, 10)
        across.setSpacing(24)
        across.addLayout(left, 3)
        across.addLayout(right, 2)

    def dress(self, look: Look) -> None:
        self._look = look
        self.cautions.frame(look.warning)
        self.problem.frame(look.warning)
        for quiet in (self.known, self.limits_title):
            quiet.colour(look.faint)
        self._work_out()

    def showEvent(self, event: QtGui.QShowEvent) -> None:
        super().showEvent(event)
        self.shown.emit()

    @property
    def serial(self) -> str | None:
        """Serial of the dongle that is named as the source."""
        word = self.source.currentText().strip()
        return word.removeprefix("dongle:") if word.startswith("dongle:") else None

    def begin_ready(self) -> queue.SimpleQueue[Finding]:
        """Forget what was found, and give the queue into which new findings go, from any thread."""
        self.ready.setPlainText("Looking …")
        self._answers = queue.SimpleQueue()
        self._first = True
        return self._answers

    def show_ready(self) -> None:
        """Show the findings that have come."""
        while not self._answers.empty():
            found = self._answers.get_nowait()
            sign = {"ok": "✓", "missing": "✕", "note": "•"}.get(found.state, "•")
            text = f"{sign} {found.what}: {found.said}."
            if found.remedy:
                text += f"\n   To do: {found.remedy}."
            if self._first:
                self.ready.clear()
                self._first = False
            self.ready.appendPlainText(text)

    def _ask_what_is_needed(self) -> None:
        """A recording knows its own tuning, unless it is bare samples; sound has no gain of ours."""
        word = self.source.currentText().strip()
        kind = word.partition(":")[0]
        live = kind in ("dongle", "net", "sound")
        for field in (self.place, self.centre, self.rate):
            field.setEnabled(live or Path(word).suffix in BARE)
        self.gain.setEnabled(kind in ("dongle", "net"))

    def _show_reference(self) -> None:
        try:
            known = frequency_reference(self.setup)
        except (click.BadParameter, ReceiverError) as problem:
            self.known.say(f"⚠ {problem}")
            return
        if known is None:
            self.known.say(
                "None typed: what the recording says, or what is kept for the dongle that answers; without either, "
                "every frequency carries the uncertainty of an uncorrected dongle."
            )
            return
        age = ""
        if known.taken_utc is not None:
            age = f", {format_age(datetime.now(UTC) - known.taken_utc)} old"
        self.known.say(f"{known.correction_ppm:+.2f} ± {known.uncertainty_ppm:.2f} ppm, {known.source}{age}.")

    def fill(self, setup: Setup) -> None:
        """Put a set-up into the fields."""
        self.source.setCurrentText(setup.source)
        for field, text in (
            (self.centre, setup.centre),
            (self.rate, setup.rate),
            (self.gain, setup.gain),
            (self.power, setup.power),
            (self.chain, setup.chain),
            (self.reference, setup.reference),
        ):
            field.setText(text)
        self.limit_set.setCurrentIndex(max(self.limit_set.findText(setup.limit_set), 0))
        self.limits_title.say(_sentence(LIMIT_SETS[self.limit_set.currentText()].title))
        for choice, word in (
            (self.tone_source, setup.tone_source),
            (self.power_setting, setup.power_setting),
            (self.sound_level, setup.sound_level),
        ):
            choice.setCurrentIndex(max(choice.findData(word), 0))

    @property
    def setup(self) -> Setup:
        """What stands in the fields."""
        return Setup(
            source=self.source.currentText().strip(),
            centre=self.centre.text(),
            rate=self.rate.text(),
            gain=self.gain.text(),
            power=self.power.text(),
            chain=self.chain.text(),
            reference=self.reference.text(),
            limit_set=self.limit_set.currentText(),
            tone_source=self.tone_source.currentData(),
            power_setting=self.power_setting.currentData(),
            sound_level=self.sound_level.currentData(),
        )

    def _browse(self) -> None:
        name, _ = QtWidgets.QFileDialog.getOpenFileName(
            self, "Play a recording", "", "Recordings (*.sigmf-meta *.wav *.cu8);;All files (*)"
        )
        if name:
            self.source.setCurrentText(name)

    def _take_place(self, name: str) -> None:
        if name in PLACES:
            centre, rate = PLACES[name]
            self.centre.setText(centre)
            self.rate.setText(rate)

    def assessment(self) -> Assessment | str:
        """The chain worked through, or one sentence why it cannot be."""
        if not self.power.text().strip():
            return "No transmitter named: nothing is keyed into this chain."
        if not self.chain.text().strip():
            return "Name the chain between transmitter and dongle to see whether it is safe."
        try:
            return attenuation.assess(
                attenuation.parse_power(self.power.text()),
                attenuation.parse_chain(self.chain.text()),
                _frequency(self.centre.text()),
                _number(self.gain.text()),
            )
        except (ReceiverError, click.BadParameter) as problem:
            return f"{problem}"

    def _work_out(self) -> None:
        found = self.assessment()
        self.picture.show_assessment(found, self._look)

    def _begin(self) -> None:
        setup = self.setup
        try:
            if not setup.source:
                raise click.BadParameter("Say what to receive from.")
            tuning = Tuning(
                centre_hz=_frequency(setup.centre),
                sample_rate_hz=_frequency(setup.rate),
                gain_db=self._gain(setup),
            )
            judging = judged_by(setup)
        except (click.BadParameter, ReceiverError) as problem:
            self.problem.say(f"⚠ {problem}")
            return
        found = self.assessment()
        if isinstance(found, Assessment) and found.verdict is attenuation.Verdict.NOT_SAFE and not self._sure(found):
            self.problem.say("Not started: mend the chain first, or leave the transmitter unkeyed.")
            return
        self.problem.say("")
        self.started.emit(setup.source, tuning, judging)

    def _gain(self, setup: Setup) -> float | None:
        found = self.assessment()
        typed = _number(setup.gain)
        return found.gain_db if typed is None and isinstance(found, Assessment) else typed

    def _sure(self, found: Assessment) -> bool:
        answer = QtWidgets.QMessageBox.warning(
            self,
            "This chain is not safe",
            "\n".join((*found.reasons, "", "Receive all the same, with the transmitter NOT keyed?")),
            QtWidgets.QMessageBox.StandardButton.Yes | QtWidgets.QMessageBox.StandardButton.No,
            QtWidgets.QMessageBox.StandardButton.No,
        )
        return answer == QtWidgets.QMessageBox.StandardButton.Yes


def judged_by(setup: Setup) -> Judging:
    """How a set-up wants findings corrected and judged. Raises BadParameter with a sentence for the user."""
    if setup.sound_level and setup.tone_source == "electrical":
        raise click.BadParameter("A tone that is fed in electrically has no sound level; choose one of the two.")
    return Judging(
        reference=typed_reference(setup),
        limit_set=setup.limit_set,
        tone_source=setup.tone_source or None,  # type: ignore[arg-type]
        power_setting=setup.power_setting or None,
        sound_level=setup.sound_level or None,
        chain=CHAIN.convert(setup.chain, None, None) if setup.chain.strip() else None,
    )


def typed_reference(setup: Setup) -> FrequencyReference | None:
    """The reference that was typed, if any."""
    if not setup.reference.strip():
        return None
    return FrequencyReference(*PPM.convert(setup.reference, None, None), "typed on the start page")


def frequency_reference(setup: Setup) -> FrequencyReference | None:
    """The typed reference, else the stored one of the named dongle aged to now, else none that is known yet."""
    typed = typed_reference(setup)
    if typed is None and setup.source.startswith("dongle:"):
        stored = reference_store.latest(setup.source.removeprefix("dongle:"))
        return None if stored is None else stored.at(datetime.now(UTC))
    return typed


def format_age(age: timedelta) -> str:
    """How long ago, in the unit that suits it: `3 days`, `40 minutes`."""
    for seconds, unit in ((86_400, "day"), (3_600, "hour"), (60, "minute")):
        count = int(age.total_seconds() // seconds)
        if count:
            return f"{count} {unit}" + ("s" if count > 1 else "")
    return "less than a minute"


def _named(words: str, field: QtWidgets.QWidget) -> QtWidgets.QLabel:
    """A label whose underlined letter leads to its field."""
    label = QtWidgets.QLabel(words)
    label.setBuddy(field)
    return label


def _frequency(text: str) -> float | None:
    return FREQUENCY.convert(text, None, None) if text.strip() else None


def _number(text: str) -> float | None:
    return NUMBER.convert(text.strip(), None, None) if text.strip() else None


def _heading(words: str) -> Words:
    heading = Words(words, strong=True)
    heading.setContentsMargins(0, 8, 0, 2)
    return heading


def _beside(first: QtWidgets.QWidget, *others: QtWidgets.QWidget | str) -> QtWidgets.QHBoxLayout:
    """Fields side by side, with words before each but the first."""
    row = QtWidgets.QHBoxLayout()
    row.setSpacing(6)
    row.addWidget(first, 1)
    for one in others:
        if isinstance(one, str):
            row.addWidget(QtWidgets.QLabel(one))
        else:
            row.addWidget(one, 1)
    return row


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."
