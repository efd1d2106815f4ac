"""The evidence bundle: one folder and one archive file with everything that a finding stands on.

The archive is an uncompressed POSIX tar in which every byte has one possible value: manifest first, then the signature,
then the files in order of their names, headings without times or owners. So no byte of it can change unseen.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import importlib.metadata
import platform
import re
import shutil
import tarfile
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from sdrcheck import __version__
from sdrcheck.errors import VisitError
from sdrcheck.evidence import manifest as manifests
from sdrcheck.evidence import signing
from sdrcheck.evidence.manifest import Manifest
from sdrcheck.findings.inspection import Inspection
from sdrcheck.visits import document, results

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

PIECE = 1 << 20
BLOCK = tarfile.BLOCKSIZE
END = b"\0" * (2 * BLOCK)
ABOUT = "about.json"
README = "README.txt"
LARGEST = 8 * 1024**3 - 1
"""What a heading of the archive can say of a file's length."""

_README = """\
This bundle holds what a second witness recorded and read during a visit aboard a ship. It certifies nothing.

visit.toml      papers, sets, instruments, how it was connected
results/        what was done and found, in order, one file an entry; all tries, the last word counts
recordings/     the samples as they came, with what is known about them (SigMF where sdrcheck recorded them)
inspections/    what was read out of each recording, as JSON
reports/        reports and exports made from the above
about.json      program and library versions, limits that were used, with their sources
MANIFEST.txt    length and SHA-512 of every file

Check it:            sdrcheck evidence verify PATH
Without the program: sha512sum -c MANIFEST.txt
Measure again:       sdrcheck evidence verify --again PATH

Recordings may hold traffic of other stations. It is confidential: keep it no longer than this case needs.
"""


@dataclass(frozen=True, slots=True)
class Packed:
    """A bundle that was made."""

    archive: Path
    folder: Path | None
    manifest: Manifest
    remarks: tuple[str, ...]


def pack(
    visit_folder: Path,
    destination: Path,
    *,
    key: Ed25519PrivateKey | None = None,
    now: dt.datetime,
    with_folder: bool = True,
    tell: Callable[[float], None] = lambda part: None,
) -> Packed:
    """Pack a visit's folder into `destination`, a folder that gets the archive (and the same files unpacked).

    `tell` gets the part done, and may raise to stop: then nothing is left behind.
    """
    visit = document.load(visit_folder)
    visit_folder = document.locate(visit_folder).parent
    name = safe_name(f"{visit.ship.name}-{now:%Y-%m-%d-%H%M}".lower())
    archive = destination / f"{name}.tar"
    folder = destination / name
    for taken in (archive, folder):
        if taken.exists():
            raise VisitError(f"{taken} is there already; a bundle is never overwritten")
    files, remarks = _files_of(visit_folder, destination)
    made_here = {README: _README.encode(), ABOUT: _about(visit_folder, files.values())}
    for clash in sorted(made_here.keys() & files.keys()):
        raise VisitError(f"{visit_folder / clash} has a name that the bundle needs itself; rename it")
    progress = _Progress(tell, sum(path.stat().st_size for path in files.values()) * (3 if with_folder else 2))
    entries = [
        manifests.summed(inner, path.stat().st_size, progress.over(_pieces(path))) for inner, path in files.items()
    ]
    entries += [manifests.summed(inner, len(data), [data]) for inner, data in made_here.items()]
    manifest = Manifest(
        bundle=name,
        made=f"{now.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%SZ} by sdrcheck {__version__}",
        signed_by=f"ed25519 {signing.public_half(key)}" if key else manifests.NOBODY,
        entries=tuple(sorted(entries, key=lambda entry: entry.name)),
    )
    heads = {manifests.NAME: manifest.text()}
    if key:
        heads[manifests.SIGNATURE_NAME] = signing.sign(manifest.text(), key).text()
    try:
        destination.mkdir(parents=True, exist_ok=True)
        _write_archive(archive, manifest, heads, files, made_here, progress)
        if with_folder:
            _write_folder(folder, heads | made_here, files, progress)
    except BaseException as problem:
        for left in (archive, _part(archive)):
            left.unlink(missing_ok=True)
        shutil.rmtree(_part(folder), ignore_errors=True)
        if isinstance(problem, OSError):
            raise VisitError(f"the bundle cannot be written to {destination} ({problem.strerror})") from None
        raise
    return Packed(archive, folder if with_folder else None, manifest, tuple(remarks))


class _Progress:
    """How many of all the bytes that are read, written and copied are done."""

    def __init__(self, tell: Callable[[float], None], total: int) -> None:
        self._tell, self._total, self._done = tell, max(total, 1), 0

    def over(self, pieces: Iterator[bytes]) -> Iterator[bytes]:
        for piece in pieces:
            yield piece
            self._done += len(piece)
            self._tell(min(self._done / self._total, 1.0))


