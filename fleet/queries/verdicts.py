"""Rules brought before aircraft: which bind each, on which day, on what facts.

However many aircraft there are, at most eleven queries: one for the rules, six for the facts, and
four for what judging comes upon, which most judgements do not. Of one aircraft whose logbook was
fetched, only that for the rules.
"""

from __future__ import annotations

import datetime
import gc
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils import timezone

from fleet.judging.decide import Verdict, decide
from fleet.judging.facts import (
    Case,
    FactsNeededError,
    Rule,
    Stub,
    WaiverFacts,
    as_on_record,
    lines_on_record,
)
from fleet.judging.proof import WIND_LIMITS
from fleet.models import Jurisdiction, Person, Requirement, RequirementVersion
from fleet.queries.duty_facts import (
    FleetFacts,
    Reach,
    facts_of,
    facts_of_book,
    holding,
    waiver_in_force,
    waivers_within,
    with_fetched,
    works_under,
)
from fleet.queries.logbook import Logbook

# A longer list of keys costs the database more than fetching all there are.
MOST_LISTED = 900
ROUNDS = 3


class Craft(Protocol):
    """What judging looks at of an aircraft: a record, or as much of one."""

    @property
    def pk(self) -> UUID:
        """Its key."""

    @property
    def kind(self) -> str:
        """Its kind."""

    @property
    def created_at(self) -> datetime.datetime:
        """When it was recorded."""

    @property
    def retired_on(self) -> datetime.date | None:
        """Since when it has been out of service."""

    @property
    def operator(self) -> Any:
        """Its operator, with `jurisdiction_id` and `left_on`."""


@dataclass(frozen=True, slots=True)
class _Day:
    """A day in one jurisdiction. `cut` is its end where an earlier day is asked about."""

    today: datetime.date
    zone: ZoneInfo
    cut: datetime.datetime | None


@dataclass(frozen=True, slots=True)
class _Bound:
    """A requirement, its rule as it was on record, and the day of its jurisdiction."""

    requirement: Requirement
    rule: Rule
    day: _Day


class _Asked(NamedTuple):
    """One rule over one aircraft, of which `key` is as the database holds it."""

    craft: Any
    key: Any
    bound: _Bound
    since: datetime.date | None


class Judged(NamedTuple):
    """What was judged of one aircraft and one rule."""

    craft: Any
    requirement: Requirement
    verdict: Verdict


def verdicts(
    person: Person,
    fleet: Sequence[Craft],
    *,
    today: datetime.date | None = None,
    lean: bool = False,
) -> list[Judged]:
    """Judge every rule over every aircraft, in no order.

    Without `today`: the present day of each jurisdiction. With it: what was on record by its end.
    A `lean` verdict says the same of state and days, and not enough for sentences.
    """
    rules = _rules(today)
    if not rules or not fleet:
        return []
    reach = Reach(
        aircraft=[one.pk for one in fleet] if len(fleet) <= MOST_LISTED else None,
        operator_id=person.operator_id,
        wind=_holds_wind(rules),
        dated=today is not None,
        lean=lean,
    )
    waivers = waivers_within(reach)
    elsewhere = works_under(reach)
    return _all_judged(_asked(fleet, rules, elsewhere), facts_of(reach), waivers)


def verdicts_on(book: Logbook) -> list[Judged]:
    """Judge every rule over the aircraft of a logbook, on the present day of each jurisdiction."""
    one = book.aircraft
    home = one.operator.jurisdiction_id
    places = {row.jurisdiction_id for row in book.under} | ({home} if home else set())
    asked = _asked([one], _rules(None, places), {one.pk: book.under})
    waivers: dict[tuple[UUID, UUID], list[Any]] = defaultdict(list)
    for waiver in book.waivers:
        waivers[waiver.aircraft_id, waiver.requirement_id].append(waiver)
    return _all_judged(asked, facts_of_book(book), waivers) if asked else []


def _asked(
    fleet: Sequence[Craft],
    rules: Mapping[UUID, list[_Bound]],
    elsewhere: Mapping[UUID, Sequence[Any]],
) -> list[_Asked]:
    held = holding()
    return [
        _Asked(one, held(one.pk), bound, since)
        for one in fleet
        for bound, since in _bound(one, rules, elsewhere.get(one.pk, ()))
    ]


def _all_judged(
    asked: Sequence[_Asked], facts: FleetFacts, waivers: Mapping[tuple[UUID, UUID], Any]
) -> list[Judged]:
    """Judge what is asked, and again where judging came upon what was not fetched."""
    found: list[Judged] = []
    for attempt in range(ROUNDS):
        decided, open_, setups, tests = _judged(asked, facts, waivers)
        found += decided
        if not open_:
            break
        if attempt == ROUNDS - 2:  # whatever else they may come upon
            setups, tests = _all_of({one.key for one in open_}, facts)
        facts = with_fetched(facts, setups, tests)
        asked = open_
    return found


@contextmanager
def uncollected() -> Iterator[None]:
    """Leave the search for cycles until afterwards.

    The facts of a fleet are hundreds of thousands of objects without a cycle, and stay until all
    is judged: looking through them again and again as they come takes a third of the time.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def today_in(jurisdiction: Jurisdiction) -> datetime.date:
    """Return the present day where a jurisdiction's days begin."""
    return timezone.localdate(timezone=ZoneInfo(jurisdiction.time_zone))


