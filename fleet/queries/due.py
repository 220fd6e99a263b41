"""Who is due in a whole fleet: states and days without the records and sentences behind them.

A list of thousands is sorted, counted and cut by these; what a page shows of it, it asks of
`queries.duties` and `queries.standing`, which judge by the same rules.
"""

from __future__ import annotations

import datetime
from typing import NamedTuple
from uuid import UUID

from fleet.models import Person, Requirement
from fleet.queries.standing import states_of
from fleet.queries.verdicts import uncollected, verdicts
from fleet.queries.whose import aircraft_of, operators_of


class Owner(NamedTuple):
    """As much of an operator as a list of who is due looks at."""

    pk: UUID
    name: str
    jurisdiction_id: UUID | None
    left_on: datetime.date | None


class Craft(NamedTuple):
    """As much of an aircraft."""

    pk: UUID
    registration: str
    kind: str
    created_at: datetime.datetime
    retired_on: datetime.date | None
    operator: Owner


class Due(NamedTuple):
    """A duty, or how an aircraft stands for a purpose; then there is no requirement."""

    craft: Craft
    requirement: Requirement | None
    purpose_key: str
    state: str
    due_on: datetime.date | None


def who_is_due(person: Person) -> list[Due]:
    """Return the duties, then the standings, of a person's aircraft in service, in no order.

    At most sixteen queries, whatever the fleet.
    """
    with uncollected():
        fleet = _fleet(person)
        crafts = {one.pk: one for one in fleet}
        found = [
            Due(one.craft, one.requirement, "", one.verdict.state, one.verdict.due_on)
            for one in verdicts(person, fleet, lean=True)
        ]
        found += [
            Due(crafts[key], None, purpose_key, state, due_on)
            for key, purpose_key, state, due_on in states_of(person, crafts)
        ]
    return found


def _fleet(person: Person) -> list[Craft]:
    """The aircraft in service: two queries."""
    owners = {
        row[0]: Owner(*row)
        for row in operators_of(person)
        .order_by()
        .values_list("pk", "name", "jurisdiction_id", "left_on")
    }
    rows = (
        aircraft_of(person)
        .filter(retired_on__isnull=True)
        .values_list("pk", "registration", "kind", "created_at", "retired_on", "operator_id")
    )
    return [Craft(*row[:-1], owners[row[-1]]) for row in rows]
