"""Files kept unchanged and found by their digest.

The bytes lie in Django's default storage (a folder of the data directory, or whatever
`STORAGES` names) under their SHA-256, so the same bytes are kept once.
"""

import hashlib

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage


class KeptFileError(RuntimeError):
    """A kept file is missing or is no longer what was accepted."""


def digest_of(data: bytes) -> str:
    """Return the SHA-256 of `data` in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def _place(digest: str) -> str:
    return f"{digest[:2]}/{digest[2:4]}/{digest}"


def keep(data: bytes) -> str:
    """Store `data` once and return its digest. Storing it again changes nothing."""
    digest = digest_of(data)
    try:
        fetch(digest)
    except KeptFileError:  # not there yet, or a write was cut short: (re)write the true bytes
        default_storage.delete(_place(digest))
        stored = default_storage.save(_place(digest), ContentFile(data))
        if stored != _place(digest):  # somebody else stored the same bytes at the same moment
            default_storage.delete(stored)
    return digest


def fetch(digest: str) -> bytes:
    """Return the bytes kept under `digest`.

    Raises KeptFileError when they are gone or damaged: a wrong input must never be analysed.
    """
    try:
        with default_storage.open(_place(digest)) as file:
            data: bytes = file.read()
    except FileNotFoundError as error:
        raise KeptFileError(f"The kept file {digest[:12]}… is missing from the store.") from error
    if digest_of(data) != digest:
        raise KeptFileError(f"The kept file {digest[:12]}… was changed after it was accepted.")
    return data
