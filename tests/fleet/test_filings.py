"""Filings: which papers are asked for, until when, and the steps until they are settled."""

from __future__ import annotations

import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from fleet import jobs, storage
from fleet.models import (
    AuditRow,
    Filing,
    FilingStep,
    Job,
    Paper,
    Requirement,
    RequirementVersion,
    Season,
    Waiver,
    WorksUnder,
)
from fleet.models.base import SealedError
from fleet.queries.asked_papers import Asked, asked_papers, counted_from, due_at
from fleet.queries.calendar_feed import feed_of
from fleet.queries.filings import (
    due_where_asked,
    filings_of,
    on_board,
    open_filings,
    papers_for,
    standing_of,
)
from fleet.services import filings, papers
from reports.kinds import MAKERS
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_test,
    make_tested,
)
from tests.fleet.api.client import signed_in as api_of
from tests.reports.setting import plain

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

FLOWN = datetime.date(2026, 4, 14)  # the day of `make_visit`
SENT_ON = FLOWN + datetime.timedelta(days=2)
CHICAGO = ZoneInfo("America/Chicago")


def add_rule(cast: Cast, **says: Any) -> RequirementVersion:
    """A rule of the state, in force since long ago, that asks for two papers within ten days."""
    number = says.pop("number", 1)
    jurisdiction = says.pop("jurisdiction", cast.state)
    requirement, _ = Requirement.objects.get_or_create(
        jurisdiction=jurisdiction, name=says.pop("name", "Yearly test")
    )
    usual = {
        "effective_from": datetime.date(2020, 1, 1),
        "source": "Invented for the tests.",
        "evidence": "test",
        "rhythm": "interval",
        "interval_months": 12,
        "papers": ["Test report", "Certificate"],
        "filing_deadline": 10,
    }
    return RequirementVersion.objects.create(
        requirement=requirement, number=number, **{**usual, **says}
    )


@pytest.fixture
def filing(cast: Cast) -> Filing:
    """One filing of a test, as `open_filings_due` opens it."""
    version = add_rule(cast, papers=["Test report"])
    test = make_test(cast, make_setup(cast, make_aircraft(cast)))
    start = counted_from(version, FLOWN, CHICAGO)
    opened = Filing.objects.create(
        operator=cast.operator,
        jurisdiction=cast.state,
        version=version,
        aircraft=test.setup.aircraft,
        test=test,
        what="Test report",
        reason=Asked(version, "Test report", start, None, test=test).reason,
        counted_from=start,
        due_at=due_at(version, start, CHICAGO),
    )
    return filings_of(cast.staff).get(pk=opened.pk)


def again(filing: Filing) -> Any:
    return filings_of(filing_person()).get(pk=filing.pk)


def filing_person() -> Any:
    from fleet.models import Person

    return Person.objects.get(role="staff")


# --- deadlines: worked by hand on the calendar; clock changes from the IANA database, rules for the
# --- United States in 15 U.S.C. 260a (second Sunday of March, first Sunday of November)


