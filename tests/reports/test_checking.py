"""Checking a paper as anybody may: code, square, copy; nothing for whoever guesses."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

import pytest
from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from fleet import jobs, storage, tenancy
from fleet.models import Paper, PaperSlip
from fleet.paper_codes import ALPHABET, grouped, new_code, verify
from fleet.services import papers
from fleet.signing import public_keys
from tests.cast import Cast
from tests.fleet.web.asking import words_of
from tests.reports.reading import scanned

pytestmark = pytest.mark.django_db


@pytest.fixture
def paper(cast: Cast) -> Paper:
    with tenancy.everyone():
        job = papers.ask("fleet_statement", by=cast.staff, operator=cast.operator)
        jobs.run(job.pk)
        made = Paper.objects.select_related("slip__series").get(job=job)
        made.slip.name  # noqa: B018 -- read while the scope is open
        return made


def visit(name: str, *keys: str) -> str:
    return words_of(Client().get(reverse(name, args=keys)))


def test_by_the_code_as_it_is_printed_or_mistyped(paper: Paper):
    assert paper.slip is not None
    answer = Client().post(reverse("check"), {"code": grouped(paper.slip.code).lower()})
    assert answer.url == reverse("check-code", args=[paper.slip.code])  # type: ignore[attr-defined]
    says = words_of(Client().get(answer.url))  # type: ignore[attr-defined]
    assert "Valid" in says
    assert paper.slip.name in says
    assert "Fleet statement Redgrass Aerial" in says
    code = paper.slip.code
    other = ALPHABET[(ALPHABET.index(code[3]) + 1) % 32]
    assert "is mistaken" in visit("check-code", code[:3] + other + code[4:])
    assert "twelve letters and digits" in words_of(Client().post(reverse("check"), {"code": "?"}))


def test_by_the_square_as_it_is_scanned(paper: Paper):
    assert paper.slip is not None
    [address] = scanned(storage.fetch(paper.digest))
    says = words_of(Client().get(urlsplit(address).path))
    assert "Valid" in says
    assert paper.slip.name in says
    assert "was not signed by this service" in visit("check-signed", new_code(), paper.signed)
    forged = paper.signed[:40] + ("B" if paper.signed[40] == "A" else "A") + paper.signed[41:]
    assert "was not signed by this service" in visit("check-signed", paper.slip.code, forged)


def test_a_signed_code_that_says_otherwise_than_the_record_is_not_believed(
    paper: Paper, cast: Cast
):
    with tenancy.everyone():
        job = papers.ask("fleet_statement", by=cast.analyst, operator=cast.operator)
        jobs.run(job.pk)
        other = Paper.objects.select_related("slip").get(job=job)
    assert "was not signed" in visit("check-signed", paper.slip.code, other.signed)


def test_by_a_copy(paper: Paper):
    pdf = storage.fetch(paper.digest)
    copy = {"copy": SimpleUploadedFile("any name.pdf", pdf)}
    says = words_of(Client().post(reverse("check"), copy))
    assert "byte for byte" in says
    changed = {"copy": SimpleUploadedFile("any name.pdf", pdf + b"\n")}
    says = words_of(Client().post(reverse("check"), changed))
    assert "No paper of this service has these bytes" in says
    assert paper.slip.name not in says


@pytest.mark.parametrize("by", ["withdrawn", "superseded"])
def test_what_became_of_it_is_told(paper: Paper, cast: Cast, by: str):
    with tenancy.everyone():
        if by == "withdrawn":
            papers.withdraw_paper(paper, by=cast.staff, reason="A private matter.")
        else:
            jobs.run(papers.reissue(paper, by=cast.staff, reason="A private matter.").pk)
    says = visit("check-code", paper.slip.code)
    assert by.capitalize() in says
    assert "private matter" not in says  # the reason is the association's own


def test_being_made_given_up_and_unknown(cast: Cast, monkeypatch: pytest.MonkeyPatch):
    with tenancy.everyone():
        job = papers.ask("fleet_statement", by=cast.staff, operator=cast.operator)
        slip = PaperSlip.objects.get(pk=job.subject_id)
        assert "not issued yet" in visit("check-code", slip.code)
        monkeypatch.setattr("reports.handlers.make", _refuse)
        jobs.run(job.pk)
        papers.give_up(slip, by=cast.staff, reason="Asked for by mistake.")
    assert "given up before a paper was made" in visit("check-code", slip.code)
    assert "No paper with this code is on record" in visit("check-code", new_code())


def _refuse(*given: object) -> None:
    raise jobs.JobRefused("Not today.")


def test_guessing_is_slowed(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("fleet.web.check_pages.CheckThrottle.rate", "3/min", raising=False)
    cache.clear()
    client = Client()
    answers = [client.get(reverse("check-code", args=[new_code()])) for _ in range(5)]
    assert [one.status_code for one in answers] == [200, 200, 200, 429, 429]
    assert "Too many checks from here" in words_of(answers[-1])
    cache.clear()


def test_the_published_key_checks_without_the_service(paper: Paper):
    """With the key as it is handed out, the library alone and no database."""
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    pem = Client().get(reverse("check-keys")).content
    key = load_pem_public_key(pem)
    statement = verify(paper.signed, [key])  # type: ignore[list-item]
    assert statement.name == paper.slip.name
    assert statement.record_digest.hex() == paper.record_digest[:32]
    assert len(public_keys()) == 1


def test_a_key_that_was_replaced_goes_on_counting(paper: Paper, settings, tmp_path):
    import shutil
    from pathlib import Path

    folder = tmp_path / "keys"
    shutil.copytree(settings.PAPER_KEYS, folder)
    (folder / "private.pem").unlink()
    settings.PAPER_KEYS = str(folder)
    assert len(public_keys()) == 2  # the old public half and a new pair
    assert verify(paper.signed, public_keys().values()).name == paper.slip.name
    assert (folder / "private.pem").stat().st_mode & 0o077 == 0
    assert not list(Path(folder).glob("private.[0-9]*"))


def test_pages_of_checks_are_not_kept_or_indexed(paper: Paper):
    answer = Client().get(reverse("check-code", args=[paper.slip.code]))
    assert re.search(r"no-store", answer.headers["Cache-Control"])
    assert answer.headers["X-Robots-Tag"] == "noindex"
