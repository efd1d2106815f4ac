"""SigMF recordings: a small JSON description beside a file of bare samples, read and written.

We read and write the JSON ourselves (specification 1.2.x): the bytes on disk are the evidence, so nothing here changes
what it reads. Our own fields stand in the namespace `sdrcheck:` and are described in `sdrcheck.sigmf-ext.md`.
"""

from __future__ import annotations

import json
import os
import tarfile
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, NoReturn

import msgspec
import numpy as np
from numpy.typing import NDArray

from sdrcheck import __version__
from sdrcheck.errors import RecordingError, RecordingMissing
from sdrcheck.recordings.datatypes import NUMPY_TYPES, bytes_per_sample, quantise
from sdrcheck.recordings.facts import NAMESPACE, NAMESPACE_VERSION, ReceptionFacts
from sdrcheck.recordings.recording import SAMPLE_RATES_HZ, Annotation, Extents, Recording, Segment
from sdrcheck.recordings.seal import Seal
from sdrcheck.recordings.syncing import sync_folder
from sdrcheck.recordings.utc import utc_after, utc_moment

SPECIFICATION = "1.2.6"
META, DATA = ".sigmf-meta", ".sigmf-data"

LOST_LABEL = "samples lost"
"""Label of the note over a stretch somewhere in which samples are missing."""

_LARGEST = 1e18
"""No frequency, rate or sample index is larger; also keeps out what is infinite or not a number."""
_DESCRIPTION_RATE = 1e6
"""Bytes a second that a growing description may take: one with thousands of losses is not written anew each second."""
_UNEXPLAINED_S = 0.5
"""Two dates that disagree by more than this with the samples between them are worth a remark."""


def open_file(path: Path, rate_hz: float | None, centre_hz: float | None) -> Recording:
    """Open a recording by its description, its samples or its archive; told rate and centre fill what is unsaid."""
    if path.suffix.lower() == ".sigmf":
        text, samples = _in_archive(path)
    else:
        meta, data = path.with_suffix(META), path.with_suffix(DATA)
        if not meta.exists():
            raise RecordingError(f"{data} has no description beside it; copy {meta.name} into the same folder")
        text = meta.read_bytes()
        samples = Extents.one(data, 0, data.stat().st_size if data.exists() else -1)
    return _Description(path, text).recording(samples, rate_hz, centre_hz)


def _in_archive(path: Path) -> tuple[bytes, Extents]:
    try:
        with tarfile.open(path, "r:") as archive:
            members = [member for member in archive.getmembers() if member.isfile()]
            metas = [member for member in members if member.name.endswith(META)]
            if len(metas) != 1:
                raise RecordingError(f"{path} holds {len(metas)} recordings; unpack it and name one of them")
            wanted = metas[0].name.removesuffix(META) + DATA
            data = next((member for member in members if member.name == wanted), None)
            if data is None:
                raise RecordingMissing(f"{path} holds {metas[0].name} but not its samples; pack it again with both")
            file = archive.extractfile(metas[0])
            assert file is not None
            return file.read(), Extents.one(path, data.offset_data, data.size)
    except tarfile.TarError:
        raise RecordingError(f"{path} is not an uncompressed tar archive; unpack it, and name what was in it") from None


