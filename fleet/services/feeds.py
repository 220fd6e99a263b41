"""Calendar addresses: made, made anew, dropped."""

from __future__ import annotations

import secrets

from django.db import transaction
from django.utils import timezone

from fleet import audit
from fleet.models import CalendarFeed, Person
from fleet.queries.calendar_feed import digest_of


@transaction.atomic
def renew_calendar(person: Person) -> str:
    """Give a person a new calendar address and return its secret; the old one opens nothing.

    The secret (256 bits) is shown now and never again.
    """
    secret = secrets.token_urlsafe(32)
    CalendarFeed.objects.update_or_create(
        person=person,
        defaults={"secret_digest": digest_of(secret), "renewed_at": timezone.now()},
    )
    audit.record("calendar_renewed", person, by=person, operator=person.operator)
    return secret


@transaction.atomic
def drop_calendar(person: Person) -> bool:
    """Let a person's calendar address open nothing any more. False when there was none."""
    dropped, _ = CalendarFeed.objects.filter(person=person).delete()
    if dropped:
        audit.record("calendar_dropped", person, by=person, operator=person.operator)
    return bool(dropped)
