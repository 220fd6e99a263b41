"""Who is due: what rules ask and how approvals stand, in one list."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.http import HttpRequest

from fleet.models import Aircraft, Jurisdiction, Person, Requirement
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


def rows_of(person: Person, asked: Asked) -> list[Row]:
    """Return duties and standings that the question is about, the longest due first.

    On another day than today only duties: approvals tell how they stand now.
    """
    fleet = None
    if asked.on is None:
        fleet = list(aircraft_of(person).filter(retired_on__isnull=True))
    found = [Row(one) for one in duties(person, aircraft=fleet, today=asked.on)]
    if fleet is not None:
        found += [Row(one) for one in standings(person, aircraft=fleet)]
    if asked.jurisdiction is not None:
        found = [row for row in found if _jurisdiction(row) == asked.jurisdiction.pk]
    for word in asked.words.casefold().split():
        found = [
            row
            for row in found
            if word in row.aircraft.registration.casefold()
            or word in row.aircraft.operator.name.casefold()
        ]
    return sorted(found, key=_most_due_first)


def _jurisdiction(row: Row) -> UUID | None:
    rule = row.rule
    return rule.jurisdiction_id if rule is not None else row.aircraft.operator.jurisdiction_id


def _most_due_first(row: Row) -> tuple[datetime.date, str]:
    return (row.of.due_on or datetime.date.max, row.of.aircraft.registration)


def tally(rows: Iterable[Row], show: str) -> list[tuple[str, str, int, bool]]:
    """Return each question with how many rows answer it."""
    counts = Counter(row.of.state for row in rows)
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
