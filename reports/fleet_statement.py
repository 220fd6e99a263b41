"""An operator's fleet statement: every aircraft, its set-ups, and how each stands, on one day."""

from __future__ import annotations

from itertools import groupby

from django.utils import timezone

from fleet.measures import show
from fleet.models import Aircraft, Operator, PaperSlip
from fleet.queries.records import approval_record
from fleet.queries.standing import Standing, standings
from fleet.queries.whose import aircraft_of
from reports.answer import day
from reports.paper import Draft
from reports.sheet import Box, Column, Sheet, Table, to_html


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
    in_force = [one.approval for one in found if one.in_force and one.approval]
    approved = {one.aircraft_id for one in in_force}
    fleet = {one.aircraft.pk for one in found}
    as_of = timezone.localdate(slip.created_at)

    sheet = Sheet(
        title=f"Fleet of {operator}",
        who=(f"{operator.base} · as of {day(as_of)}",),
        subject=f"{operator} · {day(as_of)}",
        boxes=(
            Box(
                "Aircraft with an approved swath",
                f"{len(approved)} of {len(fleet)}",
                (f"In service on {day(as_of)}.",),
            ),
        ),
        tables=(_table(found, slip.unit_system),),
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
        html=lambda foot: to_html(sheet, slip.page_size, foot),
    )


def _table(found: list[Standing], system: str) -> Table:
    columns = (
        Column("Purpose", 22),
        Column("Swath", 11),
        Column("Way of flying", 17),
        Column("State", 14),
        Column("Why"),
    )
    groups = groupby(found, key=lambda one: one.aircraft)
    return Table(
        "Aircraft by aircraft",
        columns,
        tuple(
            (_name(aircraft), tuple(_row(one, system) for one in standings))
            for aircraft, standings in groups
        ),
        "No aircraft in service.",
    )


def _name(aircraft: Aircraft) -> str:
    kind = aircraft.get_kind_display().lower()
    return f"{aircraft} · {aircraft.make} {aircraft.model}, {kind}"


def _row(one: Standing, system: str) -> tuple[str, ...]:
    approval = one.approval if one.in_force else None
    return (
        one.setup.purpose if one.setup else "–",
        show(approval.swath_m, "swath", system) if approval else "None",
        approval.get_manner_display() if approval else "–",
        one.words,
        one.why,
    )
