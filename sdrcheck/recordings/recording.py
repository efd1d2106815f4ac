"""A recording: samples in a file, what is known about them, and a way through them that needs little memory.

`open_recording` takes any of the kinds in `KINDS`. Blocks come in file order, are never copied into one piece, and the
seal (SHA-512) is taken while they pass, so that the file is read once however long it is.
"""

from __future__ import annotations

import importlib
import math
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sdrcheck.errors import RecordingError, RecordingMissing
from sdrcheck.recordings.datatypes import NUMPY_TYPES, components
from sdrcheck.recordings.facts import ReceptionFacts
from sdrcheck.recordings.seal import Seal

KINDS = {  # ending of the file's name -> the module that opens it
    ".sigmf-meta": "sdrcheck.recordings.sigmf",
    ".sigmf-data": "sdrcheck.recordings.sigmf",
    ".sigmf": "sdrcheck.recordings.sigmf",
    ".wav": "sdrcheck.recordings.wav",
    ".cu8": "sdrcheck.recordings.bare_iq",
    ".cs8": "sdrcheck.recordings.bare_iq",
    ".ci8": "sdrcheck.recordings.bare_iq",
    ".cs16": "sdrcheck.recordings.bare_iq",
    ".ci16": "sdrcheck.recordings.bare_iq",
    ".cf32": "sdrcheck.recordings.bare_iq",
}

SAMPLE_RATES_HZ = (100.0, 1e9)
"""What we take for a sample rate; anything else is a slip of the pen."""

