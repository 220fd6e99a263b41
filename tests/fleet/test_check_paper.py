"""The offline check of papers: what belongs together, what was forged, what cannot be used.

The paper is put together here with pikepdf; key and signature are those of `cryptography`.
"""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from fleet.management.commands.check_paper import Command
from fleet.paper_codes import Statement, grouped, new_code, sign
from fleet.signing import pem_of
from fleet.storage import digest_of

KEY = Ed25519PrivateKey.generate()
CODE = new_code()


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """Run the command as from a shell: exit status, output, errors. No database is open here."""
    monkeypatch.chdir(tmp_path)
    Path("keys.pem").write_bytes(pem_of(Ed25519PrivateKey.generate().public_key()))
    with Path("keys.pem").open("ab") as file:  # an old key and the one that signed
        file.write(pem_of(KEY.public_key()))

    def _run(*arguments: str) -> tuple[Any, str, str]:
        status: Any = 0
        try:
            Command().run_from_argv(["manage.py", "check_paper", *arguments])
        except SystemExit as stop:
            status = stop.code
        out, err = capsys.readouterr()
        return status, out, err

    return _run


def record(**changes: Any) -> bytes:
    paper = {
        "number": "SC-2026-00012",
        "code": grouped(CODE),
        "title": "Swath card XX-R01",
        "issued_at": "2026-04-20T15:30:00+00:00",
        "valid_until": "2150-01-01",
        "replaces": None,
        "reason": "",
    } | changes
    return json.dumps({"paper": paper, "says": {"aircraft": "XX-R01"}}).encode()


def signed(data: bytes, key: Ed25519PrivateKey = KEY) -> str:
    return sign(
        Statement(
            kind="SC",
            year=2026,
            number=12,
            code=CODE,
            valid_until=datetime.date(2150, 1, 1),
            record_digest=bytes.fromhex(digest_of(data))[:16],
        ),
        key,
    )


def write(name: str, inside: dict[str, bytes]) -> None:
    with pikepdf.new() as document:
        document.add_blank_page()
        for file, data in inside.items():
            document.attachments[file] = pikepdf.AttachedFileSpec(document, data, filename=file)
        document.save(name)


def paper(name: str, data: bytes, signature: str) -> None:
    write(name, {"record.json": data, "signed.txt": signature.encode()})


def test_a_genuine_paper_says_what_it_says(run):
    paper("good.pdf", record(), signed(record()))
    status, out, err = run("good.pdf", "--key", "keys.pem")
    assert (status, err) == (0, "")
    assert "good.pdf: signed by the service." in out
    assert "SC-2026-00012  Swath card XX-R01" in out
    assert f"code {grouped(CODE)}, issued 2026-04-20" in out
    assert "valid until 2150-01-01" in out
    assert '"aircraft": "XX-R01"' in out
    assert "Whether it was withdrawn or replaced since" in out


def test_a_replacing_paper_says_what_it_replaces(run):
    data = record(replaces="SC-2026-00003", reason="Wrong owner.")
    paper("newer.pdf", data, signed(data))
    assert "replaces SC-2026-00003: Wrong owner." in run("newer.pdf", "--key", "keys.pem")[1]


def test_forged_and_altered_papers_are_not_genuine(run):
    altered = record(title="Swath card XX-R02")
    other = record(number="SC-2026-00013")
    paper("good.pdf", record(), signed(record()))
    paper("altered.pdf", altered, signed(record()))
    paper("other.pdf", other, signed(other))
    paper("stranger.pdf", record(), signed(record(), Ed25519PrivateKey.generate()))
    paper("nonsense.pdf", record(), "no code at all")
    names = ("good.pdf", "altered.pdf", "other.pdf", "stranger.pdf", "nonsense.pdf")
    status, out, _ = run(*names, "--key", "keys.pem")
    assert status == 1
    assert out.count("NOT GENUINE") == 4
    assert "altered.pdf: NOT GENUINE. The signature is that of SC-2026-00012, but the record" in out
    assert "other.pdf: NOT GENUINE. The record inside names another paper" in out
    assert "stranger.pdf: NOT GENUINE. No key of this service has signed" in out
    assert "nonsense.pdf: NOT GENUINE. This is no signed code." in out


def test_every_file_that_cannot_be_used_is_named_and_nothing_else_is_said(run):
    paper("good.pdf", record(), signed(record()))
    write("plain.pdf", {})
    Path("letter.pdf").write_text("Dear member")
    status, out, err = run("good.pdf", "plain.pdf", "letter.pdf", "gone.pdf", "--key", "keys.pem")
    assert (status, out) == (2, "")
    lines = err.splitlines()
    assert lines[0].startswith("plain.pdf: record.json and signed.txt are not inside")
    assert lines[1].startswith("letter.pdf: this is no PDF, or a damaged one")
    assert lines[2].startswith("gone.pdf: there is no such file")


def test_keys_must_be_published_ones(run):
    paper("good.pdf", record(), signed(record()))
    Path("private.pem").write_bytes(
        KEY.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    Path("curve.pem").write_bytes(
        generate_private_key(SECP256R1())
        .public_key()
        .public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    )
    Path("empty.pem").write_bytes(b"")
    Path("broken.pem").write_bytes(b"-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----\n")
    for name, says in (
        ("private.pem", "this is a private key"),
        ("curve.pem", "a key in it is no Ed25519 key"),
        ("empty.pem", "there is no public key in it"),
        ("broken.pem", "a key in it cannot be read"),
    ):
        status, out, err = run("good.pdf", "--key", name)
        assert (status, out) == (2, ""), name
        assert f"{name}: {says}" in err
    assert "required" in run("good.pdf")[2]
