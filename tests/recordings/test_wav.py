"""WAV files, against Python's own `wave` writer, hand-made chunks and real receivers' files."""

from __future__ import annotations

import hashlib
import struct
import wave
from pathlib import Path

import numpy as np
import pytest

from sdrcheck.errors import RecordingError
from sdrcheck.filters.iq import complex_samples
from sdrcheck.recordings import Recording, open_recording
from sdrcheck.recordings.wav import write_sound
from tests.conftest import REAL_RECORDINGS

PCM, FLOAT = 1, 3


def chunk(name: bytes, body: bytes, length: int | None = None) -> bytes:
    return struct.pack("<4sI", name, len(body) if length is None else length) + body + b"\0" * (len(body) % 2)


def form(kind: int, channels: int, bits: int, rate: int = 12_000) -> bytes:
    frame = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", kind, channels, rate, rate * frame, frame, bits))


def riff(*chunks: bytes, head: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return struct.pack("<4sI", head, len(body)) + body


def read(path: Path) -> tuple[Recording, np.ndarray]:
    opened = open_recording(path, centre_hz=518e3)
    raw = np.concatenate([raw for raw, _ in opened.blocks()])
    return opened, complex_samples(raw, opened.datatype)


CODED = {
    (PCM, 8): lambda x: (np.rint(x * 128) + 128).clip(0, 255).astype(np.uint8).tobytes(),
    (PCM, 16): lambda x: np.rint(x * 2**15).clip(-(2**15), 2**15 - 1).astype("<i2").tobytes(),
    (PCM, 24): lambda x: np.rint(x * 2**23).astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes(),
    (PCM, 32): lambda x: np.rint(x * 2**31).astype("<i8").astype("<i4").tobytes(),
    (FLOAT, 32): lambda x: x.astype("<f4").tobytes(),
    (FLOAT, 64): lambda x: x.astype("<f8").tobytes(),
}


@pytest.mark.parametrize("code", list(CODED))
@pytest.mark.parametrize("channels", [1, 2])
def test_every_coding_reads_as_the_same_signal(tmp_path: Path, code: tuple[int, int], channels: int) -> None:
    kind, bits = code
    times = np.arange(3000)
    signal = 0.6 * np.exp(0.05j * times)
    numbers = signal.real if channels == 1 else np.column_stack([signal.real, signal.imag]).ravel()
    path = tmp_path / "x.wav"
    path.write_bytes(riff(form(kind, channels, bits), chunk(b"data", CODED[code](numbers))))
    opened, found = read(path)
    assert opened.receiver_sound == (channels == 1)
    expected = signal.real if channels == 1 else signal
    allowed = {8: 2 / 128, 16: 1 / 2**15}.get(bits, 1e-6)  # 8-bit I/Q counts as a dongle's bytes, half a code apart
    assert np.max(np.abs(found - expected)) < allowed


def test_agrees_with_the_standard_library(tmp_path: Path) -> None:
    codes = np.random.default_rng(1).integers(-(2**15), 2**15, 5000, dtype=np.int16)
    with wave.open(str(tmp_path / "x.wav"), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(12_000)
        file.writeframes(codes.tobytes())
    opened = open_recording(tmp_path / "x.wav", centre_hz=518e3)
    assert np.array_equal(np.concatenate([raw for raw, _ in opened.blocks()]), codes)
    assert opened.sample_rate_hz == 12_000


def test_many_data_chunks_with_others_between(tmp_path: Path) -> None:
    codes = np.random.default_rng(1).integers(-3000, 3000, 6000).astype("<i2")
    pieces = [
        chunk(b"note", bytes(11)) + chunk(b"data", part.tobytes()) for part in np.split(codes, [1, 1001, 1002, 4000])
    ]
    path = tmp_path / "x.wav"
    path.write_bytes(riff(form(PCM, 2, 16), *pieces))
    opened = open_recording(path, centre_hz=0)
    assert np.array_equal(np.concatenate([raw for raw, _ in opened.blocks()]), codes)
    assert opened.sha512 == hashlib.sha512(path.read_bytes()).hexdigest()


def test_samples_split_between_pieces_read_from_disk(tmp_path: Path) -> None:
    """Chunks of an odd number of samples, longer than what is read at once."""
    codes = np.random.default_rng(2).integers(-(2**15), 2**15, 2 * 700_001, dtype=np.int16)
    path = tmp_path / "x.wav"
    parts = np.split(codes, [2 * 333, 2 * 350_000, 2 * 699_999])
    path.write_bytes(riff(form(PCM, 2, 16), *[chunk(b"junk", bytes(3)) + chunk(b"data", p.tobytes()) for p in parts]))
    opened = open_recording(path, centre_hz=0)
    blocks = [raw for raw, _ in opened.blocks(1 << 14)]
    assert np.array_equal(np.concatenate(blocks), codes)
    assert max(block.size for block in blocks) <= 2 << 14


def test_long_files_state_their_length_elsewhere(tmp_path: Path) -> None:
    """ds64 after EBU Tech 3306: the 64-bit length stands there, the data chunk says 0xFFFFFFFF."""
    body = np.random.default_rng(3).integers(-99, 99, 100).astype("<i2").tobytes()
    path = tmp_path / "x.wav"
    sizes = chunk(b"ds64", struct.pack("<QQQI", 0, len(body), 50, 0))
    path.write_bytes(
        riff(sizes, form(PCM, 2, 16), chunk(b"data", body, 0xFFFFFFFF) + chunk(b"LIST", b"end!"), head=b"RF64")
    )
    opened = open_recording(path, centre_hz=0)
    assert (opened.sample_count, opened.remarks) == (50, [])


def test_extensible_format(tmp_path: Path) -> None:
    head = struct.pack("<HHIIHHHHIH14x", 0xFFFE, 2, 48_000, 0, 8, 32, 22, 32, 0, FLOAT)
    path = tmp_path / "x.wav"
    path.write_bytes(riff(chunk(b"fmt ", head), chunk(b"data", np.ones(8, "<f4").tobytes())))
    assert open_recording(path, centre_hz=0).datatype == "cf32_le"


@pytest.mark.parametrize(("length", "remark"), [(0xFFFFFFFF, "not closed"), (0, "not closed"), (5000, "cut short")])
def test_a_recorder_that_broke_off(tmp_path: Path, length: int, remark: str) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(riff(form(PCM, 2, 16), chunk(b"data", bytes(400), length)))
    opened = open_recording(path, centre_hz=0)
    assert opened.sample_count == 100
    assert [remark in sentence for sentence in opened.remarks] == [True]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "does not begin like a WAV file"),
        (b"RIFF\0\0\0\0AVI ", "does not begin like a WAV file"),
        (riff(chunk(b"data", bytes(8))), "no format chunk"),
        (riff(form(PCM, 2, 16)), "no data chunk"),
        (riff(form(PCM, 2, 16), chunk(b"data", b"")), "holds no samples"),
        (riff(form(PCM, 2, 12), chunk(b"data", bytes(8))), "12 bits in format 1"),
        (riff(form(17, 1, 4), chunk(b"data", bytes(8))), "4 bits in format 17"),
        (riff(form(PCM, 2, 16, rate=0), chunk(b"data", bytes(8))), "no sample rate"),
        (riff(form(PCM, 2, 16, rate=7), chunk(b"data", bytes(8))), "which cannot be"),
        (riff(chunk(b"fmt ", bytes(4)), chunk(b"data", bytes(8))), "broken format chunk"),
        (riff(form(PCM, 4, 16), chunk(b"data", bytes(8))), "has 4 channels"),
        (riff(form(PCM, 0, 16), chunk(b"data", bytes(8))), "no sample rate or no channels"),
    ],
)
def test_bad_files_get_one_sentence(tmp_path: Path, content: bytes, sentence: str) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(content)
    with pytest.raises(RecordingError) as refused:
        open_recording(path, centre_hz=518e3)
    assert sentence in str(refused.value)


