"""Who is behind the figures of a season: members, aircraft, visits, and groups of them.

The words mean what `fleet.queries.participation` says they do.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any

from django.db.models import (
    BooleanField,
    Case,
    CharField,
    Count,
    ExpressionWrapper,
    F,
    IntegerField,
    Max,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)
from django.db.models.functions import Coalesce

from fleet.models import (
    Aircraft,
    AircraftKind,
    Membership,
    MembershipKind,
    Operator,
    Person,
    Season,
    Test,
)
from fleet.queries.participation import (
    all_seasons,
    approved_on,
    belongs_on,
    day_of_share,
    flew_in,
    in_service_on,
    members_by,
    season_before,
    whose,
    within,
)

# How an operator took part: code, words, and the condition on what `members` annotates.
PARTS: dict[str, tuple[str, Q]] = {
    "first": ("First time", Q(part="first")),
    "again": ("Came again", Q(part="again")),
    "lapsed": ("Lapsed", Q(part="lapsed")),
    "none": ("Members without a test", Q(test_count=0) & ~Q(membership="")),
    "others": ("Not members", Q(test_count__gt=0, membership="")),
}
PART_WORDS = {
    "first": "First time",
    "again": "Came again",
    "lapsed": "Lapsed",
    "none": "No test",
}


def members(person: Person, season: Season, today: datetime.date) -> QuerySet[Operator]:
    """Return the members of a season, whoever else flew in it, and whoever lapsed, by name.

    Each with `membership` (its kind, "" for none), `test_count`, `tested` (aircraft), `part` (a key
    of `PART_WORDS`), and its fleet on the day of the share: `fleet` and `approved` aircraft.
    """
    known = all_seasons()
    before = season_before(known, season)
    earlier = [one for one in known if one.starts_on < season.starts_on]
    flown = Test.objects.filter(within([season]), operator=OuterRef("pk")).order_by()
    kind = Membership.objects.filter(operator=OuterRef("pk"), season=season).values("kind")
    day = day_of_share(season, today)
    rows: QuerySet[Operator] = (
        Operator.objects.filter(whose(person, "pk"))
        .select_related("jurisdiction")
        .annotate(
            membership=Coalesce(Subquery(kind[:1]), Value("")),
            test_count=_counted(flown, Count("pk")),
            tested=_counted(flown, Count("setup__aircraft", distinct=True)),
            flew_before=_truth(flew_in(earlier, "pk")),
            flew_last=_truth(flew_in([before] if before else [], "pk")),
            fleet=_fleet_of(season, day),
            approved=_fleet_of(season, day, approved=True),
        )
        .filter(Q(test_count__gt=0) | ~Q(membership="") | Q(flew_last=True))
        .annotate(
            part=Case(
                When(test_count__gt=0, flew_before=True, then=Value("again")),
                When(test_count__gt=0, then=Value("first")),
                When(flew_last=True, then=Value("lapsed")),
                default=Value("none"),
                output_field=CharField(),
            )
        )
        .order_by("name", "pk")
    )
    return rows


def aircraft(person: Person, season: Season, today: datetime.date) -> QuerySet[Aircraft]:
    """Return the aircraft that were tested in a season or belong to its fleet, most tests first.

    Each with `test_count`, `last_flown_on`, `in_fleet` (counts for the share) and `approved`.
    """
    day = day_of_share(season, today)
    flown = Test.objects.filter(within([season]), setup__aircraft=OuterRef("pk")).order_by()
    fleet = approved = Q(pk__in=[])
    if day is not None:
        belongs = Membership.objects.filter(belongs_on(day), season=season).values("operator")
        fleet = Q(operator__in=belongs) & in_service_on(day)
        approved = fleet & Q(approved_on(day))
    last = flown.values(group=Value(1)).annotate(last=Max("flown_on")).values("last")
    rows: QuerySet[Aircraft] = (
        Aircraft.objects.filter(whose(person))
        .select_related("operator")
        .annotate(
            test_count=_counted(flown, Count("pk")),
            last_flown_on=Subquery(last),
            in_fleet=_truth(fleet),
            approved=_truth(approved),
        )
        .filter(Q(test_count__gt=0) | Q(in_fleet=True))
        .order_by("-test_count", "registration", "pk")
    )
    return rows


def visits(person: Person, season: Season) -> list[dict[str, Any]]:
    """Return the visits on which tests of a season were flown, with tests, aircraft, operators."""
    rows = (
        Test.objects.filter(whose(person), within([season]))
        .values(
            "visit",
            kind=F("visit__kind"),
            place=F("visit__place"),
            starts_on=F("visit__starts_on"),
            ends_on=F("visit__ends_on"),
            analyst=F("visit__analyst__name"),
        )
        .annotate(
            test_count=Count("pk"),
            aircraft=Count("setup__aircraft", distinct=True),
            operators=Count("operator", distinct=True),
        )
    )
    return list(rows.order_by("visit__starts_on", "visit"))


@dataclass(frozen=True, slots=True)
class Group:
    """One line of a tally: a jurisdiction, a kind of aircraft, a kind of membership.

    `members` and `part` are None where members do not come in such groups.
    """

    name: str
    members: int | None
    part: int | None
    tests: int
    tested: int
    fleet: int
    approved: int


def by_jurisdiction(person: Person, season: Season, today: datetime.date) -> list[Group]:
    """Tally a season by the jurisdiction in which an operator is at home."""
    path = "operator__jurisdiction__name"
    groups = _groups(person, season, today, path, F(path))
    named = [(name or "No jurisdiction recorded", *row) for name, row in groups.items()]
    return [Group(*row) for row in sorted(named)]


def by_aircraft_kind(person: Person, season: Season, today: datetime.date) -> list[Group]:
    """Tally a season by kind of aircraft."""
    groups = _groups(person, season, today, "operator__aircraft__kind", F("setup__aircraft__kind"))
    return [
        Group(kind.label, None, None, *groups.get(kind.value, (0,) * 6)[2:])
        for kind in AircraftKind
    ]


def by_membership(person: Person, season: Season, today: datetime.date) -> list[Group]:
    """Tally a season by kind of membership; operators without one come last."""
    kind = Membership.objects.filter(operator=OuterRef("operator"), season=season).values("kind")
    groups = _groups(person, season, today, "kind", Subquery(kind[:1]))
    rows = [Group(kind.label, *groups.get(kind.value, (0,) * 6)) for kind in MembershipKind]
    if None in groups:
        rows.append(Group("No membership", None, None, *groups[None][2:]))
    return rows


def _groups(
    person: Person, season: Season, today: datetime.date, of_member: str, of_test: Any
) -> dict[Any, tuple[int, int, int, int, int, int]]:
    """Members, part, tests, aircraft tested, fleet, approved, in groups: two queries."""
    day = day_of_share(season, today)
    held = {row[of_member]: row for row in members_by(person, season, day, of_member)}
    flown = {
        row["group"]: row
        for row in Test.objects.filter(whose(person), within([season]))
        .order_by()
        .values(group=of_test)
        .annotate(tests=Count("pk"), tested=Count("setup__aircraft", distinct=True))
    }
    none: dict[str, int] = {}
    return {
        group: (
            held.get(group, none).get("members", 0),
            held.get(group, none).get("part", 0),
            flown.get(group, none).get("tests", 0),
            flown.get(group, none).get("tested", 0),
            held.get(group, none).get("fleet", 0),
            held.get(group, none).get("approved", 0),
        )
        for group in {**held, **flown}
    }


def _counted(rows: Any, count: Count) -> Any:
    """Return a count over the rows of a subquery; 0 where there is none."""
    inner = rows.values(group=Value(1)).annotate(number=count).values("number")
    return Coalesce(Subquery(inner, output_field=IntegerField()), 0)


def _truth(condition: Any) -> Any:
    """Return a condition as a column."""
    return ExpressionWrapper(Q(condition), output_field=BooleanField())


def _fleet_of(season: Season, day: datetime.date | None, *, approved: bool = False) -> Any:
    """Count an operator's aircraft on the day of the share; 0 where it was no member on it."""
    if day is None:
        return Value(0)
    serving = in_service_on(day, "operator__aircraft__")
    if approved:
        serving &= Q(approved_on(day, "operator__aircraft"))
    rows = Membership.objects.filter(
        belongs_on(day), season=season, operator=OuterRef("pk")
    ).order_by()
    return _counted(rows, Count("operator__aircraft", filter=serving))
