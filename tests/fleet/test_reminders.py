"""Digests: who is told what, once; settings; the link that stops them; trouble with the server.

Who gets what is this project's own design (no outside source). Headers and the one-click link are
held against RFC 8058, sections 3.1 and 3.2; a letter is read back with the standard library.
"""

from __future__ import annotations

import datetime
import email
import smtplib
import threading
from collections.abc import Iterator
from email import policy
from email.message import EmailMessage as Parsed
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend as Memory
from django.db import connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet import jobs
from fleet.models import (
    AuditRow,
    Job,
    JobState,
    Person,
    Reminded,
    ReminderChoice,
    ReminderMail,
    Requirement,
    RequirementVersion,
    SignUp,
    Visit,
)
from fleet.queries.asked_papers import filing_deadline
from fleet.queries.reminder_log import key_of_day, key_of_letter, undelivered_of
from fleet.queries.reminders import digests
from fleet.services import reminders
from fleet.services.reminder_letters import stop_token
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_test,
    make_tested,
    make_visit,
    trace_file,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

DAY = datetime.timedelta(days=1)
EVERYTHING = ["due_soon", "overdue", "visit", "paper", "setup"]


@pytest.fixture(autouse=True)
def _settings(settings) -> None:
    settings.PUBLIC_ADDRESS = "https://swathbook.example"
    settings.DEFAULT_FROM_EMAIL = "Swathbook <office@swathbook.example>"
    settings.REMIND_AT = datetime.time(7)


@pytest.fixture
def clock(monkeypatch) -> Iterator[Any]:
    """Set the clock of the service to a moment."""
    return lambda moment: monkeypatch.setattr(timezone, "now", lambda: moment)


def today() -> datetime.date:
    return timezone.localdate()


def add_rule(cast: Cast, **values: Any) -> RequirementVersion:
    """A rule of the state: a test every year, in force since long ago."""
    name = values.pop("name", "Yearly test")
    requirement, _ = Requirement.objects.get_or_create(jurisdiction=cast.state, name=name)
    usual = {
        "number": 1,
        "effective_from": datetime.date(2020, 1, 1),
        "source": "Invented for the tests.",
        "evidence": "test",
        "rhythm": "interval",
        "interval_months": 12,
    }
    return RequirementVersion.objects.create(requirement=requirement, **{**usual, **values})


def work(day: datetime.date | None = None) -> list[Any]:
    """Do what a worker does on a day, and return the letters that went out."""
    day = day or today()
    before = len(mail.outbox)
    reminders.send_digests(day)
    jobs.run(key_of_day(day))
    for key in Job.objects.filter(kind="reminder_mail", state="queued").values_list(
        "pk", flat=True
    ):
        jobs.run(key)
    return mail.outbox[before:]


def by_address(letters: list[Any]) -> dict[str, str]:
    return {letter.to[0]: letter.body for letter in letters}


def read_back(letter: Any) -> Parsed:
    """Read the bytes that go to the server, as a mail program does."""
    return email.message_from_bytes(letter.message().as_bytes(), policy=policy.default)


# --- who is told what -----------------------------------------------------------------------------


def test_each_is_told_what_is_theirs(cast: Cast):
    add_rule(cast)
    ours, theirs = make_aircraft(cast), make_aircraft(cast, cast.other_operator)
    letters = by_address(work())
    assert set(letters) == {
        cast.owner.email,
        cast.pilot.email,
        cast.outsider.email,
        cast.staff.email,
    }
    for person in (cast.owner, cast.pilot):
        assert str(ours) in letters[person.email]
        assert str(theirs) not in letters[person.email]
    assert "under Calloway: Yearly test." in letters[cast.owner.email]
    assert f"https://swathbook.example/aircraft/{ours.pk}/" in letters[cast.owner.email]
    assert str(ours) not in letters[cast.outsider.email]
    assert f"Redgrass Aerial, {ours}:" in letters[cast.staff.email]
    assert f"Other Creek Spraying, {theirs}:" in letters[cast.staff.email]


def test_nobody_who_is_gone_is_told(cast: Cast):
    add_rule(cast)
    make_aircraft(cast)
    make_aircraft(cast, cast.other_operator)
    Person.objects.filter(pk=cast.pilot.pk).update(is_active=False)
    cast.other_operator.left_on = today()
    cast.other_operator.save()
    letters = by_address(work())
    assert set(letters) == {cast.owner.email, cast.staff.email}
    assert "Other Creek" not in letters[cast.staff.email]


