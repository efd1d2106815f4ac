"""Captures with a known fault are inspected, and the fault is named (which shows that encoder and decoder agree)."""

import pytest

from sdrcheck.bench import Settings, collect, run
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.sources.recording import RecordingSource
from tests.conftest import REPOSITORY


@pytest.mark.parametrize(
    ("capture", "named"),
    [
        ("no-pre-emphasis", "The pre-emphasis is missing"),
        ("over-deviating-77", "Over-deviation"),
        ("over-deviating-77", "The carrier is off"),
    ],
)
def test_the_fault_of_a_capture_is_named(capture: str, named: str) -> None:
    settings = Settings(reference=FrequencyReference(0.4, 0.3, "a made-up counter"))
    (found,) = collect(run(RecordingSource(REPOSITORY / "captures" / f"{capture}.sigmf-meta"), settings)).transmissions
    assert any(remark.startswith(named) for remark in found.remarks), found.remarks
