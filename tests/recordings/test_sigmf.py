"""SigMF, written and read. The specification (1.2.x) and its reference library `sigmf` are the outside checks."""

from __future__ import annotations

import hashlib
import io
import json
import os
import tarfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sigmf

from sdrcheck.errors import RecordingError, RecordingMissing
from sdrcheck.filters.iq import complex_samples
from sdrcheck.recordings import open_recording
from sdrcheck.recordings.datatypes import NUMPY_TYPES, components, quantise
from sdrcheck.recordings.facts import FIELDS, ReceptionFacts
from sdrcheck.recordings.recording import Annotation
from sdrcheck.recordings.sigmf import Writer, write

RATE_HZ, CENTRE_HZ = 48_000.0, 156.8e6
CAPTURE = {"core:sample_start": 0, "core:frequency": CENTRE_HZ}


@pytest.fixture
def tone() -> np.ndarray:
    return 0.7 * np.exp(2j * np.pi * 0.01 * np.arange(4000))


@pytest.fixture
def edited(tmp_path: Path, tone: np.ndarray) -> Any:
    """A good recording whose description is then changed by hand."""
    meta = write(tmp_path / "good", tone, "cu8", RATE_HZ, CENTRE_HZ)

    def edit(change: Any) -> Path:
        document = json.loads(meta.read_text())
        change(document)
        meta.write_text(json.dumps(document))
        return meta

    return edit


def raw_of(path: Path) -> np.ndarray:
    return np.concatenate([raw for raw, _ in open_recording(path).blocks()])


@pytest.mark.parametrize("datatype", [name for name in NUMPY_TYPES if name.startswith("c")])
def test_written_files_validate_and_read_alike_in_the_reference_library(
    tmp_path: Path, tone: np.ndarray, datatype: str
) -> None:
    facts = ReceptionFacts(gain_db=9.0, serial="0000EXAMPLE", synthetic=True, remarks=("made for a test",))
    notes = [Annotation(100, 50, CENTRE_HZ - 1000, CENTRE_HZ + 1000, "tone", "an invented note")]
    meta = write(
        tmp_path / "x",
        tone,
        datatype,
        RATE_HZ,
        CENTRE_HZ,
        start_utc="2026-03-14T09:26:53Z",
        facts=facts,
        description="synthetic",
        annotations=notes,
    )
    reference = sigmf.fromfile(meta, autoscale=False)  # raises where core:sha512 does not fit
    reference.validate()
    theirs = reference.read_samples()
    ours = raw_of(meta)
    assert np.array_equal(np.asarray(theirs).view(np.float32), ours.astype(np.float32))
    assert reference.get_annotations()[0]["core:label"] == "tone"


@pytest.mark.parametrize("datatype", list(NUMPY_TYPES))
def test_round_trip(tmp_path: Path, tone: np.ndarray, datatype: str) -> None:
    signal = tone if components(datatype) == 2 else tone.real
    raw = quantise(signal, datatype)
    meta = write(tmp_path / "x", raw, datatype, RATE_HZ, CENTRE_HZ, start_utc="2026-03-14T09:26:53.5Z")
    back = open_recording(meta)
    assert np.array_equal(raw_of(meta), raw)
    assert (back.datatype, back.sample_rate_hz, back.centre_hz) == (datatype, RATE_HZ, CENTRE_HZ)
    assert (back.sample_count, back.start_utc) == (4000, "2026-03-14T09:26:53.5Z")
    step = {"cu8": 1 / 127.5, "ci8": 1 / 128, "ci16_le": 1 / 32768, "ri16_le": 1 / 32768}.get(datatype, 1e-6)
    found = complex_samples(raw_of(meta), datatype)
    assert np.max(np.abs((found - signal).real)) <= step / 2 * 1.001


def test_known_bytes() -> None:
    """cu8: 0 and 255 are the ends, zero lies between 127 and 128 (common practice); others are two's complement."""
    signal = np.array([-1 + 1j, 1 / 127.5 * 0.5 - 0.5j / 127.5, 3 - 3j])
    assert quantise(signal, "cu8").tolist() == [0, 255, 128, 127, 255, 0]
    assert quantise(np.array([-1 + 0.5j]), "ci8").tolist() == [-128, 64]
    assert quantise(np.array([-1 + 0.5j]), "ci16_le").tobytes() == b"\x00\x80\x00\x40"
    with pytest.raises(ValueError, match="not finite"):
        quantise(np.array([complex(np.nan, 0)]), "cu8")


