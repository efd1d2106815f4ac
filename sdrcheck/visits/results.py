"""What was done and found aboard: an append-only ledger, one small TOML file an entry, so that nothing is lost.

An entry is never changed. A correction is a new entry; all tries are kept, the last word counts. Each file is written
whole or not at all, and two programs may add entries at the same time.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import math
import os
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from sdrcheck.errors import VisitError
from sdrcheck.findings.inspection import Inspection, Transmission
from sdrcheck.recordings.syncing import sync_folder
from sdrcheck.visits.ship import Moment

FOLDER = "results"
_NEVER_NEGATIVE = ("W", "V", "A")
OUTCOMES = ("satisfactory", "deficient", "not applicable", "not done")
OutcomeWord = Literal["satisfactory", "deficient", "not applicable", "not done"]
GateWord = Literal["leak check", "alert cancelled", "set restarted", "silence", "antenna back"]


class Try(msgspec.Struct, frozen=True, kw_only=True, tag_field="entry", tag="try", forbid_unknown_fields=True):
    """One go at a measured check: which recording, which transmissions of it."""

    utc: Moment
    check: str
    recording: str
    """Path inside the visit's folder, with forward slashes."""
    recording_sha512: str | None = None
    inspection: str
    inspection_sha512: str
    transmissions: tuple[int, ...] = ()
    """Places in the inspection's list that belong to the check."""
    supply: str = "main"
    tone_source: str | None = None
    how: Literal["recording", "live", "hands-free"] = "recording"
    remarks: tuple[str, ...] = ()
    who: str = ""


class MeterReading(
    msgspec.Struct, frozen=True, kw_only=True, tag_field="entry", tag="meter", forbid_unknown_fields=True
):
    """What a calibrated instrument showed."""

    utc: Moment
    check: str
    quantity: str
    value: float
    unit: str
    uncertainty: Annotated[float, Meta(gt=0)] | None = None
    """Expanded, k = 2, in the same unit, from the instrument's certificate; without it nothing can be compared."""
    instrument: str = ""
    supply: str = "main"
    note: str = ""
    who: str = ""


class Seen(msgspec.Struct, frozen=True, kw_only=True, tag_field="entry", tag="seen", forbid_unknown_fields=True):
    """What a person saw or heard."""

    utc: Moment
    check: str
    as_it_should: bool
    note: str = ""
    who: str = ""


class Printout(
    msgspec.Struct, frozen=True, kw_only=True, tag_field="entry", tag="printout", forbid_unknown_fields=True
):
    """What the ship's own text receiver printed, to be held against what the dongle decoded."""

    utc: Moment
    check: str
    file: str
    """Path inside the visit's folder, with forward slashes."""
    file_sha512: str
    stations: str = ""
    """Station letters selected on the ship's receiver; empty where nobody looked."""
    rejected: str = ""
    """Subject letters rejected."""
    stored: tuple[str, ...] = ()
    """Identities that it held before."""
    who: str = ""


class Outcome(msgspec.Struct, frozen=True, kw_only=True, tag_field="entry", tag="outcome", forbid_unknown_fields=True):
    """The outcome of a check, set by a person."""

    utc: Moment
    check: str
    outcome: OutcomeWord
    reason: str = ""
    proposed: str = ""
    """What the tool had proposed at that moment."""
    who: str = ""


class GateStep(msgspec.Struct, frozen=True, kw_only=True, tag_field="entry", tag="gate", forbid_unknown_fields=True):
    """One step through a gate of a set."""

    utc: Moment
    set: str
    step: GateWord
    passed: bool
    detail: str = ""
    frequency_hz: float | None = None
    recording: str | None = None
    inspection: str | None = None
    chain: str = ""
    """The attenuation chain it was made with."""
    who: str = ""


Entry = Try | MeterReading | Seen | Printout | Outcome | GateStep


@dataclass(frozen=True, slots=True)
class Filed:
    """An entry and its number in the ledger."""

    number: int
    entry: Entry


@dataclass(frozen=True, slots=True)
class CheckState:
    """Everything filed to one check, oldest first."""

    tries: tuple[Try, ...] = ()
    meters: tuple[MeterReading, ...] = ()
    seen: tuple[Seen, ...] = ()
    printouts: tuple[Printout, ...] = ()
    outcomes: tuple[Outcome, ...] = ()

    @property
    def outcome(self) -> Outcome | None:
        """The last word."""
        return self.outcomes[-1] if self.outcomes else None

    @property
    def answered(self) -> bool:
        """Somebody recorded, metered or looked."""
        return bool(self.tries or self.meters or self.seen)

    @property
    def begun(self) -> bool:
        """Something was filed, be it only why it was not done."""
        return self.answered or bool(self.outcomes)


