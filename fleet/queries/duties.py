"""What each rule asks of each aircraft, and how that stands. One place decides.

The whole fleet is judged in a fixed number of set-wise queries; the sentences are worked out only
for those duties whose `why` somebody reads.
"""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils import timezone

from fleet.judging.days import months_after
from fleet.judging.decide import DutyState, NozzlesNeededError, Verdict, decide, decided_since
from fleet.judging.facts import Case, Rule, WaiverFacts, as_on_record, lines_on_record
from fleet.judging.words import sentences
from fleet.models import Aircraft, Jurisdiction, Person, Requirement, RequirementVersion
from fleet.queries.duty_facts import (
    FleetFacts,
    Reach,
    facts_of,
    waiver_in_force,
    waivers_within,
    with_nozzles,
    with_older_tests,
    works_under,
)
from fleet.queries.whose import aircraft_of

__all__ = ["STATE_WORDS", "Duty", "DutyState", "duties", "today_in"]

STATE_WORDS: Mapping[str, str] = {
    "overdue": "Overdue",
    "due_soon": "Due soon",
    "met": "Met",
    "waived": "Waived",
    "not_covered": "Not covered",
}
# A longer list of keys costs the database more than fetching all there are.
MOST_LISTED = 900
HORIZON_MONTHS = 25
_WIND_LIMITS = {"wind_speed_m_s", "wind_angle_deg"}


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


def duties(
    person: Person,
    *,
    aircraft: Iterable[Aircraft] | None = None,
    today: datetime.date | None = None,
) -> list[Duty]:
    """Return the duties of a person's aircraft, the longest due first.

    Without `aircraft`: all of the person's that are in service. Without `today`: the present day
    in the time zone of each jurisdiction. With it: what was judged then, from what was on record
    by the end of that day. A rule that has ended asks nothing and is left out. At most twelve
    queries, whatever the fleet, and one for the aircraft where they are not given.
    """
    fleet = list(_in_service(person, today) if aircraft is None else aircraft)
    rules = _rules(today)
    if not rules or not fleet:
        return []
    reach = Reach(
        aircraft=[one.pk for one in fleet] if len(fleet) <= MOST_LISTED else None,
        operator_id=person.operator_id,
        wind=_holds_wind(rules),
        dated=today is not None,
        since=None if len(fleet) <= MOST_LISTED else _horizon(today),
    )
    facts = facts_of(reach)
    waivers = waivers_within(reach)
    elsewhere = works_under(reach)
    asked = [
        (one, bound, since)
        for one in fleet
        for bound, since in _bound(one, rules, elsewhere.get(one.pk, ()))
    ]
    found, open_ = _judged(asked, facts, waivers, reach.since)
    if open_:
        undecided = {one.pk for one, _, _ in open_}
        if reach.since is not None:
            listed = undecided if len(undecided) <= MOST_LISTED else None
            older = replace(reach, aircraft=listed, since=None, before=reach.since)
            facts = with_older_tests(facts, older)
        facts = with_nozzles(facts, undecided)
        found += _judged(open_, facts, waivers, None)[0]
    made = [
        Duty(
            one,
            bound.requirement,
            verdict.version,
            verdict.state,
            verdict.met_until,
            verdict.due_on,
            verdict,
            person.unit_system,
        )
        for one, bound, verdict in found
    ]
    return sorted(made, key=_most_due_first)


def today_in(jurisdiction: Jurisdiction) -> datetime.date:
    """Return the present day where a jurisdiction's days begin."""
    return timezone.localdate(timezone=ZoneInfo(jurisdiction.time_zone))


def _in_service(person: Person, today: datetime.date | None) -> Iterator[Aircraft]:
    day = today or timezone.localdate()
    for one in aircraft_of(person):
        if one.retired_on is None or one.retired_on > day:
            yield one


def _rules(today: datetime.date | None) -> dict[UUID, list[_Bound]]:
    """Return what each jurisdiction asks for: two queries."""
    versions: dict[UUID, list[RequirementVersion]] = defaultdict(list)
    for version in RequirementVersion.objects.order_by("effective_from", "number"):
        versions[version.requirement_id].append(version)
    found: dict[UUID, list[_Bound]] = defaultdict(list)
    for requirement in Requirement.objects.select_related("jurisdiction"):
        day = _day(requirement.jurisdiction, today)
        known = tuple(
            version
            for version in versions[requirement.pk]
            if day.cut is None or version.created_at < day.cut
        )
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
    one: Aircraft, rules: Mapping[UUID, list[_Bound]], elsewhere: Sequence[Any]
) -> Iterator[tuple[_Bound, datetime.date | None]]:
    """Yield each rule over an aircraft, with the day since which it works under it."""
    home = one.operator.jurisdiction_id
    if home is not None:
        for bound in rules.get(home, ()):
            yield bound, None
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
        _WIND_LIMITS & set(version.limits)
        for bound in rules.values()
        for each in bound
        for version in each.rule.versions
    )


def _horizon(today: datetime.date | None) -> datetime.date:
    """Return the day since when tests are looked at first; they decide most of a fleet."""
    return months_after(today or timezone.localdate(), -HORIZON_MONTHS)


_Asked = tuple[Aircraft, _Bound, datetime.date | None]


def _judged(
    asked: Sequence[_Asked],
    facts: FleetFacts,
    waivers: Mapping[tuple[UUID, UUID], Any],
    since: datetime.date | None,
) -> tuple[list[tuple[Aircraft, _Bound, Verdict]], list[_Asked]]:
    """Return verdicts, and what older tests or a look at nozzles may still decide otherwise."""
    found = []
    open_ = []
    for one, bound, under in asked:
        day = bound.day
        if day.cut is not None and one.created_at >= day.cut:
            continue  # was not on record
        waiver = waiver_in_force(
            waivers.get((one.pk, bound.requirement.pk), ()), day.today, day.cut
        )
        try:
            verdict = decide(_case(one, bound, under, facts, waiver))
        except NozzlesNeededError:
            open_.append((one, bound, under))
            continue
        if since is None or decided_since(verdict, since):
            found.append((one, bound, verdict))
        else:
            open_.append((one, bound, under))
    return found, open_


def _case(
    one: Aircraft,
    bound: _Bound,
    since: datetime.date | None,
    facts: FleetFacts,
    waiver: Any,
) -> Case:
    day = bound.day
    lines, tests = facts.lines.get(one.pk, ()), facts.tests.get(one.pk, ())
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
        bound_from=max(bound.rule.versions[0].effective_from, known, since or datetime.date.min),
        lines=lines,
        tests=tests,
        waiver=WaiverFacts(waiver.until_on, waiver.reason, waiver.granted_by.name)
        if waiver
        else None,
        out_of_service_on=one.retired_on,
        operator_left_on=one.operator.left_on,
    )


def _most_due_first(duty: Duty) -> tuple[bool, datetime.date, str, str]:
    due = duty.due_on or datetime.date.max
    return (duty.due_on is None, due, duty.aircraft.registration, duty.requirement.name)