@pytest.mark.parametrize("name", ["x.sigmf-meta", "x.sigmf-data", "x"])
def test_any_of_its_names_opens_a_recording(tmp_path: Path, tone: np.ndarray, name: str) -> None:
    write(tmp_path / "x", tone, "cu8", RATE_HZ, CENTRE_HZ)
    assert open_recording(tmp_path / name).sample_count == tone.size


def test_an_archive_is_read_in_place(tmp_path: Path, tone: np.ndarray) -> None:
    """Made by the reference library, so the layout is the specification's."""
    meta = write(tmp_path / "x", tone, "ci16_le", RATE_HZ, CENTRE_HZ)
    sigmf.fromfile(meta).archive(str(tmp_path / "packed.sigmf"))
    packed = open_recording(tmp_path / "packed.sigmf")
    assert np.array_equal(np.concatenate([raw for raw, _ in packed.blocks()]), raw_of(meta))
    assert packed.hash_matches is True


def test_segments_with_other_centres_and_gaps(tmp_path: Path, tone: np.ndarray) -> None:
    raw = quantise(tone, "cu8")
    with Writer(tmp_path / "x", "cu8", RATE_HZ, CENTRE_HZ, start_utc="2026-03-14T09:26:53Z") as writer:
        writer.append(raw)
        writer.append(raw, lost_before=48_000)
        writer.append(raw, frequency_hz=156.525e6)
    back = open_recording(writer.meta)
    assert [(s.first, s.lost_before, s.frequency_hz) for s in back.segments] == [
        (0, 0, CENTRE_HZ),
        (4000, 48_000, CENTRE_HZ),
        (8000, 0, 156.525e6),
    ]
    assert back.segments[1].start_utc == "2026-03-14T09:26:54.083333Z"
    assert back.lost_samples == back.facts.lost_samples == 48_000
    assert [raw.size // 2 for raw, _ in back.blocks(3000)] == [3000, 1000] * 3
    sigmf.fromfile(writer.meta).validate()


def test_gaps_as_the_specification_states_them(edited: Any) -> None:
    """core:global_index counts the samples of the source; a jump larger than sample_start's is a loss (captures)."""

    def change(document: dict[str, Any]) -> None:
        document["captures"] = [
            CAPTURE | {"core:global_index": 500},
            CAPTURE | {"core:sample_start": 1000, "core:global_index": 1750},
            CAPTURE | {"core:sample_start": 2000, "core:global_index": 2750},
        ]

    assert [segment.lost_before for segment in open_recording(edited(change)).segments] == [0, 250, 0]


def test_the_seal_is_taken_while_reading(tmp_path: Path, tone: np.ndarray) -> None:
    meta = write(tmp_path / "x", tone, "cu8", RATE_HZ, CENTRE_HZ)
    back = open_recording(meta)
    assert (back.sha512, back.hash_matches) == (None, None)
    for _ in back.blocks():
        pass
    expected = hashlib.sha512((tmp_path / "x.sigmf-data").read_bytes()).hexdigest()
    assert (back.sha512, back.hash_matches) == (expected, True)


def test_an_altered_recording_is_still_read_and_marked(tmp_path: Path, tone: np.ndarray) -> None:
    meta = write(tmp_path / "x", tone, "cu8", RATE_HZ, CENTRE_HZ)
    data = bytearray((tmp_path / "x.sigmf-data").read_bytes())
    data[17] ^= 1
    (tmp_path / "x.sigmf-data").write_bytes(data)
    back = open_recording(meta)
    assert sum(raw.size for raw, _ in back.blocks()) == 8000
    assert back.hash_matches is False


def test_half_a_sample_is_left_out_and_remarked(tmp_path: Path, tone: np.ndarray) -> None:
    meta = write(tmp_path / "x", tone, "ci16_le", RATE_HZ, CENTRE_HZ)
    with (tmp_path / "x.sigmf-data").open("ab") as file:
        file.write(b"\x01\x02\x03")
    back = open_recording(meta)
    assert sum(raw.size for raw, _ in back.blocks()) == 8000
    assert back.remarks == ["x.sigmf-data ends in the middle of a sample; its last 3 bytes were left out."]


def test_a_recording_that_broke_off_says_so(tmp_path: Path, tone: np.ndarray) -> None:
    writer = Writer(tmp_path / "x", "cu8", RATE_HZ, CENTRE_HZ)
    writer.append(quantise(tone, "cu8"))
    writer.renew()
    writer.append(quantise(tone, "cu8"))
    writer.abandon()
    back = open_recording(tmp_path / "x")
    assert back.sample_count == 8000
    assert back.remarks == ["x.sigmf-meta has no clean end: it is still being written, or it broke off."]
    sigmf.fromfile(writer.meta).validate()


def test_losses_are_dated_by_the_corrected_clock_and_from_the_instant_stated_last(
    tmp_path: Path, tone: np.ndarray
) -> None:
    """δ of +1000 ppm makes 48 000 samples last 1.001 s (formula)."""
    raw = np.zeros(2 * 48_000, np.uint8)
    facts = ReceptionFacts(reference_ppm=1000.0)
    with Writer(tmp_path / "x", "cu8", RATE_HZ, CENTRE_HZ, start_utc="2026-03-14T09:26:53Z", facts=facts) as writer:
        writer.append(raw)
        writer.append(raw, lost_before=48_000)
        writer.append(raw, start_utc="2026-03-14T09:27:00Z")
        writer.append(raw, lost_before=48_000)
    back = open_recording(tmp_path / "x")
    assert [(segment.first, segment.start_utc) for segment in back.segments] == [
        (0, "2026-03-14T09:26:53Z"),
        (48_000, "2026-03-14T09:26:55.002000Z"),
        (96_000, "2026-03-14T09:27:00.000000Z"),
        (144_000, "2026-03-14T09:27:02.002000Z"),
    ]
    assert len(back.remarks) == 1
    assert back.remarks[0].endswith("begins 5.0 s after the one before, by its samples 1.0 s.")


def test_dates_over_half_a_day_fit_the_corrected_clock(edited: Any) -> None:
    """50 ppm over half a day are 2.16 s, and no remark."""

    def half_a_day_lost(document: dict[str, Any]) -> None:
        document["global"]["sdrcheck:reference_ppm"] = 50.0
        first = CAPTURE | {"core:datetime": "2026-03-14T09:00:00Z", "core:global_index": 0}
        later = {
            "core:sample_start": 2000,
            "core:frequency": CENTRE_HZ,
            "core:datetime": "2026-03-14T21:00:02.16Z",
            "core:global_index": int(43_200 * RATE_HZ),
        }
        document["captures"] = [first, later]

    assert open_recording(edited(half_a_day_lost)).remarks == []


def test_a_long_description_is_not_written_anew_each_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A thousand losses are a quarter of a megabyte of description: at the rate that is allowed, a thousand seconds."""
    monkeypatch.setattr("sdrcheck.recordings.sigmf._DESCRIPTION_RATE", 250.0)
    raw = np.zeros(2, np.uint8)
    with Writer(tmp_path / "x", "cu8", RATE_HZ, CENTRE_HZ) as writer:
        for _ in range(1000):
            writer.append(raw, lost_before=1, lost_within=1)
        writer._next_description = 0.0
        writer.renew()
        assert len(open_recording(tmp_path / "x").segments) == 1000
        writer.append(raw, lost_before=1)
        writer.renew()
        assert len(open_recording(tmp_path / "x").segments) == 1000
    assert len(open_recording(tmp_path / "x").segments) == 1001


def test_what_is_safe_on_disk_has_its_name_there_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[Path] = []
    fsync = os.fsync

    def noted(handle: int) -> None:
        synced.append(Path(f"/proc/self/fd/{handle}").readlink())
        fsync(handle)

    if not Path("/proc/self/fd").exists():
        pytest.skip("only Linux tells which file a handle is")
    monkeypatch.setattr(os, "fsync", noted)
    writer = Writer(tmp_path / "x", "cu8", RATE_HZ, CENTRE_HZ)
    writer.append(np.zeros(2, np.uint8))
    writer.close()
    assert synced == [writer.data, tmp_path / "x.sigmf-meta.new", tmp_path]


@pytest.mark.skipif(os.name != "posix", reason="only there a name may be no text")
def test_a_name_that_is_no_text_is_written_with_question_marks(tmp_path: Path, tone: np.ndarray) -> None:
    foreign = os.fsdecode(b"gr\xfc\xdfe")
    meta = write(tmp_path / foreign, tone, "cu8", RATE_HZ, CENTRE_HZ, description=foreign, hardware=foreign)
    back = open_recording(meta)
    assert (back.description, back.hardware) == ("gr??e", "gr??e")
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".sigmf-data", ".sigmf-meta"]


def test_a_description_that_cannot_be_written_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def out_of_memory(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(Path, "replace", out_of_memory)
    with pytest.raises(MemoryError):
        Writer(tmp_path / "x", "cu8", RATE_HZ, CENTRE_HZ)
    assert list(tmp_path.iterdir()) == []


def test_codes_are_never_taken_for_numbers_nor_numbers_for_codes(tmp_path: Path, tone: np.ndarray) -> None:
    meta = write(tmp_path / "sound", tone.real, "ri16_le", RATE_HZ, CENTRE_HZ)
    assert raw_of(meta)[0] == round(0.7 * 32768)
    with pytest.raises(ValueError, match="full scale"):
        write(tmp_path / "x", np.arange(100), "cu8", RATE_HZ, CENTRE_HZ)
    writer = Writer(tmp_path / "y", "cu8", RATE_HZ, CENTRE_HZ)
    with pytest.raises(ValueError, match="samples of cu8 were to be written, got int64"):
        writer.append(np.arange(100))


def test_nothing_is_overwritten(tmp_path: Path, tone: np.ndarray) -> None:
    write(tmp_path / "x", tone, "cu8", RATE_HZ, CENTRE_HZ)
    with pytest.raises(RecordingError, match="exists already"):
        write(tmp_path / "x", tone, "cu8", RATE_HZ, CENTRE_HZ)


def test_every_own_field_is_described() -> None:
    described = (Path(sigmf_description())).read_text(encoding="utf-8")
    assert [name for name in FIELDS if f"| `{name}` |" not in described] == []
    assert described.count("| `sdrcheck:") == len(FIELDS)


def sigmf_description() -> Path:
    import sdrcheck.recordings

    return Path(sdrcheck.recordings.__file__).parent / "sdrcheck.sigmf-ext.md"


def put(key: str, value: object) -> Any:
    def change(document: dict[str, Any]) -> None:
        if value is None:
            del document["global"][key]
        else:
            document["global"][key] = value

    return change


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (put("core:sample_rate", None), "does not state its sample rate"),
        (put("core:sample_rate", 0), "sample rate is 0 per second, which cannot be"),
        (put("core:sample_rate", -2.4e6), "which cannot be"),
        (put("core:sample_rate", 1e15), "which cannot be"),
        (put("core:sample_rate", "2.4M"), 'core:sample_rate is "2.4M", which is not a number'),
        (put("core:sample_rate", True), "not a number"),
        (put("core:sample_rate", 10**400), "not a number"),
        (
            lambda d: d["global"].update({"core:offset": 5000}) or d["captures"].append({"core:sample_start": 100}),
            "a stretch begins before core:offset",
        ),
        (put("core:datatype", None), "datatype is null"),
        (put("core:datatype", "cu12"), 'datatype is "cu12"; convert it to one of cu8'),
        (put("core:datatype", ["cu8"]), "datatype is"),
        (put("core:num_channels", 2), "several receive channels"),
        (put("core:dataset", "x.wav"), "kept in another format"),
        (put("core:metadata_only", True), "description without samples"),
        (lambda d: d.update(captures={}), "`captures` in its description is not a list"),
        (lambda d: d.update(captures=[1]), "`captures` in its description is not a list"),
        (lambda d: d.update(captures=[{"core:frequency": 1}]), "no usable core:sample_start"),
        (lambda d: d.update(captures=[{"core:sample_start": -1}]), "no usable core:sample_start"),
        (lambda d: d["captures"][0].update({"core:frequency": "16"}), 'core:frequency is "16"'),
        (lambda d: d.pop("global"), "no `global` object"),
    ],
)
def test_bad_descriptions_get_one_sentence(edited: Any, change: Any, sentence: str) -> None:
    with pytest.raises(RecordingError, match=r"good\.sigmf-meta: ") as refused:
        open_recording(edited(change))
    assert sentence in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (b"{", "not JSON (line 1, column 2)"),
        (b"", "not JSON"),
        (b"\xff\xfe{}", "not UTF-8"),
        (b"[]", "no `global` object"),
        (b'{"global": {"core:sample_rate": NaN}}', "holds NaN"),
        (b'{"global": {"core:datatype": "cu8", "core:sample_rate": 1e999}}', "not a number"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"global": ' + b"9" * 5000 + b"}", "a number too long"),
    ],
)
def test_what_is_no_description_gets_one_sentence(edited: Any, text: bytes, sentence: str) -> None:
    meta = edited(lambda document: None)
    meta.write_bytes(text)
    with pytest.raises(RecordingError) as refused:
        open_recording(meta)
    assert sentence in str(refused.value)


def test_missing_and_empty_samples(tmp_path: Path, tone: np.ndarray) -> None:
    meta = write(tmp_path / "x", tone, "cu8", RATE_HZ, CENTRE_HZ)
    (tmp_path / "x.sigmf-data").write_bytes(b"")
    with pytest.raises(RecordingError, match=r"x\.sigmf-data holds no samples"):
        open_recording(meta)
    (tmp_path / "x.sigmf-data").unlink()
    with pytest.raises(RecordingMissing, match=r"x\.sigmf-data is missing beside its description"):
        open_recording(meta)
    meta.rename(tmp_path / "y")
    (tmp_path / "x.sigmf-data").write_bytes(b"\x00\x00")
    with pytest.raises(RecordingError, match="no description beside it"):
        open_recording(tmp_path / "x.sigmf-data")


def test_not_a_number_among_the_samples(tmp_path: Path, tone: np.ndarray) -> None:
    raw = quantise(tone, "cf32_le")
    raw[2 * 1234 + 1] = np.nan
    meta = write(tmp_path / "x", raw, "cf32_le", RATE_HZ, CENTRE_HZ)
    with pytest.raises(RecordingError, match=r"not finite at sample 1234 \(0\.025708 s\)"):
        raw_of(meta)


@pytest.mark.parametrize(
    ("change", "remark"),
    [
        (lambda d: d["captures"][0].pop("core:frequency"), "states no centre frequency"),
        (lambda d: d.update(captures=[]), "states no centre frequency"),
        (lambda d: d["captures"][0].update({"core:datetime": "yesterday"}), "no time in UTC"),
        (lambda d: d["captures"].append(CAPTURE | {"core:sample_start": 10**9}), "beyond its last sample"),
        (
            lambda d: d.update(captures=[CAPTURE | {"core:sample_start": 10**9}]),
            "begins at sample 1000000000, not at its first",
        ),
        (lambda d: d["captures"].insert(0, CAPTURE | {"core:sample_start": 10}), "not in order"),
        (lambda d: d["global"].update({"sdrcheck:gain_db": "high"}), "could not be read"),
        (
            lambda d: d.update(
                captures=[
                    CAPTURE | {"core:datetime": "2026-03-14T09:00:00Z"},
                    CAPTURE | {"core:sample_start": 2000, "core:datetime": "2026-03-14T09:10:00Z"},
                ]
            ),
            "begins 600.0 s after the one before, by its samples 0.0 s",
        ),
        (
            lambda d: d.update(
                captures=[
                    CAPTURE | {"core:global_index": 5000},
                    CAPTURE | {"core:sample_start": 2000, "core:global_index": 100},
                ]
            ),
            "runs backwards",
        ),
    ],
)
def test_oddities_are_read_with_a_remark(edited: Any, change: Any, remark: str) -> None:
    back = open_recording(edited(change))
    assert any(remark in sentence for sentence in back.remarks), back.remarks
    assert back.sample_count == 4000


def test_what_was_asked_for_is_remarked_where_the_file_says_otherwise(edited: Any) -> None:
    back = open_recording(edited(lambda d: None), rate_hz=96_000, centre_hz=156.525e6)
    assert (back.sample_rate_hz, back.centre_hz) == (96_000, 156.525e6)
    assert len(back.remarks) == 2


def test_archives_that_are_none(tmp_path: Path) -> None:
    path = tmp_path / "x.sigmf"
    path.write_bytes(b"no tar")
    with pytest.raises(RecordingError, match="not an uncompressed tar archive"):
        open_recording(path)
    with tarfile.open(path, "w") as archive:
        entry = tarfile.TarInfo("x/x.sigmf-meta")
        entry.size = 2
        archive.addfile(entry, io.BytesIO(b"{}"))
    with pytest.raises(RecordingMissing, match="but not its samples"):
        open_recording(path)