@dataclass(frozen=True, slots=True)
class Ledger:
    """The entries of one visit's folder, as they were when it was read."""

    folder: Path
    filed: tuple[Filed, ...] = ()
    unreadable: tuple[str, ...] = field(default=())
    """Entries that are there and cannot be read, in sentences; they stay where they are."""

    def of_check(self, check_id: str) -> CheckState:
        """What was filed to one check."""
        mine = [filed.entry for filed in self.filed if getattr(filed.entry, "check", None) == check_id]
        return CheckState(
            tries=tuple(entry for entry in mine if isinstance(entry, Try)),
            meters=tuple(entry for entry in mine if isinstance(entry, MeterReading)),
            seen=tuple(entry for entry in mine if isinstance(entry, Seen)),
            printouts=tuple(entry for entry in mine if isinstance(entry, Printout)),
            outcomes=tuple(entry for entry in mine if isinstance(entry, Outcome)),
        )

    def gate_steps(self, set_id: str) -> tuple[GateStep, ...]:
        """The steps through the gates of one set, oldest first."""
        return tuple(f.entry for f in self.filed if isinstance(f.entry, GateStep) and f.entry.set == set_id)

    def tries(self) -> tuple[Try, ...]:
        return tuple(filed.entry for filed in self.filed if isinstance(filed.entry, Try))

    def inspection(self, entry: Try | GateStep) -> Inspection:
        """The inspection an entry stands on; raises VisitError where it is missing or was changed since."""
        if entry.inspection is None:
            raise VisitError(f"the step {getattr(entry, 'step', '')!r} has no inspection")
        path = inside(self.folder, entry.inspection)
        try:
            data = path.read_bytes()
            if isinstance(entry, Try) and sha512_of(data) != entry.inspection_sha512:
                raise VisitError(f"the inspection {path} was changed since it was filed; its sum does not fit")
            return Inspection.from_json(data)
        except OSError as problem:
            raise VisitError(f"the inspection {path} cannot be read ({problem.strerror})") from None
        except msgspec.DecodeError as problem:
            raise VisitError(f"the inspection {path} is damaged ({problem})") from None

    def transmissions(self, entry: Try) -> tuple[Transmission, ...]:
        """The transmissions that a try filed to its check."""
        every = self.inspection(entry).transmissions
        return tuple(every[place] for place in entry.transmissions if place < len(every))


def read(folder: Path) -> Ledger:
    """Read all entries of a visit's folder. An unreadable one is named and left alone."""
    filed: list[Filed] = []
    unreadable: list[str] = []
    for path in sorted((folder / FOLDER).glob("*.toml")):
        number = _number_of(path)
        if number is None:
            unreadable.append(f"{path} is no entry of the ledger: its name is not a number")
            continue
        try:
            entry = msgspec.convert(tomllib.loads(path.read_text(encoding="utf-8")), Entry)
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, msgspec.ValidationError) as problem:
            unreadable.append(f"{path} cannot be read ({problem}); it was left as it is")
            continue
        if isinstance(entry, MeterReading) and not _is_reading(entry):
            unreadable.append(f"{path} holds no number a meter can show; it was left as it is")
            continue
        filed.append(Filed(number, entry))
    return Ledger(folder, tuple(sorted(filed, key=lambda one: one.number)), tuple(unreadable))


def add(folder: Path, entry: Entry) -> Filed:
    """File one entry under the next free number; raises VisitError where it says too little or cannot be written."""
    _refuse_incomplete(entry)
    data = _toml(entry).encode()
    place = folder / FOLDER
    try:
        place.mkdir(parents=True, exist_ok=True)
        number = max((_number_of(path) or 0 for path in place.glob("*.toml")), default=0) + 1
        while True:
            if _create(place / f"{number:04d}.toml", data):
                return Filed(number, entry)
            number += 1
    except OSError as problem:
        raise VisitError(f"the result cannot be written to {place} ({problem.strerror}); nothing was filed") from None


def sha512_of(data: bytes) -> str:
    """SHA-512 of a file's bytes, in hexadecimal digits."""
    return hashlib.sha512(data).hexdigest()


def inside(folder: Path, name: str) -> Path:
    """A path named by an entry; raises VisitError where it would lead out of the visit's folder."""
    path = (folder / name).resolve()
    if not path.is_relative_to(folder.resolve()):
        raise VisitError(f"{name!r} leads out of the visit's folder {folder}")
    return path


def _refuse_incomplete(entry: Entry) -> None:
    if isinstance(entry, MeterReading) and not _is_reading(entry):
        raise VisitError(
            f"{entry.check}: {entry.quantity} of {entry.value:g} {entry.unit} is no reading; give what the meter showed"
        )
    if isinstance(entry, Outcome) and entry.outcome != "satisfactory" and not entry.reason.strip():
        raise VisitError(f"{entry.check}: the outcome {entry.outcome!r} needs a reason; give it with --reason")
    if isinstance(entry, Seen) and not entry.as_it_should and not entry.note.strip():
        raise VisitError(f"{entry.check}: say in a note what was not as it should be")


def _is_reading(entry: MeterReading) -> bool:
    uncertainty = entry.uncertainty
    if not math.isfinite(entry.value) or (uncertainty is not None and not 0 <= uncertainty < math.inf):
        return False
    return entry.value >= 0 or entry.unit not in _NEVER_NEGATIVE


def _create(path: Path, data: bytes) -> bool:
    """Write a new file whole; False where one of that name exists already."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as handle:
            handle.write(data)
            handle.flush()
            os.fsync(handle.fileno())
        try:
            os.link(part, path)  # fails where the name is taken, and shows the file only when it is whole
        except FileExistsError:
            return False
        except OSError:  # a file system without links, such as a USB stick's
            try:
                with path.open("xb") as handle:
                    handle.write(data)
                    handle.flush()
                    os.fsync(handle.fileno())
            except FileExistsError:
                return False
        sync_folder(path.parent)
        return True
    finally:
        part.unlink(missing_ok=True)


def _number_of(path: Path) -> int | None:
    found = re.fullmatch(r"(\d{4,})", path.stem)
    return int(found[1]) if found else None


def _toml(entry: Entry) -> str:
    import tomlkit

    plain = msgspec.to_builtins(entry, builtin_types=(dt.datetime,))
    return tomlkit.dumps(_without_empty(plain))


def _without_empty(plain: dict[str, Any]) -> dict[str, Any]:
    return {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in plain.items()
        if value not in (None, "", ())
    }
