"""Live, a keying is told of soon after its end, and it is the same to the bit as from a recording.

How long that takes on a clock is measured by tests/benchmarks/live_latency.py; here it is counted in samples.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from sdrcheck.bench import Settings, TransmissionEnded, run
from sdrcheck.findings.inspection import Transmission
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import IqBlock
from tests.conftest import REPOSITORY

CAPTURES = REPOSITORY / "captures"


class AsIfLive(RecordingSource):
    """A recording in small blocks that does not say how long it is, as a dongle does not."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.facts = replace(self.facts, sample_count=None)
        self.now_s = 0.0

    def blocks(self) -> Iterator[IqBlock]:
        step = int(0.02 * self.facts.sample_rate_hz)
        for block in super().blocks():
            for place in range(0, block.count, step):
                part = block.raw[2 * place : 2 * (place + step)]
                self.now_s = (block.first_sample + place + part.size // 2) / self.facts.sample_rate_hz
                yield IqBlock(part, block.first_sample + place, block.datatype)


def told(source: RecordingSource) -> Iterator[tuple[Transmission, float]]:
    """Each transmission, and how much air had passed since its end when it was told."""
    for event in run(source, Settings(frames_per_s=0)):
        if isinstance(event, TransmissionEnded):
            found = event.transmission
            now_s = source.now_s if isinstance(source, AsIfLive) else 0.0
            yield found, now_s - found.start_s - found.duration_s


@pytest.mark.parametrize(
    ("name", "learnt_s", "most_s"),
    [
        ("voice-72", 1.5, 0.26),
        ("distress-attempt-CLOSED-CABLE-ONLY", 1.5, 0.26),
        ("mf-test-call", 3.0, 0.75),  # half a second of quiet belongs to a narrow excerpt
    ],
)
def test_told_soon_and_the_same(name: str, learnt_s: float, most_s: float) -> None:
    """Nothing is told before the noise has been learnt, and then each keying soon after it."""
    path = CAPTURES / f"{name}.sigmf-meta"
    live = list(told(AsIfLive(path)))
    lags = [lag_s for found, lag_s in live if found.start_s + found.duration_s > learnt_s]
    assert lags
    assert max(lags) < most_s
    assert [found for found, _ in live] == [found for found, _ in told(RecordingSource(path))]
