"""Listening from the engine's own blocks: the tone that was sent, another channel when chosen, trouble in words."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.bench import TransmissionEnded, run
from sdrcheck.channels import plan
from sdrcheck.channels.channel import Emission
from sdrcheck.errors import SourceError
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.watching.demodulation import SOUND_RATE_HZ
from sdrcheck_gui.keyings import Keying
from sdrcheck_gui.listening import Listening, Place, Speaker, Tap
from sdrcheck_gui.panels.listen import ListenStrip, place_of
from tests.conftest import REPOSITORY
from tests.gui.conftest import SilentLoudspeaker
from tests.sound_server import HEAR, PLAY, sound_server_here

TWO = REPOSITORY / "captures" / "two-channels.sigmf-meta"
SEVENTY_TWO = Place(156.625e6, Emission.G3E, "channel 72")


def opened() -> tuple[Speaker, list[SilentLoudspeaker]]:
    made: list[SilentLoudspeaker] = []

    def opener(device: str | None, level: float) -> SilentLoudspeaker:
        made.append(SilentLoudspeaker(device, level))
        return made[-1]

    speaker = Speaker(opener)  # type: ignore[arg-type]
    speaker.open()
    wait_for(lambda: speaker.ready)
    return speaker, made


def wait_for(ready) -> None:  # type: ignore[no-untyped-def]
    deadline = time.monotonic() + 5
    while not ready() and time.monotonic() < deadline:
        time.sleep(0.005)
    assert ready()


def test_the_engine_finds_the_same_while_somebody_listens() -> None:
    speaker, made = opened()
    listening = Listening(speaker)
    listening.choose(SEVENTY_TWO)
    heard = [e for e in run(Tap(RecordingSource(TWO), listening)) if isinstance(e, TransmissionEnded)]
    alone = [e for e in run(RecordingSource(TWO)) if isinstance(e, TransmissionEnded)]
    assert [e.transmission for e in heard] == [e.transmission for e in alone]
    sound = made[0].sound
    loud = sound[np.abs(sound) > 0][2000:]
    strongest = np.argmax(np.abs(np.fft.rfft(loud * np.hanning(loud.size)))) * SOUND_RATE_HZ / loud.size
    assert strongest == pytest.approx(1000, abs=5)


def test_a_channel_that_is_not_received_is_a_sentence_and_the_engine_goes_on() -> None:
    speaker, _ = opened()
    listening = Listening(speaker)
    listening.choose(Place(161.975e6, Emission.G3E, "AIS 1"))
    assert sum(isinstance(e, TransmissionEnded) for e in run(Tap(RecordingSource(TWO), listening))) == 2
    assert "not within what is received" in listening.problem
    listening.choose(SEVENTY_TWO)
    assert listening.problem == ""


def test_a_broken_sound_driver_never_reaches_the_engine() -> None:
    speaker, made = opened()

    def broken(sound: object) -> None:
        raise RuntimeError("made up")

    made[0].play = broken  # type: ignore[assignment]
    listening = Listening(speaker)
    listening.choose(SEVENTY_TWO)
    assert sum(isinstance(e, TransmissionEnded) for e in run(Tap(RecordingSource(TWO), listening))) == 2
    assert "RuntimeError" in listening.problem


def test_without_a_sound_device_there_is_one_sentence() -> None:
    def none(device: str | None, level: float) -> SilentLoudspeaker:
        raise SourceError("there is no sound on this computer; plug in a sound card")

    speaker = Speaker(none)  # type: ignore[arg-type]
    speaker.open()
    wait_for(lambda: speaker.problem)
    assert speaker.problem == "there is no sound on this computer; plug in a sound card"
    speaker.play(np.zeros(10, np.float32))
    speaker.close()


def test_another_device_takes_over_and_the_first_is_let_go() -> None:
    speaker, made = opened()
    speaker.open("bridge wing")
    wait_for(lambda: len(made) == 2)
    assert made[0].closed
    assert made[1].device == "bridge wing"
    speaker.level = 0.9
    assert made[1].level == 0.9
    speaker.close()
    assert made[1].closed


def test_places_are_listened_to_as_they_are_keyed() -> None:
    assert place_of(156.525e6, plan.channel_at(156.525e6)).emission is Emission.G2B
    assert place_of(2182e3, plan.channel_at(2182e3)).emission is Emission.J3E
    assert place_of(157.0123e6, None).emission is Emission.G3E
    assert place_of(3.333e6, None).emission is Emission.J3E


def test_the_strip_follows_the_chosen_keying_or_stays_on_a_channel(qtbot) -> None:  # type: ignore[no-untyped-def]
    speaker, _ = opened()
    strip = ListenStrip(Listening(speaker))
    qtbot.addWidget(strip)
    strip.show_source(RecordingSource(TWO).facts)
    strip.on.click()
    assert strip.said.text() == "choose a keying or a channel"
    strip.show_chosen(Keying(1, 0.0, 156.525e6, plan.channel_at(156.525e6)))
    assert strip.listening.place is not None
    assert strip.listening.place.name == "channel 70"
    strip.which.setCurrentIndex(strip.which.findText("72"))
    strip.which.activated.emit(strip.which.currentIndex())
    strip.show_chosen(Keying(2, 0.0, 156.525e6, plan.channel_at(156.525e6)))
    assert strip.listening.place.name == "channel 72"
    strip.squelch.setValue(0)
    assert strip.listening.squelch_db is None
    strip.on.click()
    assert strip.listening.place is None


def test_a_channel_is_heard_through_a_real_sound_server(tmp_path: Path) -> None:
    from sdrcheck.watching.loudspeaker import Loudspeaker

    with sound_server_here(tmp_path):
        import sounddevice

        speaker = Speaker(Loudspeaker)
        speaker.open(PLAY)
        wait_for(lambda: speaker.ready or speaker.problem)
        assert speaker.problem == ""
        listening = Listening(speaker)
        listening.choose(SEVENTY_TWO)
        got: list[np.ndarray] = []

        def hear(data: np.ndarray, *_: object) -> None:
            got.append(data.copy())

        with sounddevice.InputStream(SOUND_RATE_HZ, channels=1, device=HEAR, callback=hear):
            for block in Tap(RecordingSource(TWO, speed=1.0), listening).blocks():
                del block
            wait_for(lambda: sum(np.count_nonzero(np.abs(part) > 0.02) for part in got) > 0.3 * SOUND_RATE_HZ)
        speaker.close()
    sound = np.concatenate(got)[:, 0]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size)))
    assert np.argmax(spectrum) * SOUND_RATE_HZ / sound.size == pytest.approx(1000, abs=10)