def test_where_it_was_tuned_is_never_guessed_from_the_name(tmp_path: Path) -> None:
    path = tmp_path / "20260314T092653Z_518000_quay.wav"
    path.write_bytes(riff(form(PCM, 2, 16), chunk(b"data", bytes(8))))
    with pytest.raises(RecordingError, match=r"give the centre frequency of I/Q with --centre"):
        open_recording(path)


def test_written_sound_is_read_by_the_standard_library(tmp_path: Path) -> None:
    sound = 0.5 * np.sin(np.arange(1000) * 0.1)
    write_sound(tmp_path / "x.wav", sound, 48_000)
    with wave.open(str(tmp_path / "x.wav")) as file:
        assert (file.getnchannels(), file.getframerate(), file.getsampwidth()) == (1, 48_000, 2)
        codes = np.frombuffer(file.readframes(1000), "<i2")
    assert np.max(np.abs(codes / 32768 - sound)) <= 0.5001 / 32768


REAL = {  # file -> samples as counted by its origin: chunks × bytes / bytes of a sample
    "netrx_77.5k_12001_time-signal-burst-noise_original-chunks.wav": 687 * 2048 // 4,
    "netrx_100k_11999_loran-pulses_original-chunks.wav": 235 * 2048 // 4,
    "airband-am_12.5k_msk-data-burst_one-channel.wav": 53_843,
}


