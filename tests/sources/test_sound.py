"""The sound source: real PortAudio streams over a sound server without a card, skipped with a reason without them."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.errors import SourceError
from sdrcheck.filters.iq import complex_samples
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.source import IqBlock, Tuning
from sdrcheck.watching.loudspeaker import Loudspeaker
from tests.sound_server import HEAR, PLAY, SoundServer, sound_server, sound_server_here

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    with sound_server_here(tmp_path_factory.mktemp("sound")) as running:
        yield running


def heard(playing: np.ndarray, wanted: Tuning, seconds: float) -> tuple[list[IqBlock], np.ndarray]:
    """What the source hears while `playing` (frames × channels) goes into the sink."""
    import sounddevice

    with closing(open_source(f"sound:{HEAR}", wanted)) as source:
        sounddevice.play(playing.astype(np.float32), RATE_HZ, device=PLAY, latency=0.2)
        blocks, count = [], 0
        for block in source.blocks():
            blocks.append(block)
            count += block.count
            if count > seconds * RATE_HZ:
                break
        sounddevice.stop()
    return blocks, complex_samples(np.concatenate([block.raw for block in blocks]), blocks[0].datatype)


def strongest_hz(signal: np.ndarray) -> float:
    spectrum = np.abs(np.fft.fft(signal * np.hanning(signal.size)))
    return float(np.fft.fftfreq(signal.size, 1 / RATE_HZ)[spectrum.argmax()])


def test_a_tone_that_is_played_comes_back(server: SoundServer) -> None:
    times = np.arange(3 * RATE_HZ) / RATE_HZ
    tone = 0.5 * np.sin(2 * np.pi * 1000 * times)
    blocks, signal = heard(tone[:, None], Tuning(centre_hz=2182e3), 1.5)
    assert blocks[0].datatype == "ri16_le"
    assert sum(block.lost_before for block in blocks) == 0
    middle = signal[-RATE_HZ // 2 :].real
    assert abs(strongest_hz(middle)) == pytest.approx(1000, abs=1)
    assert np.sqrt(np.mean(middle**2)) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


def test_two_channels_are_i_and_q(server: SoundServer) -> None:
    times = np.arange(3 * RATE_HZ) / RATE_HZ
    turning = 0.5 * np.exp(-2j * np.pi * 3000 * times)
    blocks, signal = heard(np.column_stack([turning.real, turning.imag]), Tuning(centre_hz=518e3, iq=True), 1.5)
    assert blocks[0].datatype == "ci16_le"
    assert strongest_hz(signal[-RATE_HZ // 2 :]) == pytest.approx(-3000, abs=1)


def test_facts(server: SoundServer) -> None:
    with closing(open_source(f"sound:{HEAR}", Tuning(centre_hz=2182e3))) as source:
        assert (source.facts.sample_rate_hz, source.facts.centre_hz, source.facts.audio) == (RATE_HZ, 2182e3, True)
        assert [block.first_sample for block in islice(source.blocks(), 1)] == [0]


def test_a_device_that_is_not_there(server: SoundServer) -> None:
    with pytest.raises(SourceError, match=r"sound:lighthouse cannot be opened for 1 channel at 48000 Hz .* these are"):
        open_source("sound:lighthouse")


def test_the_sound_device_vanishes(tmp_path: Path) -> None:
    """In a process of its own, as its server is killed."""
    script = f"""
        from sdrcheck.errors import SourceLost
        from sdrcheck.sources.catalogue import open_source
        source = open_source("sound:{HEAR}")
        print("hears", flush=True)
        try:
            for block in source.blocks():
                pass
        except SourceLost as problem:
            print(problem, flush=True)
        source.close()
        print("closed", flush=True)
    """
    with sound_server(tmp_path) as server:
        listening = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(script)],
            env=os.environ | server.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert listening.stdout is not None
        if listening.stdout.readline() != "hears\n":
            listening.kill()
            pytest.skip(f"PortAudio does not hear the sound server: {listening.communicate()[1][-200:]}")
        server.process.kill()
        try:
            output, errors = listening.communicate(timeout=15)
        except subprocess.TimeoutExpired:
            listening.kill()
            raise
    assert "plug the sound device in anew, then start again" in output, errors
    assert output.endswith("closed\n")


class NotStarted:
    """A PortAudio whose streams open and then do not start, as where another program takes the device meanwhile."""

    class PortAudioError(Exception): ...

    def __init__(self) -> None:
        self.open = 0

    def stream(self, **_: object) -> NotStarted:
        self.open += 1
        return self

    RawInputStream = OutputStream = stream

    def start(self) -> None:
        raise self.PortAudioError("Device unavailable")

    def close(self) -> None:
        self.open -= 1

    def query_devices(self) -> list[dict[str, object]]:
        return []


@pytest.mark.parametrize("opening", [lambda: open_source("sound"), Loudspeaker])
def test_a_stream_that_does_not_start_is_closed(opening: Callable[[], object], monkeypatch: pytest.MonkeyPatch) -> None:
    library = NotStarted()
    monkeypatch.setattr("sdrcheck.sources.sound.sound_library", lambda: library)
    monkeypatch.setattr("sdrcheck.watching.loudspeaker.sound_library", lambda: library)
    with pytest.raises(SourceError, match="Device unavailable"):
        opening()
    assert library.open == 0


def test_no_portaudio(monkeypatch: pytest.MonkeyPatch) -> None:
    class Missing:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    with pytest.raises(SourceError, match="install PortAudio: apt install libportaudio2"):
        open_source("sound")
