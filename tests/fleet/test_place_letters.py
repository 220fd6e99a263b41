"""What becomes of a place on a visit is told at once, to whom it concerns, and once.

The programme's own design, no outside source; the header of the one-click link is that of RFC 8058.
"""

from __future__ import annotations

import datetime
import smtplib
from typing import Any

import pytest
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend as Memory
from django.urls import reverse

from fleet import jobs
from fleet.models import AuditRow, Job, Person
from fleet.queries.reminder_log import place_letters_of, undelivered_of
from fleet.services import clinics, reminders, visits
from tests.cast import Cast, make_aircraft
from tests.fleet.test_services_clinics import ONE_DAY, clinic, come

pytestmark = [pytest.mark.django_db, pytest.mark.service, pytest.mark.usefixtures("everyone")]


@pytest.fixture(autouse=True)
def _settings(settings) -> None:
    settings.PUBLIC_ADDRESS = "https://swathbook.example"


def post() -> list[Any]:
    """Do what a worker does, and return the letters that went out."""
    before = len(mail.outbox)
    for key in list(Job.objects.filter(kind="place_mail", state="queued").values_list("pk")):
        jobs.run(key[0])
    return mail.outbox[before:]


def full_clinic(cast: Cast, **more: Any) -> tuple[Any, list[Any]]:
    """A clinic with one place, taken, and two on the waiting list, the first another operator's."""
    visit = clinic(cast, per_day=1, **more)
    (first,) = come(cast, visit, 1)
    rows = [first]
    for number, operator in ((2, cast.other_operator), (3, cast.operator)):
        one = make_aircraft(cast, operator, number=number)
        rows.append(clinics.sign_up(by=cast.staff, visit=visit, aircraft=one))
    return visit, rows


def test_who_moves_up_is_told_once_and_nobody_else(cast: Cast):
    visit, (first, second, _) = full_clinic(
        cast, first_slot_at=datetime.time(8, 30), slot_minutes=40
    )
    assert post() == []
    clinics.cancel(first, by=cast.owner)
    (letter,) = post()
    assert letter.to == [cast.outsider.email]
    assert letter.subject == "Swathbook: Tamber Flat airstrip, a place came free"
    day = f"{visit.starts_on:%-d %B %Y}"
    assert f"{second.aircraft} has a place now: {day}, about 08:30" in letter.body
    assert f"https://swathbook.example/visits/{visit.pk}/" in letter.body
    assert letter.extra_headers["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    row = AuditRow.objects.get(deed="place_told")
    assert (row.subject_id, row.operator) == (visit.pk, cast.other_operator)
    (key,) = Job.objects.filter(kind="place_mail").values_list("pk", flat=True)
    jobs.run(key)
    assert len(mail.outbox) == 1
    (logged,) = place_letters_of(cast.staff, 10)
    assert logged.person == cast.outsider
    assert place_letters_of(cast.owner, 10) == []


def test_letters_about_places_are_in_the_office_log_and_ones_own(cast: Cast, client):
    _, (first, *_) = full_clinic(cast)
    clinics.cancel(first, by=cast.owner)
    post()
    for person, page in ((cast.staff, "reminders"), (cast.outsider, "me-reminders")):
        client.force_login(person)
        assert "has a place now" in client.get(reverse(page)).content.decode()
    client.force_login(cast.owner)
    assert "has a place now" not in client.get(reverse("me-reminders")).content.decode()


def test_whose_own_wish_is_none_or_who_called_off_meanwhile_gets_no_letter(cast: Cast):
    _, (first, second, third) = full_clinic(cast)
    reminders.set_reminders(cast.outsider, wanted=["overdue"])
    clinics.cancel(first, by=cast.owner)  # the outsider's aircraft moves up
    assert post() == []
    clinics.cancel(second, by=cast.outsider)  # the owner's and pilot's moves up …
    clinics.cancel(third, by=cast.owner)  # … and is called off before the letters are written
    assert post() == []
    assert Job.objects.filter(kind="place_mail", state="done").count() == 2


def test_a_changed_visit_tells_who_has_another_day_or_no_place(cast: Cast):
    visit = clinic(cast, days=2, per_day=1)
    come(cast, visit, 1, 2)
    visits.change_visit(visit, by=cast.analyst, ends_on=visit.starts_on, let_wait=True)
    Person.objects.filter(pk=cast.pilot.pk).update(is_active=False)
    (letter,) = post()
    assert "XX-R02 has no place" in letter.body
    assert "1st on the waiting list" in letter.body
    assert "XX-R01" not in letter.body
    later = visit.starts_on + 7 * ONE_DAY
    visits.change_visit(visit, by=cast.analyst, starts_on=later, ends_on=later)
    (letter,) = post()
    assert f"XX-R01 has its place on another day: {later:%-d %B %Y}" in letter.body


def test_a_visit_called_off_and_put_back_tells_all_who_are_signed_up(cast: Cast):
    visit, rows = full_clinic(cast)
    visits.call_off_visit(visit, by=cast.analyst, reason="The runway is flooded.")
    letters = {letter.to[0]: letter.body for letter in post()}
    assert set(letters) == {cast.owner.email, cast.pilot.email, cast.outsider.email}
    assert "was called off. The runway is flooded." in letters[cast.outsider.email]
    assert letters[cast.owner.email].count("called off. ") == 2
    clinics.cancel(rows[0], by=cast.owner)
    visits.put_visit_back(visit, by=cast.analyst)
    letters = {letter.to[0]: letter.body for letter in post()}
    assert f"{rows[1].aircraft} has a place now" in letters[cast.outsider.email]
    assert "is on again; 1st on the waiting list" in letters[cast.owner.email]


def test_a_silent_server_is_asked_again_and_a_letter_that_may_have_arrived_is_not(
    cast: Cast, monkeypatch
):
    _, (first, *_) = full_clinic(cast)
    clinics.cancel(first, by=cast.owner)
    monkeypatch.setattr(Memory, "open", lambda self: (_ for _ in ()).throw(OSError("no route")))
    assert post() == []
    (waiting,) = undelivered_of(cast.staff)
    assert waiting.person == cast.outsider
    monkeypatch.undo()
    Job.objects.filter(kind="place_mail").update(lease_until=None)

    def broken(self: Any, messages: Any) -> int:
        raise smtplib.SMTPServerDisconnected("gone in the middle")

    monkeypatch.setattr(Memory, "send_messages", broken)
    assert post() == []
    monkeypatch.undo()
    Job.objects.filter(kind="place_mail").update(lease_until=None)
    assert post() == []
    (logged,) = place_letters_of(cast.staff, 10)
    assert logged.doubtful
