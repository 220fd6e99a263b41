"""What each rule asks of each aircraft, and how that stands. One place decides.

The whole fleet is judged in a fixed number of set-wise queries; the sentences are worked out only
for those duties whose `why` somebody reads.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from django.utils import timezone

from fleet.judging.decide import DutyState, Verdict
from fleet.judging.words import sentences
from fleet.models import Aircraft, Person, Requirement, RequirementVersion
from fleet.queries.logbook import Logbook
from fleet.queries.verdicts import Judged, today_in, uncollected, verdicts, verdicts_on
from fleet.queries.whose import aircraft_of

__all__ = ["STATE_WORDS", "Duty", "DutyState", "duties", "duties_on", "today_in"]

STATE_WORDS: Mapping[str, str] = {
    "overdue": "Overdue",
    "due_soon": "Due soon",
    "met": "Met",
    "waived": "Waived",
    "not_covered": "Not covered",
}


@dataclass(frozen=True, slots=True)
class Duty:
    """What one rule asks of one aircraft, and how that stands.

    `version` is the one in force; `met_until` the last day on which the rule is met by what is on
    record (None where it is not, and where nothing ends it: then the state is "met"); `due_on` the
    last day to test, or the day from which it is overdue.
    """

    aircraft: Aircraft
    requirement: Requirement
    version: RequirementVersion | None
    state: DutyState
    met_until: datetime.date | None
    due_on: datetime.date | None
    verdict: Verdict = field(repr=False, compare=False)
    system: str = field(default="us", repr=False, compare=False)

    @property
    def words(self) -> str:
        """Return the state in words."""
        return STATE_WORDS[self.state]

    @property
    def why(self) -> tuple[str, ...]:
        """Return the reasons, sentence by sentence, in the units of the person who asked."""
        return sentences(self.verdict, self.system)


def duties(
    person: Person,
    *,
    aircraft: Iterable[Aircraft] | None = None,
    today: datetime.date | None = None,
) -> list[Duty]:
    """Return the duties of a person's aircraft, the longest due first.

    Without `aircraft`: all of the person's that are in service. Without `today`: the present day
    in the time zone of each jurisdiction. With it: what was judged then, from what was on record
    by the end of that day. A rule that has ended asks nothing and is left out. At most eleven
    queries, whatever the fleet, and one for the aircraft where they are not given.
    """
    with uncollected():
        fleet = list(_in_service(person, today) if aircraft is None else aircraft)
        made = _made(verdicts(person, fleet, today=today), person)
    return sorted(made, key=_most_due_first)


def duties_on(person: Person, book: Logbook) -> list[Duty]:
    """Return the duties of the aircraft of a logbook, as they are today, the longest due first."""
    return sorted(_made(verdicts_on(book), person), key=_most_due_first)


def _made(judged: Iterable[Judged], person: Person) -> list[Duty]:
    return [
        Duty(
            one,
            requirement,
            verdict.version,
            verdict.state,
            verdict.met_until,
            verdict.due_on,
            verdict,
            person.unit_system,
        )
        for one, requirement, verdict in judged
    ]


def _in_service(person: Person, today: datetime.date | None) -> Iterator[Aircraft]:
    day = today or timezone.localdate()
    for one in aircraft_of(person):
        if one.retired_on is None or one.retired_on > day:
            yield one


def _most_due_first(duty: Duty) -> tuple[bool, datetime.date, str, str]:
    due = duty.due_on or datetime.date.max
    return (duty.due_on is None, due, duty.aircraft.registration, duty.requirement.name)
