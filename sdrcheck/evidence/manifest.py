"""The manifest of a bundle: what belongs to it, byte for byte, in a text that anyone can check without this program.

`sha512sum -c MANIFEST.txt` does it by hand: lines that begin with `#` are comments to it. The last line is the SHA-512
of all lines above; sums of equal blocks of each file say where in a file a byte was changed.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from sdrcheck.errors import VisitError

NAME = "MANIFEST.txt"
SIGNATURE_NAME = "SIGNATURE.txt"
SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]*(/[A-Za-z0-9][A-Za-z0-9._+-]*)*")
"""Names in a bundle: no spaces, no controls, nothing that leads upwards or hides."""

LEAST_BLOCK = 4096
MOST_BLOCKS = 256
_BLOCK_DIGITS = 16
_FIRST = "# sdrcheck evidence manifest, format 1"
_BY_HAND = "# by hand: sha512sum -c MANIFEST.txt in this folder; the last line is the SHA-512 of all lines above it"
_SEAL = "# seal: "
NOBODY = "nobody"


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of a bundle."""

    name: str
    size: int
    sha512: str
    block: int
    blocks: tuple[str, ...]
    """First digits of the SHA-512 of each block."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """All files of a bundle but the manifest and its signature, sorted by name."""

    bundle: str
    made: str
    signed_by: str
    entries: tuple[Entry, ...]

    def text(self) -> bytes:
        """The one way this manifest is written."""
        body = "".join(f"{line}\n" for line in self._lines()).encode()
        return body + f"{_SEAL}{hashlib.sha512(body).hexdigest()}\n".encode()

    @property
    def seal(self) -> str:
        """SHA-512 of the manifest's lines; written on paper it ties the paper to the bundle."""
        return self.text()[-129:-1].decode()

    @property
    def short_seal(self) -> str:
        """The first 32 digits of the seal, in groups, for writing on paper."""
        return " ".join(self.seal[place : place + 4] for place in range(0, 32, 4))

    def _lines(self) -> Iterator[str]:
        yield _FIRST
        yield f"# bundle: {self.bundle}"
        yield f"# made: {self.made}"
        yield f"# signed by: {self.signed_by}"
        yield f"# files: {len(self.entries)}"
        yield _BY_HAND
        for entry in self.entries:
            yield f"# {entry.size} bytes, blocks of {entry.block}: {' '.join(entry.blocks)}".rstrip()
            yield f"{entry.sha512}  {entry.name}"


@dataclass(frozen=True, slots=True)
class ReadManifest:
    """A manifest as it was found, whole or not."""

    manifest: Manifest
    sound: bool
    """Its text is byte for byte what would be written for it, seal included."""
    length: int
    """Bytes of it."""


class Summing:
    """Sum a file while its bytes pass: SHA-512 of all and of each block."""

    def __init__(self, size: int) -> None:
        self.block = block_for(size)
        self.size = 0
        self._whole = hashlib.sha512()
        self._part = hashlib.sha512()
        self._in_part = 0
        self._blocks: list[str] = []

    def add(self, data: bytes) -> None:
        self._whole.update(data)
        self.size += len(data)
        at = 0
        while at < len(data):
            take = data[at : at + self.block - self._in_part]
            self._part.update(take)
            self._in_part += len(take)
            at += len(take)
            if self._in_part == self.block:
                self._close_part()

    def entry(self, name: str) -> Entry:
        if self._in_part:
            self._close_part()
        return Entry(name, self.size, self._whole.hexdigest(), self.block, tuple(self._blocks))

    def _close_part(self) -> None:
        self._blocks.append(self._part.hexdigest()[:_BLOCK_DIGITS])
        self._part = hashlib.sha512()
        self._in_part = 0


def block_for(size: int) -> int:
    """Block length for a file: the least power of two from 4096 that gives at most 256 blocks."""
    block = LEAST_BLOCK
    while size > block * MOST_BLOCKS:
        block *= 2
    return block


def summed(name: str, size: int, pieces: Iterable[bytes]) -> Entry:
    """Sum a file that comes in pieces."""
    summing = Summing(size)
    for piece in pieces:
        summing.add(piece)
    return summing.entry(name)


def read(data: bytes) -> ReadManifest:
    """Read a manifest, and as much as possible of a damaged one; raises VisitError where it is none at all.

    `data` may go on after it, as in an archive.
    """
    found = re.search(rb"\n# seal: [0-9a-f]{128}\n", data)
    end = found.end() if found else len(data)
    lines = data[:end].decode("utf-8", "replace").splitlines()
    heads = {key: value for key, value in (_head(line) for line in lines) if key}
    entries = list(_entries(lines))
    if not entries and "bundle" not in heads:
        raise VisitError("there is no manifest in it; is it a bundle made by sdrcheck evidence pack?")
    manifest = Manifest(heads.get("bundle", ""), heads.get("made", ""), heads.get("signed by", NOBODY), tuple(entries))
    return ReadManifest(manifest, manifest.text() == data[:end], end)


def _head(line: str) -> tuple[str, str]:
    found = re.fullmatch(r"# (bundle|made|signed by): (.*)", line)
    return (found[1], found[2]) if found else ("", "")


def _entries(lines: list[str]) -> Iterator[Entry]:
    size, block, blocks = 0, LEAST_BLOCK, ()
    for line in lines:
        sizes = re.fullmatch(r"# (\d{1,15}) bytes, blocks of (\d{1,12}):((?: [0-9a-f]{16})*)", line)
        file = re.fullmatch(r"([0-9a-f]{128})  (.+)", line)
        if sizes:
            size, block, blocks = int(sizes[1]), int(sizes[2]), tuple(sizes[3].split())
        elif file:
            yield Entry(file[2], size, file[1], block, blocks)
            size, block, blocks = 0, LEAST_BLOCK, ()
