"""Numbers, issue, reissue, withdrawal, batches. The rules are this project's own design."""

from __future__ import annotations

import datetime
import io
import json
import random
import threading
import zipfile
from collections.abc import Callable
from typing import Any

import pikepdf
import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connections, transaction
from django.utils import timezone

from fleet import jobs, storage, tenancy
from fleet.models import Job, Paper, PaperBundle, PaperSeries, PaperSlip, Season
from fleet.models.papers import SHORT
from fleet.paper_codes import typed, verify
from fleet.queries.paper_batches import Wanted, progress_of, wanted
from fleet.queries.papers import file_name, verdict_on
from fleet.services import approvals, papers
from fleet.signing import public_keys
from reports.kinds import MAKERS
from reports.paper import Draft
from tests import cast as casting
from tests.cast import Cast
from tests.reports.setting import plain

pytestmark = [pytest.mark.service, pytest.mark.django_db]

Ask = Callable[..., Paper]


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """All kinds are set as the plainest paper."""
    for kind in SHORT:
        monkeypatch.setitem(MAKERS, kind, plain)  # type: ignore[arg-type]


def made(job: Job) -> Paper:
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    return Paper.objects.get(job=job)


def statement(cast: Cast, **more: Any) -> Job:
    return papers.ask("fleet_statement", by=cast.staff, operator=cast.operator, **more)


# --- Numbers --------------------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
def test_no_number_is_missing_or_double_however_many_ask_at_once():
    cast = casting.make_cast()
    start = threading.Barrier(4)
    undone: list[int] = []
    trouble: list[Exception] = []

    def ask_and_sometimes_fail(seed: int) -> None:
        chance = random.Random(seed)
        start.wait()
        try:
            with tenancy.everyone():
                for turn in range(12):
                    # A page size of its own each time: alike papers under way are asked for once.
                    try:
                        with transaction.atomic():
                            papers.ask(
                                "fleet_statement",
                                by=cast.staff,
                                operator=cast.operator,
                                unit_system=f"{seed}{turn}",
                            )
                            if chance.random() < 0.4:
                                raise KeyError("changed their mind")
                    except KeyError:
                        undone.append(turn)
        except Exception as error:
            trouble.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=ask_and_sometimes_fail, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not trouble
    assert undone
    with tenancy.everyone():
        numbers = sorted(PaperSlip.objects.values_list("number", flat=True))
        assert numbers == list(range(1, 48 - len(undone) + 1))
        assert PaperSeries.objects.get().last_number == len(numbers)
        assert Job.objects.filter(kind="paper").count() == len(numbers)


