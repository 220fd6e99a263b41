"""Wishes for a visit: said by the operator, settled by a visit planned or when taken back."""

from __future__ import annotations

import datetime

from django.db import transaction
from django.utils import timezone

from fleet import audit, rules
from fleet.models import Aircraft, Person, VisitWish
from fleet.services.base import checked, refuse

WISH_FIELDS = ("from_on", "until_on", "words", "settled_on")


@transaction.atomic
def wish_for(
    *,
    by: Person,
    aircraft: Aircraft,
    from_on: datetime.date,
    until_on: datetime.date,
    words: str = "",
) -> VisitWish:
    """Wish for a visit to an aircraft; an open wish for the same aircraft gives way."""
    rules.allow(rules.may_sign_up, by)
    errors = {}
    if until_on < from_on:
        errors["until_on"] = ["Must not be before the first day."]
    elif until_on < timezone.localdate():
        errors["until_on"] = ["Lies in the past; give a day to come."]
    if aircraft.retired_on is not None:
        errors["aircraft"] = [f"{aircraft} is out of service."]
    refuse(errors)
    Aircraft.objects.select_for_update().get(pk=aircraft.pk)
    for before in VisitWish.objects.filter(aircraft=aircraft, settled_on__isnull=True):
        settle(before, by=by)
    wish = VisitWish(
        operator=aircraft.operator,
        aircraft=aircraft,
        from_on=from_on,
        until_on=until_on,
        words=" ".join(words.split()),
        wished_by=by,
    )
    checked(wish)
    wish.save(force_insert=True)
    audit.record(
        "visit_wished",
        wish,
        by=by,
        operator=wish.operator,
        after=audit.values(wish, WISH_FIELDS),
    )
    return wish


@transaction.atomic
def take_wish_back(wish: VisitWish, *, by: Person) -> bool:
    """Take a wish back. False when it was settled already."""
    rules.allow(rules.may_sign_up, by)
    wish = VisitWish.objects.select_for_update().get(pk=wish.pk)
    if wish.settled_on is not None:
        return False
    settle(wish, by=by)
    return True


def settle(wish: VisitWish, *, by: Person) -> None:
    """Note, within a deed that does it, that a wish is met, replaced or taken back."""
    wish.settled_on = timezone.localdate()
    wish.save(update_fields=["settled_on"])
    audit.record(
        "wish_settled",
        wish,
        by=by,
        operator=wish.operator,
        after=audit.values(wish, ["settled_on"]),
    )