def test_due_soon_is_another_reason_than_overdue_and_a_new_day_is_a_new_one(cast: Cast):
    one = make_aircraft(cast)
    last = today() + 10 * DAY
    season = {
        "rhythm": "season",
        "interval_months": None,
        "season_first": f"{today() - 30 * DAY:%m-%d}",
        "effective_from": today() - 20 * DAY,
    }
    add_rule(cast, season_last=f"{last:%m-%d}", **season)
    (digest,) = [d for d in digests(today()) if d.person == cast.owner]
    (reason,) = digest.reasons
    assert reason.kind == "due_soon"
    assert reason.key.endswith(f"{last}")
    work()
    assert not [d for d in digests(today() + DAY) if d.person == cast.owner]
    (digest,) = [d for d in digests(last + DAY) if d.person == cast.owner]
    assert [one.kind for one in digest.reasons] == ["overdue"]
    assert str(one) in digest.reasons[0].words


def test_approval_that_a_changed_set_up_ended_is_told_in_the_readers_units(cast: Cast):
    setup = make_setup(cast, make_aircraft(cast))
    approval = make_approval(cast, make_analysis(cast, make_tested(cast, setup)))
    Person.objects.filter(pk=cast.pilot.pk).update(unit_system="metric")
    make_setup(cast, setup.aircraft, pressure_kpa=300.0)
    letters = by_address(work())
    assert f"{approval.swath_m / 0.3048:.4g} ft was approved" in letters[cast.owner.email]
    assert f"{approval.swath_m:.1f} m was approved" in letters[cast.pilot.email]
    assert "revision 2 is in force" in letters[cast.owner.email]
    assert cast.staff.email not in letters


def test_without_a_rule_the_approval_itself_falls_due(cast: Cast):
    approval = make_approval(cast, valid_until=today() + 5 * DAY)
    (digest,) = [d for d in digests(today()) if d.person == cast.owner]
    assert [reason.kind for reason in digest.reasons] == ["due_soon"]
    late = [d for d in digests(approval.valid_until + DAY) if d.person == cast.owner]
    assert [reason.kind for reason in late[0].reasons] == ["overdue"]
    # A rule that covers the aircraft decides alone; this one is met by the test.
    add_rule(cast, effective_from=datetime.date(2025, 1, 1), interval_months=120)
    assert not [d for d in digests(today()) if d.person == cast.owner]


def test_visit_of_tomorrow(cast: Cast):
    visit = make_visit(cast, today() + DAY)
    aircraft = [make_aircraft(cast, number=number) for number in (1, 2, 3)]
    states = ("placed", "placed", "waiting")
    for place, (one, state) in enumerate(zip(aircraft, states, strict=True)):
        SignUp.objects.create(
            visit=visit,
            aircraft=one,
            operator=cast.operator,
            state=state,
            position=place,
            signed_up_by=cast.owner,
        )
    letters = by_address(work())
    assert set(letters) == {cast.owner.email, cast.pilot.email, cast.analyst.email}
    assert "XX-R01 and XX-R02 have a place at Tamber Flat" in letters[cast.owner.email]
    assert "2 aircraft have a place" in letters[cast.analyst.email]
    assert f"https://swathbook.example/visits/{visit.pk}/" in letters[cast.pilot.email]


def test_visit_that_was_called_off_or_is_another_day_is_not_told(cast: Cast):
    for day, called_off in ((today() + DAY, today()), (today(), None), (today() + 2 * DAY, None)):
        visit = make_visit(cast, day)
        Visit.objects.filter(pk=visit.pk).update(cancelled_on=called_off)
    assert work() == []


def test_private_visit_is_told_to_the_host(cast: Cast):
    visit = make_visit(cast, today() + DAY)
    Visit.objects.filter(pk=visit.pk).update(kind="private", host=cast.operator)
    letters = by_address(work())
    assert "Anik String comes to you at Tamber Flat" in letters[cast.owner.email]
    assert "private visit to Redgrass Aerial" in letters[cast.analyst.email]


