"""``manage.py check_paper FILE... --key KEYS``: what a paper says, checked without the service."""

from __future__ import annotations

import datetime
import io
import json
import re
from argparse import ArgumentParser
from collections.abc import Sequence
from typing import Any, Final

import pikepdf
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from fleet.management.command_line import FileCommand, FileKind, bytes_of
from fleet.paper_codes import ForgedCodeError, Statement, grouped, verify
from fleet.storage import digest_of
from patterns.errors import InputError

PAPERS: Final = FileKind(
    one="a paper",
    themselves="the papers themselves",
    content="the paper",
    smaller="one paper at a time, not a merged file",
    most_mib=64,
)
KEYS: Final = FileKind(
    one="the published keys",
    themselves="a file of keys",
    content="the keys",
    smaller="only the published keys",
    most_mib=1,
)
RECORD, SIGNED = "record.json", "signed.txt"
_PEM = re.compile(rb"-----BEGIN ([A-Z ]+)-----.+?-----END \1-----", re.DOTALL)
NOT_KNOWN: Final = (
    "Whether it was withdrawn or replaced since, or whether its pages were altered, only the "
    "service can say: look its code up, or upload the file there."
)
FORGED: Final = 1


class Command(FileCommand):
    """Check papers against published keys, and print what they say."""

    help = (
        "Check papers offline: that a published key signed the code inside, and that it belongs to "
        "the record inside. Exit status 0: all do; 1: one does not; 2: a file cannot be used."
    )
    name = "check_paper"

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Name the papers and the keys."""
        parser.add_argument("files", nargs="+", metavar="FILE", help="a paper, as PDF")
        parser.add_argument(
            "--key",
            action="append",
            required=True,
            metavar="KEYS",
            help="file of published public keys (PEM); may be given more than once",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Read all, then say each."""
        problems: list[str] = []
        keys: list[Ed25519PublicKey] = []
        inside: list[tuple[str, bytes, str]] = []
        for name in options["key"]:
            try:
                keys += keys_in(name, bytes_of(name, KEYS))
            except InputError as error:
                problems.append(str(error))
        for name in options["files"]:
            try:
                inside.append((name, *read_paper(name, bytes_of(name, PAPERS))))
            except InputError as error:
                problems.append(str(error))
        if problems:
            self.stop(problems)
        good = [self._say(name, record, signed, keys) for name, record, signed in inside]
        if not all(good):
            raise SystemExit(FORGED)

    def _say(self, name: str, record: bytes, signed: str, keys: list[Ed25519PublicKey]) -> bool:
        """Say one paper; whether it is what it claims to be."""
        try:
            statement = verify(signed, keys)
        except ForgedCodeError as error:
            self.say(f"{name}: NOT GENUINE. {error}")
            return False
        amiss = contradictions(statement, record)
        if amiss:
            self.say(f"{name}: NOT GENUINE. {amiss}")
            return False
        self.say("\n".join([f"{name}: signed by the service.", *told(statement, record)]))
        return True


def keys_in(name: str, data: bytes) -> list[Ed25519PublicKey]:
    """Return the public keys of a PEM file. Raises InputError where there is none or another."""
    found: list[Ed25519PublicKey] = []
    for block in _PEM.finditer(data):
        if b"PRIVATE" in block[1]:
            raise InputError(name, "this is a private key", "give the published public keys")
        try:
            key = serialization.load_pem_public_key(block[0])
        except ValueError:
            raise InputError(name, "a key in it cannot be read", "fetch it again") from None
        if not isinstance(key, Ed25519PublicKey):
            raise InputError(name, "a key in it is no Ed25519 key", "give the published keys")
        found.append(key)
    if not found:
        raise InputError(
            name, "there is no public key in it", "give a PEM file (-----BEGIN PUBLIC KEY-----)"
        )
    return found


def read_paper(name: str, data: bytes) -> tuple[bytes, str]:
    """Return the record and the signed code inside a paper. Raises InputError for what is none."""
    try:
        with pikepdf.open(io.BytesIO(data)) as document:
            files = document.attachments
            if RECORD not in files or SIGNED not in files:
                raise InputError(
                    name,
                    f"{RECORD} and {SIGNED} are not inside, so this is no paper of the service, "
                    "or it was saved anew",
                    "give the file as it was issued",
                )
            record = files[RECORD].get_file().read_bytes()
            signed = files[SIGNED].get_file().read_bytes()
    except pikepdf.PdfError:
        raise InputError(
            name, "this is no PDF, or a damaged one", "give the file as it was issued"
        ) from None
    return record, signed.decode("ascii", "replace")


def contradictions(statement: Statement, record: bytes) -> str:
    """Say in what the record and the signed statement differ; "" where they belong together."""
    if not statement.is_about(record, digest_of(record)):
        return (
            f"The signature is that of {statement.name}, but the record inside was altered or is "
            "another paper's."
        )
    paper = json.loads(record)["paper"]
    until = statement.valid_until.isoformat() if statement.valid_until else None
    signed = (statement.name, grouped(statement.code), until)
    if (paper["number"], paper["code"], paper["valid_until"]) != signed:
        return f"The record inside names another paper than the signature, {statement.name}."
    return ""


def told(statement: Statement, record: bytes) -> Sequence[str]:
    """Say what a genuine paper says."""
    whole = json.loads(record)
    paper = whole["paper"]
    lines = [
        f"  {paper['number']}  {paper['title']}",
        f"  code {paper['code']}, issued {paper['issued_at'][:10]}",
    ]
    if statement.valid_until is not None:
        over = statement.valid_until < datetime.datetime.now(tz=datetime.UTC).date()
        lines.append(f"  {'was valid' if over else 'valid'} until {statement.valid_until}")
    if paper["replaces"]:
        lines.append(f"  replaces {paper['replaces']}: {paper['reason']}")
    says = json.dumps(whole["says"], indent=2, ensure_ascii=False, sort_keys=True)
    return [*lines, *(f"  {line}" for line in says.splitlines()), f"  {NOT_KNOWN}"]
