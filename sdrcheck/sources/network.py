"""A dongle served over the network, by the byte protocol of librtlsdr's network server.

On connection the server sends 12 bytes: RTL0, the tuner's type and its number of gain steps (big-endian, 32 bits each),
then raw cu8 without end. A command to it is one byte and a big-endian number of 32 bits; none is ever answered.
From memory, not from a published document.
"""

from __future__ import annotations

import contextlib
import enum
import socket
import struct
import threading
from collections.abc import Iterator

from sdrcheck.errors import SourceError, SourceLost
from sdrcheck.sources.intake import Intake
from sdrcheck.sources.sample_clock import SampleClock
from sdrcheck.sources.source import IqBlock, SourceFacts, Tuning
from sdrcheck.sources.tuner import R82XX_GAINS_DB, USUAL_RATE_HZ, Tuner, frequency_step_hz, needs_direct_sampling

GREETING = struct.Struct(">4sII")
COMMAND = struct.Struct(">BI")
DEFAULT_PORT = 1234
_MOST_HZ = 2**32 - 1
"""A command has 32 bits for its number."""

_ANSWER_S = 5.0
_SILENCE_S = 5.0
_SETTLE_S = 0.25
"""What was under way before our settings took effect."""
_BLOCK_S = 0.02
_WINDOW_S = 3.0
"""Networks delay for longer than cables do."""


class Command(enum.IntEnum):
    """What a client may ask of the server. The one for the bias tee (0x0e) is not among them, so it cannot be sent."""

    CENTRE = 0x01
    RATE = 0x02
    GAIN_MODE = 0x03
    GAIN = 0x04
    PPM = 0x05
    TEST_MODE = 0x07
    AGC = 0x08
    DIRECT_SAMPLING = 0x09
    GAIN_STEP = 0x0D


def open_word(where: str, wanted: Tuning) -> NetworkDongle:
    """Open the source that `net:HOST:PORT` names."""
    host, _, port = where.rpartition(":") if ":" in where else (where, "", str(DEFAULT_PORT))
    host = host.strip("[]")
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise SourceError(f"net:{where} names no server; write it like net:192.168.1.20:{DEFAULT_PORT}")
    return NetworkDongle(host, int(port), wanted)


class NetworkDongle:
    """A dongle at the other end of a network connection; its settings are ours alone while we are connected."""

    def __init__(self, host: str, port: int, wanted: Tuning) -> None:
        self._name = f"net:{host}:{port}"
        if wanted.centre_hz is None:
            raise SourceError(f"{self._name} must be told where to tune; give --centre, like --centre 156.8M")
        rate = wanted.sample_rate_hz or USUAL_RATE_HZ  # which rates there are is known at the other end only
        for what, hertz in (("centre", wanted.centre_hz), ("rate", rate)):
            if round(hertz) > _MOST_HZ:
                raise SourceError(
                    f"{self._name} cannot be asked for a {what} of {hertz:.12g} Hz; {_MOST_HZ} is the most"
                )
        direct = needs_direct_sampling(wanted.centre_hz, self._name)
        self._socket = self._connect(host, port)
        try:
            tuner, steps = self._greeting()
            gain_db = self._set_up(wanted.centre_hz, rate, wanted.gain_db or 0.0, tuner, direct)
        except BaseException:
            self._socket.close()
            raise
        self._intake = Intake("cu8", rate, clock=SampleClock(rate, window_s=_WINDOW_S, jitter_s=0.05))
        self._settling = int(_SETTLE_S * rate) * 2
        self._thread = threading.Thread(target=self._receive, args=(rate,), name=self._name, daemon=True)
        self._thread.start()
        try:
            self._intake.wait_for_samples(
                _ANSWER_S,
                f"{self._name} greets but sends no samples at {rate:.12g} a second; look at the server, it may want "
                "another --rate",
            )
        except BaseException:
            self.close()
            raise
        self.facts = SourceFacts(
            name=f"{self._name} ({tuner.label}, {steps} gain steps)",
            sample_rate_hz=rate,
            centre_hz=wanted.centre_hz,
            datatype="cu8",
            start_utc=self._intake.start_utc,
            gain_db=None if direct else gain_db,
            frequency_step_hz=frequency_step_hz(wanted.centre_hz, tuner),
            told_late_s=self._intake.told_late_s,
            remarks=(f"The first {_SETTLE_S:g} s after tuning are left out: settings take effect meanwhile.",),
        )

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the samples as they come. Raises SourceLost when the server vanishes or falls silent."""
        return self._intake.blocks(
            _SILENCE_S, f"{self._name} sends no samples any more; look at the server and the network, then start again"
        )

    def close(self) -> None:
        """End `blocks()` and hang up; may be called from any thread, and more than once."""
        self._intake.close()
        with contextlib.suppress(OSError):  # the server may have hung up first
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        if threading.current_thread() is not self._thread:
            self._thread.join(1.0)

    def _connect(self, host: str, port: int) -> socket.socket:
        try:
            return socket.create_connection((host, port), timeout=_ANSWER_S)
        except UnicodeError:
            raise SourceError(f"{self._name} names no server; write it like net:192.168.1.20:{DEFAULT_PORT}") from None
        except OSError as problem:
            reason = "no answer" if isinstance(problem, TimeoutError) else problem.strerror or str(problem)
            raise SourceError(
                f"{self._name} cannot be reached ({reason}); start the server there and look at address and network"
            ) from None

    def _greeting(self) -> tuple[Tuner, int]:
        try:
            head = b""
            while len(head) < GREETING.size and (more := self._socket.recv(GREETING.size - len(head))):
                head += more
        except OSError:
            head = b""
        if len(head) < GREETING.size or not head.startswith(b"RTL0"):
            found = repr(head[:4])[1:] if head else "nothing"
            raise SourceError(
                f"{self._name} answers with {found} instead of a dongle server's greeting; look at the port number"
            )
        _, kind, steps = GREETING.unpack(head)
        return Tuner.of(kind), steps

    def _set_up(self, centre_hz: float, rate: float, gain_db: float, tuner: Tuner, direct: bool) -> float:
        if tuner.is_r82xx:
            gain_db = min(R82XX_GAINS_DB, key=lambda step: abs(step - gain_db))
        for command, value in (
            (Command.RATE, round(rate)),
            (Command.DIRECT_SAMPLING, 2 if direct else 0),
            (Command.PPM, 0),
            (Command.CENTRE, round(centre_hz)),
            (Command.AGC, 0),
            (Command.GAIN_MODE, 1),
            (Command.GAIN, round(gain_db * 10)),
        ):
            self._send(command, value)
        return gain_db

    def _send(self, command: Command, value: int) -> None:
        try:
            self._socket.sendall(COMMAND.pack(command, value & 0xFFFFFFFF))  # a gain may be negative
        except OSError as problem:
            raise SourceLost(f"{self._name} hung up ({problem.strerror}); look at the server, then try again") from None

    def _receive(self, rate: float) -> None:
        block = max(int(rate * _BLOCK_S), 1) * 2
        try:
            self._socket.settimeout(None)
            while data := self._socket.recv(block, socket.MSG_WAITALL):
                if self._settling > 0:
                    self._settling -= len(data)
                    continue
                self._intake.put(data)
            reason = "it closed the connection"
        except OSError as problem:
            reason = problem.strerror or str(problem)
        self._intake.end(
            SourceLost(f"{self._name} was lost ({reason}); look at the server and the network, then start again")
        )