def _part(path: Path) -> Path:
    """Where a file or folder lies while it is not whole."""
    return path.with_name(f".{path.name}.part")


def safe_name(name: str) -> str:
    """A name that is the same on every system: ASCII letters, digits, dot, plus, minus, underscore."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9._+-]+", "-", plain).strip(".-_+") or "unnamed"


def heading(root: str, name: str, size: int) -> bytes:
    """The 512 bytes before a file in the archive: name and length, nothing of the computer it was made on."""
    info = tarfile.TarInfo(f"{root}/{name}")
    info.size = size
    info.mode = 0o644
    info.mtime = 0
    try:
        return info.tobuf(tarfile.USTAR_FORMAT, "ascii", "strict")
    except ValueError:
        raise VisitError(f"{name} is too long in name or length for the archive ({size} bytes)") from None


def filling(size: int) -> bytes:
    """The zeros after a file in the archive, up to whole blocks."""
    return b"\0" * (-size % BLOCK)


def _files_of(visit_folder: Path, destination: Path) -> tuple[dict[str, Path], list[str]]:
    files: dict[str, Path] = {}
    remarks: list[str] = []
    for path in sorted(visit_folder.rglob("*")):
        inner = path.relative_to(visit_folder)
        if path.is_symlink():
            remarks.append(f"{inner} is a link and was left out: a bundle holds files, not ways to them")
            continue
        if not path.is_file() or path.resolve().is_relative_to(destination.resolve()):
            continue
        if any(part.startswith(".") for part in inner.parts):
            continue
        name = "/".join(safe_name(part) for part in inner.parts)
        if name != inner.as_posix():
            remarks.append(f"{_shown(inner.as_posix())} is called {name} in the bundle")
        if name in files or name in (manifests.NAME, manifests.SIGNATURE_NAME):
            raise VisitError(f"two files would be called {name} in the bundle; rename one of them")
        if path.stat().st_size > LARGEST:
            raise VisitError(f"{inner} is longer than an archive can hold ({LARGEST} bytes)")
        files[name] = path
    return files, remarks


def _shown(name: str) -> str:
    return "".join(letter if letter.isprintable() else f"U+{ord(letter):04X}" for letter in name)


def _about(visit_folder: Path, paths: Iterable[Path]) -> bytes:
    limits: dict[str, dict[str, object]] = {}
    for path in paths:
        if path.suffix != ".json" or path.parent.name != "inspections":
            continue
        try:
            inspection = Inspection.from_json(path.read_bytes())
        except (OSError, msgspec.DecodeError):
            continue  # it goes into the bundle as it is; the report says what is wrong with it
        for transmission in inspection.transmissions:
            for reading in transmission.readings:
                if reading.limit is not None:
                    limits[reading.limit.id] = {"quantity": reading.quantity, "unit": reading.unit} | (
                        msgspec.structs.asdict(reading.limit)
                    )
    ledger = results.read(visit_folder)
    about = {
        "schema": "sdrcheck.bundle/1",
        "sdrcheck": __version__,
        "python": platform.python_version(),
        "system": platform.platform(),
        "libraries": {name: importlib.metadata.version(name) for name in ("numpy", "scipy", "msgspec", "typst")},
        "limits": [limits[key] for key in sorted(limits)],
        "entries": len(ledger.filed),
        "unreadable": list(ledger.unreadable),
    }
    return msgspec.json.format(msgspec.json.encode(about), indent=2) + b"\n"


def _pieces(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            yield piece


def _write_archive(
    archive: Path,
    manifest: Manifest,
    heads: dict[str, bytes],
    files: dict[str, Path],
    made_here: dict[str, bytes],
    progress: _Progress,
) -> None:
    part = _part(archive)
    with part.open("wb") as out:
        for name, data in heads.items():
            out.write(heading(manifest.bundle, name, len(data)) + data + filling(len(data)))
        for entry in manifest.entries:
            out.write(heading(manifest.bundle, entry.name, entry.size))
            summing = hashlib.sha512()
            own = entry.name in made_here
            for piece in [made_here[entry.name]] if own else progress.over(_pieces(files[entry.name])):
                out.write(piece)
                summing.update(piece)
            if summing.hexdigest() != entry.sha512:
                raise VisitError(f"{entry.name} changed while it was packed; stop what writes to it and pack again")
            out.write(filling(entry.size))
        out.write(END)
    part.replace(archive)


def _write_folder(folder: Path, data: dict[str, bytes], files: dict[str, Path], progress: _Progress) -> None:
    part = _part(folder)
    shutil.rmtree(part, ignore_errors=True)
    for name, content in data.items():
        (part / name).parent.mkdir(parents=True, exist_ok=True)
        (part / name).write_bytes(content)
    for name, path in files.items():
        (part / name).parent.mkdir(parents=True, exist_ok=True)
        with (part / name).open("wb") as out:
            for piece in progress.over(_pieces(path)):
                out.write(piece)
    part.replace(folder)
