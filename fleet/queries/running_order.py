"""The running order of a day: who is next, its last test, what was advised; who has flown.

A fixed number of queries, however many aircraft there are.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db.models import OuterRef, Subquery

from fleet.models import Aircraft, AnalysisRun, Person, SignUp, SignUpState, Test, Visit
from fleet.queries.clinics import days_of, sign_ups_of, slot_at
from fleet.queries.progress import Progress, progress_of, tests_on
from fleet.queries.standing import Standing, standings
from fleet.queries.whose import tests_of
from patterns.zones import Zone


@dataclass(frozen=True, slots=True)
class LastTest:
    """The last test of an aircraft: how far it came, swath and CV, what was advised."""

    progress: Progress
    swath_m: float | None = None
    cv_percent: float | None = None
    manner: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """An aircraft in the order. `at` is about when its turn is."""

    sign_up: SignUp
    at: datetime.datetime | None = None
    standings: Sequence[Standing] = ()
    last: LastTest | None = None
    test: Progress | None = None

    @property
    def to_retest(self) -> Sequence[Standing]:
        """Return the purposes whose set-up was changed since it was approved."""
        return [one for one in self.standings if one.state == "changed"]

    @property
    def in_force(self) -> Sequence[Standing]:
        """Return the set-ups in force, the one to test first at the front."""
        return [one for one in self.standings if one.setup is not None]


@dataclass(frozen=True, slots=True)
class Order:
    """A day of a visit."""

    day: datetime.date
    days: Sequence[datetime.date]
    to_fly: Sequence[Line] = ()
    flown: Sequence[Line] = ()
    absent: Sequence[Line] = ()
    waiting: Sequence[Line] = ()
    tests: Sequence[Progress] = ()
    findings: Sequence[Zone] = field(default=())
    finding_passes: int = 0

    @property
    def next(self) -> Line | None:
        """Return who flies next."""
        return self.to_fly[0] if self.to_fly else None

    @property
    def rest(self) -> Sequence[Line]:
        """Return those after the next."""
        return self.to_fly[1:]


def running_order(person: Person, visit: Visit, day: datetime.date) -> Order:
    """Return the order of a day as staff and analysts see it."""
    rows = [row for row in sign_ups_of(person).filter(visit=visit) if _shown(row, day)]
    rows.sort(key=lambda row: row.position or 0)
    fleet = [row.aircraft for row in rows if row.state in (SignUpState.PLACED, SignUpState.WAITING)]
    by_aircraft: dict[UUID, list[Standing]] = {}
    for one in standings(person, aircraft=fleet):
        by_aircraft.setdefault(one.aircraft.pk, []).append(one)
    last = _last_tests(person, fleet)
    done = tests_on(person, visit)
    flown = {one.test.setup.aircraft_id: one for one in done}

    def line(row: SignUp) -> Line:
        placed = row.state == SignUpState.PLACED and row.position is not None
        return Line(
            row,
            at=slot_at(visit, day, row.position or 1) if placed else None,
            standings=by_aircraft.get(row.aircraft_id, ()),
            last=last.get(row.aircraft_id),
            test=flown.get(row.aircraft_id),
        )

    def those(state: str) -> list[Line]:
        return [line(row) for row in rows if row.state == state]

    to_fly = those(SignUpState.PLACED)
    return Order(
        day=day,
        days=days_of(visit),
        to_fly=to_fly,
        flown=those(SignUpState.FLOWN),
        absent=those(SignUpState.ABSENT),
        waiting=those(SignUpState.WAITING),
        tests=done,
        **_findings(to_fly[0] if to_fly else None),
    )


def _shown(row: SignUp, day: datetime.date) -> bool:
    return row.state == SignUpState.WAITING or (
        row.state != SignUpState.CANCELLED and row.day == day
    )


def _last_tests(person: Person, fleet: Sequence[Aircraft]) -> dict[UUID, LastTest]:
    """The newest test of each aircraft, set-wise."""
    newest = (
        Test.objects.filter(setup__aircraft=OuterRef("pk"))
        .order_by("-flown_on", "-created_at", "-id")
        .values("pk")[:1]
    )
    keys = Aircraft.objects.filter(pk__in=[one.pk for one in fleet]).values_list(Subquery(newest))
    tests = tests_of(person).filter(pk__in=[key for (key,) in keys if key])
    return {one.test.setup.aircraft_id: _told(one) for one in progress_of(tests)}


def _told(progress: Progress) -> LastTest:
    """What to say of a last test: the approval where there is or was one, else the analysis."""
    approval = progress.approval or progress.ended
    if approval is not None:
        return LastTest(
            progress, approval.swath_m, approval.cv_percent, approval.manner, approval.note
        )
    run, manner = progress.analysis, progress.test.setup.manner
    if run is None:
        return LastTest(progress)
    one_way = manner == "one_way"
    cv = run.one_way_cv_percent if one_way else run.back_and_forth_cv_percent
    return LastTest(progress, progress.swath_m, cv, manner)


def _findings(line: Line | None) -> dict[str, Any]:
    """The zones that the last analysis of the next aircraft found: one document is opened."""
    run = line.last.progress.analysis if line and line.last else None
    if run is None:
        return {}
    result = AnalysisRun.objects.only("document").get(pk=run.pk).result
    return {"findings": result.findings, "finding_passes": result.pattern.passes.shape[0]}
