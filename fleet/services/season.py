"""Seasons, and who belongs to them."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from fleet import audit, rules
from fleet.models import Membership, MembershipKind, Operator, Person, Season
from fleet.queries.members import joining_day
from fleet.services import bulk
from fleet.services.base import change, checked, refuse
from fleet.validators import check_membership_days

SEASON_FIELDS = ("name", "starts_on", "ends_on")
MEMBERSHIP_FIELDS = ("kind", "joined_on", "lapsed_on", "note")
# Guests come for one season; whoever wants them again says so.
CARRIED = (MembershipKind.FULL, MembershipKind.ASSOCIATE)
LONGEST_SEASON_DAYS = 2 * 366


@dataclass(frozen=True, slots=True)
class CarriedOver:
    """What became of the members of the season before: how many of each."""

    source: Season
    carried: int
    there_already: int
    guests: int
    lapsed: int
    left: int


@transaction.atomic
def add_season(
    *, by: Person | None, name: str, starts_on: datetime.date, ends_on: datetime.date
) -> Season:
    """Add a programme year. `by` is None only for the demo season."""
    if by is not None:
        rules.allow(rules.may_manage_season, by)
    season = Season(name=" ".join(name.split()), starts_on=starts_on, ends_on=ends_on)
    _check_season(season)
    season.save(force_insert=True)
    audit.record(
        "season_added", season, by=by, operator=None, after=audit.values(season, SEASON_FIELDS)
    )
    return season


@transaction.atomic
def change_season(season: Season, *, by: Person, **changes: Any) -> bool:
    """Change a season's name or days. False when nothing differs."""
    rules.allow(rules.may_manage_season, by)
    refuse({name: ["Cannot be changed."] for name in changes if name not in SEASON_FIELDS})
    wanted = Season(pk=season.pk, **{f: changes.get(f, getattr(season, f)) for f in SEASON_FIELDS})
    _check_season(wanted)
    late = Membership.objects.filter(season=season, joined_on__gt=wanted.ends_on)
    if first := late.select_related("operator").first():
        says = f"{first.operator} joined on {_day(first.joined_on)}, which would be after it."
        refuse({"ends_on": [says]})
    return change(
        season,
        deed="season_changed",
        by=by,
        operator=None,
        changes=changes,
        allowed=SEASON_FIELDS,
    )


def _check_season(season: Season) -> None:
    """Refuse a season that ends before it begins, is too long, or shares a day with another."""
    errors: dict[str, list[str]] = {}
    # Whoever adds or moves a season waits here for whoever does the same.
    others = list(Season.objects.select_for_update().exclude(pk=season.pk))
    if season.ends_on <= season.starts_on:
        errors["ends_on"] = ["Must be after the first day."]
    elif (season.ends_on - season.starts_on).days > LONGEST_SEASON_DAYS:
        errors["ends_on"] = ["A season is at most two years long."]
    else:
        for other in others:
            if season.starts_on <= other.ends_on and other.starts_on <= season.ends_on:
                says = (
                    f"Season {other} runs from {_day(other.starts_on)} to {_day(other.ends_on)}; "
                    "two seasons never share a day."
                )
                errors.setdefault("starts_on", []).append(says)
    if any(other.name.casefold() == season.name.casefold() for other in others):
        errors["name"] = ["There is a season of this name already."]
    refuse(errors)
    season.clean_fields()


@transaction.atomic
def join(
    *,
    by: Person | None,
    operator: Operator,
    season: Season,
    kind: str,
    joined_on: datetime.date | None = None,
    note: str = "",
) -> Membership:
    """Take an operator in as a member of a season. `by` is None only for the demo season.

    Without a day it is today, or the nearest day of the season.
    """
    if by is not None:
        rules.allow(rules.may_manage_season, by)
    Season.objects.select_for_update().get(pk=season.pk)
    if operator.left_on is not None:
        says = f"{operator} left the association on {_day(operator.left_on)}; clear that day first."
        refuse({"operator": [says]})
    there = Membership.objects.filter(operator=operator, season=season).first()
    if there is not None:
        state = f"and lapsed on {_day(there.lapsed_on)}" if there.lapsed_on else "already"
        refuse({"operator": [f"{operator} belongs to season {season} {state}; change that."]})
    membership = Membership(
        operator=operator,
        season=season,
        kind=kind,
        joined_on=joined_on or joining_day(season),
        note=note.strip(),
    )
    _check_membership(membership)
    membership.save(force_insert=True)
    audit.record(
        "member_joined",
        membership,
        by=by,
        operator=operator,
        after=audit.values(membership, MEMBERSHIP_FIELDS),
    )
    return membership


