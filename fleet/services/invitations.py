"""Invitations: a link by e-mail that gives one person of an operator access, once.

The link's token is random (256 bits) and lies nowhere but in the letter; the record holds its
SHA-256. The letter goes out once the record is safe. When the mail server does not take it, the
record stays, the trail says so, and the link can be sent again, which makes a new one.
"""

from __future__ import annotations

import hashlib
import logging
import secrets
import smtplib
from dataclasses import dataclass
from datetime import timedelta

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from fleet import audit, rules, tenancy
from fleet.models import Invitation, Operator, Person, Role
from fleet.queries.whose import people_of
from fleet.services.base import checked, refuse
from fleet.services.people import add_person

logger = logging.getLogger(__name__)

GOOD_FOR = timedelta(days=14)
INVITATION_FIELDS = ("email", "name", "role", "may_change_setups", "expires_at")
GONE = "This link opens nothing any more."


@dataclass(slots=True)
class Letter:
    """An invitation and what became of its letter.

    `problem` is a sentence when the mail server did not take it, and "" when it did; it is known
    once the transaction of the caller has been committed.
    """

    invitation: Invitation
    problem: str = ""


def digest_of(token: str) -> str:
    """Return the SHA-256 of a token in hexadecimal."""
    return hashlib.sha256(token.encode()).hexdigest()


@transaction.atomic
def invite(
    *,
    by: Person,
    operator: Operator,
    email: str,
    name: str,
    role: str,
    may_change_setups: bool = False,
) -> Letter:
    """Invite somebody of an operator: staff for any operator, owners for their own."""
    rules.allow(rules.may_invite, by)
    Operator.objects.select_for_update().get(pk=operator.pk)  # one open invitation an address
    email = email.strip().lower()
    if role not in (Role.OWNER, Role.PILOT):
        refuse({"role": ["Invite an owner or a pilot."]})
    if may_change_setups and role != Role.PILOT:
        refuse({"may_change_setups": ["Only a pilot needs leave to record set-ups."]})
    if operator.left_on is not None:
        refuse({"operator": [f"{operator} has left the association."]})
    # Only among those the inviter may see: whether a stranger has an account is not told.
    known = people_of(by).filter(email__iexact=email).first()
    if known is not None:
        refuse({"email": [f"{known.name} signs in with this address already."]})
    waiting = Invitation.objects.filter(
        operator=operator, email__iexact=email, accepted_at=None, withdrawn_at=None
    ).first()
    if waiting is not None:
        refuse({"email": ["This address has been invited already; send that link again."]})
    token = secrets.token_urlsafe()
    invitation = Invitation(
        operator=operator,
        email=email,
        name=" ".join(name.split()),
        role=role,
        may_change_setups=may_change_setups,
        token_digest=digest_of(token),
        expires_at=timezone.now() + GOOD_FOR,
        invited_by=by,
    )
    checked(invitation)
    invitation.save(force_insert=True)
    audit.record(
        "person_invited",
        invitation,
        by=by,
        operator=operator,
        after=audit.values(invitation, INVITATION_FIELDS),
    )
    return _posted(invitation, token, by)


@transaction.atomic
def send_again(invitation: Invitation, *, by: Person) -> Letter:
    """Make a new link, good for another fourteen days, and send it; the old one ends."""
    rules.allow(rules.may_invite, by)
    token = secrets.token_urlsafe()
    now = timezone.now()
    renewed = Invitation.objects.filter(
        pk=invitation.pk, accepted_at=None, withdrawn_at=None
    ).update(token_digest=digest_of(token), expires_at=now + GOOD_FOR)
    if not renewed:
        refuse({"invitation": ["It was taken up or withdrawn; there is nothing to send."]})
    before = audit.values(invitation, ("expires_at",))
    invitation.refresh_from_db()
    audit.record(
        "invitation_renewed",
        invitation,
        by=by,
        operator=invitation.operator,
        before=before,
        after=audit.values(invitation, ("expires_at",)),
    )
    return _posted(invitation, token, by)


