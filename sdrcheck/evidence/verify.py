"""Is a bundle whole? Every file that was changed, cut, added, taken away, renamed or exchanged is named.

In an archive every byte has one possible value, so headings, filling and the end are checked like the files. Where the
length is right, each byte is held against its place; where it is not, the members are listed and compared by content.
"""

from __future__ import annotations

import enum
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from sdrcheck.errors import VisitError
from sdrcheck.evidence import bundle, signing
from sdrcheck.evidence import manifest as manifests
from sdrcheck.evidence.manifest import Entry, Manifest, ReadManifest, Summing

_MOST_MANIFEST = 256 << 20


class Harm(enum.StrEnum):
    """What happened to a file, or to what holds it."""

    CHANGED = "changed"
    CUT = "cut short"
    MISSING = "missing"
    ADDED = "added"
    RENAMED = "renamed"
    EXCHANGED = "exchanged"
    MANIFEST = "manifest"
    SIGNATURE = "signature"
    CONTAINER = "container"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it was packed."""

    harm: Harm
    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What a check of a bundle found."""

    path: Path
    faults: tuple[Fault, ...]
    manifest: Manifest
    files: int
    size: int
    signed_by: str | None
    """Public key of a signature that fits; None where there is none."""
    remarks: tuple[str, ...] = field(default=())

    @property
    def whole(self) -> bool:
        return not self.faults


def verify(path: Path, *, signer: str | None = None) -> Verification:
    """Check a bundle, folder or archive; `signer` is the public key it must be signed with.

    Raises VisitError where it is no bundle at all or cannot be read.
    """
    try:
        if path.is_dir():
            return _finish(path, *_check_folder(path), signer)
        return _finish(path, *_check_archive(path), signer)
    except FileNotFoundError:
        raise VisitError(f"there is no bundle at {path}") from None
    except OSError as problem:
        raise VisitError(f"{path} cannot be read ({problem.strerror or problem})") from None


@dataclass
class _Found:
    """What lies in a bundle: names, sums, and where needed the manifest and signature as they are."""

    manifest: ReadManifest
    manifest_bytes: bytes
    signature_bytes: bytes | None
    faults: list[Fault]
    files: int
    size: int


def _finish(path: Path, found: _Found, name_in_use: str, signer: str | None) -> Verification:
    manifest, faults = found.manifest.manifest, found.faults
    if not found.manifest.sound:
        faults.insert(0, Fault(Harm.MANIFEST, manifests.NAME, f"{manifests.NAME} was changed: its seal does not fit"))
    remarks = []
    if name_in_use and name_in_use != manifest.bundle:
        remarks.append(
            f"it is called {name_in_use} now and was packed as {manifest.bundle}; names outside do not count"
        )
    signature = signing.read(found.signature_bytes) if found.signature_bytes is not None else None
    signed_by = None
    said = manifest.signed_by
    if found.signature_bytes is not None and signature is None:
        faults.append(_signature(f"{manifests.SIGNATURE_NAME} was changed and cannot be read as a signature"))
    elif signature is None and said != manifests.NOBODY:
        faults.append(_signature(f"the signature is missing; the manifest says that it was signed by {said}"))
    elif signature is not None and said != f"ed25519 {signature.public_key}":
        faults.append(_signature(f"the signature is by {signature.public_key}, the manifest says {said}"))
    elif signature is not None and not signing.fits(signature, found.manifest_bytes):
        faults.append(_signature("the signature does not fit the manifest"))
    elif signature is not None:
        signed_by = signature.public_key
    if signer is not None and signed_by != signer:
        faults.append(_signature(f"it is not signed with the key {signer}"))
    return Verification(path, tuple(faults), manifest, found.files, found.size, signed_by, tuple(remarks))


def _signature(sentence: str) -> Fault:
    return Fault(Harm.SIGNATURE, manifests.SIGNATURE_NAME, sentence)


# -- a folder -------------------------------------------------------------------------------------------------------


def _check_folder(path: Path) -> tuple[_Found, str]:
    text = path / manifests.NAME
    if not text.is_file():
        raise VisitError(f"{path} has no {manifests.NAME}; is it a bundle made by sdrcheck evidence pack?")
    data = text.read_bytes()
    read = manifests.read(data)
    signature = path / manifests.SIGNATURE_NAME
    expected = {entry.name: entry for entry in read.manifest.entries}
    actual: dict[str, Entry] = {}
    faults: list[Fault] = []
    for file in sorted(path.rglob("*")):
        name = file.relative_to(path).as_posix()
        if file.is_symlink():
            faults.append(Fault(Harm.ADDED, name, f"{name} is a link; a bundle holds none"))
        elif file.is_file() and name not in (manifests.NAME, manifests.SIGNATURE_NAME):
            actual[name] = _sum_file(file, name, expected.get(name))
        elif file.is_dir() and not any(one.startswith(f"{name}/") for one in expected):
            faults.append(Fault(Harm.ADDED, name, f"the folder {name} was added"))
    faults += _compared(expected, actual)
    found = _Found(
        read,
        data,
        signature.read_bytes() if signature.is_file() and not signature.is_symlink() else None,
        faults,
        len(actual),
        sum(entry.size for entry in actual.values()),
    )
    return found, path.resolve().name