@pytest.mark.parametrize(
    ("flown", "zone", "count", "unit", "due_utc"),
    [
        # 6 March 2026 and three days: 9 March, by then on summer time (UTC-5).
        ("2026-03-06", "America/Chicago", 3, "days", "2026-03-10T04:59:59"),
        # 30 October 2026 and three days: 2 November, by then on winter time (UTC-6).
        ("2026-10-30", "America/Chicago", 3, "days", "2026-11-03T05:59:59"),
        # Over a leap day: 27 February 2028 and two days is the 29th; 2027 has none.
        ("2028-02-27", "America/Chicago", 2, "days", "2028-03-01T05:59:59"),
        ("2027-02-27", "America/Chicago", 2, "days", "2027-03-02T05:59:59"),
        # Over New Year, in a zone without summer time (UTC-7 all the year).
        ("2026-12-20", "America/Phoenix", 30, "days", "2027-01-20T06:59:59"),
        # 24 hours from the end of Saturday 7 March run to 00:59:59 on Monday: one hour was left
        # out. That hours run on through clock changes: common practice, no source.
        ("2026-03-07", "America/Chicago", 24, "hours", "2026-03-09T05:59:59"),
        ("2026-10-31", "America/Chicago", 24, "hours", "2026-11-02T04:59:59"),
        ("2028-02-28", "America/Chicago", 48, "hours", "2028-03-02T05:59:59"),
        # The last hour of 23 March 2024 was had twice there; the day ends with the second.
        ("2024-03-23", "America/Asuncion", 1, "hours", "2024-03-24T04:59:59"),
    ],
)
def test_deadlines_by_the_calendar(flown: str, zone: str, count: int, unit: str, due_utc: str):
    version = RequirementVersion(filing_deadline=count, filing_deadline_unit=unit)
    place = ZoneInfo(zone)
    start = counted_from(version, datetime.date.fromisoformat(flown), place)
    due = due_at(version, start, place)
    assert due is not None
    assert due.astimezone(datetime.UTC).isoformat() == f"{due_utc}+00:00"


def test_hours_are_counted_from_the_last_pass_where_the_passes_say_it():
    version = RequirementVersion(filing_deadline=36, filing_deadline_unit="hours")
    flown_at = datetime.datetime(2026, 4, 14, 9, 20, tzinfo=CHICAGO)
    start = counted_from(version, FLOWN, CHICAGO, flown_at)
    assert due_at(version, start, CHICAGO) == datetime.datetime(2026, 4, 15, 21, 20, tzinfo=CHICAGO)
    # A clock of a reader that was on another day is not believed.
    wrong = counted_from(version, FLOWN, CHICAGO, flown_at - datetime.timedelta(days=400))
    assert wrong == datetime.datetime(2026, 4, 14, 23, 59, 59, tzinfo=CHICAGO)
    # In days the hour of the flight says nothing.
    days = RequirementVersion(filing_deadline=1, filing_deadline_unit="days")
    assert counted_from(days, FLOWN, CHICAGO, flown_at).hour == 23


def test_no_deadline_is_none():
    assert due_at(RequirementVersion(), timezone.now(), CHICAGO) is None


# --- what is asked for ----------------------------------------------------------------------------


def test_one_for_each_paper_once(cast: Cast):
    version = add_rule(cast, papers=["Test report", "Certificate", "Test  report"])
    analysis = make_analysis(cast)
    assert filings.open_filings_due(by=cast.analyst) == 2
    assert filings.open_filings_due(by=cast.staff) == 0
    assert filings.open_filings_due(by=None) == 0
    found = {one.what: one for one in Filing.objects.all()}
    assert set(found) == {"Test report", "Certificate"}
    one = found["Certificate"]
    assert (one.version, one.test, one.operator) == (version, analysis.test, cast.operator)
    assert one.due_at.astimezone(CHICAGO).isoformat() == "2026-04-24T23:59:59-05:00"
    assert AuditRow.objects.filter(deed="filing_opened").count() == 2


def test_the_version_in_force_on_the_day_flown_asks(cast: Cast):
    add_rule(cast, papers=[])
    add_rule(cast, number=2, effective_from=FLOWN, papers=["Old form"])
    day_after = FLOWN + datetime.timedelta(days=1)
    add_rule(cast, number=3, effective_from=day_after, papers=["New form"])
    make_analysis(cast)
    filings.open_filings_due(by=None)
    assert [one.what for one in Filing.objects.all()] == ["Old form"]


