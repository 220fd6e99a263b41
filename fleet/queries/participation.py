"""Who took part in a season, of how many, and what the programme achieved.

A test belongs to the season in which the day it was flown lies; a test outside every season counts
in none. What is counted, and of how many:

- **Member of a season**: an operator with a membership in it, of any kind, even if it lapsed or
  the operator left before the season was over.
- **Took part**: flew at least one test in the season, analysed or not. A member that did not
  **took no part**. Operators without a membership that flew tests are counted beside the members.
- **First-timer**: took part in this season and in none before. **Returner**: took part in this
  season and in an earlier one. Every operator that took part is one of the two.
- **Lapsed**: took part in the season before this one and not in this one, member or not. The
  season before is the one that began last before this one began.
- **Share of the fleet with a valid approval**: on the season's last day, or today while it runs;
  none before it has begun. Counted are aircraft in service on that day whose operators were
  members on it (joined by then, not lapsed, not left). An aircraft is in service on a day when it
  was not retired by then and was on record or had flown a test by then. An approval is valid on a
  day when it was given by then, its date has not passed, and by then it was neither superseded
  nor withdrawn nor ended by a newer revision of its set-up. One valid approval, for any purpose,
  makes the aircraft count.
- **Change from the first to the last test**: see `fleet.queries.achieved`.

Every function asks a fixed number of queries, however many seasons, operators and tests there are.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Exists, IntegerField, Min, OuterRef, Q, Value
from django.utils import timezone

from fleet.models import (
    AnalysisRun,
    Approval,
    Membership,
    MembershipKind,
    Person,
    Season,
    SetUp,
    Test,
)
from fleet.queries.achieved import Change, changes, median_change


@dataclass(frozen=True, slots=True)
class Figures:
    """What a season counted.

    `as_of` is the day of the share of the fleet, None before the season has begun. `lapsed` is
    None where no season came before. `members_of_kind` holds, by kind of membership, the members
    and how many of them took part.
    """

    season: Season
    as_of: datetime.date | None
    is_over: bool
    members: int
    members_part: int
    members_of_kind: Mapping[str, tuple[int, int]]
    others_part: int
    first_timers: int
    returners: int
    lapsed: int | None
    tests: int
    analysed: int
    aircraft_tested: int
    visits: int
    members_on_day: int
    fleet: int
    approved: int
    change: Change

    @property
    def operators_part(self) -> int:
        """Return how many operators took part, members and others."""
        return self.members_part + self.others_part

    @property
    def no_part(self) -> int:
        """Return how many members took no part."""
        return self.members - self.members_part

    @property
    def part_percent(self) -> float | None:
        """Return the share of the members that took part; None without members."""
        return percent_of(self.members_part, self.members)

    @property
    def approved_percent(self) -> float | None:
        """Return the share of the fleet with a valid approval; None without aircraft."""
        return percent_of(self.approved, self.fleet)

    @property
    def tests_per_aircraft(self) -> float | None:
        """Return tests for each aircraft that was tested; None where none was."""
        return self.tests / self.aircraft_tested if self.aircraft_tested else None


def percent_of(part: int, whole: int) -> float | None:
    """Return a share in per cent; None of nothing."""
    return 100.0 * part / whole if whole else None


def all_seasons() -> list[Season]:
    """Return every season, the earliest first. Seasons are nobody's in particular."""
    return list(Season.objects.order_by("starts_on", "id"))


def season_of_day(seasons: Sequence[Season], day: datetime.date) -> Season | None:
    """Return the season a day lies in; else the last that began before it; else the next."""
    begun = [one for one in seasons if one.starts_on <= day]
    return begun[-1] if begun else next(iter(seasons), None)


def season_before(seasons: Sequence[Season], season: Season) -> Season | None:
    """Return the season that began last before this one began."""
    earlier = [one for one in seasons if one.starts_on < season.starts_on]
    return earlier[-1] if earlier else None


def day_of_share(season: Season, today: datetime.date) -> datetime.date | None:
    """Return the day for which a season's fleet is counted; None before it has begun."""
    return None if today < season.starts_on else min(season.ends_on, today)


