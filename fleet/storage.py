"""Files kept unchanged and found by their digest.

The bytes lie in Django's default storage (a folder of the data directory, or whatever
`STORAGES` names) under their SHA-256, so the same bytes are kept once. Where bytes were removed
(`services.retention`) a note stays in their place that says when and by whom.
"""

import datetime
import hashlib
import os
from pathlib import Path
from typing import IO, Any, Final

from django.core.files.base import ContentFile, File
from django.core.files.storage import default_storage
from django.utils import timezone

CHUNK: Final = 1024 * 1024


class KeptFileError(RuntimeError):
    """A kept file is missing or is no longer what was accepted."""


class RemovedFileError(KeptFileError):
    """A kept file was removed because nothing held it any longer."""


def digest_of(data: bytes) -> str:
    """Return the SHA-256 of `data` in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def _place(digest: str) -> str:
    return f"{digest[:2]}/{digest[2:4]}/{digest}"


def _note(digest: str) -> str:
    return f"{_place(digest)}.removed"


def keep(data: bytes) -> str:
    """Store `data` once and return its digest. Storing it again only makes it look new, so that it
    is not removed before the row about it is written (see `is_fresh`).
    """
    return _keep(digest_of(data), ContentFile(data))


def keep_file(path: Path) -> str:
    """Store a file of any size once, as `keep` does. The file itself may be gone afterwards: where
    the store is a folder on the same disk, it is moved there.
    """
    with path.open("rb") as file:
        return _keep(hashlib.file_digest(file, "sha256").hexdigest(), _Movable(file))


class _Movable(File):  # type: ignore[type-arg]
    """A file that the store may take as it is."""

    def temporary_file_path(self) -> str:
        """Return where it lies; Django's folders move a file that has such a place."""
        assert self.name is not None
        return self.name


def _keep(digest: str, content: "File[bytes]") -> str:
    try:
        check(digest)
        _touch(digest)
    except KeptFileError:  # not there yet, or a write was cut short: (re)write the true bytes
        default_storage.delete(_place(digest))
        stored = default_storage.save(_place(digest), content)
        if stored != _place(digest):  # somebody else stored the same bytes at the same moment
            default_storage.delete(stored)
        default_storage.delete(_note(digest))
    return digest


def check(digest: str) -> int:
    """Return how many bytes are kept under `digest`, once all of them were read.

    Raises KeptFileError as `fetch` does.
    """
    with opened(digest) as file:
        found, size = hashlib.sha256(), 0
        while chunk := file.read(CHUNK):
            found.update(chunk)
            size += len(chunk)
    if found.hexdigest() != digest:
        raise _changed(digest)
    return size


def opened(digest: str) -> IO[Any]:
    """Open the bytes kept under `digest`, unchecked, to be read piece by piece.

    Raises KeptFileError when they are gone.
    """
    try:
        return default_storage.open(_place(digest))
    except FileNotFoundError as error:
        raise _gone(digest) from error


def _touch(digest: str) -> None:
    try:
        os.utime(default_storage.path(_place(digest)))
    except NotImplementedError:  # a store without paths says itself when it was written
        pass


def fetch(digest: str) -> bytes:
    """Return the bytes kept under `digest`.

    Raises KeptFileError when they are gone or damaged: a wrong input must never be analysed.
    """
    with opened(digest) as file:
        data: bytes = file.read()
    if digest_of(data) != digest:
        raise _changed(digest)
    return data


def _changed(digest: str) -> KeptFileError:
    return KeptFileError(f"The kept file {digest[:12]}… was changed after it was accepted.")


def _gone(digest: str) -> KeptFileError:
    try:
        with default_storage.open(_note(digest)) as note:
            return RemovedFileError(note.read().decode())
    except FileNotFoundError:
        return KeptFileError(f"The kept file {digest[:12]}… is missing from the store.")


def size_of(digest: str) -> int | None:
    """Return how many bytes are kept under `digest`, None when there are none."""
    try:
        return int(default_storage.size(_place(digest)))
    except FileNotFoundError:
        return None


def is_fresh(digest: str, within: datetime.timedelta) -> bool:
    """Whether the bytes were stored, or stored again, such a short time ago."""
    try:
        return bool(default_storage.get_modified_time(_place(digest)) > timezone.now() - within)
    except FileNotFoundError:
        return False


def remove(digest: str, words: str) -> None:
    """Remove the bytes kept under `digest`; whoever asks for them is told `words`."""
    default_storage.delete(_note(digest))
    default_storage.save(_note(digest), ContentFile(words.encode()))
    default_storage.delete(_place(digest))