@transaction.atomic
def join_all(*, by: Person, season: Season, many: Mapping[str, Mapping[str, Any]]) -> None:
    """Take in operators that belong to no season yet, each by what to call it where refused.

    Raises IntegrityError for one that belongs to this season already.
    """
    rules.allow(rules.may_manage_season, by)
    Season.objects.select_for_update().get(pk=season.pk)
    rows, operators = [], []
    for name, values in many.items():
        row = Membership(season=season, **{"joined_on": joining_day(season), **values})
        if row.operator.left_on is not None:
            refuse({"import": [f"{name}: left the association on {_day(row.operator.left_on)}."]})
        _check_days(name, row)
        rows.append((name, row))
        operators.append(row.operator)
    bulk.add(rows, deed="member_joined", by=by, operators=operators, fields=MEMBERSHIP_FIELDS)


@transaction.atomic
def change_memberships(
    rows: Sequence[tuple[str, Membership]], *, by: Person, changes: Sequence[Mapping[str, Any]]
) -> None:
    """Change memberships that are locked, each by what to call it where it is refused."""
    rules.allow(rules.may_manage_season, by)
    bulk.change(
        rows,
        changes,
        deed="member_changed",
        by=by,
        operators=[row.operator for _, row in rows],
        allowed=MEMBERSHIP_FIELDS,
    )
    for name, row in rows:
        _check_days(name, row)


def _check_days(name: str, row: Membership) -> None:
    errors = check_membership_days(row.season, row.joined_on, row.lapsed_on)
    if errors:
        refuse({"import": [f"{name}: {' '.join(words)}" for words in errors.values()]})


@transaction.atomic
def change_membership(membership: Membership, *, by: Person, **changes: Any) -> bool:
    """Change kind, days or note of a membership. False when nothing differs.

    `lapsed_on` None takes a lapse back.
    """
    rules.allow(rules.may_manage_season, by)
    refuse({name: ["Cannot be changed."] for name in changes if name not in MEMBERSHIP_FIELDS})
    now = Membership.objects.select_for_update().get(pk=membership.pk)
    for name, value in changes.items():
        setattr(now, name, value)
    _check_membership(now)
    membership.refresh_from_db()
    return change(
        membership,
        deed="member_changed",
        by=by,
        operator=membership.operator,
        changes=changes,
        allowed=MEMBERSHIP_FIELDS,
    )


def lapse(
    membership: Membership, *, by: Person, lapsed_on: datetime.date, note: str | None = None
) -> bool:
    """Say from which day an operator no longer belongs to a season. Its history stays."""
    more = {} if note is None else {"note": note}
    return change_membership(membership, by=by, lapsed_on=lapsed_on, **more)


def _check_membership(membership: Membership) -> None:
    refuse(check_membership_days(membership.season, membership.joined_on, membership.lapsed_on))
    checked(membership)


@transaction.atomic
def carry_over(season: Season, *, by: Person | None) -> CarriedOver:
    """Take the members of the season before into this one, in one deed.

    Full and associate members come along unless they lapsed or left the association; guests do
    not. Who belongs already is left as is, so that doing it again changes nothing. `by` is None
    only for the demo season.
    """
    if by is not None:
        rules.allow(rules.may_manage_season, by)
    season = Season.objects.select_for_update().get(pk=season.pk)
    source = Season.objects.filter(starts_on__lt=season.starts_on).first()
    if source is None:
        refuse({"season": [f"There is no season before {season} to carry members over from."]})
    assert source is not None
    there = set(Membership.objects.filter(season=season).values_list("operator_id", flat=True))
    before = list(Membership.objects.filter(season=source).select_related("operator"))
    lapsed = [one for one in before if one.lapsed_on]
    left = [one for one in before if not one.lapsed_on and one.operator.left_on]
    standing = [one for one in before if not one.lapsed_on and not one.operator.left_on]
    wanted = [one for one in standing if one.kind in CARRIED]
    coming = [one for one in wanted if one.operator_id not in there]
    Membership.objects.bulk_create(
        Membership(operator=one.operator, season=season, kind=one.kind, joined_on=season.starts_on)
        for one in coming
    )
    if coming:
        audit.record(
            "members_carried_over",
            season,
            by=by,
            operator=None,
            after={"from": str(source), "operators": [one.operator.name for one in coming]},
        )
    return CarriedOver(
        source=source,
        carried=len(coming),
        there_already=len(wanted) - len(coming),
        guests=len(standing) - len(wanted),
        lapsed=len(lapsed),
        left=len(left),
    )


def _day(date: datetime.date) -> str:
    return f"{date:%-d %B %Y}"
