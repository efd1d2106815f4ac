"""Whatever a file holds, opening and reading it gives samples or one sentence, never another exception."""

from __future__ import annotations

import contextlib
import json
import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sdrcheck.errors import RecordingError
from sdrcheck.recordings import open_recording
from sdrcheck.recordings.datatypes import components

STEADY = settings(
    max_examples=150, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)

GOOD_WAV = struct.pack(
    "<4sI4s4sIHHIIHH4sI", b"RIFF", 436, b"WAVE", b"fmt ", 16, 1, 2, 12_000, 48_000, 4, 16, b"data", 400
) + bytes(400)

ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)
GLOBAL_KEYS = st.sampled_from(
    (
        *("core:datatype", "core:sample_rate", "core:sha512", "core:offset", "core:num_channels", "core:extensions"),
        *("core:dataset", "core:description", "sdrcheck:gain_db", "sdrcheck:ended", "sdrcheck:remarks"),
    )
)
ENTRY_KEYS = st.sampled_from(
    ["core:sample_start", "core:frequency", "core:datetime", "core:global_index", "core:sample_count", "core:label"]
)


def read_through(path: Path) -> None:
    with contextlib.suppress(RecordingError):
        opened = open_recording(path, centre_hz=None if path.suffix != ".wav" else 0.0)
        size = components(opened.datatype)
        assert sum(raw.size // size for raw, _ in opened.blocks(64)) == opened.sample_count


@STEADY
@given(changes=st.lists(st.tuples(st.integers(0, 60), st.integers(0, 255)), max_size=6), length=st.integers(0, 444))
def test_wav_files_with_wrong_bytes(tmp_path: Path, changes: list[tuple[int, int]], length: int) -> None:
    content = bytearray(GOOD_WAV)
    for place, value in changes:
        content[place] = value
    path = tmp_path / "x.wav"
    path.write_bytes(content[:length])
    read_through(path)


@STEADY
@given(
    whole=st.dictionaries(GLOBAL_KEYS, ANY_JSON, max_size=3),
    captures=st.lists(st.dictionaries(ENTRY_KEYS, ANY_JSON, max_size=3), max_size=3),
    annotations=st.lists(st.dictionaries(ENTRY_KEYS, ANY_JSON, max_size=3), max_size=2),
    usual=st.booleans(),
)
def test_descriptions_with_wrong_values(
    tmp_path: Path, whole: dict[str, Any], captures: list[Any], annotations: list[Any], usual: bool
) -> None:
    if usual:
        whole = {"core:datatype": "cu8", "core:sample_rate": 48_000} | whole
        captures = [{"core:sample_start": 100 * number} | entry for number, entry in enumerate(captures)]
        annotations = [{"core:sample_start": 0} | entry for entry in annotations]
    document = {"global": whole, "captures": captures, "annotations": annotations}
    (tmp_path / "x.sigmf-meta").write_text(json.dumps(document))
    (tmp_path / "x.sigmf-data").write_bytes(bytes(1001))
    read_through(tmp_path / "x.sigmf-meta")


@STEADY
@given(content=st.binary(max_size=200))
@pytest.mark.parametrize("name", ["x.sigmf-meta", "x.sigmf", "x.wav", "x.cf32"])
def test_files_of_anything(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / "x.sigmf-data").write_bytes(bytes(100))
    (tmp_path / name).write_bytes(content)
    read_through(tmp_path / name)