def test_paper_is_missing_until_a_report_is_issued_and_once_more_when_late(cast: Cast):
    from fleet.services import papers, passes

    add_rule(cast, papers=["Test report"], filing_deadline=5, filing_deadline_unit="days")
    setup = make_setup(cast, make_aircraft(cast))
    test = make_test(cast, setup, make_visit(cast, today() - 2 * DAY))
    files = [(f"{n}.csv", trace_file(seed=n)) for n in (1, 2, 3)]
    passes.add_passes(test, by=cast.analyst, files=files)
    told = {reason.kind for digest in digests(today()) for reason in digest.reasons}
    assert told == {"overdue"}  # nothing analysed, nothing to report on
    analysis = make_analysis(cast, test)
    (digest,) = [d for d in digests(today()) if d.person == cast.owner]
    (reason,) = digest.reasons
    assert reason.kind == "paper"
    assert "asks for: Test report, within 5 days" in reason.words
    assert reason.path == reverse("test", args=[test.pk])
    (late,) = [d for d in digests(test.flown_on + 6 * DAY) if d.person == cast.staff]
    assert late.reasons[0].key == f"{reason.key}:late"
    job = papers.request_report(analysis, by=cast.owner)
    jobs.run(job.pk)
    assert digests(today()) == []


def test_deadline_in_hours_ends_on_the_day_of_its_last_hour():
    flown, zone = datetime.date(2028, 2, 28), ZoneInfo("America/Chicago")  # a leap year
    expected = {24: 29, 48: 1, 72: 2, 36: 1}
    for hours, day in expected.items():
        version = RequirementVersion(filing_deadline=hours, filing_deadline_unit="hours")
        assert filing_deadline(version, flown, zone).day == day
    assert filing_deadline(RequirementVersion(), flown, zone) is None


def test_number_of_queries_does_not_grow_with_the_fleet(cast: Cast, django_assert_max_num_queries):
    add_rule(cast)
    for number in range(1, 31):
        make_aircraft(cast, number=number)
    with django_assert_max_num_queries(22):
        found = digests(today())
    assert sum(len(digest.reasons) for digest in found) == 90  # owner, pilot, staff


# --- once -----------------------------------------------------------------------------------------


def test_nothing_is_told_twice(cast: Cast, clock):
    add_rule(cast)
    make_aircraft(cast)
    assert len(work()) == 3
    assert work() == []
    mails, told = ReminderMail.objects.count(), Reminded.objects.count()
    assert (mails, told) == (3, 3)
    clock(timezone.now() + DAY)
    assert work() == []
    second = make_aircraft(cast, number=2)
    clock(timezone.now() + DAY)
    letters = by_address(work())
    assert str(second) in letters[cast.owner.email]
    assert "XX-R01" not in letters[cast.owner.email]


@pytest.mark.django_db(transaction=True)
def test_two_workers_at_one_moment_send_each_letter_once(settings):
    from fleet import tenancy
    from tests.cast import make_cast

    settings.JOB_HINT = "tests.fleet.test_reminders.no_hint"
    cast = make_cast()
    add_rule(cast)
    make_aircraft(cast)
    day = today()
    start = threading.Barrier(4)

    def worker() -> None:
        try:
            with tenancy.everyone():
                start.wait()
                reminders.send_digests(day)
                for _ in range(4):
                    jobs.run(key_of_day(day))
                    for person in (cast.owner, cast.pilot, cast.staff):
                        jobs.run(key_of_letter(day, person.pk))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=worker) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    work(day)  # whatever was left when all had looked
    assert sorted(letter.to[0] for letter in mail.outbox) == sorted(
        person.email for person in (cast.owner, cast.pilot, cast.staff)
    )
    assert ReminderMail.objects.count() == 3


def no_hint(job_id: object) -> None:
    """Nobody is told; the test runs the jobs itself."""


def test_letter_that_may_have_arrived_is_not_sent_again(cast: Cast, backend):
    """The server took the letter and the line broke before it said so."""
    add_rule(cast)
    make_aircraft(cast)
    Person.objects.exclude(pk__in=[cast.owner.pk, cast.staff.pk]).update(is_active=False)

    backend("Breaking")
    assert len(work()) == 2
    Job.objects.filter(kind="reminder_mail").update(lease_until=None)
    assert work() == []  # the second attempt only writes down
    assert ReminderMail.objects.count() == Reminded.objects.count() == 2
    client = Client()
    client.force_login(cast.staff)
    page = client.get(reverse("reminders")).content.decode()
    assert page.count("Not known whether it arrived") == 2


# --- trouble with the server ----------------------------------------------------------------------


