"""One planned check: what to do at the set, what is dangerous about it, what answers it, and what a person decides."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sdrcheck.findings.inspection import AppliedLimit, Transmission
from sdrcheck.findings.wording import format_limit, format_place, format_reading
from sdrcheck.visits.checks.check import How
from sdrcheck.visits.matching import objection
from sdrcheck.visits.results import OUTCOMES, Outcome, Seen
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.look import Look
from sdrcheck_gui.panels.flowing import Flowing
from sdrcheck_gui.panels.printout import takes_printout
from sdrcheck_gui.panels.text import Words
from sdrcheck_gui.qt import QtCore, QtWidgets

if TYPE_CHECKING:
    from sdrcheck.evidence.case import CheckCase
    from sdrcheck.visits.gates import Gate
    from sdrcheck.visits.ship import Visit

ANSWERS = {
    How.MEASURED: "answered by a recording of the keying",
    How.METERED: "answered by a calibrated instrument's reading",
    How.SEEN: "answered by looking and listening",
}
NO_INSTRUMENT = "not named"
_FIGURES = 7
"""So many can be read in a field at least."""


def state_words(one: CheckCase) -> str:
    """The state of a check in one or two words."""
    if one.state.outcome is not None:
        return one.state.outcome.outcome
    return "begun" if one.state.begun else "open"


class CheckView(QtWidgets.QWidget):
    """The chosen check. What the user wants to file leaves it as a signal; what was filed comes back as a case."""

    attach_wanted = QtCore.Signal(str)
    file_wanted = QtCore.Signal(str)
    meter_wanted = QtCore.Signal(str, dict)
    seen_wanted = QtCore.Signal(str, bool, str)
    outcome_wanted = QtCore.Signal(str, str, str)
    gates_wanted = QtCore.Signal(str)
    printout_wanted = QtCore.Signal(str)

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self.one: CheckCase | None = None
        self._gate: Gate | None = None
        self.title, self.place = Words(strong=True), Words(small=True)
        self.cautions = Words()
        self.cautions.setAccessibleName("cautions for this check")
        self.steps = Words()
        self.steps.setAccessibleName("what to do")
        self.held = Words(small=True)
        self._attach_part()
        self._meter_part()
        self._seen_part()
        self._outcome_part()
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(4, 4, 8, 4)
        for part in (self.title, self.place, self.cautions, self.gate_box, self.steps):
            column.addWidget(part)
        for box in (self.attach_box, self.meter_box, self.seen_box, self.outcome_box):
            column.addWidget(box)
        column.addWidget(self.held)
        column.addStretch(1)
        self.dress(look)
        self.hide()

    # the parts

    def _attach_part(self) -> None:
        self.gate_box = QtWidgets.QGroupBox("Gate")
        self.gate_words = Words()
        self.gate_button = QtWidgets.QPushButton("&Gates of this set …")
        self.gate_button.setToolTip("The leak check before any distress format, and the way back to the antenna")
        self.gate_button.clicked.connect(self._show_gates)
        column = QtWidgets.QVBoxLayout(self.gate_box)
        column.addWidget(self.gate_words)
        column.addWidget(self.gate_button)

        self.attach_box = QtWidgets.QGroupBox("Recording")
        self.fits = Words()
        self.fits.setAccessibleName("does the chosen keying fit this check?")
        self.attach_button = QtWidgets.QPushButton("&Attach the chosen keying")
        self.attach_button.setToolTip(
            "Keep its samples in the visit's folder, with those before it, inspect them, file a try (Ctrl+Return)"
        )
        self.file_button = QtWidgets.QPushButton("A &recording …")
        self.file_button.setToolTip("File a recording that was made before")
        self.tries = Words()
        self.tries.setAccessibleName("what was recorded so far")
        self.printout_button = QtWidgets.QPushButton("The ship's prin&t-out …")
        self.printout_button.setToolTip("Paste what the ship's own receiver printed, compare and file it")
        self.printout_button.clicked.connect(lambda: self._emit(self.printout_wanted))
        self.attach_button.clicked.connect(lambda: self._emit(self.attach_wanted))
        self.file_button.clicked.connect(lambda: self._emit(self.file_wanted))
        column = QtWidgets.QVBoxLayout(self.attach_box)
        column.addWidget(self.fits)
        column.addLayout(Flowing(self.attach_button, self.file_button))
        column.addWidget(self.printout_button)
        column.addWidget(self.tries)

    def _meter_part(self) -> None:
        self.meter_box = QtWidgets.QGroupBox("Calibrated instrument beside it")
        self.quantity = QtWidgets.QComboBox()
        self.quantity.setAccessibleName("what the instrument shows")
        self.quantity.setToolTip("What the instrument shows, with its unit")
        self.value, self.uncertainty = QtWidgets.QLineEdit(), QtWidgets.QLineEdit()
        self.value.setAccessibleName("reading of the instrument")
        self.uncertainty.setAccessibleName("its expanded uncertainty, same unit")
        self.uncertainty.setToolTip("Expanded uncertainty (k = 2) from the instrument's certificate, in the same unit")
        self.uncertainty.setPlaceholderText("U, k = 2")
        self.unit = QtWidgets.QLabel()
        self.instrument = QtWidgets.QComboBox()
        self.instrument.setAccessibleName("which instrument")
        self.instrument.setToolTip("Which instrument of the visit file")
        self.meter_button = QtWidgets.QPushButton("&File the reading")
        self.meter_button.setToolTip("File what the instrument showed, and hold it against the recording")
        self.meters = Words()
        self.meters.setAccessibleName("instrument readings so far, held against the recording")
        self.quantity.currentIndexChanged.connect(self._show_unit)
        self.meter_button.clicked.connect(self._file_meter)
        self.value.returnPressed.connect(self._file_meter)
        self.uncertainty.returnPressed.connect(self._file_meter)
        for combo in (self.quantity, self.instrument):
            combo.setSizeAdjustPolicy(QtWidgets.QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
            combo.setMinimumContentsLength(10)
        reading = QtWidgets.QWidget()
        row = QtWidgets.QHBoxLayout(reading)
        row.setContentsMargins(0, 0, 0, 0)
        for widget in (self.value, QtWidgets.QLabel("±"), self.uncertainty, self.unit):
            row.addWidget(widget)
        for field in (self.value, self.uncertainty):
            field.setMinimumWidth(_FIGURES * field.fontMetrics().horizontalAdvance("0"))
        column = QtWidgets.QVBoxLayout(self.meter_box)
        column.addLayout(Flowing(self.quantity, reading))
        column.addLayout(Flowing(QtWidgets.QLabel("by"), self.instrument, self.meter_button))
        column.addWidget(self.meters)

    def _seen_part(self) -> None:
        self.seen_box = QtWidgets.QGroupBox("Looked at")
        self.note = QtWidgets.QLineEdit()
        self.note.setPlaceholderText("what was seen; needed where it is not as it should be")
        self.note.setAccessibleName("what was seen")
        self.good_button = QtWidgets.QPushButton("As it sho&uld be")
        self.bad_button = QtWidgets.QPushButton("Not as it should &be")
        self.good_button.clicked.connect(lambda: self._file_seen(True))
        self.bad_button.clicked.connect(lambda: self._file_seen(False))
        self.looked = Words()
        self.looked.setAccessibleName("what was seen so far")
        column = QtWidgets.QVBoxLayout(self.seen_box)
        column.addWidget(self.note)
        column.addLayout(Flowing(self.good_button, self.bad_button))
        column.addWidget(self.looked)

    def _outcome_part(self) -> None:
        self.outcome_box = QtWidgets.QGroupBox("Outcome, set by you")
        self.proposal = Words()
        self.proposal.setAccessibleName("what the tool proposes, and why")
        self.outcome = QtWidgets.QComboBox()
        self.outcome.addItems(list(OUTCOMES))
        self.outcome.setAccessibleName("outcome")
        self.outcome.setSizePolicy(QtWidgets.QSizePolicy.Policy.Maximum, QtWidgets.QSizePolicy.Policy.Fixed)
        self.reason = QtWidgets.QLineEdit()
        self.reason.setPlaceholderText("why; needed for all but satisfactory")
        self.reason.setAccessibleName("reason for the outcome")
        self.outcome_button = QtWidgets.QPushButton("&Set the outcome")
        self.outcome_button.setToolTip("Earlier words are kept, the last one counts")
        self.outcome_button.clicked.connect(self._file_outcome)
        self.reason.returnPressed.connect(self._file_outcome)
        self.decided = Words()
        self.decided.setAccessibleName("outcome so far")
        column = QtWidgets.QVBoxLayout(self.outcome_box)
        column.addWidget(self.proposal)
        column.addLayout(Flowing(self.outcome, self.reason))
        column.addWidget(self.outcome_button)
        column.addWidget(self.decided)

    # what is shown

    def dress(self, look: Look) -> None:
        self._look = look
        self.cautions.frame(look.warning)
        for quiet in (self.place, self.held):
            quiet.colour(look.faint)

    def show_check(self, one: CheckCase, visit: Visit, gate: Gate | None) -> None:
        """Show a check as it stands; `gate` where it may not be done yet, or must not be left open."""
        other = self.one is None or self.one.check.id != one.check.id
        self.one, self._gate = one, gate
        check = one.check
        self.title.say(check.title)
        self.place.say(f"{check.id}, {ANSWERS[check.how]}")
        self.cautions.say("\n".join(f"⚠ {caution}" for caution in check.cautions))
        self.steps.say("\n".join(f"{number}. {step}" for number, step in enumerate(check.do, 1)))
        self.held.say(_basis(one))
        self.gate_box.setVisible(gate is not None)
        if gate is not None:
            self.gate_words.say("Open." if gate.open else "Closed. Still wanted: " + "; ".join(gate.wanted) + ".")
        self.attach_box.setVisible(check.keying is not None)
        self.printout_button.setVisible(takes_printout(check))
        self.tries.say(_tries(one))
        self._show_meters(one, visit, other)
        self.seen_box.setVisible(check.how is How.SEEN)
        self.looked.say("\n".join(_seen(entry) for entry in one.state.seen))
        sentence = one.proposal.sentence
        proposed = one.proposal.outcome
        self.proposal.say(f"Proposed: {sentence}." if proposed else f"{sentence[0].upper()}{sentence[1:]}.")
        self.decided.say("\n".join(_decided(entry) for entry in one.state.outcomes))
        if other:
            for field in (self.value, self.uncertainty, self.note, self.reason):
                field.clear()
            self.outcome.setCurrentText(one.outcome if one.outcome in OUTCOMES else one.proposal.outcome or OUTCOMES[0])
        self.show()

    def _show_meters(self, one: CheckCase, visit: Visit, other: bool) -> None:
        self.meter_box.setVisible(bool(one.check.meters))
        if other:
            self.quantity.clear()
            for wanted in one.check.meters:
                self.quantity.addItem(wanted.quantity, wanted.unit)
            self.instrument.clear()
            self.instrument.addItem(NO_INSTRUMENT, "")
            for instrument in visit.instruments:
                self.instrument.addItem(instrument.name, instrument.id)
        lines = []
        for meter, comparison in one.comparisons:
            spread = "" if meter.uncertainty is None else f" ± {meter.uncertainty:g}"
            held = comparison.sentence if comparison else "nothing in the recordings to hold it against"
            lines.append(f"{meter.utc:%H:%M} UTC, {meter.quantity} {meter.value:g}{spread} {meter.unit}: {held}.")
        self.meters.say("\n".join(lines))

    def show_keying(self, keying: Keying | None, live: bool) -> None:
        """Say whether the chosen keying fits, and let it be attached where it is over."""
        found = None if keying is None else keying.transmission
        closed = self._gate is not None and not self._gate.open and self.one is not None
        allowed = not (closed and self.one and self.one.check.distress_format)
        self.attach_button.setEnabled(found is not None and live and allowed)
        self.file_button.setEnabled(allowed)
        if self.one is None or self.one.check.keying is None:
            return
        if not allowed:
            self.fits.say("The gate is closed; nothing may be keyed for this check yet.")
        elif keying is None:
            self.fits.say("Choose a keying on the tape, by mouse or with F6 and the arrow keys.")
        elif found is None:
            self.fits.say(f"{keying.lane}: still on the air.")
        else:
            why = objection(self.one.check, found)
            what = f"{format_place(found)}, {keying.label}, {found.duration_s:.3g} s"
            self.fits.say(f"{what}: " + (f"⚠ does not fit. {why}" if why else "fits what the check asks for."))

    # what the user wants filed

    def _show_gates(self) -> None:
        if self.one is not None and self.one.check.set_id is not None:
            self.gates_wanted.emit(self.one.check.set_id)

    def _emit(self, signal: QtCore.SignalInstance) -> None:
        if self.one is not None:
            signal.emit(self.one.check.id)

    def _show_unit(self) -> None:
        self.unit.setText(self.quantity.currentData() or "")
        self.value.setToolTip(f"The reading, in {self.unit.text()}")

    def _file_meter(self) -> None:
        if self.one is None:
            return
        try:
            value = _number(self.value.text())
            uncertainty = _number(self.uncertainty.text()) if self.uncertainty.text().strip() else None
        except ValueError as problem:
            self.meters.say(f"⚠ {problem}")
            return
        self.meter_wanted.emit(
            self.one.check.id,
            {
                "quantity": self.quantity.currentText(),
                "value": value,
                "unit": self.unit.text(),
                "uncertainty": uncertainty,
                "instrument": self.instrument.currentData() or "",
            },
        )

    def _file_seen(self, good: bool) -> None:
        if self.one is not None:
            self.seen_wanted.emit(self.one.check.id, good, self.note.text().strip())

    def _file_outcome(self) -> None:
        if self.one is not None:
            self.outcome_wanted.emit(self.one.check.id, self.outcome.currentText(), self.reason.text().strip())

    def filed(self) -> None:
        """Clear what was typed: it is filed now."""
        for field in (self.value, self.uncertainty, self.note, self.reason):
            field.clear()


def _number(text: str) -> float:
    try:
        found = float(text.strip().replace(",", "."))
    except ValueError:
        raise ValueError(f"{text!r} is no number; write it like 22.5") from None
    if found != found or abs(found) == float("inf"):
        raise ValueError(f"{text!r} is no number; write it like 22.5")
    return found


def _basis(one: CheckCase) -> str:
    check = one.check
    lines = [f"Asked for by: {check.basis} (mark {check.mark.value}{f', {check.standing}' if check.standing else ''})."]
    for limit in check.limits:
        span = format_limit(AppliedLimit.of(limit), limit.unit)
        lines.append(f"{limit.quantity}: {span} ({limit.standing}; {limit.source}).")
    return "\n".join(lines)


def _judged(found: Transmission) -> list[str]:
    """What did not pass a line each, what did in one."""
    judged = [reading for reading in found.readings if reading.verdict]
    lines = [
        f"{'✕' if reading.verdict.startswith('fail') else '•'} {reading.quantity} {format_reading(reading)}, "
        f"{reading.verdict}"
        for reading in judged
        if reading.verdict and reading.verdict != "pass"
    ]
    passed = [f"{reading.quantity} {format_reading(reading)}" for reading in judged if reading.verdict == "pass"]
    if passed:
        lines.append(f"✓ pass: {'; '.join(passed)}")
    return lines or ["• nothing judged"]


def _tries(one: CheckCase) -> str:
    if not one.tries:
        return "A print-out is filed; nothing is recorded to hold it against." if one.state.printouts else ""
    last = one.tries[-1]
    count = f"{len(one.tries)} tries" if len(one.tries) > 1 else "One try"
    lines = [f"{count}; the last at {last.entry.utc:%H:%M} UTC, {last.entry.recording}:"]
    if last.trouble:
        lines.append(f"⚠ {last.trouble}")
    elif not last.transmissions:
        lines.append("no keying in it fits the check.")
    for found in last.transmissions:
        lines += [f"{format_place(found)}, {found.kind}:", *_judged(found)]
    if one.printout_trouble:
        lines.append(f"⚠ {one.printout_trouble}")
    if one.printout is not None:
        lines.append(f"The ship's print-out: {one.printout.conclusion}")
    for conclusion in one.conclusions:
        sign = {False: "⚠ look here: ", True: "", None: ""}[conclusion.agrees]
        lines.append(f"{sign}{conclusion.sentence} ({conclusion.reason})")
    return "\n".join(lines)


def _seen(entry: Seen) -> str:
    word = "as it should be" if entry.as_it_should else "not as it should be"
    return f"{entry.utc:%H:%M} UTC, {word}" + (f": {entry.note}" if entry.note else "")


def _decided(entry: Outcome) -> str:
    return f"{entry.utc:%H:%M} UTC, {entry.outcome}" + (f": {entry.reason}" if entry.reason else "")
