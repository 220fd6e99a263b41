"""Reads by person: what each may see at all. The first argument says whose.

The tenancy scope would stop a stray row; these filter explicitly as well, and set-wise, so that
no list asks the database once for each of its rows.
"""

from __future__ import annotations

from typing import Any, TypeVar

from django.db.models import Count, Exists, F, Model, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.models import (
    Aircraft,
    AnalysisRun,
    Approval,
    AuditRow,
    CardRun,
    CardScan,
    FlightPass,
    Job,
    Operator,
    Person,
    SetUp,
    SignUp,
    Test,
    TourPlan,
    TourProposal,
    Visit,
    VisitWish,
)
from fleet.queries.clinics import open_for_sign_up

M = TypeVar("M", bound=Model)

# A count groups, and Django drops a model's own ordering from what is grouped.
NEWEST_VISIT_FIRST = ("-starts_on", "id")
NEWEST_TEST_FIRST = ("-flown_on", "-id")


def _own(
    person: Person, rows: QuerySet[M], path: str = "operator", **conditions: Any
) -> QuerySet[M]:
    """Those of the rows that a person may see, and of which the conditions hold."""
    if not person.sees_everyone:
        if person.operator_id is None:
            return rows.none()
        conditions[path] = person.operator_id
    return rows.filter(**conditions) if conditions else rows


def operators_of(person: Person) -> QuerySet[Operator]:
    """Operators a person may see."""
    return _own(person, Operator.objects.select_related("jurisdiction"), "pk")


def people_of(person: Person) -> QuerySet[Person]:
    """People of the operators a person may see; staff and analysts see all."""
    return _own(person, Person.objects.select_related("operator", "jurisdiction"))


def aircraft_of(person: Person) -> QuerySet[Aircraft]:
    """Aircraft a person may see, with their operator."""
    return _own(person, Aircraft.objects.select_related("operator"))


def called(aircraft: QuerySet[Aircraft], words: str) -> QuerySet[Aircraft]:
    """Those in whose registration, model, make or operator each of the words is found."""
    for word in words.split():
        aircraft = aircraft.filter(
            Q(registration__icontains=word)
            | Q(model__icontains=word)
            | Q(make__icontains=word)
            | Q(operator__name__icontains=word)
        )
    return aircraft


def setups_of(person: Person) -> QuerySet[SetUp]:
    """Set-up revisions a person may see."""
    return _own(person, SetUp.objects.select_related("aircraft__operator", "created_by"))


def visits_of(person: Person) -> QuerySet[Visit]:
    """Visits: all of them for staff and analysts; for an operator those with a test or a sign-up
    of theirs, private visits to them, and clinics open for sign-up.
    """
    visits = Visit.objects.select_related("analyst", "host")
    if person.sees_everyone:
        return visits.annotate(test_count=Count("tests")).order_by(*NEWEST_VISIT_FIRST)
    if person.operator_id is None:  # a clinic has no host either, and is not theirs for that
        return visits.none()
    theirs = {"visit": OuterRef("pk"), "operator": person.operator_id}
    mine = visits.filter(
        Exists(Test.objects.filter(**theirs))
        | Exists(SignUp.objects.filter(**theirs))
        | Q(host=person.operator_id)
        | open_for_sign_up(timezone.localdate())
    )
    counted = mine.annotate(test_count=Count("tests", filter=Q(tests__operator=person.operator_id)))
    return counted.order_by(*NEWEST_VISIT_FIRST)


def tests_of(person: Person) -> QuerySet[Test]:
    """Tests a person may see, with what lists show of them."""
    return _own(
        person,
        Test.objects.select_related("operator", "visit__analyst", "setup__aircraft"),
    )


def tests_with_counts(person: Person) -> QuerySet[Test]:
    """The same without nozzles, each with `place`, `pass_count` and `analysis_count`."""
    counted = tests_of(person).annotate(
        place=F("visit__place"), pass_count=_count(FlightPass), analysis_count=_count(AnalysisRun)
    )
    return counted.defer("setup__nozzles").order_by(*NEWEST_TEST_FIRST)


def _count(model: type[Model]) -> Coalesce:
    """Count what hangs on each test by itself: only for the rows that are shown."""
    of_test = model._default_manager.filter(test=OuterRef("pk")).order_by().values("test")
    return Coalesce(Subquery(of_test.annotate(count=Count("pk")).values("count")), 0)


def passes_of(person: Person) -> QuerySet[FlightPass]:
    """Passes a person may see, with test and raw file."""
    return _own(person, FlightPass.objects.select_related("test__setup__aircraft", "raw_file"))


def analyses_of(person: Person) -> QuerySet[AnalysisRun]:
    """Analyses a person may see."""
    return _own(
        person,
        AnalysisRun.objects.select_related(
            "operator", "test__visit__analyst", "test__setup__aircraft", "requested_by"
        ),
    )


def approvals_of(person: Person) -> QuerySet[Approval]:
    """Approvals a person may see."""
    return _own(
        person,
        Approval.objects.select_related(
            "operator", "aircraft", "setup", "analysis__test__visit", "approved_by", "withdrawal"
        ),
    )


def jobs_of(person: Person) -> QuerySet[Job]:
    """Jobs a person may see."""
    return _own(person, Job.objects.select_related("requested_by", "analysis", "paper"))


def card_scans_of(person: Person) -> QuerySet[CardScan]:
    """Scans of cards a person may see."""
    return _own(
        person,
        CardScan.objects.select_related("test__setup__aircraft", "flight_pass", "raw_file"),
    )


def card_runs_of(person: Person) -> QuerySet[CardRun]:
    """Measurements of cards a person may see."""
    return _own(person, CardRun.objects.select_related("scan__test__setup__aircraft"))


def plans_of(person: Person) -> QuerySet[TourPlan]:
    """Plans of return visits: all of them for staff and analysts, none for anybody else."""
    rows: QuerySet[TourPlan] = TourPlan.objects.select_related("analyst", "made_by")
    return rows if person.sees_everyone else rows.none()


def proposals_of(person: Person) -> QuerySet[TourProposal]:
    """Proposals of the plans a person may see."""
    rows: QuerySet[TourProposal] = TourProposal.objects.select_related("plan__analyst", "job")
    return rows if person.sees_everyone else rows.none()


def wishes_of(person: Person) -> QuerySet[VisitWish]:
    """Wishes for a visit that a person may see."""
    return _own(person, VisitWish.objects.select_related("aircraft", "operator", "wished_by"))


def audit_of(person: Person) -> QuerySet[AuditRow]:
    """The audit trail, for staff."""
    rows: QuerySet[AuditRow, Any] = AuditRow.objects.select_related("operator")
    return rows if person.is_staff_member else rows.none()
