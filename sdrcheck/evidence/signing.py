"""Signatures with a key that the user makes: Ed25519 (RFC 8032) over the manifest's bytes.

A signature ties a bundle to a key. That the key is a certain person's, only that person can say: by handing over its
public half in another way.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sdrcheck.errors import VisitError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

_FIRST = "sdrcheck signature, format 1"


@dataclass(frozen=True, slots=True)
class Signature:
    """A signature and the public key it belongs to, in hexadecimal digits."""

    public_key: str
    value: str

    def text(self) -> bytes:
        """The one way a signature is written."""
        return f"{_FIRST}\ned25519 {self.public_key}\n{self.value}\n".encode()


def make_key(path: Path, passphrase: str = "") -> Path:
    """Write a new private key, readable by its owner only, and its public half beside it; gives the latter's path.

    Raises VisitError where a key is there already: a lost key cannot be had back.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import (
        BestAvailableEncryption,
        Encoding,
        KeySerializationEncryption,
        NoEncryption,
        PrivateFormat,
    )

    key = Ed25519PrivateKey.generate()
    locked: KeySerializationEncryption = BestAvailableEncryption(passphrase.encode()) if passphrase else NoEncryption()
    data = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, locked)
    if not path.name:
        raise VisitError("a key needs a file to go into; name one, like surveyor-key")
    public = path.with_name(path.name + ".pub")
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        public.write_text(f"ed25519 {public_half(key)}\n", encoding="ascii")
    except FileExistsError:
        raise VisitError(f"there is a key at {path} already; choose another name") from None
    except OSError as problem:
        raise VisitError(f"the key cannot be written to {path} ({problem.strerror})") from None
    return public


def read_key(path: Path, passphrase: str = "") -> Ed25519PrivateKey:
    """Read a private key; raises VisitError in a sentence where it cannot be used."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(path.read_bytes(), passphrase.encode() if passphrase else None)
    except OSError as problem:
        raise VisitError(f"the key {path} cannot be read ({problem.strerror})") from None
    except (ValueError, TypeError):
        raise VisitError(f"{path} is no key that can be used: wrong passphrase, or not a private key") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise VisitError(f"{path} holds another kind of key; make one with: sdrcheck evidence key")
    return key


def read_public_key(text_or_path: str) -> str:
    """The 64 hexadecimal digits of a public key, from themselves or from the file that `make_key` wrote."""
    text = text_or_path
    if not re.fullmatch(r"(ed25519 )?[0-9a-f]{64}", text.strip()):
        try:
            text = Path(text_or_path).read_text(encoding="ascii")
        except (OSError, UnicodeDecodeError):
            raise VisitError(f"{text_or_path!r} is neither a public key nor a file that holds one") from None
    found = re.fullmatch(r"(?:ed25519 )?([0-9a-f]{64})", text.strip())
    if not found:
        raise VisitError(f"{text_or_path!r} holds no public key; it reads: ed25519 and 64 hexadecimal digits")
    return found[1]


def public_half(key: Ed25519PrivateKey) -> str:
    """The public key of a private one, in hexadecimal digits."""
    return key.public_key().public_bytes_raw().hex()


def sign(data: bytes, key: Ed25519PrivateKey) -> Signature:
    """Sign bytes."""
    return Signature(public_half(key), key.sign(data).hex())


def read(data: bytes) -> Signature | None:
    """Read a signature file; None where it is not byte for byte what would have been written."""
    found = re.fullmatch(rb"sdrcheck signature, format 1\ned25519 ([0-9a-f]{64})\n([0-9a-f]{128})\n", data)
    return Signature(found[1].decode(), found[2].decode()) if found else None


def fits(signature: Signature, data: bytes) -> bool:
    """Was this signature made for these bytes with that key?"""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(signature.public_key)).verify(
            bytes.fromhex(signature.value), data
        )
    except (InvalidSignature, ValueError):
        return False
    return True
