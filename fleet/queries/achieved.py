"""What the programme achieved: CV and swath from the first to the last test of a season.

A *line* is one aircraft for one purpose. It is compared where a later test of the same season than
its first analysed one was approved:

- **first**: what the newest analysis of the line's first analysed test of the season recommends,
  for the way of flying that was approved last;
- **last**: what was approved on the line's last test of the season that has an approval (the
  newest there, withdrawn ones left out).

Lines that were tested again and not approved, and lines whose first test recommended no swath at
all, cannot be compared; they are counted and said, so that nobody takes the median for the whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from statistics import median
from typing import Any
from uuid import UUID

from django.db.models import Case, Count, F, IntegerField, Q, Value, When, Window

from fleet.models import Manner, Person, Season, Test

_COLUMNS = (
    "at",
    "setup__aircraft",
    "setup__purpose_key",
    "pk",
    "analyses__one_way_swath_m",
    "analyses__one_way_cv_percent",
    "analyses__back_and_forth_swath_m",
    "analyses__back_and_forth_cv_percent",
    "analyses__approvals__swath_m",
    "analyses__approvals__cv_percent",
    "analyses__approvals__manner",
    "analyses__approvals__withdrawal",
)


@dataclass(frozen=True, slots=True)
class Line:
    """One aircraft and purpose that was tested more than once in a season.

    `approved_again` says whether a test after the first was approved; the last figures are None
    where none was, the first where the first test recommended no swath.
    """

    aircraft: UUID
    purpose_key: str
    approved_again: bool
    first_swath_m: float | None = None
    first_cv_percent: float | None = None
    last_swath_m: float | None = None
    last_cv_percent: float | None = None

    @property
    def is_comparable(self) -> bool:
        """Whether there are figures of both."""
        return self.approved_again and self.first_swath_m is not None


@dataclass(frozen=True, slots=True)
class Change:
    """Medians over the lines that can be compared; None where there is none.

    The change is the median of the differences of each line, which is not the difference of the
    two medians.
    """

    lines: int = 0
    aircraft: int = 0
    not_approved_again: int = 0
    none_at_first: int = 0
    cv_first_percent: float | None = None
    cv_last_percent: float | None = None
    cv_change_percent: float | None = None
    swath_first_m: float | None = None
    swath_last_m: float | None = None
    swath_change_m: float | None = None


def changes(person: Person, seasons: Sequence[Season]) -> dict[Any, list[Line]]:
    """Return the lines tested more than once, by the key of the season: one query."""
    found: dict[Any, list[Line]] = {}
    for (at, aircraft, purpose), rows in groupby(_rows(person, seasons), key=itemgetter(0, 1, 2)):
        line = _line(aircraft, purpose, [row[3:] for row in rows])
        if line is not None:
            found.setdefault(seasons[at].pk, []).append(line)
    return found


def median_change(lines: Iterable[Line]) -> Change:
    """Return the medians over lines, and what they leave out."""
    lines = list(lines)
    good: list[Any] = [line for line in lines if line.is_comparable]
    left_out = {
        "not_approved_again": sum(not line.approved_again for line in lines),
        "none_at_first": sum(line.approved_again and not line.is_comparable for line in lines),
    }
    if not good:
        return Change(**left_out)
    return Change(
        lines=len(good),
        aircraft=len({line.aircraft for line in good}),
        **left_out,
        cv_first_percent=median(line.first_cv_percent for line in good),
        cv_last_percent=median(line.last_cv_percent for line in good),
        cv_change_percent=median(line.last_cv_percent - line.first_cv_percent for line in good),
        swath_first_m=median(line.first_swath_m for line in good),
        swath_last_m=median(line.last_swath_m for line in good),
        swath_change_m=median(line.last_swath_m - line.first_swath_m for line in good),
    )


def _rows(person: Person, seasons: Sequence[Season]) -> Iterator[tuple[Any, ...]]:
    """Analyses and approvals of lines with more than one, in the order in which they came."""
    days = [Q(flown_on__range=(one.starts_on, one.ends_on)) for one in seasons]
    at = Case(
        *(When(day, then=Value(index)) for index, day in enumerate(days)),
        output_field=IntegerField(),
    )
    own = Q() if person.sees_everyone else Q(operator=person.operator_id)
    any_day = days[0]
    for day in days[1:]:
        any_day |= day
    line = [F("at"), F("setup__aircraft"), F("setup__purpose_key")]
    rows: Iterator[tuple[Any, ...]] = (
        Test.objects.filter(own, any_day, analyses__isnull=False)
        .annotate(at=at, on_line=Window(Count("*"), partition_by=line))
        .filter(on_line__gt=1)
        .order_by(
            "at",
            "setup__aircraft",
            "setup__purpose_key",
            "flown_on",
            "pk",
            "analyses__number",
            "analyses__approvals__created_at",
        )
        .values_list(*_COLUMNS)
        .iterator()
    )
    return rows


def _line(aircraft: UUID, purpose_key: str, rows: list[tuple[Any, ...]]) -> Line | None:
    """Make one line of its rows; None where they are all of one test."""
    first = rows[0][0]
    approved = None
    newest = rows[0]
    for row in rows:
        if row[0] == first:
            newest = row
        elif row[5] is not None and row[8] is None:
            approved = row
    if rows[-1][0] == first:
        return None
    if approved is None:
        return Line(aircraft, purpose_key, approved_again=False)
    one_way = approved[7] == Manner.ONE_WAY
    swath_m, cv_percent = newest[1:3] if one_way else newest[3:5]
    return Line(aircraft, purpose_key, True, swath_m, cv_percent, approved[5], approved[6])
