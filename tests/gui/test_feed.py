"""The feed: newest frames win, results never get lost, and a failure always arrives."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from sdrcheck.bench import SourceFault, SpectrumFrame
from sdrcheck.errors import SourceError, SourceLost
from sdrcheck.sources.source import SourceFacts
from sdrcheck.watching.memory import needed_bytes
from sdrcheck_gui.feed import EngineStopped, Feed, fitting_memory_s


def frame(number: int) -> SpectrumFrame:
    return SpectrumFrame(number / 10, 0.1, 156e6, 1000.0, np.zeros(4, np.float32))


def finished(events: Callable[[], Iterator[object]]) -> Feed:
    feed = Feed(events)  # type: ignore[arg-type]
    feed.start()
    deadline = time.monotonic() + 5
    while feed.running and time.monotonic() < deadline:
        time.sleep(0.005)
    return feed


def test_no_result_is_dropped_however_many_frames_are() -> None:
    def events() -> Iterator[object]:
        for number in range(1500):
            yield frame(number)
            yield SourceFault(number / 10, f"fault {number}")

    feed = finished(events)
    results = feed.results()
    assert [r.sentence for r in results[:-1]] == [f"fault {number}" for number in range(1500)]
    assert results[-1] == EngineStopped()
    shown = []
    while got := feed.frames():
        shown += got
    assert len(shown) < 1500
    assert shown[-1].start_s == pytest.approx(149.9)


@pytest.mark.parametrize(
    ("problem", "said"),
    [(SourceLost("the dongle stopped answering; plug it in again"), "the dongle stopped"), (KeyError("x"), "KeyError")],
)
def test_a_failure_arrives_as_an_event(problem: Exception, said: str) -> None:
    def events() -> Iterator[object]:
        yield frame(0)
        raise problem

    (stopped,) = finished(events).results()
    assert isinstance(stopped, EngineStopped)
    assert said in stopped.sentence


def test_stop_ends_an_endless_engine_within_its_time() -> None:
    def events() -> Iterator[object]:
        while True:
            yield frame(0)

    feed = Feed(events)  # type: ignore[arg-type]
    feed.start()
    feed.stop()
    feed.wait(2.0)
    assert not feed.running


def test_stop_waits_for_nothing_that_is_slow_to_close() -> None:
    closing = threading.Event()

    def events() -> Iterator[object]:
        yield frame(0)
        closing.wait(5)

    def close() -> None:
        closing.wait(5)

    feed = Feed(events, close)  # type: ignore[arg-type]
    feed.start()
    feed.stop()
    assert feed.running
    closing.set()
    feed.wait(2.0)
    assert not feed.running


@pytest.mark.parametrize(("fits", "seconds"), [(1e9, 120.0), (300e6, 60.0), (100e6, 15.0), (1e6, None)])
def test_memory_that_does_not_fit_is_halved_until_it_does(
    fits: float, seconds: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """2.4 MS/s of two bytes for 120 s are 576 MB."""

    def room(facts: SourceFacts, wanted_s: float) -> None:
        if needed_bytes(facts, wanted_s) > fits:
            raise SourceError("too much")

    monkeypatch.setattr("sdrcheck_gui.feed.require_memory", room)
    facts = SourceFacts("dongle", 2.4e6, 156.7375e6, "cu8")
    if seconds is None:
        with pytest.raises(SourceError, match="no room for 10 s"):
            fitting_memory_s(facts, 120.0)
    else:
        assert fitting_memory_s(facts, 120.0) == seconds
