"""Putting an operator's records, raw files and papers into one ZIP with a manifest of digests."""

from __future__ import annotations

import hashlib
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from django.conf import settings

from fleet import signing, storage
from fleet.exchange import form
from fleet.exchange.gather import Gathered, gather
from fleet.exchange.tables import LEFT_OUT, Named
from fleet.models import Operator
from fleet.paper_codes import ForgedCodeError, verify

Tell = Callable[[float, str], None]

WORKSPACE = "export-"
REMOVED, MISSING, DAMAGED = "removed", "missing", "damaged"
_REMOVED_ON = ": removed on "


@dataclass(frozen=True, slots=True)
class Packed:
    """What an export holds."""

    rows: int
    files: int
    absent: int


@contextmanager
def workspace() -> Iterator[Path]:
    """Make a folder on the disk of the kept files, gone afterwards."""
    with tempfile.TemporaryDirectory(prefix=WORKSPACE, dir=settings.DATA) as name:
        yield Path(name)


def pack(operator: Operator, path: Path, *, by: str, at: datetime, tell: Tell) -> Packed:
    """Write everything of an operator to a new ZIP at `path`, piece by piece.

    Raises UnderWayError and ForeignRowError as `gather` does; KeptFileError where a kept file
    changes while it is read.
    """
    with workspace() as folder:
        tell(0.02, "Reading the records")
        gathered = gather(operator, folder)
        with zipfile.ZipFile(path, "x", allowZip64=True) as archive:
            return _Packer(archive, operator, gathered, at, tell).pack(folder, by)


class _Packer:
    def __init__(
        self,
        archive: zipfile.ZipFile,
        operator: Operator,
        gathered: Gathered,
        at: datetime,
        tell: Tell,
    ) -> None:
        self._archive = archive
        self._operator = operator
        self._gathered = gathered
        self._at = at
        self._tell = tell
        self._files: list[dict[str, Any]] = []
        self._absent: list[dict[str, str]] = []

    def pack(self, folder: Path, by: str) -> Packed:
        for name in sorted(self._gathered.rows):
            with (folder / f"{name}.jsonl").open("rb") as file:
                self._add(f"records/{name}.jsonl", file, zipfile.ZIP_DEFLATED)
        for place, key in enumerate(sorted(self._gathered.named)):
            share = 0.1 + 0.85 * place / len(self._gathered.named)
            self._tell(share, f"File {place + 1} of {len(self._gathered.named)}")
            self._add_kept(self._gathered.named[key])
        self._tell(0.96, "Writing the manifest")
        rows = sum(self._gathered.rows.values())
        files = sum(1 for one in self._files if not one["path"].startswith("records/"))
        own = signing.signing_key()
        self._add_text(form.KEYS, _pem(_keys_used(self._gathered.signed, own.public_key())))
        self._add_text(form.README, self._readme(rows, files).encode())
        manifest = form.manifest_bytes(self._manifest(by))
        self._add_text(form.MANIFEST, manifest)
        self._add_text(form.SIGNATURE, form.sign(manifest, own))
        return Packed(rows, files, len(self._absent))

    def _add_kept(self, one: Named) -> None:
        path = self._gathered.papers.get(one.key, one.key)
        try:
            storage.check(one.digest)
        except storage.RemovedFileError as removed:
            self._miss(path, one, REMOVED, _own_words(one.what, str(removed)))
        except storage.KeptFileError as trouble:
            state = MISSING if storage.size_of(one.digest) is None else DAMAGED
            self._miss(path, one, state, str(trouble))
        else:
            with storage.opened(one.digest) as file:
                written = self._add(path, file, zipfile.ZIP_STORED)
            if written != one.digest:
                raise storage.KeptFileError(f"The kept file {one.digest[:12]}… changed meanwhile.")

    def _miss(self, path: str, one: Named, state: str, words: str) -> None:
        told = {"path": path, "sha256": one.digest, "what": one.what, "state": state}
        self._absent.append({**told, "words": words})

    def _add(self, path: str, file: IO[bytes], compression: int) -> str:
        """Copy a file into the archive piece by piece; return its digest."""
        digest, size = hashlib.sha256(), 0
        with self._archive.open(self._entry(path, compression), "w", force_zip64=True) as entry:
            while chunk := file.read(form.CHUNK):
                entry.write(chunk)
                digest.update(chunk)
                size += len(chunk)
        self._files.append({"path": path, "size": size, "sha256": digest.hexdigest()})
        return digest.hexdigest()

    def _add_text(self, path: str, data: bytes) -> None:
        self._archive.writestr(self._entry(path, zipfile.ZIP_STORED), data)
        if path in (form.KEYS, form.README):
            digest = storage.digest_of(data)
            self._files.append({"path": path, "size": len(data), "sha256": digest})

    def _entry(self, path: str, compression: int) -> zipfile.ZipInfo:
        entry = zipfile.ZipInfo(path, self._at.timetuple()[:6])
        entry.compress_type = compression
        entry.external_attr = 0o644 << 16
        return entry

    def _manifest(self, by: str) -> dict[str, Any]:
        return {
            "format": form.FORMAT,
            "version": form.VERSION,
            "schema": form.schema(),
            "operator": {"id": str(self._operator.pk), "name": self._operator.name},
            "made_at": self._at.isoformat(),
            "made_by": by,
            "made_on": settings.PUBLIC_ADDRESS,
            "rows": self._gathered.rows,
            "files": sorted(self._files, key=lambda one: one["path"]),
            "absent": sorted(self._absent, key=lambda one: one["path"]),
            "left_out": {str(m._meta.model_name): why for m, why in LEFT_OUT.items()},
            "digest": form.whole_digest(self._files),
        }

    def _readme(self, rows: int, files: int) -> str:
        return README.format(
            operator=self._operator.name,
            at=self._at.strftime("%-d %B %Y, %H:%M %Z"),
            address=settings.PUBLIC_ADDRESS,
            rows=rows,
            files=files,
            absent=len(self._absent),
        )