_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a recording with one centre frequency and no gap inside."""

    first: int
    """Index of its first sample in the file."""
    frequency_hz: float
    start_utc: str | None = None
    lost_before: int = 0
    """Samples known to be missing between the segment before and this one."""


@dataclass(frozen=True, slots=True)
class Annotation:
    """A note on a stretch of samples."""

    first: int
    count: int | None = None
    low_hz: float | None = None
    high_hz: float | None = None
    label: str | None = None
    comment: str | None = None


@dataclass(frozen=True, slots=True)
class Extents:
    """Where in a file the samples lie: byte offsets and lengths in file order, and which bytes the seal covers."""

    path: Path
    offsets: array[int]
    lengths: array[int]
    sealed_from: int
    sealed_to: int

    @classmethod
    def one(cls, path: Path, offset: int, length: int) -> Extents:
        """All samples in one piece, and the seal over just them."""
        return cls(path, array("q", [offset]), array("q", [length]), offset, offset + length)

    @property
    def total(self) -> int:
        """Bytes of samples."""
        return sum(self.lengths)

    def pieces(self, seal: Seal) -> Iterator[bytes]:
        """Read the sealed bytes once, front to back, and yield those among them that are samples."""
        at, next_extent = self.sealed_from, 0
        try:
            with self.path.open("rb") as file:
                file.seek(at)
                while at < self.sealed_to:
                    piece = file.read(min(_PIECE, self.sealed_to - at))
                    if not piece:
                        raise RecordingError(f"{self.path} became shorter while it was read; copy it and try again")
                    seal.update(piece)
                    end = at + len(piece)
                    found = []
                    while next_extent < len(self.offsets) and self.offsets[next_extent] < end:
                        start = self.offsets[next_extent]
                        stop = start + self.lengths[next_extent]
                        found.append(piece[max(start - at, 0) : stop - at])
                        if stop > end:
                            break
                        next_extent += 1
                    at = end
                    yield found[0] if len(found) == 1 else b"".join(found)
        except OSError as problem:
            raise RecordingError(
                f"{self.path} cannot be read any further ({problem.strerror}); copy it first"
            ) from None


def unpacked(piece: bytes, datatype: str) -> NDArray[Any]:
    """Bytes on disk that already are of a SigMF datatype."""
    return np.frombuffer(piece, NUMPY_TYPES[datatype])


@dataclass(slots=True, eq=False)
class Recording:
    """A recording that has been opened: its facts are known, its samples are not yet read."""

    path: Path
    """The file that was named, for people."""
    extents: Extents
    datatype: str
    sample_rate_hz: float
    segments: tuple[Segment, ...]
    """At least one, the first at sample 0."""
    annotations: tuple[Annotation, ...] = ()
    facts: ReceptionFacts = field(default_factory=ReceptionFacts)
    description: str = ""
    hardware: str = ""
    stated_sha512: str | None = None
    stored_bytes_per_sample: int = 0
    unpack: Callable[[bytes, str], NDArray[Any]] = unpacked
    remarks: list[str] = field(default_factory=list)
    """Plain sentences about the file that a technician should read."""
    sha512: str | None = None
    """Seal of the samples (SigMF) or of the whole file (others); known once all blocks have passed."""

    def __post_init__(self) -> None:
        if not self.stored_bytes_per_sample:
            self.stored_bytes_per_sample = components(self.datatype) * NUMPY_TYPES[self.datatype].itemsize
        left_over = self.extents.total % self.stored_bytes_per_sample
        if left_over:
            self.remarks.append(
                f"{self.extents.path.name} ends in the middle of a sample; its last {left_over} "
                f"{'byte was' if left_over == 1 else 'bytes were'} left out."
            )
        if not self.sample_count:
            raise RecordingError(f"{self.extents.path} holds no samples; record or copy it again")
        if not SAMPLE_RATES_HZ[0] <= self.sample_rate_hz <= SAMPLE_RATES_HZ[1]:
            raise RecordingError(
                f"{self.path} has a sample rate of {self.sample_rate_hz:g} per second, which cannot be; "
                f"correct it, it must lie between {SAMPLE_RATES_HZ[0]:g} and {SAMPLE_RATES_HZ[1]:g}"
            )
        late = [segment for segment in self.segments if segment.first >= self.sample_count]
        if late:
            self.segments = self.segments[: -len(late)]
            self.remarks.append(
                f"{len(late)} of the stretches that {self.path.name} describes lie beyond its last sample."
            )

    @property
    def sample_count(self) -> int:
        """Samples in the file; those that were lost on the way there are not among them."""
        return self.extents.total // self.stored_bytes_per_sample

    @property
    def lost_samples(self) -> int:
        return sum(segment.lost_before for segment in self.segments)

    @property
    def centre_hz(self) -> float:
        """Centre frequency at the beginning."""
        return self.segments[0].frequency_hz

    @property
    def start_utc(self) -> str | None:
        return self.segments[0].start_utc

    @property
    def receiver_sound(self) -> bool:
        """One channel of demodulated sound instead of I and Q."""
        return components(self.datatype) == 1

    @property
    def hash_matches(self) -> bool | None:
        """Whether the samples are those that were sealed; None while not all are read, or where no seal is stated."""
        if self.sha512 is None or self.stated_sha512 is None:
            return None
        return self.sha512 == self.stated_sha512

    def blocks(self, samples: int = 1 << 17) -> Iterator[tuple[NDArray[Any], Segment]]:
        """Yield the raw samples in order, at most `samples` at once, each block with the segment it lies in.

        Raises RecordingError where a float is not finite, or where the file cannot be read to its end.
        """
        seal = Seal()
        at = 0
        bounds = [segment.first for segment in self.segments[1:]] + [self.sample_count]
        which = 0
        for raw in self._whole_samples(seal):
            size = components(self.datatype)
            self._require_finite(raw, at)
            used, count = 0, raw.size // size
            while used < count:
                take = min(samples, count - used, bounds[which] - at)
                yield raw[used * size : (used + take) * size], self.segments[which]
                used += take
                at += take
                if at == bounds[which]:
                    which += 1
        self.sha512 = seal.sha512

    def _whole_samples(self, seal: Seal) -> Iterator[NDArray[Any]]:
        rest = b""
        for piece in self.extents.pieces(seal):
            joined = rest + piece if rest else piece
            whole = len(joined) // self.stored_bytes_per_sample * self.stored_bytes_per_sample
            rest = joined[whole:]
            if whole:
                yield self.unpack(joined[:whole] if rest else joined, self.datatype)

    def _require_finite(self, raw: NDArray[Any], first: int) -> None:
        if raw.dtype.kind == "f" and not np.all(np.isfinite(raw)):
            place = first + int(np.flatnonzero(~np.isfinite(raw))[0]) // components(self.datatype)
            raise RecordingError(
                f"{self.extents.path} holds a number that is not finite at sample {place} "
                f"({place / self.sample_rate_hz:.6f} s); make the file again, or cut it before that place"
            )


def open_recording(
    path: str | Path, rate_hz: float | None = None, centre_hz: float | None = None, *, side: str | None = None
) -> Recording:
    """Open a recording of any kind we read; SigMF may be named by either file, the archive, or the common base name.

    `rate_hz` and `centre_hz` say what the file itself does not, `side` which of a WAV file's two channels is sound.
    Raises RecordingMissing, RecordingError.
    """
    path = Path(path)
    for name, value in (("rate", rate_hz), ("centre", centre_hz)):
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise RecordingError(f"a {name} of {value} Hz cannot be; give it like --{name} 156.8M")
    ending = path.suffix.lower()
    try:
        if path.name and not path.is_file() and path.with_name(path.name + ".sigmf-meta").is_file():
            path, ending = path.with_name(path.name + ".sigmf-meta"), ".sigmf-meta"
        if path.is_dir():
            raise RecordingError(f"{path} is a folder, not a recording; name one of the files in it")
        if not path.exists():
            raise RecordingMissing(f"there is no recording {path}; look at the name and the folder")
        if ending not in KINDS:
            raise RecordingError(f"{path} is of no kind that is read here; name a file that ends in {', '.join(KINDS)}")
        if side is not None and ending != ".wav":
            raise RecordingError(f"{path} is no WAV file, and only such hold sound with sides; leave --side away")
        sides = () if side is None else (side,)
        opened: Recording = importlib.import_module(KINDS[ending]).open_file(path, rate_hz, centre_hz, *sides)
    except OSError as problem:
        if isinstance(problem, RecordingMissing):
            raise
        reason = problem.strerror or type(problem).__name__
        raise RecordingError(f"{path} cannot be opened ({reason}); see to the file and its permissions") from None
    return opened
