"""Operators and people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from fleet import audit, rules
from fleet.models import Jurisdiction, Operator, Person, Role
from fleet.services import bulk
from fleet.services.base import change, checked, refuse

OPERATOR_FIELDS = (
    "name",
    "base",
    "base_latitude_deg",
    "base_longitude_deg",
    "jurisdiction",
    "email",
    "phone",
    "left_on",
)


@transaction.atomic
def add_operator(
    *,
    by: Person | None,
    name: str,
    base: str,
    jurisdiction: Jurisdiction | None = None,
    base_latitude_deg: float | None = None,
    base_longitude_deg: float | None = None,
    email: str = "",
    phone: str = "",
) -> Operator:
    """Add an operator. `by` is None only for the demo season."""
    if by is not None:
        rules.allow(rules.may_manage_operators, by)
    operator = Operator(
        name=name,
        base=base,
        jurisdiction=jurisdiction,
        base_latitude_deg=base_latitude_deg,
        base_longitude_deg=base_longitude_deg,
        email=email,
        phone=phone,
    )
    checked(operator)
    operator.save(force_insert=True)
    audit.record(
        "operator_added",
        operator,
        by=by,
        operator=operator,
        after=audit.values(operator, OPERATOR_FIELDS),
    )
    return operator


@transaction.atomic
def change_operator(operator: Operator, *, by: Person, **changes: Any) -> bool:
    """Change an operator's particulars. False when nothing differs."""
    rules.allow(rules.may_manage_operators, by)
    return change(
        operator,
        deed="operator_changed",
        by=by,
        operator=operator,
        changes=changes,
        allowed=OPERATOR_FIELDS,
    )


@transaction.atomic
def add_operators(*, by: Person, many: Mapping[str, Mapping[str, Any]]) -> list[Operator]:
    """Add operators, each by what to call it where it is refused. Raises IntegrityError too."""
    rules.allow(rules.may_manage_operators, by)
    rows = [(name, Operator(**values)) for name, values in many.items()]
    operators = [row for _, row in rows]
    bulk.add(rows, deed="operator_added", by=by, operators=operators, fields=OPERATOR_FIELDS)
    return operators


@transaction.atomic
def change_operators(
    rows: Sequence[tuple[str, Operator]], *, by: Person, changes: Sequence[Mapping[str, Any]]
) -> None:
    """Change operators that are locked, each by what to call it where it is refused."""
    rules.allow(rules.may_manage_operators, by)
    operators = [row for _, row in rows]
    bulk.change(
        rows,
        changes,
        deed="operator_changed",
        by=by,
        operators=operators,
        allowed=OPERATOR_FIELDS,
    )


@transaction.atomic
def add_person(
    *,
    by: Person | None,
    email: str,
    name: str,
    role: str,
    operator: Operator | None = None,
    jurisdiction: Jurisdiction | None = None,
    may_change_setups: bool = False,
    password: str | None = None,
    unit_system: str = "us",
) -> Person:
    """Give somebody access. `by` is None only for the first person and the demo season."""
    if by is not None:
        rules.allow(rules.may_manage_operators, by)
    needs_operator = role in (Role.OWNER, Role.PILOT)
    if needs_operator != (operator is not None):
        refuse({"operator": ["Owners and pilots belong to an operator; nobody else does."]})
    if (role == Role.CHECKER) != (jurisdiction is not None):
        refuse({"jurisdiction": ["A checker checks for a jurisdiction; nobody else does."]})
    if may_change_setups and role != Role.PILOT:
        refuse({"may_change_setups": ["Only a pilot needs leave to record set-ups."]})
    person = Person(
        email=email.strip().lower(),
        name=name,
        role=role,
        operator=operator,
        jurisdiction=jurisdiction,
        may_change_setups=may_change_setups,
        unit_system=unit_system,
    )
    if password is None:
        person.set_unusable_password()
    else:
        try:
            validate_password(password, person)
        except ValidationError as error:
            refuse({"password": error.messages})
        person.set_password(password)
    checked(person)
    person.save(force_insert=True)
    audit.record(
        "person_added",
        person,
        by=by,
        operator=operator,
        after=audit.values(person, ("email", "name", "role", "jurisdiction", "may_change_setups")),
    )
    return person


@transaction.atomic
def set_units(person: Person, *, unit_system: str) -> bool:
    """Set the units that a person reads."""
    return change(
        person,
        deed="person_changed",
        by=person,
        operator=person.operator,
        changes={"unit_system": unit_system},
        allowed=("unit_system",),
    )


@transaction.atomic
def allow_setups(person: Person, *, by: Person, may_change_setups: bool) -> bool:
    """Let a pilot record set-ups, or no longer. False when nothing differs."""
    rules.allow(rules.may_allow_setups, by)
    if person.role != Role.PILOT:
        refuse({"may_change_setups": ["Only a pilot needs leave to record set-ups."]})
    return change(
        person,
        deed="person_changed",
        by=by,
        operator=person.operator,
        changes={"may_change_setups": may_change_setups},
        allowed=("may_change_setups",),
    )
