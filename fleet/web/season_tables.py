"""The lists of a season as files."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from typing import Any

from fleet.models import MembershipKind, Person, Season, VisitKind
from fleet.queries import participants
from fleet.queries.participation import Figures
from fleet.tables import Column, Table, measure


def members_table(season: Season, rows: Iterable[Any]) -> Table:
    """Return who took part and who did not."""
    columns = [
        Column("Operator"),
        Column("Jurisdiction"),
        Column("Membership"),
        Column("Part"),
        Column("Tests", "whole"),
        Column("Aircraft tested", "whole"),
        Column("Aircraft in service", "whole"),
        Column("With a valid approval", "whole"),
    ]
    return Table(
        f"Season {season} by member",
        columns,
        (
            (
                row.name,
                row.jurisdiction,
                membership_words(row.membership),
                participants.PART_WORDS[row.part],
                row.test_count,
                row.tested,
                row.fleet,
                row.approved,
            )
            for row in rows
        ),
    )


def aircraft_table(season: Season, rows: Iterable[Any]) -> Table:
    """Return the aircraft tested, and the fleet of the members."""
    columns = [
        Column("Aircraft"),
        Column("Model"),
        Column("Kind"),
        Column("Operator"),
        Column("Tests", "whole"),
        Column("Last flown on", "date"),
        Column("In the fleet counted", "yes"),
        Column("With a valid approval", "yes"),
    ]
    return Table(
        f"Season {season} by aircraft",
        columns,
        (
            (
                row.registration,
                f"{row.make} {row.model}".strip(),
                row.get_kind_display(),
                row.operator.name,
                row.test_count,
                row.last_flown_on,
                row.in_fleet,
                row.approved,
            )
            for row in rows
        ),
    )


def visits_table(season: Season, rows: Iterable[dict[str, Any]]) -> Table:
    """Return the visits on which tests were flown."""
    columns = [
        Column("Place"),
        Column("Kind"),
        Column("From", "date"),
        Column("To", "date"),
        Column("Analyst"),
        Column("Tests", "whole"),
        Column("Aircraft", "whole"),
        Column("Operators", "whole"),
    ]
    return Table(
        f"Season {season} by visit",
        columns,
        (
            (
                row["place"],
                VisitKind(row["kind"]).label,
                row["starts_on"],
                row["ends_on"],
                row["analyst"],
                row["test_count"],
                row["aircraft"],
                row["operators"],
            )
            for row in rows
        ),
    )


def groups_table(season: Season, by: str, rows: Iterable[participants.Group]) -> Table:
    """Return a tally in groups."""
    columns = [
        Column(by.capitalize()),
        Column("Members", "whole"),
        Column("Took part", "whole"),
        Column("Tests", "whole"),
        Column("Aircraft tested", "whole"),
        Column("Aircraft in service", "whole"),
        Column("With a valid approval", "whole"),
    ]
    return Table(
        f"Season {season} by {by}",
        columns,
        (
            (row.name, row.members, row.part, row.tests, row.tested, row.fleet, row.approved)
            for row in rows
        ),
    )


def seasons_table(found: Sequence[Figures], person: Person) -> Table:
    """Return seasons side by side, a row each."""
    system = person.unit_system
    columns = [
        Column("Season"),
        Column("From", "date"),
        Column("To", "date"),
        Column("Members", "whole"),
        Column("Members that took part", "whole"),
        Column("Others that took part", "whole"),
        Column("For the first time", "whole"),
        Column("Came again", "whole"),
        Column("Flew the season before, not this one", "whole"),
        Column("Tests", "whole"),
        Column("Tests analysed", "whole"),
        Column("Aircraft tested", "whole"),
        Column("Visits", "whole"),
        Column("Fleet counted on", "date"),
        Column("Members on that day", "whole"),
        Column("Aircraft in service on that day", "whole"),
        Column("With a valid approval", "whole"),
        Column("Aircraft compared", "whole"),
        Column("Tested again, not approved then", "whole"),
        Column("No swath at the first test", "whole"),
        Column("Median CV first (%)", "number"),
        Column("Median CV last (%)", "number"),
        Column("Median change of CV (%)", "number"),
        measure("Median swath first", "swath", system),
        measure("Median swath last", "swath", system),
        measure("Median change of swath", "swath", system),
    ]
    return Table("Seasons side by side", columns, (_season_row(one) for one in found))


def _season_row(one: Figures) -> Sequence[str | int | float | datetime.date | None]:
    change = one.change
    return (
        str(one.season),
        one.season.starts_on,
        one.season.ends_on,
        one.members,
        one.members_part,
        one.others_part,
        one.first_timers,
        one.returners,
        one.lapsed,
        one.tests,
        one.analysed,
        one.aircraft_tested,
        one.visits,
        one.as_of,
        one.members_on_day,
        one.fleet,
        one.approved,
        change.aircraft,
        change.not_approved_again,
        change.none_at_first,
        change.cv_first_percent,
        change.cv_last_percent,
        change.cv_change_percent,
        change.swath_first_m,
        change.swath_last_m,
        change.swath_change_m,
    )


def membership_words(kind: str) -> str:
    """Return a kind of membership in words; of none as well."""
    return MembershipKind(kind).label if kind else "No membership"
