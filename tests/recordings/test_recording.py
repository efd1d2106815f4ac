"""What holds for every kind of recording: names, permissions, memory, and the order of blocks."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.errors import RecordingError, RecordingMissing
from sdrcheck.recordings import open_recording
from sdrcheck.recordings.seal import sha512_of
from sdrcheck.recordings.utc import utc_moment, utc_text


def test_bare_samples_need_rate_and_centre(tmp_path: Path) -> None:
    path = tmp_path / "x.cu8"
    path.write_bytes(bytes(range(200)))
    with pytest.raises(RecordingError, match=r"x\.cu8 holds bare samples; give --rate and --centre"):
        open_recording(path, rate_hz=240e3)
    opened = open_recording(path, rate_hz=240e3, centre_hz=156.8e6)
    assert (opened.datatype, opened.sample_count, opened.hash_matches) == ("cu8", 100, None)


@pytest.mark.parametrize(
    ("ending", "datatype"),
    [
        (".cu8", "cu8"),
        (".cs8", "ci8"),
        (".ci8", "ci8"),
        (".cs16", "ci16_le"),
        (".CI16", "ci16_le"),
        (".cf32", "cf32_le"),
    ],
)
def test_the_ending_tells_the_datatype(tmp_path: Path, ending: str, datatype: str) -> None:
    path = tmp_path / f"x{ending}"
    path.write_bytes(bytes(800))
    opened = open_recording(path, 240e3, 156.8e6)
    list(opened.blocks())
    assert opened.datatype == datatype
    assert opened.sha512 == sha512_of(path)


def test_absent_folder_and_unknown_kind_get_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(RecordingMissing, match="there is no recording"):
        open_recording(tmp_path / "absent.sigmf-meta")
    assert issubclass(RecordingMissing, FileNotFoundError)
    with pytest.raises(RecordingError, match="is a folder, not a recording"):
        open_recording(tmp_path)
    (tmp_path / "x.mp3").write_bytes(b"x")
    with pytest.raises(RecordingError, match="no kind that is read here"):
        open_recording(tmp_path / "x.mp3")
    with pytest.raises(RecordingError, match="cannot be opened"):
        open_recording(tmp_path / ("x" * 300 + ".cu8"), 240e3, 156.8e6)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="file permissions do not bind this user")
def test_a_locked_file_gets_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(bytes(100))
    path.chmod(0)
    with pytest.raises(RecordingError, match="see to the file and its permissions"):
        open_recording(path, centre_hz=0)


@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
def test_told_numbers_are_checked(tmp_path: Path, value: float) -> None:
    path = tmp_path / "x.cu8"
    path.write_bytes(bytes(100))
    with pytest.raises(RecordingError):
        open_recording(path, rate_hz=value, centre_hz=0)
    with pytest.raises(RecordingError):
        open_recording(path, rate_hz=240e3, centre_hz=value)


def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "x.cu8"
    path.write_bytes(bytes(4 << 20))
    blocks = open_recording(path, 240e3, 0).blocks()
    next(blocks)
    os.truncate(path, 1 << 20)
    with pytest.raises(RecordingError, match="became shorter while it was read"):
        list(blocks)


def test_memory_stays_flat(tmp_path: Path) -> None:
    path = tmp_path / "x.cu8"
    with path.open("wb") as file:
        file.truncate(64 << 20)
    tracemalloc.start()
    total = sum(raw.size for raw, _ in open_recording(path, 2.4e6, 156.8e6).blocks())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert total == 64 << 20
    assert peak < 8 << 20


def test_instants() -> None:
    """RFC 3339 with Z, any number of decimals (SigMF specification, `core:datetime`)."""
    assert utc_text(utc_moment("2026-03-14T09:26:53.123456789Z")) == "2026-03-14T09:26:53.123456Z"
    for wrong in ("2026-03-14T09:26:53", "2026-03-14T09:26:53+01:00", "noon"):
        with pytest.raises(ValueError, match="not a time in UTC"):
            utc_moment(wrong)


def test_blocks_are_read_only_views_or_copies_never_reused(tmp_path: Path) -> None:
    path = tmp_path / "x.cu8"
    codes = np.random.default_rng(3).integers(0, 256, 3 << 20, dtype=np.uint8)
    path.write_bytes(codes.tobytes())
    kept = [raw for raw, _ in open_recording(path, 2.4e6, 156.8e6).blocks(10_000)]
    assert np.array_equal(np.concatenate(kept), codes)
