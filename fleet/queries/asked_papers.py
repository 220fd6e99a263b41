"""Which papers a rule asks for on a test or on a season, and until when. One place decides.

A rule asks for papers on a test when its version in force on the day flown names papers and covers
the kind of aircraft, the aircraft was bound by the rule's jurisdiction on that day (at home, or
working under it) and not waived, and the test has an analysis with the passes the rule needs and,
where it asks for one, an approval.

Time is counted from the end of the day flown, where the jurisdiction's days end. A deadline in days
ends with the last of them. One in hours is counted by the clock that runs on through changes of
summer time, and from the moment the last pass was flown where the passes say it (common practice,
no source).

A rule that names a "season return" among its papers asks for one paper a season about all aircraft
under it, not for one of each test. It is the version in force on the season's last day that asks,
once that day is over and where it bound any aircraft that has a set-up; its filing deadline is
counted from the end of that day (own definition: a rule holds one deadline, which serves for both).
"""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Exists, Max, OuterRef, QuerySet
from django.utils import timezone

from fleet.judging.facts import Rule
from fleet.models import (
    Aircraft,
    Approval,
    DeadlineUnit,
    Evidence,
    PaperKind,
    Requirement,
    RequirementVersion,
    Season,
    SetUp,
    Test,
    WorksUnder,
)
from fleet.queries.duty_facts import Reach, waiver_in_force, waivers_within

LAST_SECOND = datetime.time(23, 59, 59, fold=1)


# --- Which rules bind -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rulebook:
    """The rules by jurisdiction, and where aircraft work besides their home."""

    rules: Mapping[UUID, Sequence[Rule]]
    elsewhere: Mapping[UUID, Sequence[WorksUnder]]

    def on(
        self, aircraft: Aircraft, day: datetime.date, *, also: Collection[UUID] = ()
    ) -> Iterator[RequirementVersion]:
        """Yield the versions that bound an aircraft on a day; `also` names more jurisdictions.

        The home is that of today: earlier ones are not kept beside the operator.
        """
        places = set(also)
        if aircraft.operator.jurisdiction_id is not None:
            places.add(aircraft.operator.jurisdiction_id)
        for row in self.elsewhere.get(aircraft.pk, ()):
            if row.from_on <= day and (row.until_on is None or day <= row.until_on):
                places.add(row.jurisdiction_id)
        for place in places:
            for rule in self.rules.get(place, ()):
                version = rule.on(day)
                if version and (not version.kinds or aircraft.kind in version.kinds):
                    yield version


def rulebook() -> Rulebook:
    """Fetch all rules and where aircraft work: three queries."""
    versions: dict[UUID, list[RequirementVersion]] = defaultdict(list)
    rows = RequirementVersion.objects.select_related("requirement__jurisdiction")
    for version in rows.order_by("effective_from", "number"):
        versions[version.requirement_id].append(version)
    rules: dict[UUID, list[Rule]] = defaultdict(list)
    for requirement in Requirement.objects.all():
        rule = Rule(tuple(versions[requirement.pk]), requirement.ended_on)
        rules[requirement.jurisdiction_id].append(rule)
    elsewhere: dict[UUID, list[WorksUnder]] = defaultdict(list)
    for row in WorksUnder.objects.all():
        elsewhere[row.aircraft_id].append(row)
    return Rulebook(rules, elsewhere)


# --- Which tests count ----------------------------------------------------------------------------


def analysed_tests() -> QuerySet[Test, Any]:
    """Return tests that were analysed, each with what `counts` and `counted_from` look at."""
    approvals = Approval.objects.filter(analysis__test=OuterRef("pk"))
    rows: QuerySet[Test, Any] = (
        Test.objects.filter(analyses__isnull=False)
        .select_related("setup__aircraft__operator")
        .defer("setup__nozzles")
        .annotate(
            accepted=Max("analyses__accepted_passes"),
            was_approved=Exists(approvals),
            last_flown_at=Max("passes__flown_at"),
        )
    )
    return rows


def counts(test: Any, aircraft: Aircraft, version: RequirementVersion) -> bool:
    """Whether a test of `analysed_tests` is one that a rule asks papers for."""
    if version.kinds and aircraft.kind not in version.kinds:
        return False
    if version.evidence == Evidence.APPROVAL and not test.was_approved:
        return False
    return bool(test.accepted >= version.minimum_passes)


# --- Until when -----------------------------------------------------------------------------------


def end_of_day(day: datetime.date, zone: ZoneInfo) -> datetime.datetime:
    """Return the last second of a day; the later one where the clock shows it twice."""
    return datetime.datetime.combine(day, LAST_SECOND, tzinfo=zone)


def counted_from(
    version: RequirementVersion,
    flown_on: datetime.date,
    zone: ZoneInfo,
    last_flown_at: datetime.datetime | None = None,
) -> datetime.datetime:
    """Return the moment from which a deadline is counted.

    A last pass that is said to have been flown on another day than the test is not believed.
    """
    in_hours = version.filing_deadline_unit == DeadlineUnit.HOURS
    if in_hours and last_flown_at and last_flown_at.astimezone(zone).date() == flown_on:
        return last_flown_at
    return end_of_day(flown_on, zone)


