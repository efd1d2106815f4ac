"""What only the sources that play something do: exact samples, gaps, segments, speed."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.errors import RecordingError, RecordingMissing
from sdrcheck.recordings.datatypes import NUMPY_TYPES, quantise
from sdrcheck.recordings.sigmf import Writer
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import Tuning
from sdrcheck.sources.synthetic import Synthetic
from tests.sources.conftest import CENTRE_HZ, RAMP_SAMPLES, RATE_HZ


@pytest.mark.parametrize("datatype", list(NUMPY_TYPES))
def test_an_array_is_played_as_often_as_asked(datatype: str) -> None:
    signal = 0.5 * np.exp(0.1j * np.arange(40_000))
    source = Synthetic(signal, RATE_HZ, CENTRE_HZ, datatype, repeats=2)
    played = np.concatenate([block.raw for block in source.blocks()])
    assert np.array_equal(played, np.tile(quantise(signal, datatype), 2))
    assert source.facts.sample_count == 80_000
    assert source.facts.audio == datatype.startswith("r")


def test_a_recording_plays_its_gaps_and_moves(tmp_path: Path) -> None:
    raw = np.arange(2000, dtype=np.uint8)
    with Writer(tmp_path / "x", "cu8", RATE_HZ, CENTRE_HZ, start_utc="2026-03-14T09:26:53Z") as writer:
        writer.append(raw)
        writer.append(raw, lost_before=777)
        writer.append(raw, frequency_hz=156.525e6)
    source = RecordingSource(tmp_path / "x")
    blocks = list(source.blocks())
    assert [(b.first_sample, b.lost_before, b.frequency_hz) for b in blocks] == [
        (0, 0, None),
        (1777, 777, None),
        (2777, 0, 156.525e6),
    ]
    assert blocks[0].start_utc == source.facts.start_utc == "2026-03-14T09:26:53Z"
    assert source.recording.hash_matches is True


def test_speed_is_a_factor(tmp_path: Path, ramp: Path) -> None:
    """Two seconds of air, eight times as fast."""
    started = time.monotonic()
    assert sum(block.count for block in RecordingSource(ramp, speed=8.0).blocks()) == RAMP_SAMPLES
    assert time.monotonic() - started > 0.24


def test_a_path_is_played_as_if_live(ramp: Path) -> None:
    source = open_source(str(ramp), Tuning())
    started = time.monotonic()
    assert next(source.blocks()).count == 0.05 * RATE_HZ
    assert time.monotonic() - started > 0.04
    assert open_source(str(ramp), Tuning(speed=None)).facts.sample_count == RAMP_SAMPLES


def test_words_that_are_no_source(tmp_path: Path) -> None:
    with pytest.raises(RecordingMissing, match="there is no recording usb:1"):
        open_source("usb:1")
    with pytest.raises(RecordingError, match="is a folder"):
        open_source(str(tmp_path))