def figures(
    person: Person,
    seasons: Sequence[Season] | None = None,
    *,
    today: datetime.date | None = None,
) -> list[Figures]:
    """Return the figures of seasons, the earliest first; those of all seasons when none are named.

    Staff and analysts get those of everybody, people of an operator those of their own part.
    Five queries.
    """
    today = today or timezone.localdate()
    known = all_seasons()
    keys = {one.pk for one in (known if seasons is None else seasons)}
    asked = [one for one in known if one.pk in keys]
    if not asked:
        return []
    members = _members(person, asked, today)
    tests = _tests(person, asked)
    operators = _operators(person, known, asked)
    changed = changes(person, asked)
    return [
        _figures(
            season,
            today,
            members.get(at, []),
            tests.get(at, {}),
            _told_apart(season, season_before(known, season), operators),
            median_change(changed.get(season.pk, [])),
        )
        for at, season in enumerate(asked)
    ]


def _figures(
    season: Season,
    today: datetime.date,
    members: list[dict[str, Any]],
    tests: dict[str, Any],
    operators: tuple[int, int, int | None],
    change: Change,
) -> Figures:
    of_kind = {row["kind"]: (row["members"], row["part"]) for row in members}
    first_timers, returners, lapsed = operators
    members_part = sum(part for _, part in of_kind.values())
    return Figures(
        season=season,
        as_of=day_of_share(season, today),
        is_over=season.ends_on < today,
        members=sum(number for number, _ in of_kind.values()),
        members_part=members_part,
        members_of_kind={kind: of_kind.get(kind, (0, 0)) for kind in MembershipKind.values},
        others_part=first_timers + returners - members_part,
        first_timers=first_timers,
        returners=returners,
        lapsed=lapsed,
        tests=tests.get("tests", 0),
        analysed=tests.get("analysed", 0),
        aircraft_tested=tests.get("aircraft", 0),
        visits=tests.get("visits", 0),
        members_on_day=sum(row["members_on_day"] for row in members),
        fleet=sum(row["fleet"] for row in members),
        approved=sum(row["approved"] for row in members),
        change=change,
    )


def flown_outside_seasons(person: Person) -> int:
    """Return how many tests lie outside every season."""
    seasons = all_seasons()
    inside = within(seasons) if seasons else Q(pk__in=[])
    return Test.objects.filter(whose(person)).exclude(inside).count()


# Conditions, shared with the lists of `fleet.queries.participants` ------------------------------


def whose(person: Person, path: str = "operator") -> Q:
    """Return the condition for rows that a person may see."""
    if person.sees_everyone:
        return Q()
    return Q(**{path: person.operator_id}) if person.operator_id else Q(pk__in=[])


def within(seasons: Iterable[Season], path: str = "flown_on") -> Q:
    """Return the condition for a day that lies in one of some seasons."""
    found = Q()
    for one in seasons:
        found |= Q(**{f"{path}__range": (one.starts_on, one.ends_on)})
    return found


def flew_in(seasons: Sequence[Season], operator: str) -> Exists | Value:
    """Return the condition that the operator at a path flew a test in one of some seasons."""
    if not seasons:
        return Value(False)
    return Exists(Test.objects.filter(within(seasons), operator=OuterRef(operator)))


def end_of(day: datetime.date) -> datetime.datetime:
    """Return the moment at which a day is over here."""
    midnight = datetime.datetime.combine(day + datetime.timedelta(days=1), datetime.time())
    return timezone.make_aware(midnight)


def in_service_on(day: datetime.date, path: str = "") -> Q:
    """Return the condition for aircraft in service on a day; `path` leads to them."""
    flown = Test.objects.filter(setup__aircraft=OuterRef(f"{path}pk"), flown_on__lte=day)
    return (
        Q(**{f"{path}pk__isnull": False})
        & (Q(**{f"{path}retired_on__isnull": True}) | Q(**{f"{path}retired_on__gt": day}))
        & (Q(**{f"{path}created_at__lt": end_of(day)}) | Q(Exists(flown)))
    )


def belongs_on(day: datetime.date) -> Q:
    """Return the condition for memberships that hold on a day."""
    return (
        Q(joined_on__lte=day)
        & (Q(lapsed_on__isnull=True) | Q(lapsed_on__gt=day))
        & (Q(operator__left_on__isnull=True) | Q(operator__left_on__gt=day))
    )


