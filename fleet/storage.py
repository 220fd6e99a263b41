"""Files kept unchanged and found by their digest.

The bytes lie in Django's default storage (a folder of the data directory, or whatever
`STORAGES` names) under their SHA-256, so the same bytes are kept once. Where bytes were removed
(`services.retention`) a note stays in their place that says when and by whom.
"""

import datetime
import hashlib
import os

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.utils import timezone


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
    digest = digest_of(data)
    try:
        fetch(digest)
        _touch(digest)
    except KeptFileError:  # not there yet, or a write was cut short: (re)write the true bytes
        default_storage.delete(_place(digest))
        stored = default_storage.save(_place(digest), ContentFile(data))
        if stored != _place(digest):  # somebody else stored the same bytes at the same moment
            default_storage.delete(stored)
        default_storage.delete(_note(digest))
    return digest


def _touch(digest: str) -> None:
    try:
        os.utime(default_storage.path(_place(digest)))
    except NotImplementedError:  # a store without paths says itself when it was written
        pass


def fetch(digest: str) -> bytes:
    """Return the bytes kept under `digest`.

    Raises KeptFileError when they are gone or damaged: a wrong input must never be analysed.
    """
    try:
        with default_storage.open(_place(digest)) as file:
            data: bytes = file.read()
    except FileNotFoundError as error:
        raise _gone(digest) from error
    if digest_of(data) != digest:
        raise KeptFileError(f"The kept file {digest[:12]}… was changed after it was accepted.")
    return data


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
