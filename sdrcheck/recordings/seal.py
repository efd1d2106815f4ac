"""Seals: SHA-512 over bytes, taken while they pass, so that a recording is read or written only once."""

from __future__ import annotations

import hashlib
from pathlib import Path

_PIECE = 1 << 20


class Seal:
    """A SHA-512 that grows with what is fed to it. SigMF seals the samples so (`core:sha512`)."""

    def __init__(self) -> None:
        self._sum = hashlib.sha512()

    def update(self, piece: bytes | memoryview) -> None:
        self._sum.update(piece)

    @property
    def sha512(self) -> str:
        """128 hexadecimal digits over all bytes so far."""
        return self._sum.hexdigest()


def sha512_of(path: Path) -> str:
    """Seal a whole file."""
    seal = Seal()
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            seal.update(piece)
    return seal.sha512