def _own_words(what: str, words: str) -> str:
    """Say when and by whom a file was removed, under its own name only.

    The same bytes may have been another operator's file as well, under another name.
    """
    _, on, tail = words.rpartition(_REMOVED_ON)
    return f"{what}{on}{tail}" if on else f"{what}: removed."


def _keys_used(signed: list[str], own: Ed25519PublicKey) -> dict[str, Ed25519PublicKey]:
    """Return the public keys that papers were signed with, and the one that signs now."""
    known = signing.public_keys()
    used = {signing.name_of(own): own}
    for name, key in known.items():
        if name not in used and any(_signed_by(one, key) for one in signed):
            used[name] = key
    return used


def _signed_by(signed: str, key: Ed25519PublicKey) -> bool:
    try:
        verify(signed, [key])
    except ForgedCodeError:
        return False
    return True


def _pem(keys: dict[str, Ed25519PublicKey]) -> bytes:
    return b"".join(signing.pem_of(keys[name]) for name in sorted(keys))


README = """\
ALL RECORDS OF {operator}
as they stood on {at}, from {address}

{rows} records, {files} files. Files that a record names but that are absent: {absent}.

What is in here
  records/       one file for each kind of record, one record a line (JSON; SI units: a name carries
                 its unit; moments in UTC; records refer to one another by their id)
  files/         raw files, scans, pictures of cards and answers to filings, each under its SHA-256
  papers/        the papers that were issued, under their numbers
  manifest.json  what is in here with size and SHA-256, how many records of each kind, which files
                 are absent and why (removed when no rule held them any longer, missing, damaged),
                 and what was left out on purpose and why
  manifest.sig   an Ed25519 signature over the manifest
  keys.pem       the public keys that signed the papers and the manifest

What to know
  Passwords, secret addresses and keys of access are not in here. Of people who are not of this
  operator only name and role are. Nothing of another operator is in here; visits for several
  operators come without their notes.

  An approved swath is a test finding, never permission to spray.

  The papers can be checked without any service: that one of the keys signed the code inside, and
  that it belongs to the record inside. Whether a paper was withdrawn or replaced after the moment
  above, only the service that issued it can say; the square code on a paper leads there.

  This file holds everything: keep it where only those may read it who may see the records.

Taking it in
  manage.py import_operator FILE.zip --check     looks at everything, writes nothing
  manage.py import_operator FILE.zip             into an empty instance of the same release
"""
