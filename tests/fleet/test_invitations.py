"""Invitations: the link works once, for fourteen days, for one person; the record cannot use it."""

from __future__ import annotations

import datetime
import re
import smtplib
import threading

import pytest
from django.core import mail
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet import tenancy
from fleet.models import AuditRow, Invitation, Person
from fleet.services import invitations, people
from fleet.web.people_pages import JoinThrottle
from tests.cast import PASSWORD, Cast, make_cast
from tests.fleet.web.asking import signed_in, words_of

pytestmark = [pytest.mark.django_db]

WHO = {"email": "Nia@RedGrass.example", "name": "Nia  New", "role": "pilot"}
TYPED = {"name": "Nia New", "password": PASSWORD, "again": PASSWORD, "unit_system": "metric"}


@pytest.fixture
def sent(django_capture_on_commit_callbacks, everyone):
    """Do a deed as outside of a test, where what waits for the commit is done."""

    def do(deed, *args, **given):
        with django_capture_on_commit_callbacks(execute=True):
            return deed(*args, **given)

    return do


def token_of(letter: int = -1) -> str:
    [token] = re.findall(r"http://localhost:8000/join/([\w-]+)/", mail.outbox[letter].body)
    return token


def join(token: str, **changes: str):
    return Client().post(reverse("join", args=[token]), {**TYPED, **changes})


def test_the_way_of_an_invitation(cast: Cast, sent):
    letter = sent(invitations.invite, by=cast.owner, operator=cast.operator, **WHO)
    assert letter.problem == ""
    [message] = mail.outbox
    assert message.to == ["nia@redgrass.example"]
    assert message.subject == "Your access to the records of Redgrass Aerial"
    assert "Orla Owner invites you" in message.body
    token = token_of()
    assert len(token) >= 43  # 256 bits
    one = Invitation.objects.get()
    assert token not in str(vars(one))
    assert one.token_digest == invitations.digest_of(token)

    page = words_of(Client().get(reverse("join", args=[token])))
    assert "nia@redgrass.example" in page
    assert join(token).url == reverse("home")
    person = Person.objects.get(email="nia@redgrass.example")
    assert (person.operator, person.role, person.unit_system) == (cast.operator, "pilot", "metric")
    assert person.check_password(PASSWORD)
    one.refresh_from_db()
    assert one.person == person
    deeds = AuditRow.objects.filter(subject_id=one.pk).order_by("id").values_list("deed", flat=True)
    assert list(deeds) == ["person_invited", "invitation_sent", "invitation_accepted"]
    answer = join(token)
    assert answer.status_code == 404
    assert "opens nothing any more" in words_of(answer)


def test_dead_links_say_one_thing(cast: Cast, sent):
    made = []
    for number in range(4):
        who = {**WHO, "email": f"p{number}@redgrass.example"}
        made.append(
            (sent(invitations.invite, by=cast.staff, operator=cast.operator, **who), token_of())
        )
    join(made[0][1])
    sent(invitations.withdraw, made[1][0].invitation, by=cast.owner)
    past = timezone.now() - datetime.timedelta(seconds=1)
    Invitation.objects.filter(pk=made[2][0].invitation.pk).update(expires_at=past)
    sent(invitations.send_again, made[3][0].invitation, by=cast.owner)  # ends the link before
    dead = [*(token for _, token in made), "nothing-of-ours"]
    answers = [Client().get(reverse("join", args=[token])) for token in dead]
    assert {answer.status_code for answer in answers} == {404}
    assert len({words_of(answer) for answer in answers}) == 1
    assert Client().get(reverse("join", args=[token_of()])).status_code == 200
    assert Person.objects.filter(email__endswith="@redgrass.example").count() == 3


def test_good_for_fourteen_days(cast: Cast, sent):
    letter = sent(invitations.invite, by=cast.staff, operator=cast.operator, **WHO)
    left = letter.invitation.expires_at - timezone.now()
    assert datetime.timedelta(days=13.99) < left <= datetime.timedelta(days=14)


def test_who_may_invite_and_whom(cast: Cast, sent):
    for person in (cast.analyst, cast.pilot, cast.checker):
        with pytest.raises(PermissionDenied):
            sent(invitations.invite, by=person, operator=cast.operator, **WHO)
    for who, says in (
        ({**WHO, "role": "staff"}, "Invite an owner or a pilot"),
        ({**WHO, "role": "owner", "may_change_setups": True}, "Only a pilot"),
        ({**WHO, "email": cast.pilot.email}, "Pim Pilot signs in with this address already"),
        ({**WHO, "email": "no address"}, "valid email"),
    ):
        with pytest.raises(ValidationError, match=says):
            sent(invitations.invite, by=cast.owner, operator=cast.operator, **who)
    sent(invitations.invite, by=cast.owner, operator=cast.operator, **WHO)
    with pytest.raises(ValidationError, match="invited already"):
        sent(invitations.invite, by=cast.staff, operator=cast.operator, **WHO)


