"""The key that signs papers. The private one stays in the data folder; the public one is shown.

A key that was replaced goes on counting: its public half is kept beside the new one, so that old
papers can be checked as long as there are any.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)
from django.conf import settings

PRIVATE = "private.pem"


class NoSigningKeyError(RuntimeError):
    """The folder of keys holds something that is no Ed25519 key."""


def _folder() -> Path:
    return Path(settings.PAPER_KEYS)


def signing_key() -> Ed25519PrivateKey:
    """Return the key that signs, made on first use, readable by its owner only."""
    return _loaded(_folder())


@cache
def _loaded(folder: Path) -> Ed25519PrivateKey:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = folder / PRIVATE
    if not path.exists():
        _make(path)
    key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    if not isinstance(key, Ed25519PrivateKey):
        raise NoSigningKeyError(f"{path} holds no Ed25519 key.")
    keep_public(key.public_key(), folder)
    return key


def _make(path: Path) -> None:
    """Write a new key whole or not at all; whoever comes second finds that of the first."""
    pem = Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    draft = path.with_suffix(f".{os.getpid()}")
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(pem)
    try:
        os.link(draft, path)
    except FileExistsError:
        pass
    finally:
        draft.unlink()


def keep_public(public: Ed25519PublicKey, folder: Path | None = None) -> None:
    """Keep a public key, so that papers which it verifies go on counting."""
    folder = folder or _folder()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = folder / f"{name_of(public)}.pem"
    if not path.exists():
        draft = path.with_suffix(f".{os.getpid()}")
        draft.write_bytes(pem_of(public))
        draft.replace(path)


def public_keys() -> dict[str, Ed25519PublicKey]:
    """Return every public key that may have signed a paper, by name, in order of names."""
    signing_key()
    found = {}
    for path in sorted(_folder().glob("*.pem")):
        if path.name == PRIVATE:
            continue
        key = serialization.load_pem_public_key(path.read_bytes())
        if not isinstance(key, Ed25519PublicKey):
            raise NoSigningKeyError(f"{path} holds no Ed25519 key.")
        found[path.stem] = key
    return found


def name_of(key: Ed25519PublicKey) -> str:
    """Return the name of a public key: the first eight hexadecimal digits of its bytes."""
    raw = key.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
    return raw.hex()[:8]


def pem_of(key: Ed25519PublicKey) -> bytes:
    """Return a public key as it is published (PEM, RFC 8410)."""
    return key.public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
