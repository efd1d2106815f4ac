"""WAV files: two channels are I and Q, one channel is the sound of a receiver on upper sideband.

Recorders make two channels of a loudspeaker's sound, too: two that are alike, or one that is silent, are no I and Q.

A reader of our own, because network receivers write many short data chunks with other chunks between them, where
ordinary readers stop after the first. Layout after the RIFF/WAVE description (Multimedia Programming Interface and Data
Specifications 1.0), `ds64` for long files after EBU Tech 3306.
"""

from __future__ import annotations

import struct
from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, Literal, NoReturn

import numpy as np
from numpy.typing import NDArray

from sdrcheck.errors import RecordingError
from sdrcheck.recordings.datatypes import quantise
from sdrcheck.recordings.recording import Extents, Recording, Segment, unpacked
from sdrcheck.recordings.seal import Seal

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_UNKNOWN_LENGTH = (0, 0xFFFFFFFF)
_ALIKE = 1e-4
"""Two channels that differ by less of their power are one sound, recorded twice."""

_SILENT = 1e-12
"""Power, in the units of the samples, of what is constant but for rounding."""

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")
Unpack = Callable[[bytes, str], NDArray[Any]]


def open_file(path: Path, rate_hz: float | None, centre_hz: float | None, side: Side | None = None) -> Recording:
    """Open I/Q or receiver sound. The file's name is never asked where it was tuned.

    I/Q needs its centre told. Sound may do without its dial frequency; it then begins at 0 Hz. `side` says that two
    channels are sound, and which of them counts.
    """
    with path.open("rb") as file:
        layout = _Layout(path, file)
    if layout.channels not in (1, 2):
        raise RecordingError(f"{path} has {layout.channels} channels; extract one (sound) or two (I and Q) of them")
    code = layout.kind, layout.bits
    if code not in _IQ:
        raise RecordingError(
            f"{path} holds samples of {layout.bits} bits in format {layout.kind}; "
            "convert it to integers of 8, 16, 24 or 32 bits or floats of 32 or 64"
        )
    if rate_hz is not None and rate_hz != layout.rate:
        layout.remarks.append(f"{path.name} states {layout.rate} samples per second; {rate_hz:.12g} was asked for.")
    extents = Extents(path, layout.offsets, layout.lengths, 0, layout.size)
    if side is not None and layout.channels == 1:
        raise RecordingError(f"{path} has one channel only; leave --side {side} away")
    if side is None and layout.channels == 2:
        side, why = _sounding_side(extents, layout)
        if side is not None:
            layout.remarks.append(f"{path.name} has two channels, {why}: it is read as receiver sound, not as I and Q.")
    if side is None and layout.channels == 2 and centre_hz is None:
        raise RecordingError(
            f"{path} has two channels and does not say where the receiver was tuned; give the centre frequency of I/Q "
            "with --centre, or --side left or --side right where it is sound"
        )
    datatype, unpack = (_SOUND if layout.channels == 1 or side is not None else _IQ)[code]
    return Recording(
        path=path,
        extents=extents,
        datatype=datatype,
        sample_rate_hz=layout.rate if rate_hz is None else rate_hz,
        segments=(Segment(0, centre_hz or 0.0),),
        stored_bytes_per_sample=layout.channels * layout.bits // 8,
        unpack=unpack if side is None else _of_side(unpack, side),
        remarks=layout.remarks,
    )


def _of_side(unpack: Unpack, side: Side) -> Unpack:
    """Unpack two channels, and keep one."""
    return lambda piece, datatype: unpack(piece, datatype)[SIDES.index(side) :: 2]


def _sounding_side(extents: Extents, layout: _Layout) -> tuple[Side | None, str]:
    """Which of two channels is sound, and why it cannot be I and Q; None where they differ."""
    datatype, unpack = _SOUND[layout.kind, layout.bits]
    frame = 2 * layout.bits // 8
    powers = [0.0, 0.0]
    count, sums, squares, rest = 0, np.zeros(3), np.zeros(3), b""
    for piece in extents.pieces(Seal()):
        joined = rest + piece
        whole = len(joined) // frame * frame
        rest = joined[whole:]
        left, right = unpack(joined[:whole], datatype).reshape(-1, 2).astype(np.float64).T
        both = np.stack([left, right, left - right])
        count += left.size
        sums += both.sum(axis=1)
        squares += np.square(both).sum(axis=1)
        *powers, apart = squares / max(count, 1) - np.square(sums / max(count, 1))  # without what is constant
        if not (min(powers) <= _SILENT or apart <= _ALIKE * max(powers)):
            return None, ""
    if max(powers) <= _SILENT:
        return None, ""
    if min(powers) <= _SILENT:
        heard = SIDES[int(np.argmax(powers))]
        return heard, f"of which only the {heard} one holds anything"
    return "left", "left and right alike"


