"""Bare samples: a file of I, Q, I, Q … and nothing else; rate and centre must be told."""

from __future__ import annotations

from pathlib import Path

from sdrcheck.errors import RecordingError
from sdrcheck.recordings.recording import Extents, Recording, Segment

DATATYPES = {  # ending of the name -> SigMF's name of the datatype
    ".cu8": "cu8",
    ".cs8": "ci8",
    ".ci8": "ci8",
    ".cs16": "ci16_le",
    ".ci16": "ci16_le",
    ".cf32": "cf32_le",
}


def open_file(path: Path, rate_hz: float | None, centre_hz: float | None) -> Recording:
    """Open bare samples; the ending of the name tells their datatype."""
    if rate_hz is None or centre_hz is None:
        raise RecordingError(f"{path} holds bare samples; give --rate and --centre, like --rate 1.024M --centre 156.8M")
    return Recording(
        path=path,
        extents=Extents.one(path, 0, path.stat().st_size),
        datatype=DATATYPES[path.suffix.lower()],
        sample_rate_hz=rate_hz,
        segments=(Segment(0, centre_hz),),
    )