def _sum_file(file: Path, name: str, expected: Entry | None) -> Entry:
    summing = Summing(expected.size if expected else file.stat().st_size)
    with file.open("rb") as handle:
        while piece := handle.read(bundle.PIECE):
            summing.add(piece)
    return summing.entry(name)


def _compared(expected: dict[str, Entry], actual: dict[str, Entry]) -> Iterator[Fault]:
    """Name the differences between what should be there and what is, by content first and name second."""
    missing = {name: entry for name, entry in expected.items() if name not in actual}
    added = {name: entry for name, entry in actual.items() if name not in expected}
    for name, entry in list(added.items()):
        former = next((one for one, was in missing.items() if was.sha512 == entry.sha512), None)
        if former is not None:
            yield Fault(Harm.RENAMED, former, f"{former} was renamed to {name}; its content is unchanged")
            del added[name], missing[former]
    for name in missing:
        yield Fault(Harm.MISSING, name, f"{name} is missing")
    for name in added:
        yield Fault(Harm.ADDED, name, f"{name} was added; it was not packed")
    changed = {
        name: actual[name] for name in expected if name in actual and actual[name].sha512 != expected[name].sha512
    }
    for name in list(changed):
        other = (
            next(
                (
                    one
                    for one in changed
                    if one != name
                    and changed[one].sha512 == expected[name].sha512
                    and changed[name].sha512 == expected[one].sha512
                ),
                None,
            )
            if name in changed
            else None
        )
        if other is not None:
            yield Fault(Harm.EXCHANGED, name, f"{name} and {other} were exchanged")
            del changed[name], changed[other]
    for name, entry in changed.items():
        yield _changed(expected[name], entry)


def _changed(was: Entry, now: Entry) -> Fault:
    common = min(len(was.blocks), len(now.blocks))
    whole = min(was.size, now.size) // was.block  # blocks that are full in both
    differing = [place for place in range(common) if was.blocks[place] != now.blocks[place]]
    if now.size < was.size and all(place >= whole for place in differing):
        return Fault(Harm.CUT, was.name, f"{was.name} was cut short: {now.size} of {was.size} bytes are left")
    if now.size > was.size and all(place >= whole for place in differing):
        return Fault(Harm.CHANGED, was.name, f"{was.name} was lengthened from {was.size} to {now.size} bytes")
    size = "" if now.size == was.size else f", and it has {now.size} bytes instead of {was.size}"
    where = _stretches(differing, was.block, was.size)
    return Fault(Harm.CHANGED, was.name, f"{was.name} was changed{where}{size}")


def _stretches(places: list[int], block: int, size: int) -> str:
    """Where the changed blocks lie, counting bytes from 0."""
    if not places:
        return ""
    runs: list[list[int]] = []
    for place in places:
        if runs and runs[-1][1] == place - 1:
            runs[-1][1] = place
        else:
            runs.append([place, place])
    words = [f"{first * block} to {min((last + 1) * block, size) - 1}" for first, last in runs[:5]]
    more = f" and {len(runs) - 5} more places" if len(runs) > 5 else ""
    return f" between bytes {', '.join(words)}{more}"


# -- an archive -----------------------------------------------------------------------------------------------------


def _check_archive(path: Path) -> tuple[_Found, str]:
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(bundle.BLOCK)
        read = manifests.read(_front(file))
        file.seek(bundle.BLOCK)
        text = file.read(read.length)
        manifest = read.manifest
        signed = manifest.signed_by != manifests.NOBODY
        expected = {entry.name: entry for entry in manifest.entries}
        length = _expected_length(manifest, read.length, signed)
        if read.sound and size == length:
            faults, signature = _by_place(file, manifest, read.length, signed)
        else:
            faults, signature = _by_content(file, manifest, expected)
            if read.sound and size < length:
                faults.insert(0, _container(f"the archive was cut short: {size} of {length} bytes are left"))
            elif read.sound and size > length:
                faults.insert(0, _container(f"the archive has {size - length} bytes more than were packed"))
            elif read.sound:
                faults.insert(0, _container("the archive's headings were changed"))
    return _Found(read, text, signature, faults, len(expected), size), ""


def _front(file: BinaryIO) -> bytes:
    """The manifest and what happens to follow it: read on until its last line is there."""
    data = b""
    while len(data) < _MOST_MANIFEST and (piece := file.read(bundle.PIECE)):
        data += piece
        if b"\n# seal: " in data[-bundle.PIECE - 256 :]:
            data += file.read(256)
            break
    return data


def _expected_length(manifest: Manifest, text_length: int, signed: bool) -> int:
    sizes = [text_length, *([_signature_length()] if signed else []), *(entry.size for entry in manifest.entries)]
    return sum(bundle.BLOCK + size + len(bundle.filling(size)) for size in sizes) + len(bundle.END)