class _Layout:
    """Where everything lies in one WAV file."""

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self.path = path
        self.kind = self.channels = self.rate = self.bits = 0
        self.offsets, self.lengths = array("q"), array("q")
        self.remarks: list[str] = []
        self.size = file.seek(0, 2)
        file.seek(0)
        head = file.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
            self._refuse("does not begin like a WAV file; look whether it was renamed or cut")
        self._long_data = 0
        self._read_chunks(file)
        if not self.rate:
            self._refuse("has no format chunk before its samples; it was cut, copy it again")
        if not self.offsets:
            self._refuse("has no data chunk, so no samples; record or copy it again")

    def _refuse(self, what: str) -> NoReturn:
        raise RecordingError(f"{self.path} {what}")

    def _read_chunks(self, file: BinaryIO) -> None:
        at = 12
        while at + 8 <= self.size:
            file.seek(at)
            name, length = struct.unpack("<4sI", file.read(8))
            at += 8
            if name == b"fmt ":
                self._read_format(file.read(min(length, 40)))
            elif name == b"ds64":
                self._long_data = struct.unpack("<8xQ", file.read(16))[0] if length >= 16 else 0
            elif name == b"data":
                length = self._data_chunk(at, length)
            at += length + length % 2  # chunks begin at even places

    def _data_chunk(self, at: int, length: int) -> int:
        if length == 0xFFFFFFFF and self._long_data:
            length = self._long_data
        there = self.size - at
        if length in _UNKNOWN_LENGTH and there and not self.offsets:
            self.remarks.append(f"{self.path.name} was not closed by its recorder; it is read to its end.")
            length = there
        elif length > there:
            self.remarks.append(f"{self.path.name} is cut short: {length - there} bytes of its samples are missing.")
            length = there
        self.offsets.append(at)
        self.lengths.append(length)
        return length

    def _read_format(self, chunk: bytes) -> None:
        if len(chunk) < 16:
            self._refuse("has a broken format chunk; copy it again")
        self.kind, self.channels, self.rate, _, _, self.bits = struct.unpack("<HHIIHH", chunk[:16])
        if self.kind == _EXTENSIBLE and len(chunk) >= 26:
            self.kind = struct.unpack("<H", chunk[24:26])[0]
        if not self.rate or not self.channels:
            self._refuse("states no sample rate or no channels; it is broken, copy it again")


def _offset_binary(piece: bytes, _: str) -> NDArray[Any]:
    """8-bit sound has its zero at the code 128, unlike a dongle's bytes."""
    return (np.frombuffer(piece, np.uint8).astype("<i2") - 128) * 256


def _int24(piece: bytes, _: str) -> NDArray[Any]:
    padded = np.zeros((len(piece) // 3, 4), np.uint8)
    padded[:, 1:] = np.frombuffer(piece, np.uint8).reshape(-1, 3)
    return (padded.view("<i4")[:, 0] * 2.0**-31).astype("<f4")


def _int32(piece: bytes, _: str) -> NDArray[Any]:
    return (np.frombuffer(piece, "<i4") * 2.0**-31).astype("<f4")


def _float64(piece: bytes, _: str) -> NDArray[Any]:
    return np.frombuffer(piece, "<f8").astype("<f4")


_IQ: dict[tuple[int, int], tuple[str, Unpack]] = {
    (_PCM, 8): ("cu8", unpacked),
    (_PCM, 16): ("ci16_le", unpacked),
    (_PCM, 24): ("cf32_le", _int24),
    (_PCM, 32): ("cf32_le", _int32),
    (_FLOAT, 32): ("cf32_le", unpacked),
    (_FLOAT, 64): ("cf32_le", _float64),
}
"""(format, bits) -> our datatype and how to get there; of 32-bit integers the 24 highest bits count."""

_SOUND = {code: (datatype.replace("cf", "rf").replace("ci", "ri"), unpack) for code, (datatype, unpack) in _IQ.items()}
_SOUND[_PCM, 8] = ("ri16_le", _offset_binary)


def write_sound(path: Path, sound: NDArray[Any], sample_rate_hz: int) -> None:
    """Write one channel of 16-bit sound; full scale is 1.0. Refuses to write over anything."""
    codes = quantise(sound, "ri16_le").tobytes()
    head = struct.pack("<4sI4s", b"RIFF", 36 + len(codes), b"WAVE")
    layout = struct.pack("<4sIHHIIHH", b"fmt ", 16, _PCM, 1, sample_rate_hz, 2 * sample_rate_hz, 2, 16)
    try:
        with path.open("xb") as file:
            file.write(head + layout + struct.pack("<4sI", b"data", len(codes)) + codes)
    except FileExistsError:
        raise RecordingError(f"{path} exists already; choose another name, recordings are never overwritten") from None
    except OSError as problem:
        raise RecordingError(f"{path} cannot be written ({problem.strerror}); choose another folder") from None
