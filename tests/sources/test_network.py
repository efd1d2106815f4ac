"""The network source over loopback: our own server, and servers that misbehave.

The protocol is from memory [M]; these tests prove that client and server agree on it, and that failures end in a
sentence.
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from itertools import islice

import numpy as np
import pytest

from sdrcheck.errors import SourceError, SourceLost
from sdrcheck.sources import network
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.source import Tuning
from sdrcheck.watching.serve import Server
from tests.sources.conftest import CENTRE_HZ, RAMP_PERIOD, RATE_HZ, place_of

WANTED = Tuning(centre_hz=CENTRE_HZ, sample_rate_hz=RATE_HZ, gain_db=20.0)
GREETING = b"RTL0" + struct.pack(">II", 5, 29)


@pytest.fixture
def misbehave() -> Iterator[Callable[[Callable[[socket.socket], None]], str]]:
    """A server of one's own: what it does with a connection is up to the test."""
    listeners = []

    def start(behaviour: Callable[[socket.socket], None]) -> str:
        listener = socket.create_server(("127.0.0.1", 0))
        listeners.append(listener)

        def run() -> None:
            with suppress(OSError):
                connection, _ = listener.accept()
                with connection, suppress(OSError):
                    behaviour(connection)

        threading.Thread(target=run, daemon=True).start()
        return f"net:127.0.0.1:{listener.getsockname()[1]}"

    yield start
    for listener in listeners:
        listener.close()


def test_samples_arrive_whole_and_in_order(serve: Callable[..., Server]) -> None:
    server = serve(speed=4.0)
    with closing(open_source(f"net:127.0.0.1:{server.port}", WANTED)) as source:
        assert (source.facts.gain_db, source.facts.centre_hz, source.facts.sample_rate_hz) == (19.7, CENTRE_HZ, RATE_HZ)
        assert source.facts.start_utc is not None
        assert source.facts.remarks == ("The first 0.25 s after tuning are left out: settings take effect meanwhile.",)
        places = np.concatenate([place_of(block.raw) for block in islice(source.blocks(), 20)])
    assert np.all(np.diff(places) % RAMP_PERIOD == 1)


def test_what_is_sent_to_the_server(misbehave: Callable[..., str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Every byte that goes to a dongle server; the bias tee's command (0x0e) is never among them."""
    monkeypatch.setattr(network, "_ANSWER_S", 0.5)
    heard = bytearray()

    def listen(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        while more := connection.recv(100):
            heard.extend(more)

    for centre in (156.8e6, 2.1875e6):
        with pytest.raises(SourceLost, match="greets but sends no samples"):
            open_source(misbehave(listen), Tuning(centre, RATE_HZ, 20.0))
    sent = [struct.unpack(">BI", heard[place : place + 5]) for place in range(0, len(heard), 5)]
    settings = [(2, 240_000), (9, 0), (5, 0), (1, 156_800_000), (8, 0), (3, 1), (4, 197)]
    directly = [(2, 240_000), (9, 2), (5, 0), (1, 2_187_500), (8, 0), (3, 1), (4, 197)]
    assert sent == settings + directly


def test_a_server_that_vanishes_and_returns(serve: Callable[..., Server]) -> None:
    server = serve()
    source = open_source(f"net:127.0.0.1:{server.port}", WANTED)
    reader = source.blocks()
    assert next(reader).count > 0
    server.hang_up()
    with pytest.raises(SourceLost, match=r"was lost \(it closed the connection\)"):
        list(reader)
    source.close()
    with closing(open_source(f"net:127.0.0.1:{server.port}", WANTED)) as again:
        assert next(again.blocks()).first_sample == 0


@pytest.mark.parametrize(
    ("greeting", "sentence"),
    [
        (b"SSH-2.0-harbour\r\n", "answers with 'SSH-' instead of a dongle server's greeting"),
        (b"RTL0", "answers with 'RTL0' instead"),
        (b"", "answers with nothing instead"),
    ],
)
def test_garbage_instead_of_a_greeting(misbehave: Callable[..., str], greeting: bytes, sentence: str) -> None:
    with pytest.raises(SourceError) as refused:
        open_source(misbehave(lambda connection: connection.sendall(greeting)), WANTED)
    assert sentence in str(refused.value)


def test_a_server_that_says_nothing(misbehave: Callable[..., str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(network, "_ANSWER_S", 0.1)
    with pytest.raises(SourceError, match="answers with nothing"):
        open_source(misbehave(lambda connection: time.sleep(0.5)), WANTED)


def test_a_server_that_falls_silent(misbehave: Callable[..., str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(network, "_SILENCE_S", 0.3)

    def stall(connection: socket.socket) -> None:
        connection.sendall(GREETING + bytes(int(2 * RATE_HZ * 0.5)))
        time.sleep(3)

    with (
        closing(open_source(misbehave(stall), WANTED)) as source,
        pytest.raises(SourceLost, match="no samples any more"),
    ):
        list(source.blocks())


def test_a_server_that_is_too_slow_is_losing_samples(
    misbehave: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It sends 70 % of what it should: the clock tells how much is missing, and about where."""
    monkeypatch.setattr(network, "_WINDOW_S", 0.4)

    def trickle(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        started, sent = time.monotonic(), 0
        while time.monotonic() - started < 2.5:
            due = int((time.monotonic() - started) * RATE_HZ * 0.7)
            connection.sendall(bytes(2 * (due - sent)))
            sent = due
            time.sleep(0.02)

    came = lost = 0
    with closing(open_source(misbehave(trickle), WANTED)) as source, suppress(SourceLost):
        for block in source.blocks():
            assert block.first_sample == came + lost + block.lost_before
            came += block.count
            lost += block.lost_before
            if block.lost_before:
                assert block.lost_within > 0
    assert lost / (came + lost) == pytest.approx(0.3, abs=0.2)


@pytest.mark.parametrize("where", ["", "host:", ":1234", "host:0", "host:70000", "host:sea"])
def test_words_that_name_no_server(where: str) -> None:
    with pytest.raises(SourceError, match="names no server"):
        open_source(f"net:{where}", WANTED)


def test_nobody_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(SourceError, match=r"cannot be reached \(Connection refused\); start the server there"):
        open_source(f"net:127.0.0.1:{port}", WANTED)


@pytest.mark.parametrize(
    ("wanted", "sentence"),
    [
        (Tuning(5.0e9, RATE_HZ), "a centre of 5000000000 Hz; 4294967295 is the most"),
        (Tuning(CENTRE_HZ, 2.0**32), "a rate of 4294967296 Hz; 4294967295 is the most"),
    ],
)
def test_what_a_command_has_no_room_for_is_refused(wanted: Tuning, sentence: str) -> None:
    """The protocol's numbers have 32 bits [M]."""
    with pytest.raises(SourceError, match=sentence):
        open_source("net:127.0.0.1:1", wanted)


def test_it_must_be_told_where_to_tune() -> None:
    with pytest.raises(SourceError, match="must be told where to tune"):
        open_source("net:127.0.0.1:1234", Tuning())
    with pytest.raises(SourceError, match=r"folds to 11\.9955 MHz"):
        open_source("net:127.0.0.1:1234", Tuning(centre_hz=16.8045e6))