class Choosy(Memory):
    """Refuses one address for good and another for now."""

    answers: dict[str, tuple[int, bytes]] = {}

    def send_messages(self, messages: Any) -> int:
        for message in messages:
            for to in message.to:
                if to in self.answers:
                    raise smtplib.SMTPRecipientsRefused({to: self.answers[to]})
        return super().send_messages(messages)


class Breaking(Memory):
    """Takes a letter, and the line breaks before it says so."""

    def send_messages(self, messages: Any) -> int:
        super().send_messages(messages)
        raise smtplib.SMTPServerDisconnected("Connection unexpectedly closed")


class Silent(Memory):
    """Nobody answers."""

    asked = 0

    def open(self) -> bool:
        type(self).asked += 1
        raise TimeoutError("timed out")


@pytest.fixture
def backend(settings) -> Iterator[Any]:
    def use(name: str) -> None:
        settings.EMAIL_BACKEND = f"tests.fleet.test_reminders.{name}"

    return use


def test_broken_address_does_not_stop_the_others(cast: Cast, backend, monkeypatch, clock):
    add_rule(cast)
    make_aircraft(cast)
    answers = {
        cast.owner.email: (550, b"No such user here"),
        cast.pilot.email: (451, b"Come back later"),
    }
    monkeypatch.setattr(Choosy, "answers", answers)
    backend("Choosy")
    assert set(by_address(work())) == {cast.staff.email}
    reasons = {one.person: (one.state, one.reason) for one in undelivered_of(cast.staff)}
    assert reasons[cast.owner] == (
        "failed",
        "The mail server refused the letter: 550 No such user here",
    )
    assert reasons[cast.pilot][0] == "queued"
    assert "451 Come back later" in reasons[cast.pilot][1]
    client = Client()
    client.force_login(cast.staff)
    assert "No such user here" in client.get(reverse("reminders")).content.decode()
    # Later on the same day the pilot's goes out; the owner is told on the next.
    answers.clear()
    Job.objects.filter(kind="reminder_mail").update(lease_until=None)
    assert set(by_address(work())) == {cast.pilot.email}
    clock(timezone.now() + DAY)
    assert set(by_address(work())) == {cast.owner.email}


def test_silent_server_is_asked_once_in_a_while_and_all_go_out_when_it_is_back(
    cast: Cast, backend, monkeypatch
):
    add_rule(cast)
    make_aircraft(cast)
    monkeypatch.setattr(Silent, "asked", 0)
    backend("Silent")
    assert work() == []
    waiting = Job.objects.filter(kind="reminder_mail")
    assert Silent.asked == 1
    assert set(waiting.values_list("state", "attempts")) == {(JobState.QUEUED, 0)}
    backend("Choosy")
    waiting.update(lease_until=None)
    assert len(work()) == 3
    assert ReminderMail.objects.count() == 3


def test_letter_left_over_from_yesterday_is_not_sent_today(cast: Cast, backend, clock):
    add_rule(cast)
    make_aircraft(cast)
    backend("Silent")
    work()
    backend("Choosy")
    clock(timezone.now() + DAY)
    Job.objects.filter(kind="reminder_mail").update(lease_until=None)
    letters = work()
    assert len(letters) == 3  # today's, one each
    assert set(ReminderMail.objects.values_list("day", flat=True)) == {today()}
    assert Job.objects.filter(state=JobState.FAILED, reason=reminders.DAY_OVER).count() == 3


# --- when -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moment", "expected"),
    [
        # Chicago is six hours behind UTC in winter, five in summer; the clocks of 2026 change on
        # 8 March and 1 November (15 U.S.C. 260a: second Sunday of March, first of November).
        ("2026-03-07T12:59", False),
        ("2026-03-07T13:00", True),
        ("2026-03-08T11:59", False),
        ("2026-03-08T12:00", True),
        ("2026-11-01T12:59", False),
        ("2026-11-01T13:00", True),
        ("2026-07-05T04:59", True),  # still the evening of the 4th
        ("2026-07-05T05:00", False),  # midnight
    ],
)
def test_hour_of_the_day_in_the_zone_of_the_service(moment: str, expected: bool):
    now = datetime.datetime.fromisoformat(moment).replace(tzinfo=datetime.UTC)
    assert reminders.is_time(now) is expected


def test_off_is_never(settings):
    settings.REMIND_AT = None
    assert not reminders.is_time(timezone.now())


