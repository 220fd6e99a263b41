"""Codes on papers: short ones to be typed, signed ones to be scanned.

A short code is eleven random characters (55 bits) and a check character, from 32 that are hard to
mistake for one another. A signed code carries what the paper is and the first half of the digest of
its record, signed with Ed25519 (RFC 8032), so that whoever holds the published key can check it
without the service. It is written in base 32 (RFC 4648), which a square code holds compactly.

Nothing here reads settings or the clock.
"""

from __future__ import annotations

import base64
import binascii
import datetime
import secrets
import struct
from collections.abc import Iterable
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
LENGTH = 12
_READ_AS = str.maketrans({"O": "0", "I": "1", "L": "1"})
_FORM = struct.Struct(">B2sHI12sH16s")
_VERSION = 1
_EPOCH = datetime.date(2000, 1, 1)
_LONGEST = datetime.timedelta(days=65_535)
_SIGNATURE_LENGTH = 64


class MistypedCodeError(ValueError):
    """What was typed cannot be a code: a character too many, too few or wrong."""


class ForgedCodeError(ValueError):
    """A signed code that no known key has signed."""


@dataclass(frozen=True, slots=True)
class Statement:
    """What a signed code says: the number of the paper, its short code, until when it holds, and
    the first 16 bytes of the SHA-256 of its record.
    """

    kind: str
    year: int
    number: int
    code: str
    valid_until: datetime.date | None
    record_digest: bytes

    @property
    def name(self) -> str:
        """Return the number as it stands on the paper."""
        return f"{self.kind}-{self.year}-{self.number:05d}"

    def is_about(self, record: bytes, digest_hex: str) -> bool:
        """Whether `digest_hex`, the SHA-256 of `record`, is the one that was signed."""
        return bool(record) and bytes.fromhex(digest_hex)[:16] == self.record_digest


def new_code() -> str:
    """Return a new short code."""
    body = "".join(secrets.choice(ALPHABET) for _ in range(LENGTH - 1))
    return body + _check_character(body)


def _check_character(body: str) -> str:
    """Luhn mod N with N = 32: finds every single mistyped character and most swapped pairs."""
    total = 0
    for place, character in enumerate(reversed(body)):
        value = ALPHABET.index(character) * (2 - place % 2)
        total += value // 32 + value % 32
    return ALPHABET[-total % 32]


def grouped(code: str) -> str:
    """Write a code as it is printed: ABCD-EFGH-JKMN."""
    return "-".join(code[start : start + 4] for start in range(0, LENGTH, 4))


def typed(text: str) -> str:
    """Return the code that somebody typed, with or without dashes, in any case.

    Raises MistypedCodeError where it cannot be one.
    """
    code = "".join(text.split()).replace("-", "").upper().translate(_READ_AS)
    if len(code) != LENGTH or set(code) - set(ALPHABET):
        raise MistypedCodeError("A code has twelve letters and digits, such as ABCD-EFGH-JKMN.")
    if code[-1] != _check_character(code[:-1]):
        raise MistypedCodeError("A letter or digit is mistaken; compare it with the paper again.")
    return code


def sign(statement: Statement, key: Ed25519PrivateKey) -> str:
    """Return the signed code of a statement, in base 32 without padding.

    Raises ValueError for a `valid_until` that the form cannot hold (after the year 2179).
    """
    days = 0
    if statement.valid_until is not None:
        since = statement.valid_until - _EPOCH
        if not datetime.timedelta() < since <= _LONGEST:
            raise ValueError(f"{statement.valid_until} cannot be written in a signed code.")
        days = since.days
    message = _FORM.pack(
        _VERSION,
        statement.kind.encode("ascii"),
        statement.year,
        statement.number,
        statement.code.encode("ascii"),
        days,
        statement.record_digest,
    )
    return base64.b32encode(message + key.sign(message)).decode().rstrip("=")


def verify(signed: str, keys: Iterable[Ed25519PublicKey]) -> Statement:
    """Return what a signed code says. Raises ForgedCodeError when no key has signed it."""
    signed = signed.strip().upper()
    try:
        raw = base64.b32decode(signed + "=" * (-len(signed) % 8))
    except binascii.Error:
        raise ForgedCodeError("This is no signed code.") from None
    message, signature = raw[:-_SIGNATURE_LENGTH], raw[-_SIGNATURE_LENGTH:]
    if len(message) != _FORM.size or message[0] != _VERSION:
        raise ForgedCodeError("This is no signed code.")
    if not any(_has_signed(key, signature, message) for key in keys):
        raise ForgedCodeError("No key of this service has signed this code.")
    _, kind, year, number, code, days, digest = _FORM.unpack(message)
    return Statement(
        kind=kind.decode(),
        year=year,
        number=number,
        code=code.decode(),
        valid_until=_EPOCH + datetime.timedelta(days=days) if days else None,
        record_digest=digest,
    )


def _has_signed(key: Ed25519PublicKey, signature: bytes, message: bytes) -> bool:
    try:
        key.verify(signature, message)
    except InvalidSignature:
        return False
    return True