def approved_on(day: datetime.date, path: str = "pk") -> Exists:
    """Return the condition that the aircraft at a path has an approval valid on a day."""
    moment = end_of(day)
    newer = SetUp.objects.filter(
        aircraft=OuterRef("aircraft"),
        purpose_key=OuterRef("setup__purpose_key"),
        number__gt=OuterRef("setup__number"),
        created_at__lt=moment,
    )
    valid = (
        Approval.objects.filter(
            ~Exists(newer),
            aircraft=OuterRef(path),
            valid_until__gte=day,
            created_at__lt=moment,
        )
        .exclude(superseded_by__created_at__lt=moment)
        .exclude(withdrawal__created_at__lt=moment)
    )
    return Exists(valid)


def members_by(person: Person, season: Season, day: datetime.date | None, by: str) -> Any:
    """Return members, those that took part, and their fleet on a day, in groups by a path."""
    on_day = Q(pk__isnull=True) if day is None else belongs_on(day)
    serving = (
        Q(pk__isnull=True) if day is None else on_day & in_service_on(day, "operator__aircraft__")
    )
    holding = serving if day is None else serving & Q(approved_on(day, "operator__aircraft"))
    part = Q(flew_in([season], "operator"))
    return (
        Membership.objects.filter(whose(person), season=season)
        .order_by()
        .values(by)
        .annotate(
            members=Count("operator", distinct=True),
            part=Count("operator", distinct=True, filter=part),
            members_on_day=Count("operator", distinct=True, filter=on_day),
            fleet=Count("operator__aircraft", filter=serving),
            approved=Count("operator__aircraft", filter=holding),
        )
    )


# The queries -------------------------------------------------------------------------------------


def _members(
    person: Person, seasons: Sequence[Season], today: datetime.date
) -> dict[int, list[dict[str, Any]]]:
    """Members of each season by kind, and their fleet on its day: one query."""
    arms = [
        members_by(person, season, day_of_share(season, today), "kind").annotate(at=_label(at))
        for at, season in enumerate(seasons)
    ]
    found: dict[int, list[dict[str, Any]]] = {}
    for row in _together(arms):
        found.setdefault(row["at"], []).append(row)
    return found


def _tests(person: Person, seasons: Sequence[Season]) -> dict[int, dict[str, Any]]:
    """Tests of each season, the aircraft and visits they were of: one query."""
    arms = [
        Test.objects.filter(whose(person), within([season]))
        .order_by()
        .values(at=_label(at))
        .annotate(
            tests=Count("pk"),
            aircraft=Count("setup__aircraft", distinct=True),
            visits=Count("visit", distinct=True),
            analysed=Count("pk", filter=Exists(AnalysisRun.objects.filter(test=OuterRef("pk")))),
        )
        for at, season in enumerate(seasons)
    ]
    return {row["at"]: row for row in _together(arms)}


def _operators(
    person: Person, known: Sequence[Season], asked: Sequence[Season]
) -> list[dict[str, Any]]:
    """One row an operator: the first day on which it took part, its tests in each season."""
    before = (season_before(known, one) for one in asked)
    counted = {one.pk: one for one in (*asked, *before) if one is not None}
    columns = {_column(one): Count("pk", filter=within([one])) for one in counted.values()}
    rows = Test.objects.filter(whose(person), within(known)).order_by().values("operator")
    return list(rows.annotate(debut=Min("flown_on"), **columns))


def _told_apart(
    season: Season, before: Season | None, operators: list[dict[str, Any]]
) -> tuple[int, int, int | None]:
    """Return first-timers, returners and lapsed of a season."""
    here = _column(season)
    debuts = [row["debut"] for row in operators if row[here]]
    first_timers = sum(debut >= season.starts_on for debut in debuts)
    lapsed = None
    if before is not None:
        lapsed = sum(1 for row in operators if row[_column(before)] and not row[here])
    return first_timers, len(debuts) - first_timers, lapsed


def _column(season: Season) -> str:
    return f"in_{season.pk.hex}"


def _label(at: int) -> Value:
    return Value(at, output_field=IntegerField())


def _together(arms: Sequence[Any]) -> Any:
    """Ask for the same of every season in one query."""
    first, *rest = arms
    return first.union(*rest, all=True) if rest else first
