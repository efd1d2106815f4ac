"""Each panel, fed by hand with a few events: what it shows, says and lets choose."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from msgspec import structs

from sdrcheck.bench import CharactersArrived, SourceFault, SpectrumFrame, TransmissionEnded, TransmissionStarted
from sdrcheck.channels import plan
from sdrcheck.cli.arguments import FREQUENCY
from sdrcheck.decoders.dsc.call import Call, OrdinaryReceiver, Position
from sdrcheck.decoders.navtex.message import Message, ShipReceiver
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.findings.inspection import AppliedLimit, Kind, Reading, Transmission
from sdrcheck_gui import look
from sdrcheck_gui.clock import Clock, TimeAxis
from sdrcheck_gui.keyings import Keying, Keyings
from sdrcheck_gui.panels.band import BandPanel, History
from sdrcheck_gui.panels.decode import DecodePanel
from sdrcheck_gui.panels.rulers import RulersPanel, span_of
from sdrcheck_gui.panels.start import PLACES, StartPanel, format_age
from sdrcheck_gui.panels.tape import TapePanel, worst_verdict
from sdrcheck_gui.panels.text import harmless
from sdrcheck_gui.panels.traces import TracesPanel
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets
from sdrcheck_gui.setup import Setup

CHANNEL_70, CHANNEL_72 = plan.channel_at(156.525e6), plan.channel_at(156.625e6)
DEVIATION = AppliedLimit(
    low=None, high=5000.0, id="V11", source="former RR App. 19 item 2", standing="regulation", mark="S"
)
CALL = Call(  # invented identities
    start_s=20.0,
    end_s=20.5,
    type="test call",
    self_id="211999990",
    address="002119990",
    category="safety",
    symbols=(120, 0, 21),
    first_copy=(120, None, 21),
    second_copy=(120, 0, 19),
    combined=(1,),
    error_check="ok",
    ordinary_receiver=OrdinaryReceiver(accepted=True, reason="the ECC fits"),
)
POSITION = Position(latitude=54.175, longitude=12.083, resolution_minutes=1.0)


def frame(start_s: float, clipped: float = 0.0) -> SpectrumFrame:
    power = np.full(64, -80.0, np.float32)
    power[32] = -20.0
    return SpectrumFrame(start_s, 0.1, 156.0e6, 25_000.0, power, clipped_fraction=clipped)


def reading(value: float, verdict: str) -> Reading:
    return Reading(
        quantity="peak deviation, up", value=value, unit="Hz", uncertainty=120.0, limit=DEVIATION, verdict=verdict
    )


def ended(number: int, start_s: float, *readings: Reading, calls: tuple[Call, ...] = ()) -> TransmissionEnded:
    channel = CHANNEL_70 if calls else CHANNEL_72
    assert channel is not None
    iq = np.exp(1j * 3 * np.sin(2 * np.pi * 1000 * np.arange(24_000) / 48_000)).astype(np.complex64)
    found = Transmission(
        start_s=start_s,
        duration_s=0.5,
        start_utc=None,
        frequency_hz=channel.frequency_hz,
        channel=channel.name,
        leg=None,
        emission="G2B" if calls else "G3E",
        kind=Kind.DSC_CALL if calls else Kind.VOICE,
        condition="call" if calls else "one tone",
        readings=readings,
        calls=calls,
        remarks=("Look at the microphone.",),
    )
    return TransmissionEnded(
        number, found, Excerpt(iq, 48_000.0, channel.frequency_hz, start_s, 0, iq.size, 1e-12, channel)
    )


def taken(*events: object) -> Keyings:
    keyings = Keyings(120.0)
    for event in events:
        keyings.show_event(event)
    return keyings


def chosen(event: TransmissionEnded) -> Keying:
    keying = taken(event).get(event.number)
    assert keying is not None
    return keying


# -- keyings ----------------------------------------------------------------------------------------------------------


def test_keyings_forget_old_ones_but_never_marked_ones() -> None:
    keyings = taken(ended(1, 0.0), ended(2, 1.0))
    marked = keyings.get(1)
    assert marked is not None
    marked.marked = True
    keyings.forget_before(500.0)
    assert [keying.number for keying in keyings] == [1]


def test_text_arrives_in_order_before_the_end() -> None:
    keyings = taken(
        TransmissionStarted(3, 5.0, 518e3, None),
        CharactersArrived(3, 5.2, None, "ZCZC "),
        CharactersArrived(3, 5.3, None, "EA07"),
    )
    keying = keyings.get(3)
    assert keying is not None
    assert keying.text == "ZCZC EA07"
    assert keying.label == "text arriving"


def test_text_without_a_number_goes_to_the_keying_that_is_on_its_channel() -> None:
    text = plan.channel_at(518e3)
    keyings = taken(TransmissionStarted(1, 0.4, 518e3, text), CharactersArrived(0, 14.3, text, "ZCZC LA"))
    assert [(keying.number, keying.text) for keying in keyings] == [(1, "ZCZC LA")]


def test_text_that_comes_before_any_keying_stands_out_is_shown_and_handed_on() -> None:
    text = plan.channel_at(518e3)
    keyings = taken(CharactersArrived(0, 14.3, text, "ZCZC LA"), CharactersArrived(0, 16.1, text, "05"))
    (early,) = keyings
    assert (early.lane, early.text, early.label) == ("518", "ZCZC LA05", "text arriving")
    now = keyings.show_event(TransmissionStarted(4, 0.4, 518e3, text))
    assert list(keyings) == [now]
    assert (now.number, now.text, now.instead_of) == (4, "ZCZC LA05", early.number)


def test_a_loss_that_comes_out_late_takes_the_verdicts_back() -> None:
    keyings = taken(ended(1, 5.0, reading(4200.0, "pass")), ended(2, 10.0, reading(4200.0, "pass")))
    told = keyings.get(2).transmission  # type: ignore[union-attr]
    assert told is not None
    (keying,) = keyings.doubt(SourceFault(10.8, "5000 samples are missing", lost_samples=5000, within_s=2.0))
    assert keying.number == 2
    assert keying.transmission is not None
    assert [one.verdict for one in keying.transmission.readings] == [None]
    assert "nothing of it is judged" in keying.transmission.remarks[-1]
    assert worst_verdict(keyings.get(1)) == "pass"  # type: ignore[arg-type]
    assert keyings.of(told) is keying  # a run that was told of it earlier still files this one


# -- band -------------------------------------------------------------------------------------------------------------


def test_history_holds_the_strongest_of_each_column_and_its_span() -> None:
    history = History(64, 5.0)
    for tenth in range(80):
        history.add(frame(tenth / 10))
    assert history.picture().shape == (64, 50)
    assert history.start_s == pytest.approx(3.0)
    assert history.dbfs_at(7.95, 32) == pytest.approx(-20, abs=0.5)
    assert history.dbfs_at(1.0, 32) is None


def test_a_frame_longer_than_a_column_fills_every_column_that_it_spans_and_no_other() -> None:
    history = History(64, 5.0, 0.02)
    history.add(replace(frame(0.2), duration_s=0.112))  # what a narrow source at 4 kS/s gives
    history.add(replace(frame(0.312), duration_s=0.112))
    assert history.end_s == pytest.approx(0.44)
    assert [history.dbfs_at(0.01 + 0.02 * column, 32) is not None for column in range(10, 22)] == 12 * [True]
    assert history.dbfs_at(0.19, 32) is None


def test_a_hole_in_the_frames_shows_as_a_hole() -> None:
    history = History(64, 5.0)
    history.add(frame(0.0))
    history.add(frame(2.0))
    assert history.dbfs_at(1.0, 32) is None


def test_band_without_a_source_writes_no_figures_on_its_axes(qtbot) -> None:  # type: ignore[no-untyped-def]
    band = BandPanel(Clock(), 60.0, look.LIGHT)
    qtbot.addWidget(band)
    assert not band.figures_shown
    band.show_frames([frame(0.0)])
    assert band.figures_shown
    band.clear()
    assert not band.figures_shown


def test_a_narrow_band_leaves_its_room_to_time(qtbot) -> None:  # type: ignore[no-untyped-def]
    band = BandPanel(Clock(), 60.0, look.LIGHT)
    qtbot.addWidget(band)
    band.show()
    band.resize(900, 400)
    assert band.right_width > 0
    band.resize(250, 400)
    assert band.right_width == 0
    qtbot.waitUntil(lambda: band.plot.getViewBox().width() > 100)


def test_an_overload_that_goes_on_is_one_remark(qtbot) -> None:  # type: ignore[no-untyped-def]
    band = BandPanel(Clock(), 60.0, look.LIGHT)
    qtbot.addWidget(band)
    band.show_frames([frame(tenth / 10, clipped=0.02) for tenth in range(30)])
    assert band.notes() == ["overload, 2 % clipped"]
    band.show_frames([frame(6.0, clipped=0.02)])
    assert len(band.notes()) == 2


def test_blocks_lie_below_their_signal_with_a_scroll_bar_beside_them(qtbot) -> None:  # type: ignore[no-untyped-def]
    band = BandPanel(Clock(), 60.0, look.LIGHT)
    starts = [
        TransmissionStarted(number, 20.0, channel.frequency_hz, channel)
        for number, channel in enumerate(plan.within(156e6, 157.5e6), 1)
    ]
    keyings = taken(*starts)
    tape = TapePanel(keyings, band, look.LIGHT)
    both = QtWidgets.QWidget()
    column = QtWidgets.QVBoxLayout(both)
    column.addWidget(band, 3)
    column.addWidget(tape, 1)
    qtbot.addWidget(both)
    both.resize(900, 600)
    both.show()
    band.show_span(60.0)

    def apart() -> float:
        tape.refresh(25.0)
        block = tape.lanes.mapTo(both, tape.lanes.block_of(keyings.get(1)).topLeft().toPoint()).x()
        scene = band.plot.getViewBox().mapViewToScene(QtCore.QPointF(20.0, 0.5))
        return abs(block - band._graphics.mapTo(both, band._graphics.mapFromScene(scene)).x())

    qtbot.waitUntil(lambda: apart() <= 2 and tape.verticalScrollBar().isVisible())


def test_the_frame_round_a_keying_on_the_air_grows_with_it(qtbot) -> None:  # type: ignore[no-untyped-def]
    band = BandPanel(Clock(), 60.0, look.LIGHT)
    qtbot.addWidget(band)
    band.show_frames([frame(5.0)])
    keyings = taken(TransmissionStarted(1, 5.0, 156.625e6, CHANNEL_72))
    band.show_chosen(keyings.get(1))
    band.show_frames([frame(9.0)])
    assert band._chosen.rect().width() == pytest.approx(4.1)


def test_words_on_the_time_axis_never_touch(qtbot) -> None:  # type: ignore[no-untyped-def]
    axis = TimeAxis(Clock())
    axis.setStyle(tickFont=axis.label.font())
    width = QtGui.QFontMetricsF(axis.label.font()).horizontalAdvance("0:00.0")
    for pixels in (60, 120, 400, 900):
        (_, values), *_ = axis.tickValues(0.0, 1.3, pixels)
        apart = np.diff(values) * pixels / 1.3
        assert (apart > width).all(), (pixels, values)


def test_symbol_grid_grows_with_the_text(qtbot) -> None:  # type: ignore[no-untyped-def]
    panel = DecodePanel(look.LIGHT)
    qtbot.addWidget(panel)
    panel.show_chosen(chosen(ended(1, 20.0, calls=(CALL,))))
    panel.show()
    font = panel.grid.font()
    font.setPointSizeF(2 * font.pointSizeF())
    panel.grid.setFont(font)
    line = QtGui.QFontMetrics(font).height()
    assert panel.grid.rowHeight(0) > line
    assert panel.grid.columnWidth(0) > QtGui.QFontMetrics(font).horizontalAdvance("120")


def test_band_marks_overload_and_losses_on_the_time_axis(qtbot) -> None:  # type: ignore[no-untyped-def]
    band = BandPanel(Clock(), 60.0, look.LIGHT)
    qtbot.addWidget(band)
    band.show_frames([frame(0.0), frame(1.0, clipped=0.02), frame(2.0)])
    band.show_event(SourceFault(1.5, "1200 samples are missing at 1.500 s.", lost_samples=1200))
    assert band.notes() == ["overload, 2 % clipped", "1200 samples lost"]


def test_peaks_are_held_and_cleared(qtbot) -> None:  # type: ignore[no-untyped-def]
    band = BandPanel(Clock(), 60.0, look.LIGHT)
    qtbot.addWidget(band)
    band.show_frames([frame(0.0)])
    band.peak_button.click()
    quiet = frame(0.1)
    quiet.power_dbfs[:] = -80.0
    band.show_frames([quiet])
    assert band._peak_curve.getData()[0][32] == pytest.approx(-20)
    band.peak_button.click()
    assert band._peak_curve.getData()[0] is None or band._peak_curve.getData()[0].size == 0


# -- tape -------------------------------------------------------------------------------------------------------------


def test_tape_chooses_by_mouse_and_by_keys(qtbot) -> None:  # type: ignore[no-untyped-def]
    keyings = taken(ended(1, 10.0), ended(2, 20.0, calls=(CALL,)), ended(3, 30.0))
    band = BandPanel(Clock(), 60.0, look.LIGHT)
    tape = TapePanel(keyings, band, look.LIGHT)
    for widget in (band, tape):
        qtbot.addWidget(widget)
    tape.resize(900, 120)
    tape.show()
    band.plot.setXRange(0, 60, padding=0)
    tape.refresh(60.0)
    picked: list[int] = []
    tape.lanes.chosen.connect(picked.append)
    tape.lanes.chosen.connect(tape.lanes.set_chosen)
    block = tape.lanes.block_of(next(iter(keyings)))
    qtbot.mouseClick(tape.lanes, QtCore.Qt.MouseButton.LeftButton, pos=block.center().toPoint())
    for key in (QtCore.Qt.Key.Key_Right, QtCore.Qt.Key.Key_Right, QtCore.Qt.Key.Key_Right, QtCore.Qt.Key.Key_Down):
        qtbot.keyClick(tape.lanes, key)
    assert picked == [1, 2, 3, 3, 2]  # the end of the tape is the end; down is the lower channel's lane
    assert tape.lanes.names == ["72", "70"]


def test_a_thousand_keyings_are_drawn_about_as_fast_as_ten(qtbot) -> None:  # type: ignore[no-untyped-def]
    def drawn(count: int) -> float:
        band = BandPanel(Clock(), 60.0, look.LIGHT)
        tape = TapePanel(taken(*(ended(n, n * 0.05) for n in range(count))), band, look.LIGHT)
        for widget in (band, tape):
            qtbot.addWidget(widget)
        tape.resize(900, 120)
        tape.show()
        band.plot.setXRange(0, 60, padding=0)
        began = time.process_time()
        for _ in range(3):
            tape.refresh(60.0)
            tape.grab()
        return time.process_time() - began

    drawn(10)
    assert drawn(1000) < 60 * drawn(10) + 0.3  # a hundred times the blocks, never their square


def test_the_gravest_verdict_colours_a_block_and_unjudged_ones_have_none() -> None:
    both = chosen(ended(1, 0.0, reading(5200, "fail"), reading(4900, "pass, not proven")))
    assert worst_verdict(both) == "fail"
    assert worst_verdict(chosen(ended(2, 0.0))) is None


# -- rulers -----------------------------------------------------------------------------------------------------------


def test_rulers_say_value_limit_verdict_and_source(qtbot) -> None:  # type: ignore[no-untyped-def]
    panel = RulersPanel(look.LIGHT)
    qtbot.addWidget(panel)
    panel.show_chosen(chosen(ended(1, 0.0, reading(5310, "fail"))))
    (ruler,) = panel.rulers()
    assert "5310 ± 120 Hz" in ruler.accessibleName()
    assert "former RR App. 19 item 2" in ruler.toolTip()
    assert "Verdict: fail" in ruler.toolTip()
    panel.copy()
    from sdrcheck_gui.qt import QtGui

    assert "at most 5000 Hz\tfail\tregulation" in QtGui.QGuiApplication.clipboard().text()
    ruler.resize(400, 60)
    assert not ruler.grab().isNull()


@pytest.mark.parametrize("value", [0.0, 4900.0, 5000.0, 9000.0, -50.0])
def test_a_ruler_always_shows_the_edge_of_the_limit(value: float) -> None:
    low, high = span_of(reading(value, "pass"))
    assert low < 5000.0 < high


def test_nothing_chosen_says_how_to_choose(qtbot) -> None:  # type: ignore[no-untyped-def]
    panel = RulersPanel(look.DARK)
    qtbot.addWidget(panel)
    panel.show_chosen(chosen(ended(1, 0.0, reading(1, "pass"))))
    panel.show_chosen(None)
    assert panel.rulers() == []
    assert "Choose a keying" in panel.heading.text()


# -- content ----------------------------------------------------------------------------------------------------------


def test_a_call_stands_as_sentences_and_grid_with_bad_symbols_marked(qtbot) -> None:  # type: ignore[no-untyped-def]
    panel = DecodePanel(look.LIGHT)
    qtbot.addWidget(panel)
    panel.show()
    panel.show_chosen(chosen(ended(2, 20.0, calls=(CALL,))))
    words = panel.words.toPlainText()
    assert "Test call from 211999990 to 002119990, category safety." in words
    assert "Look at the microphone." in words
    texts = [[panel.grid.item(row, place).text() for place in range(3)] for row in range(3)]
    assert texts == [["120", "✕", "21"], ["120", "00", "19≠"], ["120", "00+", "21"]]


def test_lost_characters_are_set_off(qtbot) -> None:  # type: ignore[no-untyped-def]
    keyings = taken(TransmissionStarted(3, 5.0, 518e3, None), CharactersArrived(3, 5.2, None, "GAL* W*RNING"))
    panel = DecodePanel(look.LIGHT)
    qtbot.addWidget(panel)
    panel.show_chosen(keyings.get(3))
    assert [mark.cursor.selectedText() for mark in panel.words.extraSelections()] == ["*", "*"]


def test_only_what_was_lost_of_the_message_is_set_off(qtbot) -> None:  # type: ignore[no-untyped-def]
    message = Message(
        station="Q",
        subject="B",
        number="12",
        body="GALE W*RNING",
        complete=True,
        characters=12,
        character_errors=1,
        character_errors_repaired=1,
        first_copy_errors=1,
        second_copy_errors=1,
        character_error_ratio=1 / 12,
        start_s=0.0,
        end_s=1.0,
        start_utc=None,
        phasing_s=None,
        ordinary_receiver=ShipReceiver(printed=True, stored=True, alarm=False, reason="made up"),
    )
    event = ended(3, 5.0)
    found = structs.replace(event.transmission, messages=(message,))
    panel = DecodePanel(look.LIGHT)
    qtbot.addWidget(panel)
    panel.show_chosen(chosen(replace(event, transmission=found)))
    (mark,) = panel.words.extraSelections()
    assert mark.cursor.selectedText() == "*"
    assert mark.cursor.block().text() == "GALE W*RNING"


def test_text_from_the_air_cannot_turn_the_page_around() -> None:
    assert harmless("SAFE\u202eEVIL\x1b[31m\u200b\r\nא") == "SAFEU+202EEVILU+001B[31mU+200B\nU+05D0"


@pytest.mark.parametrize(
    ("own", "asked", "whole"),
    [((), False, False), (("211999990",), False, True), (("211999990",), True, True), ((), True, True)],
)
def test_what_is_copied_masks_other_stations_unless_asked(
    qtbot, own: tuple[str, ...], asked: bool, whole: bool
) -> None:  # type: ignore[no-untyped-def]
    """Secrecy of correspondence, Radio Regulations article 17 [M]: seen by the operator, not handed on."""
    panel = DecodePanel(look.LIGHT, lambda: frozenset(own))
    qtbot.addWidget(panel)
    panel.show()
    panel.show_chosen(chosen(ended(1, 0.0, calls=(structs.replace(CALL, position=POSITION),))))
    assert "211999990" in panel.words.toPlainText()
    assert panel.others.isVisible() is not bool(own)
    if panel.others.isVisible():
        panel.others.setChecked(asked)
    panel.words.selectAll()
    panel.words.copy()
    copied = QtGui.QGuiApplication.clipboard().text()
    assert ("211999990" in copied) is whole
    assert ("Position" in copied) is whole
    assert "Test call from" in copied
    assert "002119990" in copied, "a coast station is a public service"


# -- curves -----------------------------------------------------------------------------------------------------------


def test_curves_are_drawn_when_they_can_be_seen(qtbot) -> None:  # type: ignore[no-untyped-def]
    panel = TracesPanel(look.LIGHT)
    qtbot.addWidget(panel)
    panel.show_chosen(chosen(ended(1, 0.0)))
    assert panel._curves[0].getData()[0] is None
    panel.show()
    assert panel._curves[0].getData()[1].max() == pytest.approx(3000, rel=0.12)


def test_the_limit_stands_in_the_deviation_where_it_was_judged(qtbot) -> None:  # type: ignore[no-untyped-def]
    panel = TracesPanel(look.LIGHT)
    qtbot.addWidget(panel)
    panel.show()
    panel.show_chosen(chosen(ended(1, 0.0, reading(3000, "pass"))))
    up, down = panel.limits
    assert (up.value(), up.isVisible(), down.isVisible()) == (5000.0, True, False)
    assert panel.deviation.viewRange()[1][1] > 5000
    panel.show_chosen(chosen(ended(2, 0.0)))
    assert not up.isVisible()
    panel.show_chosen(None)
    assert not up.isVisible()


# -- start page -------------------------------------------------------------------------------------------------------


def test_start_page_judges_the_chain_as_it_is_typed(qtbot) -> None:  # type: ignore[no-untyped-def]
    page = StartPanel(look.LIGHT, Setup(power="25W", chain="40dB/100W,30dB/2W"))
    qtbot.addWidget(page)
    assert page.picture.accessibleDescription().startswith("safe:")
    page.chain.setText("30dB/2W")
    assert page.picture.accessibleDescription().startswith("not safe:")
    page.chain.setText("tap:4.7k,30dB")
    assert "resistive tap" in page.picture.accessibleDescription()


@pytest.mark.parametrize(
    ("field", "text", "said"), [("centre", "abc", "is not a frequency"), ("reference", "2.7", "is not a correction")]
)
def test_start_page_says_what_is_wrong(qtbot, field: str, text: str, said: str) -> None:  # type: ignore[no-untyped-def]
    page = StartPanel(look.LIGHT, Setup(source="dongle"))
    qtbot.addWidget(page)
    started: list[object] = []
    page.started.connect(lambda *what: started.append(what))
    getattr(page, field).setText(text)
    page.start.click()
    assert said in page.problem.text()
    assert not started


def test_start_page_asks_only_what_the_source_needs(qtbot) -> None:  # type: ignore[no-untyped-def]
    page = StartPanel(look.LIGHT, Setup())
    qtbot.addWidget(page)

    def asked(word: str) -> tuple[bool, bool]:
        page.source.setCurrentText(word)
        return page.centre.isEnabled(), page.gain.isEnabled()

    assert asked("dongle:00000001") == (True, True)
    assert asked("sound:2") == (True, False)
    assert asked("captures/test-call.sigmf-meta") == (False, False)
    assert asked("quay.cu8") == (True, False)
    assert page.serial is None


def test_no_proposed_centre_lies_on_a_channel() -> None:
    """0 Hz is where a receiver without an intermediate frequency hears itself."""
    for centre, _ in (*PLACES.values(), (Setup().centre, "")):
        assert all(abs(channel.frequency_hz - FREQUENCY.convert(centre, None, None)) > 1000 for channel in plan.PLAN)


@pytest.mark.parametrize(
    ("age", "words"),
    [
        (timedelta(seconds=20), "less than a minute"),
        (timedelta(minutes=1), "1 minute"),
        (timedelta(hours=30), "1 day"),
        (timedelta(days=3), "3 days"),
    ],
)
def test_an_age_is_said_in_its_own_unit(age: timedelta, words: str) -> None:
    assert format_age(age) == words


def test_start_page_needs_no_scrolling_on_a_small_laptop(qtbot) -> None:  # type: ignore[no-untyped-def]
    page = StartPanel(look.LIGHT, Setup(power="25W", chain="40dB/100W,30dB/2W"))
    qtbot.addWidget(page)
    page.resize(1366, 735)  # what 1366×768 leaves below the row of buttons
    page.show()
    assert page.verticalScrollBar().maximum() == 0


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, "contrast ratio" and "relative luminance"."""

    def luminance(colour: QtGui.QColor) -> float:
        parts = colour.getRgbF()[:3]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))

    low, high = sorted((luminance(QtGui.QColor(one)), luminance(QtGui.QColor(other))))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", [look.LIGHT, look.DARK])
def test_all_words_can_be_read(scheme: look.Look) -> None:
    """4.5 to 1 is the least for text (WCAG 2.2, success criterion 1.4.3)."""
    inks = [scheme.verdict_ink(verdict).name() for verdict in ("pass", "fail", "fail, not proven", None)]
    for ink in (*inks, scheme.ink, scheme.faint, scheme.warning, scheme.accent):
        for ground in (scheme.paper, scheme.panel):
            assert contrast(ink, ground) >= 4.5, (ink, ground)