def test_tomorrow_is_that_of_the_service_and_not_of_utc(cast: Cast, clock):
    """At 23:30 in Chicago it is the next day in UTC."""
    zone = ZoneInfo("America/Chicago")
    clock(datetime.datetime(2026, 4, 13, 23, 30, tzinfo=zone))
    make_visit(cast, datetime.date(2026, 4, 14))
    letters = by_address(work())
    assert "Tomorrow, 14 April 2026" in letters[cast.analyst.email]


# --- one's own settings ---------------------------------------------------------------------------


def test_only_what_is_wanted_is_told(cast: Cast):
    add_rule(cast)
    make_aircraft(cast)
    assert reminders.set_reminders(cast.owner, wanted=["visit", "paper"])
    assert not reminders.set_reminders(cast.owner, wanted=["visit", "paper"])
    reminders.set_reminders(cast.pilot, wanted=[])
    assert set(by_address(work())) == {cast.staff.email}
    row = AuditRow.objects.filter(deed="reminders_set", subject_id=cast.owner.pk).get()
    assert row.after == {"wanted": ["visit", "paper"]}
    assert row.before == {"wanted": EVERYTHING}
    assert AuditRow.objects.filter(deed="reminder_sent").count() == 1


def test_what_is_chosen_after_gathering_still_counts(cast: Cast, backend):
    add_rule(cast)
    make_aircraft(cast)
    backend("Silent")
    work()
    reminders.set_reminders(cast.owner, wanted=[])
    backend("Choosy")
    Job.objects.filter(kind="reminder_mail").update(lease_until=None)
    assert cast.owner.email not in by_address(work())


def test_page_of_ones_own_reminders(cast: Cast):
    client = Client()
    client.force_login(cast.owner)
    url = reverse("me-reminders")
    assert client.get(url).content.count(b"checked") == 5
    assert client.post(url, {"wanted": ["overdue"]}).status_code == 302
    assert client.get(url).content.count(b"checked") == 1
    client.post(url, {"wanted": ["overdue"], "none": "1"})
    assert ReminderChoice.objects.get(person=cast.owner).stopped_at
    assert client.get(url).content.count(b"checked") == 0
    answer = client.post(url, {"wanted": ["nonsense"]})
    assert answer.status_code == 200
    assert b"nonsense" in answer.content


def test_api_of_reminders(cast: Cast):
    from rest_framework.authtoken.models import Token

    def ask(person: Person) -> Client:
        token, _ = Token.objects.get_or_create(user=person)
        return Client(headers={"Authorization": f"Bearer {token.key}"})

    url = reverse("api:me-reminders")
    assert ask(cast.owner).get(url).json() == {"wanted": EVERYTHING, "offered": EVERYTHING}
    answer = ask(cast.staff).patch(url, {"wanted": ["visit"]}, content_type="application/json")
    assert answer.status_code == 400
    assert "No such reminder for you: visit" in str(answer.json())
    answer = ask(cast.owner).patch(url, {"wanted": []}, content_type="application/json")
    assert answer.json() == {"wanted": [], "offered": EVERYTHING}
    add_rule(cast)
    make_aircraft(cast)
    work()
    rows = ask(cast.staff).get(reverse("api:reminder-list"), {"person": str(cast.pilot.pk)}).json()
    (row,) = rows["results"]
    assert row["email"] == cast.pilot.email
    assert row["reasons"][0]["kind"] == "overdue"


# --- the letter and its link ----------------------------------------------------------------------


