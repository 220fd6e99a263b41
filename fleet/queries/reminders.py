"""What each person is to be told on a day: due, overdue, visits, papers, approvals that ended.

Gathered for everybody at once, in a number of queries that does not grow with the fleet. A reason
has a key that names what it is about and the date or revision that makes it so: told once, it is
not told again, and another date is another reason.

| who | is told |
|---|---|
| owners and pilots | all kinds, about their own operator |
| analysts | their own visits of tomorrow |
| staff | what is overdue and which papers are missing, of all operators |

An aircraft that no rule covers is judged by its approvals alone (`queries.standing`).

A paper is missing when a rule in force on the day of a test asks for papers and no test report has
been issued on it; `queries.asked_papers` decides for which tests, and until when. Looked at is, for
each aircraft and rule that is not waived, the newest such test of the last 366 days, flown before
the day itself. It is told once, and once more when the filing deadline has passed.
"""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef
from django.db.models.functions import Coalesce
from django.urls import reverse

from fleet import measures
from fleet.models import (
    Aircraft,
    Paper,
    Person,
    Reminded,
    ReminderKind,
    RequirementVersion,
    Role,
    SignUp,
    SignUpState,
    Test,
    Visit,
    VisitKind,
)
from fleet.queries.asked_papers import analysed_tests, counts, filing_deadline, of_each_test
from fleet.queries.duties import Duty, duties
from fleet.queries.standing import Standing, standings

ALL_KINDS = tuple(ReminderKind)
KINDS_OF: Mapping[str, tuple[ReminderKind, ...]] = {
    Role.OWNER: ALL_KINDS,
    Role.PILOT: ALL_KINDS,
    Role.ANALYST: (ReminderKind.VISIT,),
    Role.STAFF: (ReminderKind.OVERDUE, ReminderKind.PAPER),
    Role.CHECKER: (),
}
PAPER_DAYS = 366
PEOPLE_AT_ONCE = 200
_DAY = datetime.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing to be told: its kind, its key, the sentences, and the page about it."""

    kind: str
    key: str
    words: str
    path: str


@dataclass(frozen=True, slots=True)
class Digest:
    """What one person is to be told on a day, and has not been told before."""

    person: Person
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class _Fact:
    """A reason before it is known who reads it; `words` take the reader's system of units."""

    kind: ReminderKind
    key: str
    operator_id: UUID
    operator_name: str
    words: Callable[[str], str]
    path: str

    def told(self, person: Person) -> Reason:
        """Return the reason in the words for a person; staff read whose aircraft it is."""
        words = self.words(person.unit_system)
        if not person.is_operators:
            words = f"{self.operator_name}, {words}"
        return Reason(self.kind.value, self.key, words, self.path)


def digests(day: datetime.date) -> list[Digest]:
    """Return what everybody is to be told on a day; only people who are to be told anything.

    For a worker, with the rows of all operators open.
    """
    people = list(recipients())
    by_operator, by_analyst = _facts(day), _visits_of_analysts(day + _DAY)
    everything = [fact for facts in by_operator.values() for fact in facts]
    found: list[Digest] = []
    for start in range(0, len(people), PEOPLE_AT_ONCE):
        some = people[start : start + PEOPLE_AT_ONCE]
        told = {}
        for person in some:
            if person.is_operators:
                about = by_operator.get(person.operator_id, [])
            else:
                about = everything if person.is_staff_member else []
            reasons = [fact.told(person) for fact in about if fact.kind in kinds_for(person)]
            if ReminderKind.VISIT in kinds_for(person):
                reasons += by_analyst.get(person.pk, [])
            told[person] = reasons
        found += _not_yet_told(told)
    return found


def recipients() -> Any:
    """People who may get letters at all: active, not stopped, of an operator that is still here."""
    return (
        Person.objects.filter(is_active=True, operator__left_on__isnull=True)
        .exclude(role=Role.CHECKER)
        .exclude(reminder_choice__stopped_at__isnull=False)
        .select_related("operator", "reminder_choice")
        .order_by("id")
    )


def kinds_for(person: Person) -> tuple[ReminderKind, ...]:
    """Return the kinds of reminder that a person gets: those of the role but for the unwanted."""
    choice = getattr(person, "reminder_choice", None)
    if choice is None:
        return KINDS_OF[person.role]
    if choice.stopped_at is not None:
        return ()
    return tuple(kind for kind in KINDS_OF[person.role] if kind not in choice.unwanted)


def already_told(people: Iterable[Person], keys: Iterable[str]) -> set[tuple[UUID, str]]:
    """Return which of these reasons these people were told, as pairs of person and key."""
    rows = Reminded.objects.filter(person__in=list(people), reason__in=list(keys))
    return set(rows.values_list("person_id", "reason"))


def _not_yet_told(reasons: Mapping[Person, list[Reason]]) -> Iterator[Digest]:
    keys = {reason.key for mine in reasons.values() for reason in mine}
    told = already_told(reasons, keys) if keys else set()
    for person, mine in reasons.items():
        new = {reason.key: reason for reason in mine if (person.pk, reason.key) not in told}
        if new:
            yield Digest(person, tuple(new.values()))


