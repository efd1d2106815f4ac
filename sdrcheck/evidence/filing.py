"""A recording becomes part of a visit: copied in, inspected, its pictures kept, and a try filed that stands on it.

How a recording is inspected is handed in; nothing here knows the engine.
"""

from __future__ import annotations

import datetime as dt
import filecmp
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import msgspec

from sdrcheck.errors import VisitError
from sdrcheck.evidence.bundle import safe_name
from sdrcheck.evidence.pictures import SUFFIX, Picture
from sdrcheck.findings.inspection import Inspection
from sdrcheck.recordings.sigmf import DATA, META
from sdrcheck.visits import document, results
from sdrcheck.visits.checks.check import Check
from sdrcheck.visits.matching import places_of

RECORDINGS, INSPECTIONS = "recordings", "inspections"


@dataclass(frozen=True, slots=True)
class Inspected:
    """An inspection, and for each of its transmissions what people look at."""

    inspection: Inspection
    pictures: tuple[tuple[Picture, ...], ...] = ()


Inspect = Callable[[Path], Inspected]


def attach(folder: Path, recording: Path) -> Path:
    """Copy a recording into the visit's folder, both files of it; one that lies there already stays where it is."""
    if recording.resolve().is_relative_to(folder.resolve()):
        return recording
    parts = _files_of(recording)
    stem = safe_name(recording.name.removesuffix(META).removesuffix(DATA))
    for number in range(1, 1000):
        name = stem if number == 1 else f"{stem}-{number}"
        targets = [folder / RECORDINGS / _named(part, recording, name) for part in parts]
        if not any(target.exists() for target in targets):
            try:
                targets[0].parent.mkdir(parents=True, exist_ok=True)
                for part, target in zip(parts, targets, strict=True):
                    shutil.copyfile(part, target)
            except OSError as problem:
                raise VisitError(f"{recording} cannot be copied into the visit ({problem.strerror})") from None
            return targets[0]
        if all(t.is_file() and filecmp.cmp(p, t, shallow=False) for p, t in zip(parts, targets, strict=True)):
            return targets[0]
    raise VisitError(f"there are a thousand recordings called {stem} in {folder / RECORDINGS}; give this one a name")


def _files_of(recording: Path) -> list[Path]:
    if recording.suffix in (META, DATA):
        pair = [recording.with_suffix(META), recording.with_suffix(DATA)]
        missing = next((part for part in pair if not part.is_file()), None)
        if missing:
            raise VisitError(f"{missing} is missing beside {recording.name}; copy it into the same folder")
        return pair
    if not recording.is_file():
        raise VisitError(f"there is no recording {recording}; look at the name and the folder")
    return [recording]


def _named(part: Path, recording: Path, name: str) -> str:
    return f"{name}{part.suffix}" if recording.suffix in (META, DATA) else name


def inside_path(folder: Path, path: Path) -> str:
    """A file of the visit's folder as entries name it."""
    return path.resolve().relative_to(folder.resolve()).as_posix()


def keep_inspection(folder: Path, name: str, inspected: Inspected) -> tuple[str, str]:
    """Write an inspection and its pictures; gives the inspection's name in the folder and its SHA-512."""
    data = inspected.inspection.to_json() + b"\n"
    stem = safe_name(name)
    place = folder / INSPECTIONS
    number = 1
    while (path := place / f"{stem}-{number}.json").exists():
        number += 1
    document.write_whole(path, data)
    kept = {str(at): pictures for at, pictures in enumerate(inspected.pictures) if pictures}
    if kept:
        document.write_whole(path.with_name(f"{path.stem}{SUFFIX}"), msgspec.json.encode(kept))
    return inside_path(folder, path), results.sha512_of(data)


def file_try(
    folder: Path,
    check: Check,
    recording: Path,
    inspected: Inspected,
    *,
    now: dt.datetime,
    who: str,
    places: tuple[int, ...] | None = None,
    how: Literal["recording", "live", "hands-free"] = "recording",
    tone_source: str | None = None,
    remarks: tuple[str, ...] = (),
) -> results.Filed:
    """File one go at a check. `places` says which transmissions belong to it; None picks those that fit."""
    name = inside_path(folder, recording)
    inspection = msgspec.structs.replace(
        inspected.inspection, recording=msgspec.structs.replace(inspected.inspection.recording, path=name)
    )
    if places is None:
        places = places_of(check, inspection.transmissions)
    kept, digest = keep_inspection(folder, check.id, Inspected(inspection, inspected.pictures))
    return results.add(
        folder,
        results.Try(
            utc=now,
            check=check.id,
            recording=name,
            recording_sha512=inspection.recording.sha512,
            inspection=kept,
            inspection_sha512=digest,
            transmissions=places,
            supply=check.supply,
            tone_source=tone_source,
            how=how,
            remarks=remarks,
            who=who,
        ),
    )