def test_what_is_not_asked_for(cast: Cast):
    add_rule(cast, name="Helicopters", kinds=["helicopter"])
    add_rule(cast, name="More passes", minimum_passes=4)
    add_rule(cast, name="Approved", evidence="approval")
    ended = add_rule(cast, name="Ended").requirement
    Requirement.objects.filter(pk=ended.pk).update(ended_on=FLOWN - datetime.timedelta(days=1))
    elsewhere = type(cast.state).objects.create(name="Elsewhere")
    away = add_rule(cast, jurisdiction=elsewhere, name="Away")
    test = make_tested(cast)
    assert filings.open_filings_due(by=None) == 0  # nothing is analysed
    analysis = make_analysis(cast, test)
    assert filings.open_filings_due(by=None) == 0
    waived = add_rule(cast, name="Waived").requirement
    waiver = Waiver.objects.create(
        operator=cast.operator,
        aircraft=test.setup.aircraft,
        requirement=waived,
        from_on=FLOWN,
        until_on=FLOWN,
        reason="Engine out",
        granted_by=cast.staff,
    )
    assert filings.open_filings_due(by=None) == 0
    Waiver.objects.filter(pk=waiver.pk).update(
        until_on=FLOWN, from_on=FLOWN, ended_on=FLOWN, ended_reason="Mended"
    )
    assert filings.open_filings_due(by=None) == 2  # an ended waiver holds until the day before
    make_approval(cast, analysis)
    assert filings.open_filings_due(by=None) == 2
    WorksUnder.objects.create(
        operator=cast.operator,
        aircraft=test.setup.aircraft,
        jurisdiction=elsewhere,
        from_on=FLOWN,
        until_on=FLOWN,
    )
    assert filings.open_filings_due(by=None) == 2
    assert Filing.objects.filter(version=away).count() == 2


def test_a_season_return_is_asked_for_once_its_season_is_over(cast: Cast):
    """Thirty days from 31 March: 30 April, by the calendar."""
    add_rule(cast, papers=["season  Return"], filing_deadline=30)
    add_rule(cast, name="Helicopters", papers=["Season return"], kinds=["helicopter"])
    ended, running = (
        Season.objects.create(name=name, starts_on=first, ends_on=last)
        for name, first, last in (
            ("2025/26", datetime.date(2025, 4, 1), datetime.date(2026, 3, 31)),
            ("2026/27", datetime.date(2026, 4, 1), datetime.date(2027, 3, 31)),
        )
    )
    assert filings.open_filings_due(by=None) == 0  # it binds no aircraft
    setup = make_setup(cast, make_aircraft(cast))
    make_aircraft(cast, cast.other_operator)
    last_second = datetime.datetime(2026, 3, 31, 23, 59, 59, tzinfo=CHICAGO)
    assert not list(asked_papers(now=last_second))
    assert filings.open_filings_due(by=None) == 1
    assert filings.open_filings_due(by=None) == 0
    one = filings_of(cast.staff).get()
    assert (one.what, one.season, one.operator, one.test) == ("season Return", ended, None, None)
    assert due_where_asked(one).isoformat() == "2026-04-30T23:59:59-05:00"
    assert running not in {asked.season for asked in asked_papers()}
    assert not filings_of(cast.owner).exists()
    page = signed_in(cast.staff).get(reverse("filing", args=[one.pk])).content.decode()
    assert "Issue the season return" in page
    assert "All of season 2025/26" in signed_in(cast.staff).get(reverse("filings")).content.decode()
    with pytest.raises(ValidationError, match="the season's last day, 31 March 2026"):
        take(one, "prepared", cast, happened_on=datetime.date(2026, 3, 30))
    for kind in ("prepared", "sent", "acknowledged"):
        take(one, kind, cast, happened_on=datetime.date(2026, 4, 3))
    assert not open_filings(filings_of(cast.staff)).exists()
    # No paper of a test is asked for by it.
    make_analysis(cast, make_tested(cast, setup))
    assert filings.open_filings_due(by=None) == 0


def test_a_return_offers_the_papers_about_its_season(cast: Cast, monkeypatch: pytest.MonkeyPatch):
    add_rule(cast, papers=["Season return"])
    make_setup(cast, make_aircraft(cast))
    season = Season.objects.create(
        name="2025", starts_on=datetime.date(2025, 1, 1), ends_on=datetime.date(2025, 12, 31)
    )
    filings.open_filings_due(by=None)
    one = filings_of(cast.staff).get()
    for kind, about in (
        ("participation", {"season": season}),
        ("season_return", {"season": season, "jurisdiction": cast.state}),
    ):
        monkeypatch.setitem(MAKERS, kind, plain)
        jobs.run(papers.ask(kind, by=cast.staff, **about).pk)
    found = list(papers_for(cast.staff, one))
    assert [(paper.kind, paper.about) for paper in found] == [
        ("season_return", 0),
        ("participation", 2),
    ]


