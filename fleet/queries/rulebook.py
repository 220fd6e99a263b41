"""Reads of jurisdictions and rules, which are everybody's, and of what hangs on an aircraft."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from django.db.models import Prefetch, QuerySet

from fleet import tenancy
from fleet.models import (
    Aircraft,
    Jurisdiction,
    Person,
    Requirement,
    RequirementVersion,
    Waiver,
    WorksUnder,
)
from fleet.queries.duties import Duty, duties
from fleet.queries.whose import _own


def requirements_of(person: Person) -> QuerySet[Requirement]:
    """Rules with their versions, the newest first. A checker sees those they check for."""
    newest = RequirementVersion.objects.select_related("recorded_by").order_by("-number")
    rows = Requirement.objects.select_related("jurisdiction").prefetch_related(
        Prefetch("versions", newest)
    )
    return rows.filter(jurisdiction=person.jurisdiction_id) if person.is_checker else rows


def jurisdictions_of(person: Person) -> QuerySet[Jurisdiction]:
    """Jurisdictions: all of them; a checker's own."""
    rows = Jurisdiction.objects.all()
    return rows.filter(checkers=person) if person.is_checker else rows


def waivers_of(person: Person) -> QuerySet[Waiver]:
    """Waivers a person may see."""
    return _own(
        person,
        Waiver.objects.select_related(
            "operator", "aircraft__operator", "requirement__jurisdiction", "granted_by"
        ),
    )


def works_under_of(person: Person) -> QuerySet[WorksUnder]:
    """Further jurisdictions of the aircraft a person may see."""
    return _own(person, WorksUnder.objects.select_related("aircraft", "jurisdiction"))


@dataclass(frozen=True, slots=True)
class Checked:
    """All that a checker sees of one duty."""

    registration: str
    kind: str
    rule: str
    state: str
    words: str
    met_until: datetime.date | None


def checked_by(person: Person, words: str = "") -> list[Checked]:
    """Return how the aircraft under a checker's jurisdiction stand with its rules.

    Nothing else of theirs leaves this function: it opens all operators' rows, since a checker
    belongs to none.
    """
    if not person.is_checker or not person.is_active:
        return []
    with tenancy.everyone():
        fleet = Aircraft.objects.filter(retired_on__isnull=True, operator__left_on__isnull=True)
        here = fleet.filter(operator__jurisdiction=person.jurisdiction_id) | fleet.filter(
            works_under__jurisdiction=person.jurisdiction_id
        )
        if words:
            here = here.filter(registration__icontains=words)
        found = duties(person, aircraft=here.select_related("operator").distinct())
    theirs = [one for one in found if one.requirement.jurisdiction_id == person.jurisdiction_id]
    return sorted((_checked(one) for one in theirs), key=lambda one: (one.registration, one.rule))


def _checked(duty: Duty) -> Checked:
    return Checked(
        duty.aircraft.registration,
        duty.aircraft.get_kind_display(),
        duty.requirement.name,
        duty.state,
        duty.words,
        duty.met_until,
    )
