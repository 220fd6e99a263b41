"""Holding an archive against everything that can be wrong with it, before a row is looked at.

Nothing is ever written under a name from the archive. Every error says which entry, what is wrong
and what would be right.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, NoReturn
from uuid import UUID

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from fleet import signing
from fleet.exchange import form
from fleet.exchange.pack import DAMAGED, MISSING, REMOVED
from fleet.exchange.tables import tables
from patterns.errors import InputError

AS_MADE: Final = "use the file as export_operator made it, copied whole"
MOST_BYTES: Final = 64 * 1024 * 1024  # of manifest, keys and README, and of one line
MOST_ENTRIES: Final = 1_000_000
# Deflate reaches 1,032 to 1; records, with their random keys, some 30 to 1.
MOST_RATIO: Final = 250
RATIO_FROM: Final = 1024 * 1024
_PEM = re.compile(rb"-----BEGIN PUBLIC KEY-----.+?-----END PUBLIC KEY-----\n", re.DOTALL)
_DIGEST = re.compile(r"[0-9a-f]{64}\Z")
_NAMES = {
    "format", "version", "schema", "operator", "made_at", "made_by", "made_on", "rows", "files",
    "absent", "left_out", "digest",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Absent:
    """A kept file that was not there any more when the export was made."""

    path: str
    digest: str
    state: str
    words: str


@dataclass(frozen=True, slots=True)
class Archive:
    """An archive whose bytes are those that its manifest names."""

    zip: zipfile.ZipFile
    operator_id: UUID
    operator_name: str
    made_at: datetime
    made_on: str
    digest: str
    rows: dict[str, int]
    files: dict[str, str]
    absent: tuple[Absent, ...]
    keys: tuple[Ed25519PublicKey, ...]
    signed_by: Ed25519PublicKey


def wrong(what: str, problem: str, remedy: str = AS_MADE) -> NoReturn:
    """Raise what is wrong with an archive."""
    raise InputError(what, problem, remedy)


@contextmanager
def opened(path: Path, trusted: list[Ed25519PublicKey] | None = None) -> Iterator[Archive]:
    """Open an archive and hold names, sizes, digests and signature against its manifest.

    With `trusted` keys the signature must be one of theirs. Raises InputError.
    """
    try:
        archive = zipfile.ZipFile(path)
    except (OSError, zipfile.BadZipFile, NotImplementedError, ValueError) as error:
        wrong(path.name, f"it cannot be opened as a ZIP ({error})", f"{AS_MADE}; is it cut short?")
    with archive:
        try:
            yield _Opener(archive, path, trusted).open()
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
            wrong(path.name, f"it is damaged ({error})")


class _Opener:
    def __init__(
        self, archive: zipfile.ZipFile, path: Path, trusted: list[Ed25519PublicKey] | None
    ) -> None:
        self._zip = archive
        self._path = path
        self._trusted = trusted
        self._entries: dict[str, zipfile.ZipInfo] = {}

    def open(self) -> Archive:
        self._look_at_names()
        self._look_at_sizes()
        raw = self._small(form.MANIFEST)
        manifest = self._manifest(raw)
        keys = keys_in(form.KEYS, self._small(form.KEYS))
        signer = self._signer(raw, keys)
        files = self._hold_against(manifest)
        return Archive(
            zip=self._zip,
            operator_id=UUID(manifest["operator"]["id"]),
            operator_name=manifest["operator"]["name"],
            made_at=datetime.fromisoformat(manifest["made_at"]),
            made_on=manifest["made_on"],
            digest=manifest["digest"],
            rows=manifest["rows"],
            files=files,
            absent=tuple(self._absent(manifest, files)),
            keys=keys,
            signed_by=signer,
        )

    # --- names and sizes

    def _look_at_names(self) -> None:
        found = self._zip.infolist()
        if len(found) > MOST_ENTRIES:
            wrong(self._path.name, f"it has more than {MOST_ENTRIES:,} entries")
        known = {f"records/{table.name}.jsonl" for table in tables()}
        for entry in found:
            name = entry.filename
            if name in self._entries:
                wrong(name, "it is in the file twice")
            if form.RECORDS.match(name) and name not in known:
                wrong(name, "no such kind of record is known here", "use the same release")
            if not (name in known or name in form.ALONE or form.key_of(name)):
                wrong(_shown(name), "an export has no entry of this name")
            if entry.flag_bits & 1:
                wrong(name, "it is encrypted")
            kind = stat.S_IFMT(entry.external_attr >> 16)
            if kind not in (0, stat.S_IFREG):
                wrong(name, "it is no plain file")
            self._entries[name] = entry
        missing = sorted((known | set(form.ALONE)) - set(self._entries))
        if missing:
            wrong(missing[0], "it is missing", f"{AS_MADE}, from the same release")

    def _look_at_sizes(self) -> None:
        packed = sum(entry.compress_size for entry in self._entries.values())
        if packed > os.stat(self._path).st_size:
            wrong(self._path.name, "its entries overlap: it would unpack to more than it holds")
        for name, entry in self._entries.items():
            if not name.startswith("records/"):
                if entry.compress_type != zipfile.ZIP_STORED:
                    wrong(name, "it is compressed, which files in an export are not")
                if entry.compress_size != entry.file_size:
                    wrong(name, "its two sizes differ, though it is not compressed")
            elif entry.compress_type != zipfile.ZIP_DEFLATED:
                wrong(name, "it is not compressed as records are")
            elif entry.file_size > max(RATIO_FROM, MOST_RATIO * entry.compress_size):
                wrong(
                    name,
                    f"it would unpack to {entry.file_size:,} bytes from {entry.compress_size:,}, "
                    "which no records do",
                )

    def _small(self, name: str) -> bytes:
        if self._entries[name].file_size > MOST_BYTES:
            wrong(name, f"it is larger than {MOST_BYTES // 1024**2} MiB")
        return self._zip.read(name)

    # --- the manifest

    def _manifest(self, raw: bytes) -> dict[str, Any]:
        try:
            manifest = json.loads(raw)
            if not isinstance(manifest, dict) or manifest.get("format") != form.FORMAT:
                wrong(form.MANIFEST, "it is not the manifest of an operator's export")
            if manifest.get("version") != form.VERSION:
                wrong(
                    form.MANIFEST,
                    f"its format is version {manifest.get('version')!r}; known here: "
                    f"{form.VERSION}",
                    "use the release that made the file, or a newer one",
                )
            _check_kinds(manifest)
        except (ValueError, RecursionError, TypeError, AttributeError, KeyError) as error:
            wrong(form.MANIFEST, f"it cannot be read ({error})")
        if manifest["schema"] != form.schema():
            wrong(
                form.MANIFEST,
                f"the records have the shape of {_shown(manifest['schema'])}, here it is "
                f"{form.schema()}",
                "import with the release that made the file, then renew that instance",
            )
        return manifest

    def _signer(self, manifest: bytes, keys: tuple[Ed25519PublicKey, ...]) -> Ed25519PublicKey:
        signature = self._small(form.SIGNATURE)
        if self._trusted is not None:
            keys = tuple(self._trusted)
        signer = form.signer_of(manifest, signature, keys)
        if signer is None:
            whose = "any key inside" if self._trusted is None else "any of the keys given"
            wrong(form.SIGNATURE, f"it is not the signature of {whose} on this manifest")
        return signer

    def _hold_against(self, manifest: dict[str, Any]) -> dict[str, str]:
        """Read every entry once and hold size and digest against the manifest."""
        listed = {one["path"]: one for one in manifest["files"]}
        if len(listed) != len(manifest["files"]):
            wrong(form.MANIFEST, "it lists a file twice")
        there = set(self._entries) - {form.MANIFEST, form.SIGNATURE}
        for name in sorted(there - set(listed)):
            wrong(name, "the manifest does not list it")
        for name in sorted(set(listed) - there):
            wrong(_shown(name), "the manifest lists it, but it is not in the file")
        if form.whole_digest(manifest["files"]) != manifest["digest"]:
            wrong(form.MANIFEST, "its list of files does not have the digest that it names")
        for name in sorted(listed):
            if self._entries[name].file_size != listed[name]["size"]:
                wrong(name, "it has another size than the manifest says")
            digest = hashlib.sha256()
            with self._zip.open(name) as entry:
                while chunk := entry.read(form.CHUNK):
                    digest.update(chunk)
            if digest.hexdigest() != listed[name]["sha256"]:
                wrong(name, "it has another SHA-256 than the manifest says: it was changed")
            kept = form.KEPT.match(name)
            if kept and kept[1] != digest.hexdigest():
                wrong(name, "its name is not its SHA-256")
        return {name: one["sha256"] for name, one in listed.items() if form.key_of(name)}

    def _absent(self, manifest: dict[str, Any], files: dict[str, str]) -> Iterator[Absent]:
        seen: set[str] = set()
        for one in manifest["absent"]:
            path = one["path"]
            if form.key_of(path) is None or one["state"] not in (REMOVED, MISSING, DAMAGED):
                wrong(form.MANIFEST, f"it tells oddly of the absent file {_shown(path)}")
            if path in files or path in seen:
                wrong(form.MANIFEST, f"it tells twice of {path}")
            seen.add(path)
            yield Absent(path, one["sha256"], one["state"], one["words"])


def keys_in(name: str, data: bytes) -> tuple[Ed25519PublicKey, ...]:
    """Return the public keys of a PEM file, at least one. Raises InputError."""
    found = []
    for pem in _PEM.findall(data):
        try:
            key = serialization.load_pem_public_key(pem)
        except ValueError:
            key = None
        if not isinstance(key, Ed25519PublicKey):
            wrong(name, "it holds a key that is no Ed25519 key", "give published keys as they are")
        found.append(key)
    if not found or b"".join(signing.pem_of(key) for key in found) != data:
        wrong(name, "it holds something else than public keys", "give published keys as they are")
    return tuple(found)


def _check_kinds(manifest: dict[str, Any]) -> None:
    """Raise ValueError where the manifest has other names, or values of other kinds."""
    if set(manifest) != _NAMES:
        raise ValueError(f"it must name {', '.join(sorted(_NAMES))}")
    texts = [manifest[name] for name in ("schema", "made_by", "made_on")]
    texts += [manifest["operator"]["name"]]
    rows, files, absent = manifest["rows"], manifest["files"], manifest["absent"]
    good = (
        all(isinstance(text, str) for text in texts)
        and str(UUID(manifest["operator"]["id"])) == manifest["operator"]["id"]
        and datetime.fromisoformat(manifest["made_at"]).tzinfo is not None
        and set(rows) == {table.name for table in tables()}
        and all(type(count) is int and count >= 0 for count in rows.values())
        and all(set(one) == {"path", "size", "sha256"} for one in files)
        and all(isinstance(one["path"], str) and type(one["size"]) is int for one in files)
        and all(_DIGEST.match(one["sha256"]) for one in files)
        and all(set(one) == {"path", "sha256", "what", "state", "words"} for one in absent)
        and all(isinstance(text, str) for one in absent for text in one.values())
        and all(_DIGEST.match(one["sha256"]) for one in absent)
    )
    if not good:
        raise ValueError("a value is not of the right kind")


def _shown(name: str) -> str:
    """Return a name from the file as it may be printed."""
    return ascii(name)[1:-1][:80] or "(no name)"