# --- What there is to tell ------------------------------------------------------------------------


_WORKER = Person(name="Worker", role=Role.STAFF)  # sees all operators, and is nobody


def _fleet() -> list[Aircraft]:
    """All aircraft in service, of operators that are still here."""
    rows = Aircraft.objects.filter(retired_on__isnull=True, operator__left_on__isnull=True)
    return list(rows.select_related("operator").order_by("registration", "id"))


def duties_of_all(day: datetime.date) -> list[Duty]:
    """Return what the rules ask on a day of all aircraft in service."""
    return duties(_WORKER, aircraft=_fleet(), today=day)


def _facts(day: datetime.date) -> dict[UUID, list[_Fact]]:
    fleet = _fleet()
    asked = duties(_WORKER, aircraft=fleet, today=day)
    bound = {duty.aircraft.pk for duty in asked if duty.state != "not_covered"}
    by_operator: dict[UUID, list[_Fact]] = defaultdict(list)
    facts: list[_Fact] = [*_of_duties(asked)]
    facts += _of_standings(standings(_WORKER, aircraft=fleet, today=day), bound)
    facts += _of_sign_ups(day + _DAY)
    facts += _of_private_visits(day + _DAY)
    facts += _of_papers(asked, day)
    for fact in facts:
        by_operator[fact.operator_id].append(fact)
    return by_operator


def _about(aircraft: Aircraft, kind: ReminderKind, key: str, words: Callable[[str], str]) -> _Fact:
    operator = aircraft.operator
    path = reverse("aircraft", args=[aircraft.pk])
    return _Fact(kind, f"{kind}:{key}", operator.pk, operator.name, words, path)


def _of_duties(asked: Iterable[Duty]) -> Iterator[_Fact]:
    for duty in asked:
        if duty.state not in ("due_soon", "overdue") or duty.due_on is None:
            continue
        kind = ReminderKind(duty.state)
        key = f"{duty.aircraft.pk}:{duty.requirement.pk}:{duty.due_on}"
        soon = (
            "the last day to test is"
            if kind == ReminderKind.DUE_SOON
            else "a test has been due since"
        )
        words = f"{duty.aircraft}: {soon} {said(duty.due_on)}, under {duty.requirement}."
        yield _about(duty.aircraft, kind, key, _plain(words))


def _of_standings(found: Iterable[Standing], bound: set[UUID]) -> Iterator[_Fact]:
    """Approvals that a changed set-up ended; and all others of aircraft that no rule covers."""
    for one in found:
        if one.approval is None or one.setup is None or one.due_on is None:
            continue
        approval, purpose = one.approval, one.setup.purpose
        if one.state == "changed":
            key = f"{approval.pk}:{one.setup.pk}"
            yield _about(one.aircraft, ReminderKind.SETUP, key, _set_up_changed(one))
        elif one.aircraft.pk in bound:
            continue
        elif one.state == "due_soon":
            words = f"{one.aircraft}: the approval for {purpose} ends {said(one.due_on)}."
            key = f"{one.aircraft.pk}:{approval.pk}:{one.due_on}"
            yield _about(one.aircraft, ReminderKind.DUE_SOON, key, _plain(words))
        elif one.state in ("expired", "withdrawn"):
            how = "ended" if one.state == "expired" else "was withdrawn"
            words = f"{one.aircraft}: the approval for {purpose} {how} {said(one.due_on)}."
            key = f"{one.aircraft.pk}:{approval.pk}:{one.due_on}"
            yield _about(one.aircraft, ReminderKind.OVERDUE, key, _plain(words + " Test again."))


def _set_up_changed(one: Standing) -> Callable[[str], str]:
    approval, setup = one.approval, one.setup
    assert approval is not None
    assert setup is not None
    assert one.due_on is not None
    changed_on = said(one.due_on)

    def words(system: str) -> str:
        swath = measures.show(approval.swath_m, "swath", system)
        return (
            f"{one.aircraft}: {setup.purpose} changed {changed_on}. The swath of {swath} was "
            f"approved for revision {approval.setup.number}, revision {setup.number} is in force. "
            "Test again."
        )

    return words


def _plain(words: str) -> Callable[[str], str]:
    return lambda system: words


# --- Visits ---------------------------------------------------------------------------------------


def _placed(day: datetime.date) -> Any:
    """Sign-ups with a place on a day; one without a day of its own comes on the first."""
    return (
        SignUp.objects.filter(state=SignUpState.PLACED, visit__cancelled_on__isnull=True)
        .annotate(on=Coalesce("day", "visit__starts_on"))
        .filter(on=day)
        .select_related("visit", "aircraft", "operator")
        .order_by("position", "id")
    )


def _of_sign_ups(day: datetime.date) -> Iterator[_Fact]:
    coming: dict[tuple[UUID, UUID], list[SignUp]] = defaultdict(list)
    for sign_up in _placed(day):
        coming[sign_up.visit_id, sign_up.operator_id].append(sign_up)
    for sign_ups in coming.values():
        visit, operator = sign_ups[0].visit, sign_ups[0].operator
        names = listed([str(sign_up.aircraft) for sign_up in sign_ups])
        has = "have" if len(sign_ups) > 1 else "has"
        yield _of_visit(visit, day, operator, f"{names} {has} a place at {visit.place}.")