class _Description:
    """One description being read: every odd thing in it becomes one plain sentence that names the file."""

    def __init__(self, path: Path, text: bytes) -> None:
        self.path = path
        self.remarks: list[str] = []
        try:
            document = json.loads(text.decode("utf-8-sig"), parse_constant=self._not_json)
        except UnicodeDecodeError:
            self._refuse("its description is not UTF-8 text; write it anew")
        except json.JSONDecodeError as problem:
            self._refuse(f"its description is not JSON (line {problem.lineno}, column {problem.colno}); mend it there")
        except RecordingError:
            raise
        except ValueError:
            self._refuse("its description holds a number too long to be one; mend it")
        except RecursionError:
            self._refuse("its description is nested too deeply to be one; write it anew")
        if not isinstance(document, dict) or not isinstance(document.get("global"), dict):
            self._refuse("its description has no `global` object; write it anew after the SigMF specification")
        self.whole: dict[str, Any] = document["global"]
        self.captures = self._entries(document, "captures")
        self.annotations = self._entries(document, "annotations")

    def _refuse(self, what: str) -> NoReturn:
        raise RecordingError(f"{self.path}: {what}")

    def _not_json(self, constant: str) -> NoReturn:
        self._refuse(f"its description holds {constant}, which JSON does not know; put a number there")

    def _entries(self, document: dict[str, Any], name: str) -> list[dict[str, Any]]:
        entries = document.get(name, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            self._refuse(f"`{name}` in its description is not a list of objects; correct it")
        starts = [self._sample_start(entry, name) for entry in entries]
        if starts != sorted(starts):
            self.remarks.append(f"The {name} in {self.path.name} were not in order and have been sorted.")
            entries = [entry for _, entry in sorted(zip(starts, entries, strict=True), key=lambda pair: pair[0])]
        return entries

    def _sample_start(self, entry: dict[str, Any], name: str) -> int:
        start = self._number(entry, "core:sample_start")
        if start is None or start < 0 or start != int(start):
            self._refuse(f"an entry of `{name}` has no usable core:sample_start; give the index of its first sample")
        return int(start)

    def _number(self, entry: dict[str, Any], key: str) -> float | None:
        value = entry.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= _LARGEST:
            self._refuse(f"{key} is {json.dumps(value)[:40]}, which is not a number; correct the description")
        return float(value)

    def _text(self, entry: dict[str, Any], key: str) -> str | None:
        value = entry.get(key)
        return value if isinstance(value, str) else None

    def recording(self, samples: Extents, rate_hz: float | None, centre_hz: float | None) -> Recording:
        """Put description and samples together."""
        if self.whole.get("core:metadata_only") is True:
            self._refuse("it is a description without samples; ask its sender for the samples")
        if samples.sealed_to < samples.sealed_from:
            raise RecordingMissing(f"{samples.path} is missing beside its description; copy it into the same folder")
        if "core:dataset" in self.whole:
            self._refuse("its samples are kept in another format (core:dataset); convert them to .sigmf-data")
        if self._number(self.whole, "core:num_channels") not in (None, 1):
            self._refuse("it holds several receive channels in one file; split it into one recording per channel")
        datatype = self.whole.get("core:datatype")
        if not isinstance(datatype, str) or datatype not in NUMPY_TYPES:
            self._refuse(f"its datatype is {json.dumps(datatype)[:40]}; convert it to one of {', '.join(NUMPY_TYPES)}")
        stated_rate = self._number(self.whole, "core:sample_rate")
        sample_rate_hz = self._agreed("sample rate", stated_rate, rate_hz)
        if sample_rate_hz is None:
            self._refuse("it does not state its sample rate; give it, like --rate 1.024M")
        if not SAMPLE_RATES_HZ[0] <= sample_rate_hz <= SAMPLE_RATES_HZ[1]:
            self._refuse(
                f"its sample rate is {sample_rate_hz:g} per second, which cannot be; "
                f"it must lie between {SAMPLE_RATES_HZ[0]:g} and {SAMPLE_RATES_HZ[1]:g}, correct it"
            )
        facts = self._own_facts()
        return Recording(
            path=self.path,
            extents=samples,
            datatype=datatype,
            sample_rate_hz=sample_rate_hz,
            segments=self._segments((1 + (facts.reference_ppm or 0.0) * 1e-6) / sample_rate_hz, centre_hz),
            annotations=tuple(self._annotation(entry) for entry in self.annotations),
            facts=facts,
            description=self._text(self.whole, "core:description") or "",
            hardware=self._text(self.whole, "core:hw") or "",
            stated_sha512=(self._text(self.whole, "core:sha512") or "").lower() or None,
            remarks=self.remarks,
        )

    def _agreed(self, name: str, stated: float | None, told: float | None) -> float | None:
        """What the file says, unless the user says otherwise, which is remarked upon."""
        if told is None:
            return stated
        if stated is not None and stated != told:
            self.remarks.append(f"{self.path.name} states a {name} of {stated:.12g} Hz; {told:.12g} Hz was asked for.")
        return told

    def _segments(self, sample_s: float, centre_hz: float | None) -> tuple[Segment, ...]:
        offset = int(self._number(self.whole, "core:offset") or 0)
        centres = {self._number(entry, "core:frequency") for entry in self.captures}
        if centre_hz is not None and len(centres) > 1:
            self._refuse("it has several centre frequencies; leave out --centre")
        begins = self._sample_start(self.captures[0], "captures") - offset if self.captures else 0
        if begins > 0:
            self.remarks.append(
                f"What {self.path.name} describes begins at sample {begins}, not at its first; its centre and time "
                "were taken for all before that, too."
            )
        segments: list[Segment] = []
        before: dict[str, Any] = {}
        for entry in self.captures or [{}]:
            first = self._sample_start(entry, "captures") - offset if segments else 0
            if first < 0:
                self._refuse("a stretch begins before core:offset, the first sample; correct one of them")
            stated = self._number(entry, "core:frequency")
            if segments:
                known = (centre_hz, stated, segments[-1].frequency_hz)
                frequency = next(value for value in known if value is not None)
                if stated is None and centre_hz is None:
                    self.remarks.append(f"Stretch {len(segments) + 1} of {self.path.name} states no centre frequency.")
            else:
                agreed = self._agreed("centre frequency", stated, centre_hz)
                frequency = agreed or 0.0
                if agreed is None:
                    self.remarks.append(
                        f"{self.path.name} states no centre frequency: frequencies are counted from its centre."
                    )
            segment = Segment(first, frequency, self._start_utc(entry), self._lost_between(before, entry))
            if segments:
                self._compare_dates(segments[-1], segment, sample_s)
            if segments and segments[-1].first == first:
                segments.pop()
            segments.append(segment)
            before = entry
        return tuple(segments)

    def _lost_between(self, before: dict[str, Any], entry: dict[str, Any]) -> int:
        earlier, later = self._number(before, "core:global_index"), self._number(entry, "core:global_index")
        if earlier is None or later is None:
            return 0
        kept = self._sample_start(entry, "captures") - self._sample_start(before, "captures")
        lost = int(later - earlier) - kept
        if lost < 0:
            self.remarks.append(f"core:global_index in {self.path.name} runs backwards once; that step was ignored.")
        return max(lost, 0)

    def _start_utc(self, entry: dict[str, Any]) -> str | None:
        text = self._text(entry, "core:datetime")
        if text is None:
            return None
        try:
            utc_moment(text)
        except ValueError:
            self.remarks.append(f"core:datetime {text[:40]!r} in {self.path.name} is no time in UTC; it was left out.")
            return None
        return text

    def _compare_dates(self, earlier: Segment, later: Segment, sample_s: float) -> None:
        if earlier.start_utc is None or later.start_utc is None:
            return
        by_date = (utc_moment(later.start_utc) - utc_moment(earlier.start_utc)).total_seconds()
        by_samples = (later.first - earlier.first + later.lost_before) * sample_s
        if abs(by_date - by_samples) > _UNEXPLAINED_S:
            self.remarks.append(
                f"By its dates, the stretch from sample {later.first} of {self.path.name} begins "
                f"{by_date:.1f} s after the one before, by its samples {by_samples:.1f} s."
            )

    def _annotation(self, entry: dict[str, Any]) -> Annotation:
        count = self._number(entry, "core:sample_count")
        return Annotation(
            first=self._sample_start(entry, "annotations") - int(self._number(self.whole, "core:offset") or 0),
            count=None if count is None else int(count),
            low_hz=self._number(entry, "core:freq_lower_edge"),
            high_hz=self._number(entry, "core:freq_upper_edge"),
            label=self._text(entry, "core:label"),
            comment=self._text(entry, "core:comment"),
        )

    def _own_facts(self) -> ReceptionFacts:
        try:
            facts = msgspec.convert(self.whole, ReceptionFacts)
        except msgspec.ValidationError as problem:
            self.remarks.append(f"The {NAMESPACE} fields of {self.path.name} could not be read ({problem}).")
            return ReceptionFacts()
        self.remarks += facts.remarks
        ours = any(isinstance(entry, dict) and entry.get("name") == NAMESPACE for entry in self._extensions())
        if ours and facts.ended is None:
            self.remarks.append(f"{self.path.name} has no clean end: it is still being written, or it broke off.")
        return facts

    def _extensions(self) -> list[Any]:
        extensions = self.whole.get("core:extensions")
        return extensions if isinstance(extensions, list) else []


def base_of(path: str | Path) -> Path:
    """The common part of a recording's two names."""
    text = str(path)
    for ending in (META, DATA):
        text = text.removesuffix(ending)
    return Path(text)


class Writer:
    """Write a recording while it grows.

    The description is there before the first sample and is renewed as a whole, so that at any moment there is a
    readable recording; `renew` brings both safely to disk. The seal is stated when `close` is called; until then the
    recording has no clean end.
    Refuses to write over anything.
    """

    def __init__(
        self,
        base: str | Path,
        datatype: str,
        sample_rate_hz: float,
        centre_hz: float,
        *,
        start_utc: str | None = None,
        facts: ReceptionFacts | None = None,
        description: str = "",
        hardware: str = "",
    ) -> None:
        base = base_of(base)
        if not base.name:
            raise RecordingError("a recording needs a name; give one")
        self.meta, self.data = base.with_name(base.name + META), base.with_name(base.name + DATA)
        self.datatype, self.sample_rate_hz = datatype, sample_rate_hz
        self.facts = facts or ReceptionFacts()
        self.annotations: list[Annotation] = []
        self.lost_samples = 0
        self._bytes = 0
        self._description, self._hardware = description, hardware
        self._segments = [Segment(0, centre_hz, start_utc)]
        self._dated = (0, start_utc)
        self._next_description = 0.0
        self._seal = Seal()
        for path in (self.meta, self.data):
            if path.exists():
                raise RecordingError(f"{path} exists already; choose another name, recordings are never overwritten")
        try:
            self._write_description(ended=False, safely=False)  # nothing would be lost yet, and somebody may wait
            self._file = self.data.open("xb", buffering=0)
        except OSError as problem:
            raise RecordingError(f"{self.meta} cannot be written ({problem.strerror}); choose another folder") from None

    @property
    def sample_count(self) -> int:
        """Whole samples written so far."""
        return self._bytes // bytes_per_sample(self.datatype)

    def append(
        self,
        raw: NDArray[Any],
        *,
        lost_before: int = 0,
        lost_within: int = 0,
        frequency_hz: float | None = None,
        start_utc: str | None = None,
    ) -> None:
        """Write samples as they come. OSError when the disk refuses; what was written before stays readable.

        With `lost_within` the loss lies somewhere in so many samples before these: a note is put there. `start_utc` is
        the instant of the first of these, where that was learnt anew.
        """
        if lost_before and lost_within:
            here = self.sample_count
            first = max(here - lost_within, 0)
            comment = f"{lost_before} samples are missing somewhere in here, by the clock"
            self.annotations.append(Annotation(first, here - first, label=LOST_LABEL, comment=comment))
        if lost_before or frequency_hz is not None or start_utc is not None:
            self._begin_segment(lost_before, frequency_hz, start_utc)
        if raw.dtype != NUMPY_TYPES[self.datatype]:
            raise ValueError(f"samples of {self.datatype} were to be written, got {raw.dtype}")
        rest = np.ascontiguousarray(raw).view(np.uint8).data
        while rest:
            written = self._file.write(rest)
            self._seal.update(rest[:written])
            self._bytes += written
            rest = rest[written:]

    def _begin_segment(self, lost_before: int, frequency_hz: float | None, start_utc: str | None) -> None:
        self.lost_samples += lost_before
        place = self.sample_count + self.lost_samples
        if start_utc is not None:
            self._dated = (place, start_utc)
        dated, start = self._dated
        if start is not None:
            start = utc_after(start, place - dated, self.sample_rate_hz, self.facts.reference_ppm)
        latest = self._segments[-1]
        centre = latest.frequency_hz if frequency_hz is None else frequency_hz
        if latest.first == self.sample_count and self.sample_count:
            lost_before += latest.lost_before
            self._segments.pop()
        if self.sample_count or lost_before:
            self._segments.append(Segment(self.sample_count, centre, start, lost_before))
        else:
            self._segments = [Segment(0, centre, start)]

    def renew(self) -> None:
        """Bring samples and description safely to disk, the samples first; a very long description not each time."""
        os.fsync(self._file.fileno())
        if time.monotonic() >= self._next_description:
            self._write_description(ended=False)

    def close(self, ended: str = "complete") -> Path:
        """End the recording cleanly, sealed, saying how it ended; returns the description's path."""
        if not self._file.closed:
            self.facts = msgspec.structs.replace(self.facts, ended=ended)
            os.fsync(self._file.fileno())
            self._file.close()
            self._write_description(ended=True)
        return self.meta

    def abandon(self) -> None:
        """Let go of the file without a clean end, as a crash would."""
        self._file.close()

    def __enter__(self) -> Writer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        if problem is None:
            self.close()
        else:
            self.abandon()

    def _write_description(self, *, ended: bool, safely: bool = True) -> None:
        facts = self.facts
        if self.lost_samples:
            facts = msgspec.structs.replace(facts, lost_samples=self.lost_samples)
        whole: dict[str, object] = {
            "core:datatype": self.datatype,
            "core:version": SPECIFICATION,
            "core:sample_rate": _plain(self.sample_rate_hz),
            "core:recorder": f"sdrcheck {__version__}",
            "core:extensions": [{"name": NAMESPACE, "version": NAMESPACE_VERSION, "optional": True}],
        }
        if self._description:
            whole["core:description"] = self._description
        if self._hardware:
            whole["core:hw"] = self._hardware
        if ended:
            whole["core:sha512"] = self._seal.sha512
        annotations = sorted(self.annotations, key=lambda annotation: annotation.first)
        document = {
            "global": whole | facts.document(),
            "captures": self._captures(),
            "annotations": [_annotation_entry(annotation) for annotation in annotations],
        }
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        _replace(self.meta, text, safely)
        self._next_description = time.monotonic() + len(text) / _DESCRIPTION_RATE

    def _captures(self) -> list[dict[str, object]]:
        entries, lost = [], 0
        for segment in self._segments:
            lost += segment.lost_before
            entry: dict[str, object] = {
                "core:sample_start": segment.first,
                "core:frequency": _plain(segment.frequency_hz),
            }
            if segment.start_utc is not None:
                entry["core:datetime"] = segment.start_utc
            if self.lost_samples:
                entry["core:global_index"] = segment.first + lost
            entries.append(entry)
        return entries


def write(
    base: str | Path,
    samples: NDArray[Any],
    datatype: str,
    sample_rate_hz: float,
    centre_hz: float,
    *,
    start_utc: str | None = None,
    facts: ReceptionFacts | None = None,
    description: str = "",
    hardware: str = "",
    annotations: Sequence[Annotation] = (),
    ended: str = "complete",
) -> Path:
    """Write a whole recording at once and return its description's path.

    `samples` are numbers of full scale 1.0 and become `datatype`, or already are its raw I, Q, I, Q …
    """
    raw = quantise(samples, datatype) if samples.dtype != NUMPY_TYPES[datatype] else samples
    writer = Writer(
        base,
        datatype,
        sample_rate_hz,
        centre_hz,
        start_utc=start_utc,
        facts=facts,
        description=description,
        hardware=hardware,
    )
    writer.annotations.extend(annotations)
    writer.append(raw)
    return writer.close(ended)


def _annotation_entry(annotation: Annotation) -> dict[str, object]:
    entry: dict[str, object] = {"core:sample_start": annotation.first}
    if annotation.count is not None:
        entry["core:sample_count"] = annotation.count
    if annotation.low_hz is not None and annotation.high_hz is not None:
        entry["core:freq_lower_edge"] = _plain(annotation.low_hz)
        entry["core:freq_upper_edge"] = _plain(annotation.high_hz)
    if annotation.label is not None:
        entry["core:label"] = annotation.label
    if annotation.comment is not None:
        entry["core:comment"] = annotation.comment
    return entry


def _plain(number: float) -> int | float:
    """Whole numbers without a decimal point, for people who read the file."""
    return int(number) if float(number).is_integer() else float(number)


def _replace(path: Path, text: str, safely: bool) -> None:
    """Put a whole new text in place of the old one, so that at every moment one of them is there.

    Done `safely`, it survives a loss of power, too. A name that is no text is written with question marks.
    """
    new = path.with_name(path.name + ".new")
    try:
        with new.open("w", encoding="utf-8", errors="replace") as file:
            file.write(text)
            file.flush()
            if safely:
                os.fsync(file.fileno())
        new.replace(path)
        if safely:
            sync_folder(path.parent)
    except BaseException:
        new.unlink(missing_ok=True)
        raise
