"""The rolling memory keeps the last seconds as they came, and only those."""

from pathlib import Path

import numpy as np
import pytest

from sdrcheck.errors import SourceError
from sdrcheck.recordings.recording import open_recording
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching.memory import RollingMemory

RATE = 10_000


def remembered(seconds: float, length_s: float = 3.0) -> RollingMemory:
    ramp = np.linspace(-1, 1, int(length_s * RATE)) * (1 + 0j)
    memory = RollingMemory(Synthetic(ramp, RATE, 156.8e6, "ci16_le"), seconds)
    for _ in memory.blocks():
        pass
    return memory


def all_samples(path: Path) -> np.ndarray:
    return np.concatenate([raw for raw, _ in open_recording(path).blocks(1 << 16)])


def test_span_is_no_longer_than_asked_by_more_than_a_block() -> None:
    low, high = remembered(1.0).span_s
    assert high == pytest.approx(3.0)
    assert 1.0 <= high - low < 2.1


def test_kept_samples_are_the_bytes_that_came(tmp_path: Path) -> None:
    memory = remembered(10.0)
    whole = all_samples(memory.keep(tmp_path / "whole"))
    part = all_samples(memory.keep(tmp_path / "part", 1.25, 1.75))
    assert part.size == 2 * RATE // 2
    assert np.array_equal(part, whole[2 * int(1.25 * RATE) : 2 * int(1.75 * RATE)])


def test_forgotten_time_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="rolling memory"):
        remembered(0.5).keep(tmp_path / "gone", 0.0, 0.01)
    assert not list(tmp_path.iterdir())