def due_at(
    version: RequirementVersion, start: datetime.datetime, zone: ZoneInfo
) -> datetime.datetime | None:
    """Return the last moment at which papers are in time; None where the rule sets no deadline."""
    if version.filing_deadline is None:
        return None
    if version.filing_deadline_unit == DeadlineUnit.HOURS:
        hours = datetime.timedelta(hours=version.filing_deadline)
        return (start.astimezone(datetime.UTC) + hours).astimezone(zone)
    days = datetime.timedelta(days=version.filing_deadline)
    return end_of_day(start.astimezone(zone).date() + days, zone)


def filing_deadline(
    version: RequirementVersion,
    flown_on: datetime.date,
    zone: ZoneInfo,
    last_flown_at: datetime.datetime | None = None,
) -> datetime.date | None:
    """Return the last day on which the papers of a test are in time; None without a deadline."""
    due = due_at(version, counted_from(version, flown_on, zone, last_flown_at), zone)
    return due.astimezone(zone).date() if due else None


# --- What is asked --------------------------------------------------------------------------------

RETURN = PaperKind.SEASON_RETURN.label.casefold()


def _words(version: RequirementVersion) -> Iterator[str]:
    yield from dict.fromkeys(" ".join(word.split()) for word in version.papers)


def of_each_test(version: RequirementVersion) -> tuple[str, ...]:
    """Return the papers that a version asks for on each test, each once."""
    return tuple(word for word in _words(version) if word.casefold() != RETURN)


def of_each_season(version: RequirementVersion) -> tuple[str, ...]:
    """Return the papers that a version asks for on each season: its return, or nothing."""
    return tuple(word for word in _words(version) if word.casefold() == RETURN)[:1]


@dataclass(frozen=True, slots=True)
class Asked:
    """One paper that one version of a rule asks for, on one test or on one season."""

    version: RequirementVersion
    what: str
    counted_from: datetime.datetime
    due_at: datetime.datetime | None
    test: Test | None = None
    season: Season | None = None

    @property
    def reason(self) -> str:
        """Return the key that never comes twice."""
        if self.test is not None:
            return f"test:{self.test.pk}:{self.version.pk}:{self.what}"
        assert self.season is not None
        return f"season:{self.season.pk}:{self.version.requirement_id}:{RETURN}"


def asked_papers(now: datetime.datetime | None = None) -> Iterator[Asked]:
    """Yield every paper asked for on any test or season on record: at most eight queries."""
    book = rulebook()
    yield from _on_tests(book)
    yield from _on_seasons(book, now or timezone.now())


def _versions(book: Rulebook) -> Iterator[RequirementVersion]:
    for rules in book.rules.values():
        for rule in rules:
            yield from rule.versions


def _on_tests(book: Rulebook) -> Iterator[Asked]:
    asking = [version.effective_from for version in _versions(book) if of_each_test(version)]
    if not asking:
        return
    tests = list(analysed_tests().filter(flown_on__gte=min(asking)).order_by("flown_on", "id"))
    waivers = waivers_within(Reach({test.setup.aircraft_id for test in tests}))
    for test in tests:
        aircraft = test.setup.aircraft
        for version in book.on(aircraft, test.flown_on):
            if not of_each_test(version) or not counts(test, aircraft, version):
                continue
            waived = waivers.get((aircraft.pk, version.requirement_id), ())
            if waiver_in_force(waived, test.flown_on, None) is None:
                yield from _of_test(test, version)


def _of_test(test: Any, version: RequirementVersion) -> Iterator[Asked]:
    zone = ZoneInfo(version.requirement.jurisdiction.time_zone)
    start = counted_from(version, test.flown_on, zone, test.last_flown_at)
    for word in of_each_test(version):
        yield Asked(version, word, start, due_at(version, start, zone), test=test)


def _on_seasons(book: Rulebook, now: datetime.datetime) -> Iterator[Asked]:
    """Yield the returns of seasons that are over; who was waived stands in them as waived."""
    asking = [version.effective_from for version in _versions(book) if of_each_season(version)]
    if not asking:
        return
    flown = Exists(SetUp.objects.filter(aircraft=OuterRef("pk")))
    fleet = list(Aircraft.objects.filter(flown).select_related("operator"))
    for season in Season.objects.filter(ends_on__gte=min(asking)).order_by("ends_on", "id"):
        day = season.ends_on
        flying = (one for one in fleet if one.retired_on is None or one.retired_on > day)
        bound = {version.pk: version for one in flying for version in book.on(one, day)}
        for version in sorted(bound.values(), key=lambda one: one.pk):
            zone = ZoneInfo(version.requirement.jurisdiction.time_zone)
            start = end_of_day(day, zone)
            if start < now:
                for word in of_each_season(version):
                    yield Asked(version, word, start, due_at(version, start, zone), season=season)