@pytest.mark.skipif(not REAL_RECORDINGS.is_dir(), reason="the real recordings are not on this computer")
@pytest.mark.parametrize("name", list(REAL))
def test_real_receivers_files_are_read_whole(name: str) -> None:
    opened, found = read(REAL_RECORDINGS / name)
    assert opened.sample_count == found.size == REAL[name]
    assert opened.remarks == []


@pytest.mark.skipif(not REAL_RECORDINGS.is_dir(), reason="the real recordings are not on this computer")
def test_four_channels_get_one_sentence() -> None:
    with pytest.raises(RecordingError, match="has 4 channels; extract one"):
        open_recording(REAL_RECORDINGS / "airband-am_12.5k_msk-data-bursts_four-channels.wav", centre_hz=131e6)


def stereo(path: Path, left: np.ndarray, right: np.ndarray) -> Path:
    both = np.rint(np.column_stack([left, right]).ravel() * 2**15).astype("<i2").tobytes()
    path.write_bytes(riff(form(PCM, 2, 16), chunk(b"data", both)))
    return path


HEARD = 0.5 * np.sin(0.3 * np.arange(600_000))
SILENT = np.zeros(HEARD.size)


@pytest.mark.parametrize(
    ("left", "right", "said"),
    [(HEARD, HEARD, "alike"), (HEARD, SILENT, "only the left one"), (SILENT, HEARD, "only the right one")],
)
def test_a_loudspeaker_in_two_channels_is_sound(tmp_path: Path, left: np.ndarray, right: np.ndarray, said: str) -> None:
    opened = open_recording(stereo(tmp_path / "x.wav", left, right))
    raw = np.concatenate([raw for raw, _ in opened.blocks()])
    assert opened.receiver_sound
    assert opened.sample_count == HEARD.size
    assert raw / 2**15 == pytest.approx(HEARD, abs=2**-15)
    assert any(said in remark and "not as I and Q" in remark for remark in opened.remarks)


def test_two_channels_that_differ_are_iq_unless_a_side_is_named(tmp_path: Path) -> None:
    path = stereo(tmp_path / "x.wav", HEARD, 0.3 * np.cos(0.3 * np.arange(HEARD.size)))
    with pytest.raises(RecordingError, match=r"--centre, or --side left"):
        open_recording(path)
    assert not open_recording(path, centre_hz=2182e3).receiver_sound
    right = open_recording(path, centre_hz=2182e3, side="right")
    raw = np.concatenate([raw for raw, _ in right.blocks()])
    assert right.receiver_sound
    assert raw[:3] / 2**15 == pytest.approx(0.3 * np.cos([0, 0.3, 0.6]), abs=2**-15)


def test_a_side_where_there_is_none(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(riff(form(PCM, 1, 16), chunk(b"data", b"\0\0" * 20)))
    with pytest.raises(RecordingError, match="has one channel only"):
        open_recording(path, side="left")
    other = tmp_path / "x.cu8"
    other.write_bytes(bytes(100))
    with pytest.raises(RecordingError, match="is no WAV file"):
        open_recording(other, 1e6, 1e8, side="left")