def _rules(
    today: datetime.date | None, jurisdictions: Collection[UUID] | None = None
) -> dict[UUID, list[_Bound]]:
    """Return what each jurisdiction asks for, or each of some: one query."""
    rows = RequirementVersion.objects.order_by("effective_from", "number")
    if jurisdictions is not None:
        rows = rows.filter(requirement__jurisdiction__in=jurisdictions)
    requirements: dict[UUID, Requirement] = {}
    versions: dict[UUID, list[RequirementVersion]] = defaultdict(list)
    for version in rows.select_related("requirement__jurisdiction"):
        requirements.setdefault(version.requirement_id, version.requirement)
        versions[version.requirement_id].append(version)
    found: dict[UUID, list[_Bound]] = defaultdict(list)
    for key, requirement in requirements.items():
        day = _day(requirement.jurisdiction, today)
        known = tuple(one for one in versions[key] if day.cut is None or one.created_at < day.cut)
        rule = Rule(known, requirement.ended_on)
        if known and not (rule.ended_on and rule.ended_on < day.today):
            found[requirement.jurisdiction_id].append(_Bound(requirement, rule, day))
    return found


def _day(jurisdiction: Jurisdiction, today: datetime.date | None) -> _Day:
    zone = ZoneInfo(jurisdiction.time_zone)
    if today is None:
        return _Day(timezone.localdate(timezone=zone), zone, None)
    after = today + datetime.timedelta(days=1)
    return _Day(today, zone, datetime.datetime.combine(after, datetime.time(), tzinfo=zone))


def _bound(
    one: Craft, rules: Mapping[UUID, list[_Bound]], elsewhere: Sequence[Any]
) -> Iterator[tuple[_Bound, datetime.date | None]]:
    """Yield each rule over an aircraft, with the day since which it works under it."""
    home = one.operator.jurisdiction_id
    if home is not None:
        for bound in rules.get(home, ()):
            yield bound, None
    if not elsewhere:
        return
    since: dict[UUID, list[Any]] = defaultdict(list)
    for row in elsewhere:
        if row.jurisdiction_id != home:
            since[row.jurisdiction_id].append(row)
    for jurisdiction_id, rows in since.items():
        for bound in rules.get(jurisdiction_id, ()):
            day = bound.day
            under = [
                row.from_on
                for row in rows
                if row.from_on <= day.today
                and (row.until_on is None or day.today <= row.until_on)
                and (day.cut is None or row.created_at < day.cut)
            ]
            if under:
                yield bound, min(under)


def _holds_wind(rules: Mapping[UUID, list[_Bound]]) -> bool:
    """Whether any rule holds the wind against a limit."""
    return any(
        not WIND_LIMITS.isdisjoint(version.limits)
        for bound in rules.values()
        for each in bound
        for version in each.rule.versions
    )


def _judged(
    asked: Sequence[_Asked], facts: FleetFacts, waivers: Mapping[tuple[UUID, UUID], Any]
) -> tuple[list[Judged], list[_Asked], set[Any], set[Any]]:
    """Return verdicts, what must be judged again, and the set-ups and tests to look at first."""
    found = []
    open_ = []
    setups: set[Any] = set()
    tests: set[Any] = set()
    for one in asked:
        day, requirement = one.bound.day, one.bound.requirement
        if day.cut is not None and one.craft.created_at >= day.cut:
            continue  # was not on record
        granted = waivers.get((one.craft.pk, requirement.pk), ())
        waiver = waiver_in_force(granted, day.today, day.cut) if granted else None
        try:
            verdict = decide(_case(one, facts, waiver))
        except FactsNeededError as error:
            open_.append(one)
            setups.update(error.revisions)
            tests.update(error.tests)
        else:
            found.append(Judged(one.craft, requirement, verdict))
    return found, open_, setups, tests


def _all_of(aircraft: Collection[Any], facts: FleetFacts) -> tuple[set[Any], set[Any]]:
    """Return the set-ups and the tests of aircraft that have not been looked at."""
    setups = {
        revision.setup_id
        for one in aircraft
        for line in facts.lines.get(one, ())
        for revision in line.revisions
        if isinstance(revision, Stub) or revision.nozzles is None
    }
    tests = {
        test.key
        for one in aircraft
        for test in facts.tests.get(one, ())
        if (test.analyses[-1] if test.analyses else test).air is None
    }
    return setups, tests


def _case(asked: _Asked, facts: FleetFacts, waiver: Any) -> Case:
    one, bound = asked.craft, asked.bound
    day = bound.day
    lines, tests = facts.lines.get(asked.key, ()), facts.tests.get(asked.key, ())
    if day.cut is not None:
        lines = lines_on_record(lines, day.cut)
        tests = tuple(t for t in (as_on_record(each, day.cut) for each in tests) if t)
    known = one.created_at.astimezone(day.zone).date()
    if tests:
        known = min(known, tests[-1].flown_on)
    return Case(
        rule=bound.rule,
        today=day.today,
        zone=day.zone,
        kind=one.kind,
        bound_from=max(
            bound.rule.versions[0].effective_from, known, asked.since or datetime.date.min
        ),
        lines=lines,
        tests=tests,
        waiver=WaiverFacts(waiver.until_on, waiver.reason, waiver.granted_by.name)
        if waiver
        else None,
        out_of_service_on=one.retired_on,
        operator_left_on=one.operator.left_on,
    )
