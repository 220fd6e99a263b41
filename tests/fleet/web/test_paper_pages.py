"""Pages of papers: what each role sees, asking, issuing anew, taking back, a season in one go."""

from __future__ import annotations

import io
import zipfile
from typing import Any

import pikepdf
import pytest
from django.db.models import Model
from django.urls import reverse

from fleet import jobs, storage, tenancy
from fleet.models import (
    Approval,
    Job,
    JobState,
    Membership,
    Paper,
    PaperBatch,
    PaperSlip,
    Person,
    Season,
)
from fleet.services import papers
from tests.cast import Cast, make_aircraft, make_approval, make_setup, make_visit
from tests.fleet.web.asking import HTMX, queries_of, signed_in, words_of

pytestmark = pytest.mark.django_db


def done(job: Job) -> PaperSlip:
    """Do the worker's work at once; the number of the paper."""
    with tenancy.everyone():
        jobs.run(job.pk)
        return PaperSlip.objects.select_related("series").get(pk=job.subject_id)


def statement(cast: Cast, by: Person | None = None) -> PaperSlip:
    with tenancy.everyone():
        job = papers.ask("fleet_statement", by=by or cast.staff, operator=cast.operator)
    return done(job)


def failed(cast: Cast) -> PaperSlip:
    """A card for an aircraft without an approved swath, which cannot be made."""
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        job = papers.ask("swath_card", by=cast.owner, operator=cast.operator, aircraft=aircraft)
    return done(job)


def page_of(person: Person, slip: PaperSlip) -> str:
    return words_of(signed_in(person).get(reverse("paper-about", args=[slip.pk])))


def posted(person: Person, name: str, key: Model, **data: Any) -> Any:
    return signed_in(person).post(reverse(name, args=[key.pk]), data)


def asked(person: Person, kind: str, **about: Any) -> Any:
    return signed_in(person).post(reverse("paper-ask"), {"kind": kind, **about})


@pytest.fixture
def season(cast: Cast) -> Season:
    with tenancy.everyone():
        season = Season.objects.create(name="2026", starts_on="2026-01-01", ends_on="2026-12-31")
        for operator in (cast.operator, cast.other_operator):
            Membership.objects.create(
                operator=operator, season=season, kind="full", joined_on=season.starts_on
            )
    return season


# --- the list -------------------------------------------------------------------------------------


def test_each_sees_their_own_numbers_and_the_state_in_words(cast: Cast):
    slip, broken = statement(cast), failed(cast)
    for person in (cast.staff, cast.analyst, cast.owner, cast.pilot):
        says = words_of(signed_in(person).get(reverse("papers")))
        assert slip.name in says
        assert broken.name in says
        assert "Fleet statement Redgrass Aerial" in says
        assert "Issued" in says
        assert ("A season's papers" in says) is person.sees_everyone
    for person in (cast.outsider, cast.checker):
        says = words_of(signed_in(person).get(reverse("papers")))
        assert slip.name not in says
        assert "No paper has been asked for yet." in says


def test_the_list_is_narrowed_and_searched(cast: Cast):
    slip, broken = statement(cast), failed(cast)
    client = signed_in(cast.staff)

    def shown(**query: str) -> str:
        return words_of(client.get(reverse("papers"), query))

    assert slip.name in shown(show="issued")
    assert broken.name not in shown(show="issued")
    assert broken.name in shown(show="open")
    assert slip.name not in shown(show="open")
    assert slip.name in shown(q=slip.code[:4] + "-" + slip.code[4:])
    assert slip.name not in shown(q="no such title")
    assert slip.name in shown(show="nonsense")


def test_the_list_does_not_ask_row_by_row(cast: Cast):
    statement(cast)
    client = signed_in(cast.staff)
    few = queries_of(client, reverse("papers"))
    for by in (cast.owner, cast.pilot, cast.analyst):
        statement(cast, by)
    assert queries_of(client, reverse("papers")) <= few


# --- asking, where the subject is -----------------------------------------------------------------