def test_daily_job_is_asked_for_once_and_opens_them(cast: Cast):
    add_rule(cast)
    make_analysis(cast)
    today = timezone.localdate()
    assert filings.look_on(today)
    assert not filings.look_on(today)
    jobs.run(filings.key_of_day(today))
    assert Job.objects.get(kind="filings").state == "done"
    assert Filing.objects.count() == 2


def test_number_of_queries_does_not_grow_with_tests(cast: Cast):
    add_rule(cast)
    test = make_tested(cast)
    make_analysis(cast, test)
    filings.open_filings_due(by=None)

    def asked() -> int:
        with CaptureQueriesContext(
            connection,
        ) as seen:
            assert filings.open_filings_due(by=None) == 0
        return len(seen)

    before = asked()
    make_analysis(cast, make_tested(cast, test.setup))
    filings.open_filings_due(by=None)
    assert asked() == before


# --- steps ----------------------------------------------------------------------------------------


def test_the_road_of_a_filing(cast: Cast, filing: Filing):
    assert standing_of(filing).is_late
    assert standing_of(filing).next == "Prepare the paper."
    filings.prepare(filing, by=cast.analyst, happened_on=SENT_ON, words="Form of the state")
    assert standing_of(again(filing)).is_late  # prepared is not sent
    filings.send(filing, by=cast.staff, happened_on=SENT_ON)
    assert not standing_of(again(filing)).is_late
    filings.reject(filing, by=cast.staff, happened_on=SENT_ON, words="Serial number is missing")
    assert standing_of(again(filing)).is_late
    filings.correct(filing, by=cast.staff, happened_on=SENT_ON, words="Serial number added")
    answer = filings.Answer("answer.pdf", b"Received with thanks")
    step = filings.acknowledge(
        filing, by=cast.staff, happened_on=SENT_ON, reference="CA-17", file=answer
    )
    assert storage.fetch(step.file_digest) == answer.data
    assert standing_of(again(filing)).is_settled
    assert not open_filings(filings_of(cast.staff)).exists()
    kinds = ["prepared", "sent", "rejected", "corrected", "acknowledged"]
    assert list(filing.steps.values_list("kind", flat=True)) == kinds
    deeds = AuditRow.objects.filter(subject_id=filing.pk).order_by("created_at")
    assert list(deeds.values_list("deed", flat=True)) == [f"filing_{k}" for k in kinds]
    with pytest.raises(SealedError):
        step.save()


def test_steps_out_of_order_are_refused(cast: Cast, filing: Filing):
    for number, (done, kind) in enumerate(
        [
            ([], "sent"),
            ([], "acknowledged"),
            (["prepared"], "acknowledged"),
            (["prepared", "sent"], "sent"),
            (["prepared", "sent"], "corrected"),
            (["prepared", "sent", "rejected"], "acknowledged"),
            (["prepared", "sent", "acknowledged"], "dropped"),
            (["dropped"], "prepared"),
        ]
    ):
        filing.pk, filing.reason = None, f"another:{number}"
        filing.save(force_insert=True)
        for one in done:
            take(filing, one, cast)
        with pytest.raises(ValidationError) as refused:
            take(filing, kind, cast)
        assert "kind" in refused.value.message_dict, (done, kind)
        assert filing.steps.count() == len(done)


def take(filing: Filing, kind: str, cast: Cast, **more: Any) -> FilingStep:
    told = {"acknowledged": {"reference": "CA-17"}}.get(kind, {"words": "Said"})
    usual = {"by": cast.staff, "happened_on": SENT_ON, **told}
    return filings.STEPS[kind](filing, **{**usual, **more})


