"""Exports that must be refused: each a way to spoil a good one, and what must be said of it."""

from __future__ import annotations

import json
import re
import stat
import struct
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from uuid_utils.compat import uuid7

from fleet import signing
from fleet.exchange import form
from fleet.storage import digest_of


@dataclass
class Draft:
    """An archive in memory, to be spoilt."""

    entries: dict[str, bytes]
    stored: set[str]
    more: list[tuple[zipfile.ZipInfo, bytes]] = field(default_factory=list)

    @property
    def manifest(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.entries["manifest.json"])
        return found

    def rows(self, name: str) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.entries[f"records/{name}.jsonl"].splitlines()]

    def put_rows(self, name: str, rows: list[dict[str, Any]]) -> None:
        rows = sorted(rows, key=lambda row: row["id"])
        text = (json.dumps(r, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
                for r in rows)  # fmt: skip
        self.entries[f"records/{name}.jsonl"] = "".join(f"{line}\n" for line in text).encode()

    def forge(self, **changes: Any) -> None:
        """Make manifest and signature fit what was done, as somebody who knows the form would."""
        key = Ed25519PrivateKey.generate()
        self.entries["keys.pem"] = signing.pem_of(key.public_key())
        files = [
            {"path": name, "size": len(data), "sha256": digest_of(data)}
            for name, data in sorted(self.entries.items())
            if name not in ("manifest.json", "manifest.sig")
        ]
        rows = {
            name[8:-6]: data.count(b"\n")
            for name, data in self.entries.items()
            if name.startswith("records/")
        }
        told = {**self.manifest, "files": files, "rows": rows}
        told = {**told, "digest": form.whole_digest(files), **changes}
        self.entries["manifest.json"] = form.manifest_bytes(told)
        self.entries["manifest.sig"] = form.sign(self.entries["manifest.json"], key)

    def write(self, path: Path) -> None:
        with zipfile.ZipFile(path, "w") as archive:
            for name, data in self.entries.items():
                kind = zipfile.ZIP_STORED if name in self.stored else zipfile.ZIP_DEFLATED
                archive.writestr(zipfile.ZipInfo(name), data, kind)
            for info, data in self.more:
                archive.writestr(info, data)


def draft_of(path: Path) -> Draft:
    with zipfile.ZipFile(path) as archive:
        found = archive.infolist()
        stored = {one.filename for one in found if one.compress_type == zipfile.ZIP_STORED}
        return Draft({one.filename: archive.read(one) for one in found}, stored)


def _first(draft: Draft, start: str) -> str:
    return next(name for name in sorted(draft.entries) if name.startswith(start))


# --- Ways to spoil an archive before it is written ------------------------------------------------


def changed_row(draft: Draft) -> None:
    name = "records/approval.jsonl"
    data = draft.entries[name]
    draft.entries[name] = re.sub(rb'"swath_m":(\d)', rb'"swath_m":9', data, count=1)
    assert draft.entries[name] != data


def changed_manifest(draft: Draft) -> None:
    draft.entries["manifest.json"] = form.manifest_bytes({**draft.manifest, "made_by": "Nobody"})


def newer_version(draft: Draft) -> None:
    draft.forge(version=2)


def other_format(draft: Draft) -> None:
    draft.forge(format="something else")


def other_schema(draft: Draft) -> None:
    draft.forge(schema="0999_from_the_future")


def odd_manifest(draft: Draft) -> None:
    draft.forge(operator="Redgrass")


def nested_manifest(draft: Draft) -> None:
    draft.entries["manifest.json"] = b"[" * 200_000


def traversal(draft: Draft) -> None:
    draft.entries["../../evil.py"] = b"evil"
    draft.forge()


def absolute(draft: Draft) -> None:
    draft.entries["/etc/cron.d/evil"] = b"evil"
    draft.forge()


def traversal_in_files(draft: Draft) -> None:
    draft.entries["files/../../" + "a" * 58] = b"evil"
    draft.forge()


def link(draft: Draft) -> None:
    info = zipfile.ZipInfo(f"files/{'a' * 64}")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    draft.more.append((info, b"/etc/passwd"))


def not_listed(draft: Draft) -> None:
    draft.more.append((zipfile.ZipInfo(f"files/{digest_of(b'more')}"), b"more"))


def not_there(draft: Draft) -> None:
    del draft.entries[_first(draft, "papers/")]


def no_table(draft: Draft) -> None:
    del draft.entries["records/season.jsonl"]
    draft.forge()


def unknown_table(draft: Draft) -> None:
    draft.entries["records/webhook.jsonl"] = b"{}\n"
    draft.forge()


def bomb(draft: Draft) -> None:
    draft.entries["records/setup.jsonl"] = b" " * (30 * 1024 * 1024)
    draft.forge()


def packed_file(draft: Draft) -> None:
    draft.stored.discard(_first(draft, "files/"))


def false_name(draft: Draft) -> None:
    draft.entries[_first(draft, "files/")] = b"other bytes"
    draft.forge()


def stray_file(draft: Draft) -> None:
    name = f"files/{digest_of(b'stray')}"
    draft.entries[name] = b"stray"
    draft.stored.add(name)
    draft.forge()


def lost_file(draft: Draft) -> None:
    del draft.entries[_first(draft, "files/")]
    draft.forge()


def other_paper(draft: Draft) -> None:
    draft.entries[_first(draft, "papers/")] += b"% one more line"
    draft.forge()


def foreign_row(draft: Draft) -> None:
    [rows] = [draft.rows("operator")]
    other = {**rows[0], "id": str(uuid7()), "name": "Other"}
    draft.put_rows("operator", [*rows, other])
    aircraft = draft.rows("aircraft")
    draft.put_rows("aircraft", [{**aircraft[0], "operator": other["id"]}])
    draft.forge()


def no_operator(draft: Draft) -> None:
    rows = draft.rows("auditrow")
    draft.put_rows("auditrow", [{**rows[0], "operator": None}, *rows[1:]])
    draft.forge()


def smuggled_staff(draft: Draft) -> None:
    rows = draft.rows("person")
    staff = {
        **rows[0],
        "id": str(uuid7()),
        "role": "staff",
        "operator": None,
        "email": "x@y.example",
    }
    draft.put_rows("person", [*rows, staff])
    draft.forge()


def smuggled_password(draft: Draft) -> None:
    draft.put_rows("person", [{**row, "password": "md5$x$y"} for row in draft.rows("person")])
    draft.forge()


def owner_elsewhere(draft: Draft) -> None:
    rows = [{**row, "role": "owner"} for row in draft.rows("person_elsewhere")]
    draft.put_rows("person_elsewhere", rows)
    draft.forge()


def dangling(draft: Draft) -> None:
    rows = [{**row, "setup": str(uuid7())} for row in draft.rows("test")]
    draft.put_rows("test", rows)
    draft.forge()


def twice(draft: Draft) -> None:
    rows = draft.rows("setup")
    draft.put_rows("setup", [rows[0], rows[0]])
    draft.forge()


def no_number(draft: Draft) -> None:
    rows = [{**row, "span_m": float("nan")} for row in draft.rows("aircraft")]
    draft.put_rows("aircraft", rows)
    draft.forge()


def text_for_number(draft: Draft) -> None:
    rows = [{**row, "span_m": "15.0"} for row in draft.rows("aircraft")]
    draft.put_rows("aircraft", rows)
    draft.forge()


def no_choice(draft: Draft) -> None:
    rows = [{**row, "kind": "balloon"} for row in draft.rows("aircraft")]
    draft.put_rows("aircraft", rows)
    draft.forge()


def too_long(draft: Draft) -> None:
    rows = [{**row, "registration": "X" * 21} for row in draft.rows("aircraft")]
    draft.put_rows("aircraft", rows)
    draft.forge()


def odd_document(draft: Draft) -> None:
    rows = [{**row, "document": "[]"} for row in draft.rows("cardrun")]
    draft.put_rows("cardrun", rows)
    draft.forge()


def refused_by_database(draft: Draft) -> None:
    rows = draft.rows("membership")
    draft.put_rows("membership", [*rows, {**rows[0], "id": str(uuid7())}])
    draft.forge()


def no_key(draft: Draft) -> None:
    draft.forge()
    draft.entries["keys.pem"] += b"-----BEGIN " + b"PRIVATE KEY-----\n"


SPOILT: dict[Callable[[Draft], None], str] = {
    changed_row: r"records/approval.jsonl: it has another SHA-256",
    changed_manifest: r"manifest.sig: it is not the signature of any key inside",
    newer_version: r"its format is version 2; known here: 1; use the release that made",
    other_format: r"it is not the manifest of an operator's export",
    other_schema: r"have the shape of 0999_from_the_future, here it is 00",
    odd_manifest: r"manifest.json: it cannot be read",
    nested_manifest: r"manifest.json: it cannot be read",
    traversal: r"\.\./\.\./evil\.py: an export has no entry of this name",
    absolute: r"/etc/cron.d/evil: an export has no entry of this name",
    traversal_in_files: r"files/\.\./\.\./a+: an export has no entry of this name",
    link: r"files/a+: it is no plain file",
    not_listed: r"files/\w+: the manifest does not list it",
    not_there: r"papers/.*: the manifest lists it, but it is not in the file",
    no_table: r"records/season.jsonl: it is missing",
    unknown_table: r"records/webhook.jsonl: no such kind of record is known here",
    bomb: r"records/setup.jsonl: it would unpack to 31,457,280 bytes from",
    packed_file: r"files/\w+: it is compressed, which files in an export are not",
    false_name: r"files/\w+: its name is not its SHA-256",
    stray_file: r"files/\w+: no record names this file",
    lost_file: r"records/\w+.jsonl: the file of .* is neither there nor told as absent",
    other_paper: r"records/paper.jsonl: the file of .* is neither there nor told as absent",
    foreign_row: r"records/aircraft.jsonl: the row .* is not of the operator of the manifest",
    no_operator: r"records/auditrow.jsonl: the row .* is not of the operator of the manifest",
    smuggled_staff: r"records/person.jsonl: the row .* is not of the operator of the manifest",
    smuggled_password: r"records/person.jsonl, line 1: names that are .* unknown: 'password'",
    owner_elsewhere: r"person_elsewhere.jsonl, line 1: role: people of others are staff",
    dangling: r"records/test.jsonl: setup refers to the set-up revision .* not in the file",
    twice: r"records/setup.jsonl, line 2: rows must be in the order of their ids, each once",
    no_number: r"records/aircraft.jsonl, line 1: it is not JSON \(NaN is not a number\)",
    text_for_number: r'aircraft.jsonl, line 1: span_m: "15.0" is not such a value',
    no_choice: r'aircraft.jsonl, line 1: kind: "balloon" is none of the choices',
    too_long: r'aircraft.jsonl, line 1: registration: "X+": .* at most 20 characters',
    odd_document: r"records/cardrun.jsonl: the document of .* is not one that this service",
    refused_by_database: r"the records: the database does not take them",
    no_key: r"keys.pem: it holds something else than public keys",
}


# --- Ways to spoil the file itself ----------------------------------------------------------------


def cut_short(data: bytes) -> bytes:
    return data[: len(data) // 2]


def cut_by_a_byte(data: bytes) -> bytes:
    return data[:-1]


def no_zip(data: bytes) -> bytes:
    return b"This is not an archive at all.\n" * 40


def nothing(data: bytes) -> bytes:
    return b""


def flipped_bit(data: bytes) -> bytes:
    place = len(data) // 3
    return data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]


def _central(data: bytes, number: int = 0) -> int:
    place = data.index(b"PK\x01\x02")
    for _ in range(number):
        place = data.index(b"PK\x01\x02", place + 4)
    return place


def encrypted(data: bytes) -> bytes:
    place = _central(data) + 8
    return data[:place] + b"\x01" + data[place + 1 :]


def false_size(data: bytes) -> bytes:
    """The directory says that the first entry holds one byte more."""
    place = _central(data) + 24
    [size] = struct.unpack("<I", data[place : place + 4])
    return data[:place] + struct.pack("<I", size + 1) + data[place + 4 :]


def overlapping(data: bytes) -> bytes:
    """The directory says that the first entry reaches over the whole file and beyond."""
    place = _central(data) + 20
    return data[:place] + struct.pack("<I", len(data) * 3) + data[place + 4 :]


def twice_in_it(data: bytes) -> bytes:
    """The directory gives the second entry the name of the first, which is as long."""
    first, second = (_central(data, number) for number in (0, 1))
    [length] = struct.unpack("<H", data[first + 28 : first + 30])
    name = data[first + 46 : first + 46 + length]
    [other] = struct.unpack("<H", data[second + 28 : second + 30])
    assert other >= length
    return data[: second + 46] + name.ljust(other, b"\0") + data[second + 46 + other :]


BROKEN: dict[Callable[[bytes], bytes], str] = {
    cut_short: r"cannot be opened as a ZIP .*is it cut short\?",
    cut_by_a_byte: r"cannot be opened as a ZIP .*is it cut short\?",
    no_zip: r"cannot be opened as a ZIP",
    nothing: r"cannot be opened as a ZIP",
    flipped_bit: r"it is damaged|another SHA-256",
    encrypted: r"records/\w+.jsonl: it is encrypted",
    false_size: r"records/\w+.jsonl: it has another size|it is damaged",
    overlapping: r"its entries overlap: it would unpack to more than it holds",
    twice_in_it: r"records/\w+.jsonl: it is in the file twice",
}
