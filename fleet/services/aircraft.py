"""Aircraft and their set-ups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max

from fleet import audit, rules
from fleet.models import Aircraft, Operator, Person, SetUp
from fleet.services import bulk
from fleet.services.base import change, checked, refuse
from fleet.services.telling import tell_changed
from fleet.validators import check_nozzles, check_ranges

AIRCRAFT_FIELDS = ("registration", "make", "model", "kind", "span_m", "retired_on")
SETUP_FIELDS = (
    "purpose",
    "boom_width_m",
    "nozzles",
    "pressure_kpa",
    "airspeed_m_s",
    "release_height_m",
    "rate_l_per_ha",
    "intended_swath_m",
    "manner",
    "note",
)


@transaction.atomic
def add_aircraft(
    *,
    by: Person,
    operator: Operator,
    registration: str,
    model: str,
    kind: str,
    span_m: float,
    make: str = "",
) -> Aircraft:
    """Add an aircraft to an operator's fleet."""
    rules.allow(rules.may_change_fleet, by)
    aircraft = Aircraft(
        operator=operator,
        registration=registration.strip().upper(),
        make=make,
        model=model,
        kind=kind,
        span_m=span_m,
    )
    checked(aircraft)
    aircraft.save(force_insert=True)
    audit.record(
        "aircraft_added",
        aircraft,
        by=by,
        operator=operator,
        after=audit.values(aircraft, AIRCRAFT_FIELDS),
    )
    return aircraft


@transaction.atomic
def add_fleet(*, by: Person, many: Mapping[str, Mapping[str, Any]]) -> list[Aircraft]:
    """Add aircraft, each by what to call it where it is refused. Raises IntegrityError too."""
    rules.allow(rules.may_change_fleet, by)
    rows = [
        (name, Aircraft(**{**values, "registration": values["registration"].strip().upper()}))
        for name, values in many.items()
    ]
    operators = [values["operator"] for values in many.values()]
    bulk.add(rows, deed="aircraft_added", by=by, operators=operators, fields=AIRCRAFT_FIELDS)
    return [row for _, row in rows]


@transaction.atomic
def change_fleet(
    rows: Sequence[tuple[str, Aircraft]], *, by: Person, changes: Sequence[Mapping[str, Any]]
) -> None:
    """Change particulars of aircraft that are locked, but for the registration."""
    rules.allow(rules.may_change_fleet, by)
    bulk.change(
        rows,
        changes,
        deed="aircraft_changed",
        by=by,
        operators=[row.operator for _, row in rows],
        allowed=[field for field in AIRCRAFT_FIELDS if field != "registration"],
    )


@transaction.atomic
def change_aircraft(aircraft: Aircraft, *, by: Person, **changes: Any) -> bool:
    """Change an aircraft's particulars, or retire it. False when nothing differs."""
    rules.allow(rules.may_change_fleet, by)
    if "registration" in changes:
        changes["registration"] = str(changes["registration"]).strip().upper()
    return change(
        aircraft,
        deed="aircraft_changed",
        by=by,
        operator=aircraft.operator,
        changes=changes,
        allowed=AIRCRAFT_FIELDS,
    )


@transaction.atomic
def record_setup(
    *,
    by: Person,
    aircraft: Aircraft,
    purpose: str,
    boom_width_m: float,
    nozzles: Any,
    pressure_kpa: float,
    airspeed_m_s: float,
    release_height_m: float,
    rate_l_per_ha: float,
    manner: str,
    intended_swath_m: float | None = None,
    note: str = "",
) -> SetUp:
    """Record how an aircraft is now equipped and flown for a purpose: a new revision.

    It ends the approvals of the revisions before it for the same purpose ("set-up changed, test
    again"). A revision that says the same as the one in force is refused.
    """
    rules.allow(rules.may_record_setups, by)
    Aircraft.objects.select_for_update().get(pk=aircraft.pk)  # one number each
    purpose = " ".join(purpose.split())
    setup = SetUp(
        operator=aircraft.operator,
        aircraft=aircraft,
        purpose=purpose,
        purpose_key=purpose.casefold(),
        boom_width_m=boom_width_m,
        nozzles=nozzles,
        pressure_kpa=pressure_kpa,
        airspeed_m_s=airspeed_m_s,
        release_height_m=release_height_m,
        rate_l_per_ha=rate_l_per_ha,
        manner=manner,
        intended_swath_m=intended_swath_m,
        note=note,
        created_by=by,
    )
    errors: dict[str, Any] = check_ranges({f: getattr(setup, f) for f in SETUP_FIELDS})
    if "boom_width_m" not in errors:
        try:
            setup.nozzles = check_nozzles(nozzles, boom_width_m)
        except ValidationError as error:
            errors.update(error.message_dict)
    refuse(errors)
    line = SetUp.objects.filter(aircraft=aircraft, purpose_key=setup.purpose_key)
    _refuse_twin(setup, line.order_by("-number").first())
    setup.number = (line.aggregate(last=Max("number"))["last"] or 0) + 1
    checked(setup)
    setup.save(force_insert=True)
    audit.record(
        "setup_recorded",
        setup,
        by=by,
        operator=aircraft.operator,
        after=audit.values(setup, ("number", *SETUP_FIELDS)),
    )
    tell_changed(setup)
    return setup


def _refuse_twin(setup: SetUp, in_force: SetUp | None) -> None:
    """A revision that changes nothing would end a good approval for nothing."""
    said = [name for name in SETUP_FIELDS if name not in ("note", "purpose")]
    if in_force and all(getattr(setup, name) == getattr(in_force, name) for name in said):
        refuse({"purpose": [f"Nothing differs from revision {in_force.number}, in force now."]})