def test_what_is_wrong_is_named(cast: Cast, filing: Filing):
    for kind, values, field in (
        ("prepared", {"words": " "}, "paper"),
        ("dropped", {"words": ""}, "words"),
        ("prepared", {"happened_on": FLOWN - datetime.timedelta(days=1)}, "happened_on"),
        ("prepared", {"happened_on": datetime.date(2999, 1, 1)}, "happened_on"),
    ):
        with pytest.raises(ValidationError) as refused:
            take(filing, kind, cast, **values)
        assert set(refused.value.message_dict) == {field}


def test_answers_are_held_to_what_they_must_tell(cast: Cast, filing: Filing, settings):
    take(filing, "prepared", cast)
    take(filing, "sent", cast)
    for kind, field, values in (
        ("acknowledged", "reference", {"reference": ""}),
        ("rejected", "words", {"words": ""}),
        ("acknowledged", "file", {"file": filings.Answer("empty.pdf", b"")}),
        ("rejected", "happened_on", {"happened_on": SENT_ON - datetime.timedelta(days=1)}),
    ):
        with pytest.raises(ValidationError) as refused:
            take(filing, kind, cast, **values)
        assert set(refused.value.message_dict) == {field}
    settings.UPLOAD_LIMIT_BYTES = 3
    with pytest.raises(ValidationError, match="at most"):
        take(filing, "acknowledged", cast, file=filings.Answer("big.pdf", b"four"))
    for person in (cast.owner, cast.pilot, cast.checker):
        with pytest.raises(PermissionDenied):
            take(filing, "acknowledged", cast, by=person)