def test_asked_for_where_the_subject_is(cast: Cast, season: Season):
    with tenancy.everyone():
        make_approval(cast)
        aircraft = Approval.objects.get().aircraft
        visit = make_visit(cast)
    client = signed_in(cast.staff)
    for address, key, kind in (
        (reverse("aircraft", args=[aircraft.pk]), aircraft, "swath_card"),
        (reverse("operator", args=[cast.operator.pk]), cast.operator, "fleet_statement"),
        (reverse("visit", args=[visit.pk]), visit, "field_sheet"),
        (reverse("season"), season, "participation"),
    ):
        page = client.get(address).content.decode()
        assert f'name="kind" value="{kind}"' in page, address
        assert f'value="{key.pk}"' in page, address


def test_asking_leads_to_the_job_and_then_to_the_paper(cast: Cast):
    answer = asked(cast.owner, "fleet_statement", operator=cast.operator.pk)
    assert answer.status_code == 302
    with tenancy.everyone():
        job = Job.objects.get(kind="paper")
    assert answer.url == reverse("job", args=[job.pk])
    slip = done(job)
    with tenancy.everyone():
        paper = Paper.objects.get(slip=slip)
    answer = signed_in(cast.owner).get(reverse("paper", args=[paper.pk]))
    assert answer["Content-Type"] == "application/pdf"
    assert answer.getvalue() == storage.fetch(paper.digest)


def test_asking_for_what_is_not_there_not_ones_own_or_not_allowed(cast: Cast):
    assert asked(cast.staff, "nonsense", operator=cast.operator.pk).status_code == 404
    assert asked(cast.outsider, "fleet_statement", operator=cast.operator.pk).status_code == 404
    with tenancy.everyone():
        visit = make_visit(cast)
    assert asked(cast.owner, "visit_summary", visit=visit.pk).status_code in (403, 404)
    client = signed_in(cast.staff)
    answer = client.post(
        reverse("paper-ask"), {"kind": "swath_card", "operator": cast.operator.pk}, follow=True
    )
    assert "needs it; say which" in words_of(answer)
    with tenancy.everyone():
        assert not PaperSlip.objects.exists()


# --- one number -----------------------------------------------------------------------------------


def test_what_may_be_done_with_a_paper_by_whom(cast: Cast):
    slip = statement(cast)
    for person, withdraws in ((cast.staff, True), (cast.analyst, True), (cast.owner, False)):
        says = page_of(person, slip)
        assert "Open the PDF" in says
        assert "Issue it anew" in says
        assert ("Withdraw it" in says) is withdraws
    for person in (cast.outsider, cast.checker):
        address = reverse("paper-about", args=[slip.pk])
        assert signed_in(person).get(address).status_code == 404


def test_issued_anew_it_replaces_the_old_one_with_the_reason(cast: Cast):
    slip = statement(cast)
    answer = posted(cast.owner, "paper-reissue", slip, **{"reissue-reason": " "})
    assert answer.status_code == 200
    assert "This field is required" in words_of(answer)
    posted(cast.owner, "paper-reissue", slip, **{"reissue-reason": "An aircraft came."})
    with tenancy.everyone():
        newer = done(Job.objects.exclude(subject_id=slip.pk).get(kind="paper"))
    says = page_of(cast.owner, newer)
    assert f"It was issued in place of {slip.name} : An aircraft came." in says
    old = page_of(cast.owner, slip)
    assert f"It was replaced by {newer.name}" in old
    assert "Issue it anew" not in old
    again = posted(cast.owner, "paper-reissue", slip, **{"reissue-reason": "Once more."})
    assert "A newer paper stands in its place." in words_of(again)


def test_withdrawn_by_the_office_with_a_reason(cast: Cast):
    slip = statement(cast)
    reason = {"withdraw-reason": "Issued for the wrong operator."}
    assert posted(cast.owner, "paper-withdraw", slip, **reason).status_code == 403
    assert "This field is required" in words_of(posted(cast.staff, "paper-withdraw", slip))
    answer = posted(cast.staff, "paper-withdraw", slip, **reason)
    assert answer.url == reverse("paper-about", args=[slip.pk])
    says = page_of(cast.owner, slip)
    assert "Withdrawn by Sela Office: Issued for the wrong operator." in says
    assert "Issue it anew" not in says
    assert "It was withdrawn before." in words_of(
        posted(cast.staff, "paper-withdraw", slip, **reason)
    )