@transaction.atomic
def withdraw(invitation: Invitation, *, by: Person) -> None:
    """End the link of an invitation that nobody has taken up."""
    rules.allow(rules.may_invite, by)
    ended = Invitation.objects.filter(pk=invitation.pk, accepted_at=None, withdrawn_at=None).update(
        withdrawn_at=timezone.now()
    )
    if not ended:
        refuse({"invitation": ["It was taken up or withdrawn before."]})
    invitation.refresh_from_db()
    audit.record("invitation_withdrawn", invitation, by=by, operator=invitation.operator)


def opened(token: str) -> Invitation | None:
    """Return the invitation that a link opens now; None for a link that is used, over or unknown.

    The caller has no account: rows of all operators are open here for this one question.
    """
    with tenancy.everyone():
        found: Invitation | None = (
            Invitation.objects.select_related("operator", "invited_by")
            .filter(
                token_digest=digest_of(token),
                accepted_at=None,
                withdrawn_at=None,
                expires_at__gt=timezone.now(),
                operator__left_on=None,
            )
            .first()
        )
    return found


def accept(token: str, *, name: str, password: str, unit_system: str) -> Person:
    """Give whoever holds the link access, and end the link. Raises ValidationError."""
    with tenancy.everyone(), transaction.atomic():
        invitation = opened(token)
        now = timezone.now()
        # Of two that hold the same link one is first; the other finds it used.
        taken = invitation is not None and Invitation.objects.filter(
            pk=invitation.pk,
            token_digest=digest_of(token),
            accepted_at=None,
            withdrawn_at=None,
            expires_at__gt=now,
        ).update(accepted_at=now)
        if invitation is None or not taken:
            refuse({"invitation": [GONE]})
        assert invitation is not None
        if Person.objects.filter(email__iexact=invitation.email).exists():
            says = (
                f"There is an account for {invitation.email} already. Sign in with it, or ask the "
                "association's office to change it."
            )
            refuse({"invitation": [says]})
        person = add_person(
            by=None,
            email=invitation.email,
            name=" ".join(name.split()),
            role=invitation.role,
            operator=invitation.operator,
            may_change_setups=invitation.may_change_setups,
            password=password,
            unit_system=unit_system,
        )
        Invitation.objects.filter(pk=invitation.pk).update(person=person)
        audit.record("invitation_accepted", invitation, by=person, operator=invitation.operator)
    return person


def _posted(invitation: Invitation, token: str, by: Person) -> Letter:
    """Send the letter once the record is safe, and write down what became of it."""
    letter = Letter(invitation)

    def post() -> None:
        letter.problem = _send(invitation, token)
        with transaction.atomic():
            audit.record(
                "invitation_not_sent" if letter.problem else "invitation_sent",
                invitation,
                by=by,
                operator=invitation.operator,
                after={"problem": letter.problem} if letter.problem else None,
            )

    transaction.on_commit(post)
    return letter


def _send(invitation: Invitation, token: str) -> str:
    """Hand the letter to the mail server; return what went wrong, or ""."""
    context = {
        "invitation": invitation,
        "link": f"{settings.PUBLIC_ADDRESS}{reverse('join', args=[token])}",
        "until": timezone.localtime(invitation.expires_at),
    }
    message = EmailMessage(
        subject=" ".join(f"Your access to the records of {invitation.operator}".split()),
        body=render_to_string("fleet/letters/invitation.txt", context),
        to=[invitation.email],
    )
    try:
        message.send()
    except smtplib.SMTPRecipientsRefused:
        return f"The mail server does not know {invitation.email}."
    except (OSError, smtplib.SMTPException) as error:
        # The reason is for the log: it may name machines that are nobody's business.
        logger.warning("Invitation %s was not sent: %s", invitation.pk, error)
        return "The mail server could not be reached or did not take the letter."
    return ""