def _signature_length() -> int:
    return len(signing.Signature("0" * 64, "0" * 128).text())


def _by_place(file: BinaryIO, manifest: Manifest, text_length: int, signed: bool) -> tuple[list[Fault], bytes | None]:
    """Hold every byte against the place where it was packed."""
    faults: list[Fault] = []
    actual: dict[str, Entry] = {}
    signature: bytes | None = None
    file.seek(0)
    heads = [(manifests.NAME, text_length), *([(manifests.SIGNATURE_NAME, _signature_length())] if signed else [])]
    for name, size in heads:
        if file.read(bundle.BLOCK) != bundle.heading(manifest.bundle, name, size):
            faults.append(_container(f"the archive's heading of {name} was changed"))
        data = file.read(size)
        if name == manifests.SIGNATURE_NAME:
            signature = data
        if file.read(len(bundle.filling(size))).strip(b"\0"):
            faults.append(_container(f"the filling after {name} was changed"))
    expected = {entry.name: entry for entry in manifest.entries}
    for entry in manifest.entries:
        head = file.read(bundle.BLOCK)
        if head != bundle.heading(manifest.bundle, entry.name, entry.size):
            if _name_in(head, manifest.bundle) not in ("", entry.name):  # another file lies here: places mean nothing
                faults, signature = _by_content(file, manifest, expected)
                return faults or [_container("the files are in another order than they were packed")], signature
            faults.append(_container(f"the archive's heading of {entry.name} was changed"))
        summing = Summing(entry.size)
        left = entry.size
        while left and (piece := file.read(min(bundle.PIECE, left))):
            summing.add(piece)
            left -= len(piece)
        actual[entry.name] = summing.entry(entry.name)
        if file.read(len(bundle.filling(entry.size))).strip(b"\0"):
            faults.append(_container(f"the filling after {entry.name} was changed"))
    if file.read() != bundle.END:
        faults.append(_container("the end of the archive was changed"))
    return [*faults, *_compared(expected, actual)], signature


def _name_in(head: bytes, root: str) -> str:
    """The name a heading gives, or empty where it is no heading any more."""
    try:
        name = tarfile.TarInfo.frombuf(head, "ascii", "replace").name
    except tarfile.TarError:
        return ""
    return name.removeprefix(f"{root}/")


def _by_content(file: BinaryIO, manifest: Manifest, expected: dict[str, Entry]) -> tuple[list[Fault], bytes | None]:
    """List the members with the general library and compare them by name and content."""
    actual: dict[str, Entry] = {}
    faults: list[Fault] = []
    signature: bytes | None = None
    file.seek(0)
    try:
        with tarfile.open(fileobj=file, mode="r:") as archive:
            for member in archive:
                name = member.name.removeprefix(f"{manifest.bundle}/")
                if not member.isfile():
                    faults.append(Fault(Harm.ADDED, name, f"{_shown(name)} was added; it is no file"))
                    continue
                content = archive.extractfile(member)
                assert content is not None
                if name == manifests.NAME:
                    continue
                if name == manifests.SIGNATURE_NAME:
                    signature = content.read()
                    continue
                summing = Summing(expected[name].size if name in expected else member.size)
                while piece := content.read(bundle.PIECE):
                    summing.add(piece)
                if name in actual:
                    faults.append(Fault(Harm.ADDED, name, f"{_shown(name)} is in the archive twice"))
                actual[name] = summing.entry(name)
    except tarfile.ReadError as problem:
        faults.append(_container(f"the archive cannot be read beyond some point ({problem})"))
    except (tarfile.TarError, OSError, EOFError) as problem:
        faults.append(_container(f"the archive is damaged ({problem})"))
    return [*faults, *_compared(expected, actual)], signature


def _shown(name: str) -> str:
    return "".join(letter if letter.isprintable() else f"U+{ord(letter):04X}" for letter in name)


def _container(sentence: str) -> Fault:
    return Fault(Harm.CONTAINER, "archive", sentence)


def unpack(path: Path, destination: Path) -> Path:
    """Unpack the files of a whole archive into `destination`; gives the folder. Raises VisitError otherwise."""
    found = verify(path)
    if not found.whole:
        raise VisitError(f"{path} is not whole ({found.faults[0].sentence}); it is not unpacked")
    folder = destination / found.manifest.bundle
    with tarfile.open(path, mode="r:") as archive:
        for entry in found.manifest.entries:
            if not manifests.SAFE_NAME.fullmatch(entry.name):
                raise VisitError(f"{_shown(entry.name)} is no name that a bundle can hold; it is not unpacked")
            content = archive.extractfile(f"{found.manifest.bundle}/{entry.name}")
            assert content is not None
            target = folder / entry.name
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("wb") as out:
                while piece := content.read(bundle.PIECE):
                    out.write(piece)
    return folder