def test_a_paper_that_does_not_stand_is_not_sent(
    cast: Cast, filing: Filing, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setitem(MAKERS, "fleet_statement", plain)
    job = papers.ask("fleet_statement", by=cast.owner, operator=cast.operator)
    jobs.run(job.pk)
    paper = Paper.objects.get(job=job)
    filings.prepare(filing, by=cast.staff, happened_on=SENT_ON, paper=paper)
    papers.withdraw_paper(paper, by=cast.staff, reason="A pass was mixed up")
    with pytest.raises(ValidationError, match="prepare another"):
        take(filing, "sent", cast)
    with pytest.raises(ValidationError, match="withdrawn"):
        filings.prepare(filing, by=cast.staff, happened_on=SENT_ON, paper=paper)
    take(filing, "prepared", cast)
    take(filing, "sent", cast)


def test_board_is_in_the_order_of_what_presses(cast: Cast):
    add_rule(cast, papers=["Later", "Late", "Soon", "Sent", "Settled", "No deadline"])
    make_analysis(cast)
    filings.open_filings_due(by=None)
    found = {one.what: one for one in Filing.objects.all()}
    now = timezone.now()
    for what, days in {"Later": 40, "Late": -1, "Soon": 3, "Sent": -9, "Settled": -20}.items():
        moment = now + datetime.timedelta(days=days)
        Filing.objects.filter(pk=found[what].pk).update(due_at=moment)
    Filing.objects.filter(what="No deadline").update(due_at=None)
    for what in ("Sent", "Settled"):
        take(found[what], "prepared", cast)
        take(found[what], "sent", cast)
    take(found["Settled"], "acknowledged", cast)
    order = ["Late", "Soon", "Later", "No deadline", "Sent", "Settled"]
    assert [one.what for one in on_board(filings_of(cast.owner), now=now)] == order
    assert not on_board(filings_of(cast.outsider)).exists()
    assert open_filings(filings_of(cast.owner)).count() == 5


def test_calendar_names_the_day_where_it_is_asked_for(cast: Cast, filing: Filing):
    type(cast.state).objects.filter(pk=cast.state.pk).update(time_zone="America/Los_Angeles")
    late = datetime.datetime(2026, 4, 24, 23, 59, 59, tzinfo=ZoneInfo("America/Los_Angeles"))
    Filing.objects.filter(pk=filing.pk).update(due_at=late)
    assert b"DTSTART;VALUE=DATE:20260424" in feed_of(cast.owner)


# --- pages and API --------------------------------------------------------------------------------


def signed_in(person: Any) -> Client:
    client = Client()
    client.force_login(person)
    return client


def test_pages_lead_through_the_steps(cast: Cast, filing: Filing):
    office, owner = signed_in(cast.staff), signed_in(cast.owner)
    board = office.get(reverse("filings")).content.decode()
    assert "Late" in board
    assert "24 Apr 2026" in board
    address = reverse("filing", args=[filing.pk])
    page = office.get(address).content.decode()
    assert "24 April 2026, 23:59 CDT" in page
    assert page.count('class="primary"') == 1
    assert 'name="kind"' not in owner.get(address).content.decode()
    step = reverse("filing-step", args=[filing.pk])
    day = SENT_ON.isoformat()
    wrong = office.post(step, {"kind": "prepared", "prepared-happened_on": day})
    assert "say in words what was prepared" in wrong.content.decode()
    assert not filing.steps.exists()
    office.post(
        step,
        {
            "kind": "prepared",
            "prepared-happened_on": day,
            "prepared-words": "Form",
        },
    )
    office.post(step, {"kind": "sent", "sent-happened_on": day})
    late = office.post(step, {"kind": "sent", "sent-happened_on": day}, follow=True)
    assert "next it may be" in late.content.decode()
    office.post(
        step,
        {
            "kind": "acknowledged",
            "acknowledged-happened_on": day,
            "acknowledged-reference": "CA-17",
            "acknowledged-file": SimpleUploadedFile("answer.txt", b"Received"),
        },
    )
    last = filing.steps.get(kind="acknowledged")
    got = owner.get(reverse("filing-file", args=[last.pk]))
    assert got.content == b"Received"
    assert "attachment" in got["Content-Disposition"]
    assert "Nothing is open" in office.get(reverse("filings")).content.decode()
    assert "CA-17" in owner.get(address).content.decode()
    listed = office.get(reverse("filings"), {"show": "settled", "as": "csv"})
    assert "Acknowledged" in listed.content.decode("utf-8-sig")


def test_board_looks_again(cast: Cast):
    add_rule(cast)
    make_analysis(cast)
    office = signed_in(cast.staff)
    said = office.post(reverse("filings-look"), follow=True).content.decode()
    assert "2 papers more are asked for." in said
    assert "Nothing new" in office.post(reverse("filings-look"), follow=True).content.decode()


def test_api_does_what_the_pages_do(cast: Cast, filing: Filing):
    client = api_of(cast.staff)
    assert client.post(reverse("api:filing-look")).json() == {"opened": 0}
    (row,) = client.get(reverse("api:filing-list"), {"is_settled": "false"}).json()["results"]
    assert (row["is_late"], row["next"], row["last_step"]) == (True, "Prepare the paper.", "")
    address = reverse("api:filing-steps", args=[filing.pk])

    def post(form: str = "json", **body: Any) -> Any:
        body.setdefault("happened_on", SENT_ON.isoformat())
        return client.post(address, body, format=form)

    assert post(kind="sent").status_code == 400
    assert "reference" in post(kind="prepared", reference="x").json()["errors"]
    assert post(kind="prepared", words="Form").status_code == 201
    assert post(kind="sent").status_code == 201
    assert "words" in post(kind="rejected").json()["errors"]
    file = SimpleUploadedFile("answer.txt", b"Received")
    done = post("multipart", kind="acknowledged", file=file)
    assert done.status_code == 201, done.json()
    kept = client.get(reverse("api:filing-step-file", args=[done.json()["id"]]))
    assert kept.content == b"Received"
    first = filing.steps.get(kind="prepared")
    assert client.get(reverse("api:filing-step-file", args=[first.pk])).status_code == 404
    assert [one["kind"] for one in client.get(address).json()] == [
        "prepared", "sent", "acknowledged",
    ]  # fmt: skip
    assert api_of(cast.outsider).get(address).status_code == 404