@pytest.mark.usefixtures("everyone")
def test_each_kind_and_year_has_numbers_of_its_own(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = PaperSlip.objects.get(pk=statement(cast).subject_id)
    assert first.name == f"FS-{timezone.localdate().year}-00001"
    monkeypatch.setattr(
        timezone, "now", lambda: datetime.datetime(2031, 1, 1, 7, tzinfo=datetime.UTC)
    )
    later = PaperSlip.objects.get(pk=statement(cast, page_size="a4").subject_id)
    assert later.name == "FS-2031-00001"
    season = Season.objects.create(
        name="2031", starts_on=datetime.date(2031, 1, 1), ends_on=datetime.date(2031, 12, 31)
    )
    job = papers.ask("participation", by=cast.staff, season=season)
    assert PaperSlip.objects.get(pk=job.subject_id).name == "PR-2031-00001"


@pytest.mark.usefixtures("everyone")
def test_who_waits_for_a_paper_does_not_get_two(cast: Cast) -> None:
    first, second = statement(cast), statement(cast)
    assert first.pk == second.pk
    other = papers.ask("fleet_statement", by=cast.owner, operator=cast.operator)
    assert other.pk != first.pk
    assert PaperSlip.objects.count() == 2


@pytest.mark.usefixtures("everyone")
@pytest.mark.parametrize(
    ("kind", "about", "field", "words"),
    [
        ("leaflet", {}, "kind", "Must be one of test_report"),
        ("certificate", {}, "requirement", "needs it; say which"),
        ("fleet_statement", {}, "operator", "say which"),
        ("participation", {"giver": "Somebody"}, "giver", "is not about that"),
        ("participation", {"page_size": "a0"}, "page_size", "Must be one of letter"),
    ],
)
def test_what_cannot_be_asked_for_is_said_and_takes_no_number(
    cast: Cast, kind: str, about: dict[str, Any], field: str, words: str
) -> None:
    with pytest.raises(ValidationError) as refused:
        papers.ask(kind, by=cast.staff, **about)
    assert words in " ".join(refused.value.message_dict[field])
    assert not PaperSlip.objects.exists()


@pytest.mark.usefixtures("everyone")
def test_certificates_and_reports_of_the_association_are_not_for_operators(cast: Cast) -> None:
    with pytest.raises(PermissionDenied):
        papers.ask("visit_summary", by=cast.owner, visit=casting.make_visit(cast))
    assert not PaperSlip.objects.exists()


# --- What is issued -------------------------------------------------------------------------------


@pytest.mark.usefixtures("everyone", "quick")
def test_a_paper_is_signed_keeps_its_record_and_is_valid(cast: Cast) -> None:
    paper = made(statement(cast))
    slip = paper.slip
    assert slip is not None
    with pikepdf.open(io.BytesIO(storage.fetch(paper.digest))) as pdf:
        inside = pdf.attachments["record.json"].get_file().read_bytes()
        signed = pdf.attachments["signed.txt"].get_file().read_bytes().decode()
    assert inside.decode() == paper.record
    assert json.loads(inside)["paper"]["number"] == slip.name
    assert typed(json.loads(inside)["paper"]["code"]) == slip.code
    stated = verify(signed, public_keys().values())
    assert (stated.name, stated.code) == (slip.name, slip.code)
    assert stated.is_about(inside, storage.digest_of(inside))
    assert verdict_on(paper).state == "valid"
    assert file_name(paper).startswith(slip.name)


@pytest.mark.usefixtures("everyone", "quick")
def test_reissued_withdrawn_and_never_both(cast: Cast) -> None:
    first = made(statement(cast))
    with pytest.raises(ValidationError, match="Say why"):
        papers.reissue(first, by=cast.staff, reason=" ")
    second = made(papers.reissue(first, by=cast.staff, reason="The name was wrong."))
    first.refresh_from_db()
    assert second.supersedes == first
    assert second.says["paper"]["replaces"] == first.slip.name
    assert verdict_on(Paper.objects.get(pk=first.pk)).why.startswith(
        f"It was replaced by {second.slip.name}"
    )
    for late in (
        lambda: papers.reissue(first, by=cast.staff, reason="Again."),
        lambda: papers.withdraw_paper(first, by=cast.staff, reason="Wrong."),
    ):
        with pytest.raises(ValidationError, match="A newer paper stands in its place"):
            late()
    papers.withdraw_paper(second, by=cast.analyst, reason="Sent to the wrong office.")
    assert verdict_on(Paper.objects.get(pk=second.pk)).state == "withdrawn"
    with pytest.raises(ValidationError, match="withdrawn before"):
        papers.withdraw_paper(second, by=cast.staff, reason="Once more.")
    with pytest.raises(PermissionDenied):
        papers.withdraw_paper(second, by=cast.owner, reason="Not mine to do.")


@pytest.mark.usefixtures("everyone", "quick")
def test_two_replacements_under_way_leave_one(cast: Cast) -> None:
    first = made(statement(cast))
    one = papers.reissue(first, by=cast.staff, reason="One.")
    other = papers.reissue(first, by=cast.analyst, reason="Other.")
    made(one)
    jobs.run(other.pk)
    other.refresh_from_db()
    assert (other.state, other.reason[:31]) == ("failed", "The paper to be replaced was re")
    slip = PaperSlip.objects.get(pk=other.subject_id)
    papers.give_up(slip, by=cast.staff, reason="Asked for twice.")
    assert slip.void.reason == "Asked for twice."


@pytest.mark.usefixtures("everyone")
def test_a_paper_on_an_approval_ends_with_it(cast: Cast) -> None:
    approval = casting.make_approval(cast)
    ask = {"by": cast.owner, "operator": cast.operator, "aircraft": approval.aircraft}
    card = made(papers.ask("swath_card", **ask))
    assert card.valid_until == approval.valid_until
    assert verdict_on(card).state == "valid"
    after = approval.valid_until + datetime.timedelta(days=1)
    assert verdict_on(card, today=after).state == "expired"
    approvals.withdraw(approval, by=cast.analyst, reason="The boom was bent.")
    verdict = verdict_on(Paper.objects.get(pk=card.pk))
    assert verdict.state == "ended"
    assert "withdrawn on" in verdict.why
    refused = papers.ask("swath_card", **ask)
    jobs.run(refused.pk)
    refused.refresh_from_db()
    assert refused.state == "failed"
    assert "there is no card to make" in refused.reason


# --- When it cannot be made -----------------------------------------------------------------------


@pytest.mark.usefixtures("everyone", "quick")
def test_a_number_is_tried_again_or_given_up_but_never_lost(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(slip: PaperSlip) -> Draft:
        raise jobs.JobRefused("The chart cannot be drawn.")

    job = statement(cast)
    slip = PaperSlip.objects.get(pk=job.subject_id)
    with pytest.raises(ValidationError, match="being made"):
        papers.give_up(slip, by=cast.staff, reason="Too soon.")
    with monkeypatch.context() as patched:
        patched.setitem(MAKERS, "fleet_statement", broken)  # type: ignore[arg-type]
        jobs.run(job.pk)
    again = papers.try_again(slip, by=cast.staff)
    with pytest.raises(ValidationError, match="being made"):
        papers.try_again(slip, by=cast.staff)
    assert made(again).slip == slip
    with pytest.raises(ValidationError, match="made already"):
        papers.give_up(slip, by=cast.staff, reason="Too late.")


# --- Batches --------------------------------------------------------------------------------------


@pytest.mark.usefixtures("everyone", "quick")
def test_a_batch_resumes_and_becomes_one_zip_and_one_pdf(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    season = Season.objects.create(
        name="2026", starts_on=datetime.date(2026, 1, 1), ends_on=datetime.date(2026, 12, 31)
    )
    ours, theirs = (Wanted("fleet_statement", one) for one in (cast.operator, cast.other_operator))
    batch = papers.ask_batch(
        season, by=cast.staff, kinds=["fleet_statement"], wanted=[ours, theirs]
    )
    with pytest.raises(ValidationError, match="None of its papers"):
        papers.bundle(batch, by=cast.staff)
    first, second = Job.objects.filter(kind="paper").order_by("created_at", "id")
    made(first)
    with monkeypatch.context() as patched:
        patched.setattr("reports.handlers.make", _refuse)
        jobs.run(second.pk)
    progress = progress_of(batch)
    assert (progress.slips, progress.issued, progress.in_trouble, progress.waiting) == (2, 1, 1, 0)
    assert papers.try_batch_again(batch, by=cast.staff) == 1
    assert progress_of(batch).waiting == 1
    jobs.run(Job.objects.filter(kind="paper", state="queued").get().pk)
    assert progress_of(batch).share == 1.0
    job = papers.bundle(batch, by=cast.staff)
    assert papers.bundle(batch, by=cast.staff) == job
    jobs.run(job.pk)
    bundle = PaperBundle.objects.get(job=job)
    issued = list(Paper.objects.order_by("slip__number"))
    with zipfile.ZipFile(io.BytesIO(storage.fetch(bundle.zip_digest))) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == [file_name(one) for one in issued]
        for name, one in zip(archive.namelist(), issued, strict=True):
            assert storage.digest_of(archive.read(name)) == one.digest
    with pikepdf.open(io.BytesIO(storage.fetch(bundle.pdf_digest))) as merged:
        assert len(merged.pages) == 2
        with merged.open_outline() as outline:
            assert [item.title for item in outline.root] == [one.slip.name for one in issued]


def _refuse(*given: Any) -> None:
    raise jobs.JobRefused("Not today.")


@pytest.mark.usefixtures("everyone")
def test_a_season_names_its_papers(cast: Cast) -> None:
    approval = casting.make_approval(cast)
    flown = approval.analysis.test.flown_on
    season = Season.objects.create(
        name="Then", starts_on=flown, ends_on=flown + datetime.timedelta(days=1)
    )
    found = wanted(cast.staff, season, ["test_report", "swath_card"])
    assert [(one.kind, one.operator) for one in found] == [
        ("test_report", cast.operator),
        ("swath_card", cast.operator),
    ]
    approvals.withdraw(approval, by=cast.analyst, reason="The boom was bent.")
    assert wanted(cast.staff, season, ["test_report", "swath_card"]) == []
    with pytest.raises(ValidationError, match="Nothing on record"):
        papers.ask_batch(season, by=cast.staff, kinds=["swath_card"], wanted=[])
