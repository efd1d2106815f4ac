"""The network stand-in itself: pace, retuning, test counter, refusals. What the client makes of it is tested there."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sdrcheck.errors import RecordingError, SourceError
from sdrcheck.filters.iq import complex_samples
from sdrcheck.recordings import open_recording
from sdrcheck.recordings.sigmf import write
from sdrcheck.recordings.wav import write_sound
from sdrcheck.watching.serve import Server

RATE_HZ, CENTRE_HZ, TONE_HZ = 48_000.0, 156.8e6, 3_000.0


class Client:
    """Speaks the protocol byte by byte, without our own client's help."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=3)
        self.greeting = self.take(12)

    def take(self, count: int) -> bytes:
        got = b""
        while len(got) < count and (more := self.socket.recv(count - len(got))):
            got += more
        return got

    def ask(self, command: int, value: int) -> None:
        self.socket.sendall(struct.pack(">BI", command, value))

    def hears(self, frequency_hz: float | None) -> bool:
        """Whether a tone of half of full scale is there, or (None) nothing, once what is under way has passed."""
        for _ in range(60):
            iq = complex_samples(np.frombuffer(self.take(9600), np.uint8), "cu8")
            power = np.abs(np.fft.fft(iq * np.hanning(iq.size))) / np.hanning(iq.size).sum()
            at, level = np.fft.fftfreq(iq.size, 1 / RATE_HZ)[power.argmax()], 20 * np.log10(power.max())
            if frequency_hz is None and level < -40:
                return True
            if frequency_hz is not None and abs(at - frequency_hz) < 20 and abs(level + 6.02) < 0.3:
                return True
        return False


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def port(tmp_path: Path, said: list[str]) -> Iterator[int]:
    tone = 0.5 * np.exp(2j * np.pi * TONE_HZ / RATE_HZ * np.arange(int(RATE_HZ)))
    meta = write(tmp_path / "tone", tone, "ci16_le", RATE_HZ, CENTRE_HZ)
    with serving(meta, speed=8.0, say=said.append) as server:
        yield server.port


@contextmanager
def serving(path: Path, **options: Any) -> Iterator[Server]:
    with closing(Server(open_recording(path, centre_hz=CENTRE_HZ), port=0, **options)) as server:
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        yield server
    thread.join(3)


def test_greeting(port: int) -> None:
    """RTL0, tuner 5, 29 gain steps, big-endian [M]."""
    assert Client(port).greeting == b"RTL0\0\0\0\x05\0\0\0\x1d"


def test_what_eight_bits_cost_a_finer_recording_is_said_once(port: int, said: list[str], tmp_path: Path) -> None:
    """One step of 8 bits is 1/127.5 of full scale, which are −42.1 dBFS."""
    for _ in range(2):
        Client(port).take(100)
    assert (
        len([one for one in said if "ci16_le is finer than the 8 bits" in one and "below about -42 dBFS" in one]) == 1
    )
    coarse: list[str] = []
    meta = write(tmp_path / "x", np.zeros(24_000, complex), "cu8", RATE_HZ, CENTRE_HZ)
    with serving(meta, say=coarse.append) as server:
        Client(server.port).take(100)
    assert not any("finer" in one for one in coarse)


def test_retuning_shifts_what_is_there(port: int) -> None:
    client = Client(port)
    assert client.hears(TONE_HZ)
    client.ask(1, int(CENTRE_HZ) + 10_000)
    assert client.hears(TONE_HZ - 10_000)
    client.ask(1, int(CENTRE_HZ) + 30_000)  # the tone lies outside the span now, and must not come in by the back door
    assert client.hears(None)
    client.ask(1, int(CENTRE_HZ) + 10_000)
    assert client.hears(TONE_HZ - 10_000)
    client.ask(1, int(CENTRE_HZ) + 1_000_000)
    assert client.hears(None)


def test_another_rate_gets_nothing_until_the_right_one_is_asked_for(port: int, said: list[str]) -> None:
    client = Client(port)
    client.ask(2, 2_048_000)
    client.socket.settimeout(0.3)
    with pytest.raises(TimeoutError):
        client.take(10**9)
    assert any("asked for 2048000 samples per second, but 48000 were recorded" in sentence for sentence in said)
    client.ask(2, 48_000)
    assert client.take(100)


def test_counter_mode(port: int) -> None:
    client = Client(port)
    client.ask(7, 1)
    took = (np.frombuffer(client.take(5000), np.uint8) for _ in range(60))
    assert any(np.all(np.diff(codes) == 1) for codes in took)  # modulo 256, as the type counts


def test_real_time(tmp_path: Path) -> None:
    meta = write(tmp_path / "x", np.zeros(24_000, complex), "cu8", RATE_HZ, CENTRE_HZ)
    with serving(meta, repeat=False) as server:
        client = Client(server.port)
        started = time.monotonic()
        assert len(client.take(10**6)) == 48_000  # and then it hangs up
        assert 0.45 < time.monotonic() - started < 5


def test_a_slow_client_loses_samples_and_the_server_says_so(
    tmp_path: Path, said: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sdrcheck.watching.serve._PATIENCE_S", 0.1)
    meta = write(tmp_path / "x", np.zeros(4_000_000, complex), "cu8", 2e6, CENTRE_HZ)
    with serving(meta, speed=8.0, say=said.append) as server:
        client = Client(server.port)
        time.sleep(0.8)
        client.take(20_000_000)
    assert any("too slow" in sentence for sentence in said)


def test_what_cannot_be_served(tmp_path: Path) -> None:
    write_sound(tmp_path / "x.wav", np.zeros(1000), 48_000)
    with pytest.raises(RecordingError, match="receiver sound, which no dongle sends"):
        Server(open_recording(tmp_path / "x.wav", centre_hz=2182e3), port=0)
    meta = write(tmp_path / "x", np.zeros(1000, complex), "cu8", RATE_HZ, CENTRE_HZ)
    sentence = r"cannot serve on 127\.0\.0\.1 port \d+ \(Address already in use\); choose another"
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(SourceError, match=sentence):
        Server(open_recording(meta), port=taken.getsockname()[1])
