"""One suite, every source: a new one joins by adding its name to `SOURCES` and its opening to `open_one`."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.filters.iq import complex_samples
from sdrcheck.recordings.datatypes import NUMPY_TYPES
from sdrcheck.recordings.utc import utc_moment
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import IqSource, Tuning
from sdrcheck.sources.synthetic import Synthetic
from tests.sound_server import HEAR, SoundServer, sound_server_here
from tests.sources.conftest import CENTRE_HZ, RATE_HZ

SOURCES = ["synthetic", "recording", "network", "dongle", "sound"]
WANTED = Tuning(centre_hz=CENTRE_HZ, sample_rate_hz=RATE_HZ)


@pytest.fixture(scope="module")
def sound_card(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    with sound_server_here(tmp_path_factory.mktemp("sound")) as running:
        yield running


@pytest.fixture(params=SOURCES)
def opened(request: pytest.FixtureRequest, ramp: Path) -> Iterator[IqSource]:
    with closing(open_one(request, ramp)) as source:
        yield source


def open_one(request: pytest.FixtureRequest, ramp: Path) -> IqSource:
    if request.param == "synthetic":
        return Synthetic(np.exp(0.1j * np.arange(50_000)), RATE_HZ, CENTRE_HZ, repeats=None, speed=1.0)
    if request.param == "recording":
        return RecordingSource(ramp, speed=1.0)
    if request.param == "network":
        return open_source(f"net:127.0.0.1:{request.getfixturevalue('serve')().port}", WANTED)
    if request.param == "dongle":
        request.getfixturevalue("stand_in")()
        return open_source("dongle", WANTED)
    request.getfixturevalue("sound_card")
    return open_source(f"sound:{HEAR}", WANTED)


def test_it_speaks_the_protocol(opened: IqSource) -> None:
    assert isinstance(opened, IqSource)


def test_sample_counter_never_lies(opened: IqSource) -> None:
    expected = 0
    for block in islice(opened.blocks(), 8):
        assert block.count > 0
        assert block.first_sample == expected + block.lost_before
        expected = block.first_sample + block.count


def test_blocks_are_of_the_stated_kind(opened: IqSource) -> None:
    block = next(opened.blocks())
    assert block.datatype == opened.facts.datatype
    assert block.raw.dtype == NUMPY_TYPES[block.datatype]
    samples = complex_samples(block.raw, block.datatype)
    assert samples.size == block.count
    assert np.all(np.isfinite(samples))


def test_blocks_are_not_reused(opened: IqSource) -> None:
    kept = [(block.raw, block.raw.copy()) for block in islice(opened.blocks(), 5)]
    assert all(np.array_equal(now, then) for now, then in kept)


def test_facts_say_what_was_asked_for(opened: IqSource) -> None:
    facts = opened.facts
    assert facts.centre_hz == CENTRE_HZ
    assert facts.sample_rate_hz == pytest.approx(RATE_HZ, rel=1e-6)
    assert facts.name
    if facts.start_utc is None:
        assert isinstance(opened, RecordingSource)  # all others begin now
    else:
        assert abs(utc_moment(facts.start_utc) - datetime.now(UTC)) < timedelta(minutes=1)


def test_samples_come_in_real_time(opened: IqSource) -> None:
    started, count = time.monotonic(), 0
    for block in opened.blocks():
        count += block.count
        if count > 0.3 * RATE_HZ:
            break
    of_the_air = (time.monotonic() - started) / (count / RATE_HZ)
    assert 0.3 < of_the_air < 6  # some may have been waiting, and this computer may be busy


@pytest.mark.parametrize("moment", ["before", "while reading", "while waiting"])
def test_closing_from_another_thread_ends_it_within_a_second(opened: IqSource, moment: str) -> None:
    ended = threading.Event()

    def read() -> None:
        for _ in opened.blocks():
            if moment == "while waiting":
                time.sleep(0.001)
        ended.set()

    if moment == "before":
        opened.close()
    reader = threading.Thread(target=read)
    reader.start()
    time.sleep(0.1)
    started = time.monotonic()
    opened.close()
    assert ended.wait(1.0)
    assert time.monotonic() - started < 1.0
    reader.join(1)


def test_closing_twice_is_no_harm(opened: IqSource) -> None:
    opened.close()
    opened.close()
    assert list(opened.blocks()) == []


def test_leaving_early_is_no_harm(opened: IqSource) -> None:
    for _ in opened.blocks():
        break
    opened.close()