def test_an_owner_is_not_told_who_has_an_account_elsewhere(cast: Cast, sent):
    who = {**WHO, "email": cast.outsider.email}
    sent(invitations.invite, by=cast.owner, operator=cast.operator, **who)
    answer = join(token_of())
    assert "There is an account for owner@othercreek.example already" in words_of(answer)
    cast.outsider.refresh_from_db()
    assert cast.outsider.operator == cast.other_operator
    assert Invitation.objects.get().accepted_at is None


def test_a_mail_server_that_fails_is_told_and_the_letter_goes_out_again(
    cast: Cast, sent, monkeypatch
):
    def down(*args, **given):
        raise ConnectionRefusedError("mail.example refused")

    with monkeypatch.context() as broken:
        broken.setattr("django.core.mail.message.EmailMessage.send", down)
        letter = sent(invitations.invite, by=cast.owner, operator=cast.operator, **WHO)
    assert letter.problem == "The mail server could not be reached or did not take the letter."
    address = reverse("invitation", args=[letter.invitation.pk])
    page = words_of(signed_in(cast.owner).get(address))
    assert "Not sent" in page
    assert "refused" not in page
    sent(signed_in(cast.owner).post, reverse("invitation-send", args=[letter.invitation.pk]))
    assert len(mail.outbox) == 1
    assert "Waiting" in words_of(signed_in(cast.owner).get(address))


def test_a_refused_address_is_told(cast: Cast, sent, monkeypatch):
    def unknown(*args, **given):
        raise smtplib.SMTPRecipientsRefused({})

    monkeypatch.setattr("django.core.mail.message.EmailMessage.send", unknown)
    letter = sent(invitations.invite, by=cast.owner, operator=cast.operator, **WHO)
    assert letter.problem == "The mail server does not know nia@redgrass.example."


def test_a_name_cannot_write_headers_into_the_letter(cast: Cast, sent):
    cast.operator.name = "Redgrass\nBcc: everybody@x.example"
    cast.operator.save()
    sent(invitations.invite, by=cast.staff, operator=cast.operator, **WHO)
    [message] = mail.outbox
    assert message.subject.endswith("Redgrass Bcc: everybody@x.example")
    assert message.recipients() == ["nia@redgrass.example"]


def test_weak_and_differing_passwords_leave_the_link_alone(cast: Cast, sent):
    sent(invitations.invite, by=cast.owner, operator=cast.operator, **WHO)
    assert "too short" in words_of(join(token_of(), password="short", again="short"))
    assert "passwords differ" in words_of(join(token_of(), again="something else"))
    assert join(token_of()).status_code == 302


def test_who_tries_links_is_slowed_down(cast: Cast, monkeypatch):
    monkeypatch.setattr(JoinThrottle, "rate", "3/min", raising=False)
    client = Client(REMOTE_ADDR="203.0.113.9")
    answers = [client.post(reverse("join", args=["x"]), TYPED) for _ in range(4)]
    assert [answer.status_code for answer in answers] == [404, 404, 404, 429]


def test_invitations_of_others_are_nobodys_business(cast: Cast, sent):
    letter = sent(invitations.invite, by=cast.owner, operator=cast.operator, **WHO)
    address = reverse("invitation", args=[letter.invitation.pk])
    for person, status in ((cast.outsider, 404), (cast.pilot, 404), (cast.staff, 200)):
        assert signed_in(person).get(address).status_code == status
    assert "Nia New" in words_of(signed_in(cast.owner).get(reverse("people")))
    assert "Nia New" not in words_of(signed_in(cast.outsider).get(reverse("people")))


def test_pilots_get_leave_on_a_page(cast: Cast):
    address = reverse("person-setups", args=[cast.pilot.pk])
    signed_in(cast.owner).post(address, {"may": "yes"})
    cast.pilot.refresh_from_db()
    assert cast.pilot.may_change_setups
    signed_in(cast.owner).post(address)
    cast.pilot.refresh_from_db()
    assert not cast.pilot.may_change_setups


def test_who_left_invites_nobody_and_links_end(cast: Cast, sent):
    sent(invitations.invite, by=cast.owner, operator=cast.operator, **WHO)
    sent(people.change_operator, cast.operator, by=cast.staff, left_on=datetime.date(2026, 1, 1))
    assert Client().get(reverse("join", args=[token_of()])).status_code == 404
    with pytest.raises(ValidationError, match="has left the association"):
        sent(invitations.invite, by=cast.owner, operator=cast.operator, **WHO)


@pytest.mark.django_db(transaction=True)
@pytest.mark.service
def test_of_two_that_hold_the_link_one_comes_in():
    cast = make_cast()
    with tenancy.everyone():
        invitations.invite(by=cast.owner, operator=cast.operator, **WHO)
    token, answers = token_of(), []

    def take() -> None:
        try:
            invitations.accept(token, name="N", password=PASSWORD, unit_system="us")
            answers.append("in")
        except ValidationError:
            answers.append("over")
        finally:
            connection.close()

    threads = [threading.Thread(target=take) for _ in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert sorted(answers) == ["in", "over", "over", "over"]
    assert Person.objects.filter(email="nia@redgrass.example").count() == 1
