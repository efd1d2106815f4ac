"""The dongle source against a stand-in driver library, loaded by pyrtlsdr as the real one would be.

No hardware is needed. What the stand-in cannot show (levels, the tuner's true frequency) is not tested anywhere.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.errors import DongleBusy, NoDongle, SourceError, SourceLost
from sdrcheck.sources import dongle, tuner
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.intake import Intake
from sdrcheck.sources.sample_clock import SampleClock
from sdrcheck.sources.source import IqBlock, Tuning
from sdrcheck.sources.tuner import Tuner
from tests.sources.conftest import CENTRE_HZ, RAMP_PERIOD, RATE_HZ, place_of

WANTED = Tuning(centre_hz=CENTRE_HZ, sample_rate_hz=RATE_HZ, gain_db=20.0)

StandIn = Callable[..., Path]


def gaps(places: np.ndarray) -> np.ndarray:
    """Where samples of the ramp do not follow each other: how many are missing there (modulo the ramp's period)."""
    steps = np.diff(places) % RAMP_PERIOD - 1
    return steps[steps != 0]


def test_every_sample_arrives_once_and_in_order(stand_in: StandIn) -> None:
    stand_in()
    with closing(open_source("dongle", WANTED)) as source:
        blocks = list(islice(source.blocks(), 20))
    assert gaps(np.concatenate([place_of(block.raw) for block in blocks])).size == 0
    assert [block.lost_before for block in blocks] == [0] * 20


def test_settings_reach_the_driver(stand_in: StandIn) -> None:
    """Gain by the nearest step, AGC off, whole ppm and bias tee never touched."""
    log = stand_in(serials="EXAMPLE7")
    with closing(open_source("dongle:EXAMPLE7", WANTED)) as source:
        facts = source.facts
    assert (facts.serial, facts.gain_db, facts.name) == ("EXAMPLE7", 19.7, "dongle EXAMPLE7 (R820T)")
    assert facts.remarks == ("A gain of 20 dB was asked for; this tuner's nearest step is 19.7 dB.",)
    calls = log.read_text().splitlines()
    assert calls[-6:] == ["rate 240000", "centre 156800000", "agc 0", "manual gain 1", "gain 197", "close 0"]
    assert not [call for call in calls if call.startswith(("ppm", "bias tee", "gpio", "xtal"))]


def test_the_centre_stays_what_was_asked_for_to_the_hertz(stand_in: StandIn) -> None:
    """The driver's binding rounds what it reads back to the kilohertz; that must not become a carrier offset."""
    stand_in()
    with closing(open_source("dongle", Tuning(156_525_123.0, RATE_HZ))) as source:
        assert source.facts.centre_hz == 156_525_123.0


def test_direct_sampling_below_the_tuner(stand_in: StandIn) -> None:
    log = stand_in()
    with closing(open_source("dongle", Tuning(2_187_500.0, RATE_HZ))) as source:
        facts = source.facts
    assert "direct sampling 2" in log.read_text().splitlines()
    assert facts.gain_db is None
    assert facts.remarks == ("Sampled directly: what lies above 14.4 MHz folds to 28.8 MHz − f, turned round.",)
    with pytest.raises(SourceError, match=r"folds to 12\.38 MHz \(28\.8 MHz − f\), turned round"):
        open_source("dongle", Tuning(16.42e6, RATE_HZ))


def test_the_true_rate_is_the_chips(stand_in: StandIn) -> None:
    """250 000 becomes 250 000.0004 (read back from the resampler's ratio)."""
    stand_in()
    with closing(open_source("dongle", Tuning(CENTRE_HZ, 250_000.0))) as source:
        assert source.facts.sample_rate_hz == pytest.approx(250_000.0004, abs=0.0001)


@pytest.mark.parametrize(
    ("settings", "word", "kind", "sentence"),
    [
        ({"count": 0}, "dongle", NoDongle, r"no receiver dongle answered on USB \(0 found\); plug one in"),
        ({"serials": "A7"}, "dongle:B8", NoDongle, r"no dongle has the serial number B8 \(found: A7\)"),
        ({"count": 2, "serials": "A7,B8"}, "dongle", SourceError, r"2 dongles are plugged in \(A7, B8\); name one"),
        ({"count": 2, "serials": "A7,A7"}, "dongle:A7", SourceError, "2 dongles have the serial number A7"),
        ({"open": -6, "strings": -6}, "dongle", DongleBusy, r"dongle \? is held by another program"),
        ({"open": -6}, "dongle", DongleBusy, "held by another program or by the kernel's television driver"),
        ({"open": -3}, "dongle", SourceError, "may not be opened by this user; install the driver's udev rule"),
        ({"open": -4}, "dongle", NoDongle, "went away while it was opened"),
        ({"open": -12}, "dongle", SourceError, r"cannot be opened \(.*NOT_SUPPORTED"),
        ({"fault": "stall", "at": 0}, "dongle", SourceLost, "is set up but sends nothing"),
        ({"fault": "unplug", "at": 0}, "dongle", SourceLost, "it was pulled out, or the driver gave up"),
    ],
)
def test_what_keeps_a_dongle_from_opening(
    stand_in: StandIn,
    monkeypatch: pytest.MonkeyPatch,
    settings: dict[str, object],
    word: str,
    kind: type[SourceError],
    sentence: str,
) -> None:
    monkeypatch.setattr(dongle, "_ANSWER_S", 0.2)
    stand_in(**settings)
    with pytest.raises(kind, match=sentence):
        open_source(word, WANTED)


@pytest.mark.parametrize("fault", ["unplug", "fail", "stall"])
def test_a_dongle_that_goes_away_in_mid_call(stand_in: StandIn, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    """All that came before is delivered first, then one sentence."""
    monkeypatch.setattr(dongle, "_SILENCE_S", 0.3)
    stand_in(fault=fault, at=6)
    came: list[IqBlock] = []
    sentence = "plug it in anew, then start again"
    with closing(open_source("dongle", WANTED)) as source, pytest.raises(SourceLost, match=sentence):
        came.extend(source.blocks())
    assert len(came) == 6
    assert gaps(np.concatenate([place_of(block.raw) for block in came])).size == 0


def test_a_buffer_that_ends_in_mid_sample_shifts_nothing(stand_in: StandIn) -> None:
    stand_in(fault="odd", at=3)
    with closing(open_source("dongle", WANTED)) as source:
        blocks = list(islice(source.blocks(), 8))
    assert gaps(np.concatenate([place_of(block.raw) for block in blocks])).size == 0


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the clock look every 0.4 s instead of every second."""
    clock = SampleClock(RATE_HZ, window_s=0.4, jitter_s=0.03)
    monkeypatch.setattr(dongle, "Intake", partial(Intake, clock=clock))


def read_losses(seconds: float) -> tuple[int, int, int]:
    """Samples that came, those said to be lost, those that truly are (by the ramp)."""
    came = lost = 0
    places = []
    with closing(open_source("dongle", WANTED)) as source:
        for block in source.blocks():
            assert block.first_sample == came + lost + block.lost_before
            came, lost = came + block.count, lost + block.lost_before
            places.append(place_of(block.raw))
            if came + lost > seconds * RATE_HZ:
                break
    return came, lost, int(gaps(np.concatenate(places)).sum())


def test_buffers_dropped_in_silence_are_missed_by_the_clock(stand_in: StandIn, impatient: None) -> None:
    """Twenty buffers vanish between chip and computer, and nobody says so."""
    stand_in(fault="drop", at=30)
    _, lost, truly = read_losses(2.5)
    assert truly == 20 * 8192 % RAMP_PERIOD
    assert lost == pytest.approx(20 * 8192, abs=0.05 * RATE_HZ)


def test_a_dongle_at_half_its_rate_is_losing_half(stand_in: StandIn, impatient: None) -> None:
    stand_in(fault="slow", at=0)
    came, lost, _ = read_losses(2.0)
    assert lost / (came + lost) == pytest.approx(0.5, abs=0.2)


def test_a_reader_that_stops_for_a_while_learns_what_it_missed(
    stand_in: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The queue overflows: place and size of the loss are exact."""
    monkeypatch.setattr(dongle, "Intake", partial(Intake, room_s=0.3))
    stand_in(speed=4)
    monkeypatch.setattr("sdrcheck.sources.intake.SampleClock", lambda rate: _NoClock())
    with closing(open_source("dongle", WANTED)) as source:
        reader = source.blocks()
        first = next(reader)
        time.sleep(0.5)
        blocks = [first, *islice(reader, 25)]
    lost = [block.lost_before for block in blocks if block.lost_before]
    assert len(lost) == 1
    assert gaps(np.concatenate([place_of(block.raw) for block in blocks])).tolist() == [lost[0] % RAMP_PERIOD]


class _NoClock:
    told_late_s = behind = 0.0
    prompt = False

    def arrived(self, count: int, at: float) -> None: ...
    def known(self, lost: int) -> None: ...


def test_closing_while_the_driver_hangs(stand_in: StandIn) -> None:
    stand_in(fault="stall", at=2)
    source = open_source("dongle", WANTED)
    ended = threading.Event()

    def read() -> None:
        for _ in source.blocks():
            pass
        ended.set()

    threading.Thread(target=read, daemon=True).start()
    time.sleep(0.2)
    source.close()
    assert ended.wait(1.0)


def test_the_counter_shows_losses_on_this_computer(stand_in: StandIn) -> None:
    log = stand_in()
    sound = dongle.check_by_counter(0.5, RATE_HZ)
    assert (sound.samples >= 0.5 * RATE_HZ, sound.breaks) == (True, 0)
    assert "counter 1" in log.read_text().splitlines()
    stand_in(fault="short", at=3)
    assert dongle.check_by_counter(0.5, RATE_HZ).breaks == 1


@pytest.mark.parametrize(
    ("problem", "sentence"),
    [
        (ImportError("Error loading librtlsdr"), "the driver for dongles cannot be loaded"),
        (AttributeError("undefined symbol: rtlsdr_set_dithering"), "is too old"),
    ],
)
def test_drivers_that_do_not_load(monkeypatch: pytest.MonkeyPatch, problem: Exception, sentence: str) -> None:
    class Refusing:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "rtlsdr":
                raise problem

    for name in [name for name in sys.modules if name.partition(".")[0] == "rtlsdr"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "meta_path", [Refusing(), *sys.meta_path])
    with pytest.raises(SourceError, match=sentence):
        open_source("dongle", WANTED)


@pytest.mark.parametrize("rate", [48_000.0, 400_000.0, 3.3e6])
def test_rates_the_chip_cannot_do_are_refused(rate: float) -> None:
    with pytest.raises(SourceError, match="choose 225001 to 300000 or 900001 to 3200000 with --rate"):
        open_source("dongle", Tuning(CENTRE_HZ, rate))


def test_steps_of_the_synthesis() -> None:
    """54.93 Hz at 156.8 MHz (LO about 160.4 MHz, divider 16) and 6.87 Hz in the converter, by calculation [M]."""
    assert tuner.synthesis_step_hz(156.8e6) == pytest.approx(2 * 28.8e6 / 2**16 / 16)
    assert round(tuner.frequency_step_hz(156.8e6, Tuner.R820T), 2) == 54.93
    assert round(tuner.frequency_step_hz(2.1875e6, Tuner.R820T), 2) == 6.87
    assert tuner.frequency_step_hz(156.8e6, Tuner.E4000) == 1000
    for centre in np.linspace(100e6, 200e6, 101):
        moved = tuner.computed_centre_hz(centre, Tuner.R820T) - centre
        assert abs(moved) <= tuner.synthesis_step_hz(centre) / 2 + 6.9 / 2


@pytest.mark.parametrize(("centre", "folded"), [(16.8045e6, "11.9955"), (16.420e6, "12.38"), (22.3745e6, "6.4255")])
def test_folding_as_calculated(centre: float, folded: str) -> None:
    """28.8 MHz − f: 16.8045 → 11.9955, 16.420 → 12.380, 22.3745 → 6.4255 MHz, turned round."""
    with pytest.raises(SourceError, match=rf"folds to {folded} MHz"):
        tuner.needs_direct_sampling(centre, "the dongle")


def test_the_computed_centre_is_marked(stand_in: StandIn) -> None:
    stand_in()
    with closing(open_source("dongle", Tuning(CENTRE_HZ, RATE_HZ, 0.0, computed_centre=True))) as source:
        assert source.facts.centre_hz != CENTRE_HZ
        assert "which nobody has verified" in source.facts.remarks[0]
