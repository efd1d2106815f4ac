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
from sdrcheck.recordings.datatypes import quantise
from sdrcheck.recordings.sigmf import write
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import IqBlock
from tests.conftest import REPOSITORY
from tests.filters.scene import CHANNELS_HZ, Scene

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
        ("test-call-answered-CLOSED-CABLE-ONLY", 1.5, 0.26),  # the second call is weak
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


@pytest.mark.parametrize(
    "name",
    [
        "two-channels",
        "over-deviating-77",
        "text-slot-hole",
        "visit/recordings/navtex-1-518-received-091705",  # 35 seconds that come from disk as one block
    ],
)
def test_the_same(name: str) -> None:
    path = CAPTURES / f"{name}.sigmf-meta"
    assert [found for found, _ in told(AsIfLive(path))] == [found for found, _ in told(RecordingSource(path))]


def test_an_overloaded_receiver_is_told_the_same(tmp_path: Path) -> None:
    """When the converter clipped is known by the stream's own time, not by the blocks."""
    scene = Scene(250_000.0, 156_600_000.0, 2.6).tone(CHANNELS_HZ["11"], 0.6, 1.1, 3)
    scene.tone(CHANNELS_HZ["71"], 1.2, 1.5, -20).tone(CHANNELS_HZ["72"], 1.7, 2.2, 1)
    path = write(tmp_path / "loud", quantise(scene.iq, "cu8"), "cu8", scene.rate, scene.centre_hz)
    live, recorded = ([found for found, _ in told(source(path))] for source in (AsIfLive, RecordingSource))
    assert live == recorded
    for found in live:
        beside = 1.15 < found.start_s < 1.65
        assert any("overloaded" in remark for remark in found.remarks) != beside
