"""What visits used up and what was given: lists, and sums by unit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import QuerySet

from fleet.models import Gift, GiftKind, Person, Supply, SupplyUse, Visit


def supplies_of(person: Person) -> QuerySet[SupplyUse]:
    """What visits used up, for staff and analysts."""
    rows = SupplyUse.objects.select_related("visit", "recorded_by")
    return rows if person.sees_everyone else rows.none()


def gifts_of(person: Person) -> QuerySet[Gift]:
    """What was given, newest first, for staff and analysts."""
    rows = Gift.objects.select_related("season", "visit", "recorded_by")
    return rows if person.sees_everyone else rows.none()


@dataclass(frozen=True, slots=True)
class Sum:
    """An amount of one thing in one unit. Units are never added to each other."""

    what: str
    amount: float
    unit: str


def supply_sums(uses: Iterable[SupplyUse]) -> list[Sum]:
    """Add up what was used, by thing and unit."""
    return _sums((Supply(use.what).label, use.unit, use.amount) for use in uses)


def gift_sums(gifts: Iterable[Gift]) -> list[Sum]:
    """Add up what was given, by kind and unit; of material each thing by itself."""
    return _sums(
        (
            gift.what or "Material" if gift.kind == GiftKind.MATERIAL else gift.get_kind_display(),
            gift.unit,
            gift.amount,
        )
        for gift in gifts
    )


def _sums(parts: Iterable[tuple[str, str, float]]) -> list[Sum]:
    found: dict[tuple[str, str], float] = {}
    for what, unit, amount in parts:
        found[(what, unit)] = found.get((what, unit), 0.0) + amount
    return [Sum(what, amount, unit) for (what, unit), amount in sorted(found.items())]


def visits_to_choose(person: Person) -> QuerySet[Visit]:
    """Visits that a gift may belong to, the newest first."""
    visits = Visit.objects.order_by("-starts_on", "id")
    return visits if person.sees_everyone else visits.none()