def test_letter_read_back(cast: Cast):
    add_rule(cast)
    make_aircraft(cast)
    letter = next(one for one in work() if one.to == [cast.owner.email])
    read = read_back(letter)
    assert read["To"] == cast.owner.email
    assert read["From"].addresses[0].addr_spec == "office@swathbook.example"
    assert read["Subject"] == "Swathbook: 1 overdue"
    assert read.get_content_type() == "text/plain"
    assert read["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5
    assert read["Message-ID"] == ReminderMail.objects.get(person=cast.owner).message_id
    text = read.get_content()
    assert "XX-R01: a test has been due since" in text
    assert "not permission to spray" in text
    assert max(map(len, letter.message().as_bytes().splitlines())) <= 998  # RFC 5322, 2.1.1


def test_headers_of_one_click(cast: Cast):
    """RFC 8058, section 3.1: one List-Unsubscribe with one HTTPS URI, one List-Unsubscribe-Post
    with the single pair. What covers them with DKIM is the mail server (README).
    """
    add_rule(cast)
    make_aircraft(cast)
    letter = next(one for one in work() if one.to == [cast.owner.email])
    raw = letter.message().as_bytes()
    assert b"=?utf-8?" not in raw.split(b"\n\n")[0]
    read = read_back(letter)
    choice = ReminderChoice.objects.get(person=cast.owner)
    address = f"https://swathbook.example/reminders/stop/{stop_token(choice)}/"
    # A long line is folded behind the name; what is left of it is white space (RFC 5322, 2.2.3).
    assert [one.strip() for one in read.get_all("List-Unsubscribe")] == [f"<{address}>"]
    assert read.get_all("List-Unsubscribe-Post") == ["List-Unsubscribe=One-Click"]
    assert address in read.get_content()


def test_without_https_one_click_is_not_promised(cast: Cast, settings):
    settings.PUBLIC_ADDRESS = "http://localhost:8000"
    add_rule(cast)
    make_aircraft(cast)
    read = read_back(work()[0])
    assert read["List-Unsubscribe"].strip().startswith("<http://localhost:8000/reminders/stop/")
    assert read["List-Unsubscribe-Post"] is None


@pytest.mark.parametrize("content_type", ["multipart/form-data", "urlencoded", "none"])
def test_one_click_stops_all(cast: Cast, content_type: str):
    """RFC 8058, section 3.2: a POST of the pair, as multipart/form-data or urlencoded, without
    cookies or authorization; section 3.1: no redirection comes back.
    """
    add_rule(cast)
    make_aircraft(cast)
    choice = ReminderChoice.objects.create(person=cast.owner)
    url = reverse("reminders-stop", args=[stop_token(choice)])
    client = Client(enforce_csrf_checks=True)
    if content_type == "urlencoded":
        answer = client.post(
            url,
            "List-Unsubscribe=One-Click",
            content_type="application/x-www-form-urlencoded",
        )
    else:
        pair = {"List-Unsubscribe": "One-Click"} if content_type != "none" else {}
        answer = client.post(url, pair)
    assert answer.status_code == 200
    choice.refresh_from_db()
    assert choice.stopped_at
    first = choice.stopped_at
    assert client.post(url).status_code == 200  # again is no error
    choice.refresh_from_db()
    assert choice.stopped_at == first
    assert cast.owner.email not in by_address(work())
    assert AuditRow.objects.filter(deed="reminders_set").count() == 1


def test_looking_at_the_link_stops_nothing(cast: Cast):
    """Mail programs fetch links by themselves (RFC 8058, section 1)."""
    choice = ReminderChoice.objects.create(person=cast.owner)
    page = Client().get(reverse("reminders-stop", args=[stop_token(choice)]))
    assert page.status_code == 200
    assert b"Stop all reminders" in page.content
    choice.refresh_from_db()
    assert choice.stopped_at is None
    for word in (cast.owner.name, cast.owner.email, cast.operator.name):
        assert word.encode() not in page.content


def test_guesser_learns_nothing_and_old_links_die(cast: Cast):
    choice = ReminderChoice.objects.create(person=cast.owner)
    old = stop_token(choice)
    client = Client()
    client.post(reverse("reminders-stop", args=[old]))
    reminders.set_reminders(cast.owner, wanted=EVERYTHING)
    pages = []
    for token in (old, f"{old[:-1]}{'A' if old[-1] != 'A' else 'B'}", "x", "a:b", "é:ü"):
        url = reverse("reminders-stop", args=[token])
        for answer in (client.get(url), client.post(url)):
            assert answer.status_code == 404
            pages.append(answer.content.decode().split("<main")[1])
    assert len(set(pages)) == 1
    new = ReminderChoice.objects.get(person=cast.owner)
    assert (new.pk != choice.pk, new.stopped_at) == (True, None)


def test_log_as_a_file(cast: Cast):
    add_rule(cast)
    make_aircraft(cast)
    work()
    client = Client()
    client.force_login(cast.staff)
    text = client.get(reverse("reminders"), {"as": "csv", "q": "orla"}).content.decode("utf-8-sig")
    lines = text.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("Sent at,To,E-mail,Operator,Kind,What was told")
    assert "Orla Owner" in lines[1]
