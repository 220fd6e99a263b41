"""What a visit used up, and what somebody gave to the programme."""

from __future__ import annotations

import datetime
import math
from typing import Any

from django.db import transaction
from django.utils import timezone

from fleet import audit, rules
from fleet.models import Gift, GiftKind, Person, Season, Supply, SupplyUse, Visit
from fleet.services.base import change, checked, refuse

SUPPLY_FIELDS = ("what", "amount", "unit", "note")
GIFT_FIELDS = ("giver", "kind", "amount", "unit", "what", "given_on", "visit")
MOST = 1e7
USUAL_UNIT: dict[str, str] = {Supply.DYE: "g", Supply.STRING: "m", Supply.CARDS: "pieces"}


@transaction.atomic
def record_supply(
    *, by: Person, visit: Visit, what: str, amount: float, unit: str = "", note: str = ""
) -> SupplyUse:
    """Note what a visit used up. Without a unit: dye in g, string in m, cards in pieces."""
    rules.allow(rules.may_run_day, by)
    unit = " ".join(unit.split()) or USUAL_UNIT.get(what, "")
    use = SupplyUse(
        visit=visit,
        what=what,
        amount=amount,
        unit=unit,
        note=" ".join(note.split()),
        recorded_by=by,
    )
    refuse(_amount_errors(amount))
    checked(use)
    use.save(force_insert=True)
    after = audit.values(use, ("visit", *SUPPLY_FIELDS))
    audit.record("supply_recorded", use, by=by, operator=visit.host, after=after)
    return use


@transaction.atomic
def remove_supply(use: SupplyUse, *, by: Person) -> None:
    """Take back what was noted by mistake; the trail keeps it."""
    rules.allow(rules.may_run_day, by)
    before = audit.values(use, ("visit", *SUPPLY_FIELDS))
    audit.record("supply_removed", use, by=by, operator=use.visit.host, before=before)
    use.delete()


@transaction.atomic
def record_gift(
    *,
    by: Person,
    giver: str,
    kind: str,
    amount: float,
    unit: str,
    given_on: datetime.date,
    what: str = "",
    visit: Visit | None = None,
) -> Gift:
    """Note what somebody gave. It counts for the season in which it was given."""
    rules.allow(rules.may_manage_season, by)
    gift = Gift(
        season=_season(given_on),
        visit=visit,
        giver=" ".join(giver.split()),
        kind=kind,
        amount=amount,
        unit=_unit(kind, unit),
        what=" ".join(what.split()),
        given_on=given_on,
        recorded_by=by,
    )
    refuse(_amount_errors(amount))
    checked(gift)
    gift.save(force_insert=True)
    after = audit.values(gift, ("season", *GIFT_FIELDS))
    audit.record("gift_recorded", gift, by=by, operator=None, after=after)
    return gift


@transaction.atomic
def change_gift(gift: Gift, *, by: Person, **changes: Any) -> bool:
    """Change what was noted of a gift. False when nothing differs."""
    rules.allow(rules.may_manage_season, by)
    refuse({name: ["Cannot be changed."] for name in changes if name not in GIFT_FIELDS})
    gift.refresh_from_db(from_queryset=Gift.objects.select_for_update())
    if "amount" in changes:
        refuse(_amount_errors(changes["amount"]))
    for name in ("giver", "what"):
        if name in changes:
            changes[name] = " ".join(changes[name].split())
    if {"unit", "kind"} & set(changes):
        kind = changes.get("kind", gift.kind)
        changes["unit"] = _unit(kind, changes.get("unit", gift.unit))
    if "given_on" in changes:
        changes["season"] = _season(changes["given_on"])
    return change(
        gift,
        deed="gift_changed",
        by=by,
        operator=None,
        changes=changes,
        allowed=("season", *GIFT_FIELDS),
    )


@transaction.atomic
def remove_gift(gift: Gift, *, by: Person) -> None:
    """Take back a gift noted by mistake; the trail keeps it."""
    rules.allow(rules.may_manage_season, by)
    before = audit.values(gift, ("season", *GIFT_FIELDS))
    audit.record("gift_removed", gift, by=by, operator=None, before=before)
    gift.delete()


def _unit(kind: str, unit: str) -> str:
    """Hours are hours, whatever is typed; money and material need their unit."""
    return "h" if kind == GiftKind.HOURS else " ".join(unit.split())


def _amount_errors(amount: Any) -> dict[str, list[str]]:
    number = isinstance(amount, int | float) and not isinstance(amount, bool)
    if not number or not math.isfinite(amount) or not 0 < amount <= MOST:
        return {"amount": ["Must be a number over 0."]}
    return {}


def _season(day: datetime.date) -> Season:
    """Return the season that a day lies in; a gift is never counted for another one."""
    if day > timezone.localdate():
        refuse({"given_on": ["Must not be in the future."]})
    season = Season.objects.filter(starts_on__lte=day, ends_on__gte=day).first()
    if season is None:
        refuse({"given_on": [f"No season covers {day:%-d %B %Y}. Add the season first."]})
    assert season is not None
    return season
