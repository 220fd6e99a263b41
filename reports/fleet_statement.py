"""An operator's fleet statement: every aircraft, its set-ups, and how each stands, on one day."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from django.utils import timezone

from fleet.measures import show
from fleet.models import Operator, PaperSlip
from fleet.queries.records import approval_record
from fleet.queries.standing import Standing, standings
from fleet.queries.whose import aircraft_of
from reports.answer import day
from reports.paper import Draft, Foot, page


@dataclass(frozen=True, slots=True)
class Row:
    """One aircraft for one purpose."""

    aircraft: str
    model: str
    purpose: str
    swath: str
    manner: str
    state: str
    why: str


def draft(slip: PaperSlip) -> Draft:
    """Return the statement of the slip's operator as of the day it was asked for."""
    operator = slip.operator
    assert operator is not None
    fleet = aircraft_of(slip.asked_by).filter(operator=operator, retired_on__isnull=True)
    today = timezone.localdate(slip.created_at)
    found = standings(slip.asked_by, aircraft=fleet, today=today)
    found.sort(key=lambda one: (one.aircraft.registration, one.setup.purpose if one.setup else ""))
    return drafted(operator, found, slip)


def drafted(operator: Operator, found: list[Standing], slip: PaperSlip) -> Draft:
    """Return the statement from how each aircraft stands."""
    rows = [_row(one, slip.unit_system) for one in found]
    in_force = [one.approval for one in found if one.in_force and one.approval]
    approved = {one.aircraft_id for one in in_force}
    fleet = {one.aircraft.pk for one in found}
    as_of = timezone.localdate(slip.created_at)

    def html(foot: Foot) -> Iterator[str]:
        groups = [(key, list(group)) for key, group in groupby(rows, key=lambda row: row.aircraft)]
        yield page(
            "reports/fleet_statement.html",
            foot,
            size=slip.page_size,
            operator=operator,
            groups=groups,
            approved=len(approved),
            fleet=len(fleet),
            as_of=day(as_of),
        )

    return Draft(
        title=f"Fleet statement {operator}",
        record={
            "operator": {"id": str(operator.pk), "name": operator.name, "base": operator.base},
            "as_of": as_of.isoformat(),
            "aircraft_in_service": len(fleet),
            "aircraft_with_an_approved_swath": len(approved),
            "lines": [
                {
                    "aircraft": one.aircraft.registration,
                    "aircraft_id": str(one.aircraft.pk),
                    "purpose": one.setup.purpose if one.setup else None,
                    "state": one.state,
                    "due_on": one.due_on.isoformat() if one.due_on else None,
                    "approval": approval_record(one.approval)
                    if one.in_force and one.approval
                    else None,
                }
                for one in found
            ],
        },
        stated_at=max([slip.created_at, *(one.created_at for one in in_force)]),
        html=html,
    )


def _row(one: Standing, system: str) -> Row:
    approval = one.approval if one.in_force else None
    aircraft = one.aircraft
    return Row(
        aircraft=aircraft.registration,
        model=f"{aircraft.make} {aircraft.model}, {aircraft.get_kind_display().lower()}".strip(),
        purpose=one.setup.purpose if one.setup else "",
        swath=show(approval.swath_m, "swath", system) if approval else "None",
        manner=approval.get_manner_display() if approval else "",
        state=one.words,
        why=one.why,
    )
