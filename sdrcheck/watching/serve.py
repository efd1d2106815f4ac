"""A recording served as a network dongle: for practice without a ship, and for tests without a dongle."""

from __future__ import annotations

import contextlib
import itertools
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.errors import RecordingError, SourceError
from sdrcheck.filters.iq import Complex, complex_samples
from sdrcheck.recordings.datatypes import bytes_per_sample, quantise
from sdrcheck.recordings.recording import Recording
from sdrcheck.sources.network import COMMAND, DEFAULT_PORT, GREETING, Command
from sdrcheck.sources.tuner import R82XX_GAINS_DB, Tuner

LOOPBACK = "127.0.0.1"

_BLOCK_S = 0.02
_TAPS = 65
_STEP_DBFS = -42
"""One step of 8 bits, 1/127.5 of full scale: what is fainter altogether is rounded up or away."""
_PATIENCE_S = 2.0
"""A client that falls behind by more loses samples, as it would with a dongle."""


class Server:
    """Serves one client at a time, over and over, at the recorded pace.

    The recording stands for all that is on the air: tuned elsewhere, a client gets it shifted; asking for another
    sample rate than the recorded one, it gets nothing until it asks for that. Gain is accepted and changes nothing.
    `say` gets a sentence for whatever a person at the server should know.
    """

    def __init__(
        self,
        recording: Recording,
        host: str = LOOPBACK,
        port: int = DEFAULT_PORT,
        *,
        speed: float = 1.0,
        repeat: bool = True,
        say: Callable[[str], None] = lambda sentence: None,
    ) -> None:
        if recording.receiver_sound:
            raise RecordingError(
                f"{recording.path} holds receiver sound, which no dongle sends; serve one with I and Q"
            )
        self._recording = recording
        self._speed, self._repeat, self._say = speed, repeat, say
        self._stop = threading.Event()
        self._client: socket.socket | None = None
        try:
            self._listener = socket.create_server((host, port), family=_family(host))
        except OSError as problem:
            reason = (problem.strerror or str(problem)).partition(" (while")[0]
            raise SourceError(
                f"cannot serve on {host} port {port} ({reason}); choose another with --listen or --port"
            ) from None
        self.port: int = self._listener.getsockname()[1]
        self._listener.settimeout(0.2)

    def run(self) -> None:
        """Serve until `close` is called; without `repeat`, until one client got the whole recording."""
        if bytes_per_sample(self._recording.datatype) > 2:
            self._say(
                f"{self._recording.datatype} is finer than the 8 bits that a dongle sends: it is rounded to them, and "
                f"where all that is on the air lies below about {_STEP_DBFS} dBFS, levels do not arrive as they were"
            )
        while not self._stop.is_set():
            try:
                client, address = self._listener.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            self._say(f"{address[0]} connected")
            self._client = client
            try:
                whole = _Service(self._recording, client, self._stop, self._say).run(self._speed, self._repeat)
            except OSError:
                whole = False
            finally:
                client.close()
            self._say(f"{address[0]} " + ("got the whole recording" if whole else "left"))
            if whole:
                return

    def hang_up(self) -> None:
        """Cut off the present client, as a failing network would."""
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Stop serving; may be called from any thread, and more than once."""
        self._stop.set()
        self.hang_up()
        self._listener.close()


class _Service:
    """One client being served."""

    def __init__(
        self, recording: Recording, client: socket.socket, stop: threading.Event, say: Callable[[str], None]
    ) -> None:
        self._recording, self._client, self._stop, self._say = recording, client, stop, say
        self._centre_hz = recording.centre_hz
        self._rate_hz = float(round(recording.sample_rate_hz))
        self._counting = False
        self._retuned: _Retuned | None = None
        self._next_code = 0
        self._inbox = b""

    def run(self, speed: float, repeat: bool) -> bool:
        """Send until the recording ends (True) or the client is gone (False)."""
        client, rate = self._client, self._recording.sample_rate_hz * speed
        client.sendall(GREETING.pack(b"RTL0", Tuner.R820T, len(R82XX_GAINS_DB)))
        client.settimeout(0.01)
        due = time.monotonic()
        for raw, centre_hz in self._passes(repeat):
            due += raw.size / 2 / rate
            if not self._answer():
                return False
            while self._rate_hz != round(self._recording.sample_rate_hz):
                if self._stop.wait(0.02) or not self._answer():
                    return False
                due = time.monotonic()
            if self._stop.wait(max(due - time.monotonic(), 0)):
                return False
            if time.monotonic() - due > _PATIENCE_S:
                self._say(f"the client is too slow: {raw.size // 2} samples were dropped")
                continue
            client.settimeout(None)
            client.sendall(self._on_air(raw, centre_hz).data)
            client.settimeout(0.01)
        return not self._stop.is_set()

    def _passes(self, repeat: bool) -> Iterator[tuple[NDArray[Any], float]]:
        samples = max(int(self._recording.sample_rate_hz * _BLOCK_S), 1)
        for _ in itertools.count() if repeat else range(1):
            for raw, segment in self._recording.blocks(samples):
                yield raw, segment.frequency_hz

    def _on_air(self, raw: NDArray[Any], centre_hz: float) -> NDArray[np.uint8]:
        count = raw.size // 2
        if self._counting:
            codes = (self._next_code + np.arange(2 * count)).astype(np.uint8)
            self._next_code = (self._next_code + 2 * count) % 256
            return codes
        offset_hz = centre_hz - self._centre_hz
        if offset_hz == 0 and self._recording.datatype == "cu8":
            return raw
        iq = complex_samples(raw, self._recording.datatype)
        if offset_hz:
            if self._retuned is None or self._retuned.offset_hz != offset_hz:
                self._retuned = _Retuned(offset_hz, self._recording.sample_rate_hz)
            iq = self._retuned(iq)
        return quantise(iq, "cu8")

    def _answer(self) -> bool:
        """Do what the client asked for since last time; False where it has hung up."""
        while True:
            try:
                self._client.settimeout(0)
                more = self._client.recv(4096)
            except (BlockingIOError, TimeoutError):
                return True
            except OSError:
                return False
            if not more:
                return False
            self._inbox += more
            while len(self._inbox) >= COMMAND.size:
                self._obey(*COMMAND.unpack(self._inbox[: COMMAND.size]))
                self._inbox = self._inbox[COMMAND.size :]

    def _obey(self, command: int, value: int) -> None:
        if command == Command.CENTRE:
            self._centre_hz = float(value)
        elif command == Command.RATE:
            self._rate_hz = float(value)
            if value != round(self._recording.sample_rate_hz):
                self._say(
                    f"asked for {value} samples per second, but {self._recording.sample_rate_hz:.12g} were recorded"
                )
        elif command == Command.TEST_MODE:
            self._counting = bool(value)


class _Retuned:
    """What a receiver tuned elsewhere would get: shifted, and silent where the recording does not reach."""

    def __init__(self, offset_hz: float, sample_rate_hz: float) -> None:
        from scipy import signal

        self.offset_hz = offset_hz
        self._step = offset_hz / sample_rate_hz
        self._turn = 0.0
        self._filter = signal.lfilter
        kept = max(1 - abs(self._step), 0.0)  # of the span, from one of its ends
        taps = signal.firwin(_TAPS, kept * 0.95) if kept else np.zeros(_TAPS)
        self._taps = taps * np.exp(1j * np.pi * self._step * np.arange(_TAPS))
        self._state = np.zeros(_TAPS - 1, complex)

    def __call__(self, iq: Complex) -> Complex:
        turns = self._turn + self._step * np.arange(iq.size + 1)
        self._turn = float(turns[-1] % 1.0)
        moved, self._state = self._filter(self._taps, 1, iq * np.exp(2j * np.pi * turns[:-1]), zi=self._state)
        return np.asarray(moved, np.complex64)


def _family(host: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in host else socket.AF_INET