def test_what_could_not_be_made_is_tried_again_or_given_up(cast: Cast):
    slip = failed(cast)
    assert "No swath is approved for XX-R01 now" in page_of(cast.owner, slip)
    assert "Give the number up" not in page_of(cast.owner, slip)
    again = posted(cast.owner, "paper-again", slip)
    with tenancy.everyone():
        job = Job.objects.filter(subject_id=slip.pk).latest("created_at")
        assert again.url == reverse("job", args=[job.pk])
    waiting = signed_in(cast.owner).post(reverse("paper-again", args=[slip.pk]), follow=True)
    assert "It is being made, or is made already." in words_of(waiting)
    done(job)
    assert "This field is required" in words_of(posted(cast.staff, "paper-give-up", slip))
    posted(cast.staff, "paper-give-up", slip, **{"give-up-reason": "Sold before it was tested."})
    says = page_of(cast.owner, slip)
    assert "Given up: Sold before it was tested." in says
    assert "Try again" not in says


# --- a season's papers ----------------------------------------------------------------------------


def test_a_season_in_one_go_with_progress_and_both_files(cast: Cast, season: Season):
    client = signed_in(cast.staff)
    form = client.get(reverse("paper-batch-new"), {"season": season.pk})
    assert form.status_code == 200
    data = {"season": season.pk, "page_size": "letter"}
    assert "This field is required" in words_of(client.post(reverse("paper-batch-new"), data))
    nothing = client.post(reverse("paper-batch-new"), {**data, "kinds": ["thanks"]})
    assert "Nothing on record in this season asks for such a paper." in words_of(nothing)
    answer = client.post(reverse("paper-batch-new"), {**data, "kinds": ["fleet_statement"]})
    with tenancy.everyone():
        batch = PaperBatch.objects.get()
        waiting = list(Job.objects.filter(kind="paper"))
        make_setup(cast, make_aircraft(cast))
    address = reverse("paper-batch", args=[batch.pk])
    assert answer.url == address
    page = client.get(address)
    assert "0 of 2 issued, 2 waiting" in words_of(page)
    assert "every 2s" in page.content.decode()
    assert client.get(address, **HTMX).status_code == 200
    for job in waiting:
        done(job)
    assert client.get(address, **HTMX).status_code == 286  # which tells htmx to stop asking
    assert "Put 2 papers together" in words_of(client.get(address))
    assert client.get(reverse("paper-batch-zip", args=[batch.pk])).status_code == 404
    client.post(reverse("paper-batch-bundle", args=[batch.pk]))
    assert "Putting them together" in words_of(client.get(address))
    with tenancy.everyone():
        jobs.run(Job.objects.get(kind="bundle").pk)
    assert "2 papers, put together" in words_of(client.get(address))
    packed = client.get(reverse("paper-batch-zip", args=[batch.pk]))
    with zipfile.ZipFile(io.BytesIO(packed.content)) as found:
        assert len([name for name in found.namelist() if name.endswith(".pdf")]) == 2
    merged = client.get(reverse("paper-batch-pdf", args=[batch.pk]))
    assert merged["Content-Disposition"].startswith("attachment")
    with pikepdf.open(io.BytesIO(merged.content)) as document:
        assert len(document.pages) >= 2
    assert signed_in(cast.owner).get(address).status_code == 403


def test_trouble_in_a_batch_is_named_and_tried_again(cast: Cast, season: Season):
    from fleet.queries.paper_batches import Wanted

    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        batch = papers.ask_batch(
            season,
            by=cast.staff,
            kinds=["swath_card"],
            wanted=[Wanted("swath_card", cast.operator, {"aircraft": aircraft})],
        )
        slip = batch.slips.get()
        done(Job.objects.get(subject_id=slip.pk))
    client = signed_in(cast.staff)
    address = reverse("paper-batch", args=[batch.pk])
    says = words_of(client.get(address))
    assert "1 could not be made" in says
    assert "No swath is approved for XX-R01 now" in says
    refused = client.post(reverse("paper-batch-bundle", args=[batch.pk]), follow=True)
    assert "None of its papers is issued yet." in words_of(refused)
    again = client.post(reverse("paper-batch-again", args=[batch.pk]), follow=True)
    assert "Tried again: 1." in words_of(again)
    with tenancy.everyone():
        assert Job.objects.filter(subject_id=slip.pk, state=JobState.QUEUED).count() == 1
