"""The shape of an export: its names, its version, its manifest and the signature on it."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import pkgutil
import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)

from fleet import migrations

FORMAT: Final = "swathbook operator export"
VERSION: Final = 1
MANIFEST, SIGNATURE, KEYS, README = "manifest.json", "manifest.sig", "keys.pem", "README.txt"
ALONE: Final = (MANIFEST, SIGNATURE, KEYS, README)
UUID_FORM: Final = r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}"
RECORDS: Final = re.compile(r"records/([a-z_]+)\.jsonl\Z")
KEPT: Final = re.compile(r"files/([0-9a-f]{64})\Z")
PAPER: Final = re.compile(rf"papers/[A-Z0-9-]{{1,40}}_({UUID_FORM})\.pdf\Z")
CHUNK: Final = 1024 * 1024
# The same key signs papers; what it signs there never begins like this.
_SIGNED_AS: Final = b"swathbook operator export\n"


def key_of(path: str) -> str | None:
    """Return the key by which rows name a kept file at `path`; None where none can lie there."""
    if KEPT.match(path):
        return path
    paper = PAPER.match(path)
    return f"papers/{paper[1]}" if paper else None


def whole_digest(files: Iterable[Mapping[str, Any]]) -> str:
    """Return the digest of all files: SHA-256 over their lines `sha256 size path`, in order."""
    lines = sorted((one["path"], f"{one['sha256']} {one['size']} {one['path']}\n") for one in files)
    return hashlib.sha256("".join(line for _, line in lines).encode()).hexdigest()


def manifest_bytes(manifest: Mapping[str, Any]) -> bytes:
    """Return a manifest as it is written."""
    return json.dumps(manifest, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"


def sign(manifest: bytes, key: Ed25519PrivateKey) -> bytes:
    """Return the signature of a manifest as it is written: base 64 in one line."""
    return base64.b64encode(key.sign(_SIGNED_AS + manifest)) + b"\n"


def signer_of(
    manifest: bytes, signature: bytes, keys: Iterable[Ed25519PublicKey]
) -> Ed25519PublicKey | None:
    """Return which of the keys has signed a manifest, None where none has."""
    try:
        raw = base64.b64decode(signature.strip(), validate=True)
    except binascii.Error:
        return None
    for key in keys:
        try:
            key.verify(raw, _SIGNED_AS + manifest)
        except InvalidSignature:
            continue
        return key
    return None


def schema() -> str:
    """Return the name of the newest migration of the records that this release knows."""
    return max(name for _, name, _ in pkgutil.iter_modules(migrations.__path__))