def _of_private_visits(day: datetime.date) -> Iterator[_Fact]:
    rows = Visit.objects.filter(
        kind=VisitKind.PRIVATE, cancelled_on__isnull=True, starts_on=day
    ).select_related("host", "analyst")
    for visit in rows:
        words = f"{visit.analyst.name} comes to you at {visit.place}."
        yield _of_visit(visit, day, visit.host, words)


def _of_visit(visit: Visit, day: datetime.date, operator: Any, words: str) -> _Fact:
    return _Fact(
        ReminderKind.VISIT,
        f"{ReminderKind.VISIT}:{visit.pk}:{day}",
        operator.pk,
        operator.name,
        _plain(f"Tomorrow, {said(day)}: {words}"),
        reverse("visit", args=[visit.pk]),
    )


def _visits_of_analysts(day: datetime.date) -> dict[UUID, list[Reason]]:
    """The visits that begin on a day, by the key of their analyst."""
    counts: dict[UUID, int] = defaultdict(int)
    for sign_up in _placed(day):
        counts[sign_up.visit_id] += 1
    by_analyst: dict[UUID, list[Reason]] = defaultdict(list)
    rows = Visit.objects.filter(cancelled_on__isnull=True, starts_on=day).select_related("host")
    for visit in rows:
        words = f"Tomorrow, {said(day)}: {_kind_of(visit)} at {visit.place}."
        if counts[visit.pk]:
            count = counts[visit.pk]
            words += f" {count} aircraft {'have' if count > 1 else 'has'} a place."
        key = f"{ReminderKind.VISIT}:{visit.pk}:{day}"
        path = reverse("visit", args=[visit.pk])
        by_analyst[visit.analyst_id].append(Reason(ReminderKind.VISIT.value, key, words, path))
    return by_analyst


def _kind_of(visit: Visit) -> str:
    return f"private visit to {visit.host}" if visit.kind == VisitKind.PRIVATE else "clinic"


# --- Papers ---------------------------------------------------------------------------------------


def _of_papers(asked: Iterable[Duty], day: datetime.date) -> Iterator[_Fact]:
    pairs = [duty for duty in asked if duty.state not in ("not_covered", "waived")]
    pairs = [duty for duty in pairs if any(v.papers for v in duty.verdict.case.rule.versions)]
    tests = _tests_of({duty.aircraft.pk for duty in pairs}, day) if pairs else {}
    for duty in pairs:
        for test in tests.get(duty.aircraft.pk, []):
            version = duty.verdict.case.rule.on(test.flown_on)
            if version is not None and counts(test, duty.aircraft, version):
                if of_each_test(version) and not test.has_report:  # type: ignore[attr-defined]
                    yield _missing(duty, test, version, day)
                break  # older tests are history


def _tests_of(aircraft: set[UUID], day: datetime.date) -> dict[UUID, list[Test]]:
    """Return the analysed tests of aircraft by aircraft, the newest first."""
    reports = Paper.objects.filter(kind="test_report", analysis__test=OuterRef("pk"))
    rows = (
        analysed_tests()
        .filter(
            setup__aircraft__in=aircraft,
            flown_on__lt=day,
            flown_on__gte=day - datetime.timedelta(days=PAPER_DAYS),
        )
        .annotate(has_report=Exists(reports))
        .order_by("-flown_on", "-id")
    )
    found: dict[UUID, list[Test]] = defaultdict(list)
    for test in rows:
        found[test.setup.aircraft_id].append(test)
    return found


def _missing(duty: Duty, test: Any, version: RequirementVersion, day: datetime.date) -> _Fact:
    zone = duty.verdict.case.zone
    deadline = filing_deadline(version, test.flown_on, zone, test.last_flown_at)
    late = deadline is not None and deadline < day
    key = f"{test.pk}:{duty.requirement.pk}:{deadline or 'open'}{':late' if late else ''}"
    words = (
        f"{duty.aircraft}: no report has been issued on the test of {said(test.flown_on)}. "
        f"{duty.requirement} asks for: {', '.join(of_each_test(version))}"
    )
    if deadline is not None:
        count = version.filing_deadline
        unit = version.filing_deadline_unit[: None if count != 1 else -1]
        words += f", within {count} {unit} ({said(deadline)}"
        words += ", which has passed)" if late else ")"
    fact = _about(duty.aircraft, ReminderKind.PAPER, key, _plain(f"{words}."))
    return _Fact(
        fact.kind,
        fact.key,
        fact.operator_id,
        fact.operator_name,
        fact.words,
        reverse("test", args=[test.pk]),
    )


# --- Words ----------------------------------------------------------------------------------------


def said(day: datetime.date) -> str:
    """Return a day in words."""
    return f"{day:%-d %B %Y}"


def listed(names: list[str]) -> str:
    """Return names as people list them."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
