"""Who is due: what rules ask and how approvals stand, in one list."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from django.http import HttpRequest

from fleet.models import Aircraft, Jurisdiction, Person, Requirement
from fleet.queries.among import among
from fleet.queries.due import Due, who_is_due
from fleet.queries.duties import STATE_WORDS, Duty, duties
from fleet.queries.standing import WORDS, Standing, standings
from fleet.queries.whose import aircraft_of
from fleet.tables import Column, Table

# What an office asks for: a name for a set of states, of duties and of standings.
QUESTIONS: dict[str, tuple[str, frozenset[str]]] = {
    "due": ("Due now", frozenset({"overdue", "expired", "changed", "withdrawn", "untested"})),
    "soon": ("Due soon", frozenset({"due_soon"})),
    "none": (
        "Without an approval",
        frozenset({"expired", "changed", "withdrawn", "untested", "no_setup"}),
    ),
    "met": ("Met or approved", frozenset({"met", "approved"})),
    "waived": ("Waived", frozenset({"waived"})),
    "outside": ("Not covered", frozenset({"not_covered", "no_setup"})),
    "all": ("All", frozenset({*STATE_WORDS, *WORDS})),
}


@dataclass(frozen=True, slots=True)
class Row:
    """A duty, or how an aircraft stands for a purpose."""

    of: Duty | Standing

    @property
    def aircraft(self) -> Aircraft:
        """Whose row it is."""
        return self.of.aircraft

    @property
    def rule(self) -> Requirement | None:
        """The rule, for a duty."""
        return self.of.requirement if isinstance(self.of, Duty) else None

    @property
    def asked(self) -> str:
        """Name the rule, or the purpose whose approval this is about."""
        if isinstance(self.of, Duty):
            return str(self.of.requirement)
        return f"Approval: {self.of.setup.purpose}" if self.of.setup else "A set-up"

    @property
    def state(self) -> str:
        """The state of the duty or the standing."""
        return self.of.state

    @property
    def words(self) -> str:
        """The state in words."""
        return self.of.words

    @property
    def due_on(self) -> datetime.date | None:
        """The day on which it is due."""
        return self.of.due_on

    @property
    def why(self) -> tuple[str, ...]:
        """The reasons, sentence by sentence."""
        return self.of.why if isinstance(self.of, Duty) else (self.of.why,)


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody asked the list for. `wrong` says what could not be understood."""

    show: str
    words: str
    jurisdiction: Jurisdiction | None
    on: datetime.date | None
    wrong: str = ""


def read(request: HttpRequest, jurisdictions: Iterable[Jurisdiction]) -> Asked:
    """Read the question from the address."""
    show = request.GET.get("show", "due")
    key = request.GET.get("jurisdiction", "")
    wrong = ""
    on = None
    if typed := request.GET.get("on", "").strip():
        try:
            on = datetime.date.fromisoformat(typed)
            if not 1900 <= on.year <= 2199:
                raise ValueError
        except ValueError:
            on, wrong = None, f"“{typed}” is no day; write it as 2026-05-01."
    return Asked(
        show if show in QUESTIONS else "due",
        request.GET.get("q", "").strip(),
        next((one for one in jurisdictions if str(one.pk) == key), None),
        on,
        wrong,
    )


class Judged(Protocol):
    """What a list is sorted, counted and cut by."""

    @property
    def state(self) -> str:
        """The state of the duty or the standing."""

    @property
    def due_on(self) -> datetime.date | None:
        """The day on which it is due."""


def judged(person: Person, asked: Asked) -> list[Due] | list[Row]:
    """Return duties and standings that the question is about, the longest due first.

    On another day than today only duties: approvals tell how they stand now. Today's are without
    records and sentences: `told` brings those of a page.
    """
    if asked.on is not None:
        rows = [Row(one) for one in duties(person, today=asked.on)]
        return sorted((row for row in rows if _is_asked(asked, row.aircraft, row.rule)), key=_order)
    found = who_is_due(person)
    return sorted(
        (one for one in found if _is_asked(asked, one.craft, one.requirement)), key=_order
    )


def told(person: Person, found: Sequence[Due | Row]) -> list[Row]:
    """Return what was judged with its records and reasons, in the same order.

    What is no more by now is left out.
    """
    slim = [one for one in found if isinstance(one, Due)]
    if not slim:
        return [one for one in found if isinstance(one, Row)]
    keys = {one.craft.pk for one in slim}
    serving = aircraft_of(person).filter(retired_on__isnull=True)
    fleet = list(serving.filter(among("pk", keys)))
    rows: dict[Any, Row] = {}
    if any(one.requirement is not None for one in slim):
        for duty in duties(person, aircraft=fleet):
            rows[duty.aircraft.pk, duty.requirement.pk, ""] = Row(duty)
    if any(one.requirement is None for one in slim):
        for one in standings(person, aircraft=fleet):
            rows[one.aircraft.pk, None, one.setup.purpose_key if one.setup else ""] = Row(one)
    wanted = (
        (one.craft.pk, one.requirement and one.requirement.pk, one.purpose_key) for one in slim
    )
    return [rows[key] for key in wanted if key in rows]


def _is_asked(asked: Asked, aircraft: Any, rule: Requirement | None) -> bool:
    operator = aircraft.operator
    if asked.jurisdiction is not None:
        under = operator.jurisdiction_id if rule is None else rule.jurisdiction_id
        if under != asked.jurisdiction.pk:
            return False
    text = (aircraft.registration.casefold(), operator.name.casefold()) if asked.words else ()
    return all(any(word in one for one in text) for word in asked.words.casefold().split())


def _order(one: Any) -> tuple[Any, ...]:
    """The longest due first; of one aircraft duties come before approvals."""
    due_on = one.due_on or datetime.date.max
    if isinstance(one, Row):
        return (due_on, one.aircraft.registration)
    rule = one.requirement
    return (due_on, one.craft.registration, rule is None, rule.name if rule else one.purpose_key)


def tally(rows: Iterable[Judged], show: str) -> list[tuple[str, str, int, bool]]:
    """Return each question with how many rows answer it."""
    counts = Counter(row.state for row in rows)
    return [
        (key, words, sum(counts[state] for state in states), key == show)
        for key, (words, states) in QUESTIONS.items()
    ]


def due_table(rows: Sequence[Row]) -> Table:
    """The list as a file, with its reasons."""
    columns = [
        Column("Registration"),
        Column("Operator"),
        Column("Asked for"),
        Column("State"),
        Column("Met until", "date"),
        Column("Due", "date"),
        Column("Why"),
    ]
    return Table(
        "Due",
        columns,
        (
            (
                row.aircraft.registration,
                row.aircraft.operator.name,
                row.asked,
                row.words,
                row.of.met_until if isinstance(row.of, Duty) else row.of.approved_until,
                row.due_on,
                " ".join(row.why),
            )
            for row in rows
        ),
    )
