"""What a plan of return visits rests on, gathered set-wise: who asks for one, where, by when."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.db.models import Q
from django.utils import timezone

from fleet.models import Aircraft, Person, PlanWord, SignUp, SignUpState, TourPlan, Visit, VisitWish
from fleet.models import WordKind as Word
from fleet.planning.daylight import daylight_minutes
from fleet.planning.problem import Candidate, Day, Place, Problem
from fleet.queries.duties import duties
from fleet.queries.standing import standings
from fleet.queries.whose import aircraft_of, wishes_of

BLOCKED = "Blocked"
NO_WORKING_DAY = "No working day"
# How much a day late counts. The project's own choice, no source: what a rule asks for first,
# then what flies in a state nobody has tested, then what somebody would like.
WEIGHT_RULE, WEIGHT_ADVICE, WEIGHT_WISH = 3, 2, 1


@dataclass(frozen=True, slots=True)
class Reason:
    """Why an aircraft is to be visited: the last day that is not late, the weight, the words."""

    due_on: datetime.date
    weight: int
    words: str


@dataclass(frozen=True, slots=True)
class Aside:
    """An aircraft that the planner is not given, and why."""

    aircraft: Aircraft
    why: str


@dataclass(frozen=True, slots=True)
class Gathered:
    """A problem for the planner, the days it was not given, and the aircraft."""

    problem: Problem
    blocked: dict[datetime.date, str]
    aside: list[Aside] = field(default_factory=list)


def gather(person: Person, plan: TourPlan, *, today: datetime.date | None = None) -> Gathered:
    """Return what the planner is given for a plan, as things stand today."""
    today = today or timezone.localdate()
    still_here = Q(operator__left_on__isnull=True) | Q(operator__left_on__gt=today)
    fleet = list(aircraft_of(person).filter(still_here, retired_on__isnull=True))
    wishes = _open_wishes(person, fleet)
    reasons = _reasons(person, fleet, wishes, plan.ends_on, today)
    words = {word.aircraft_id: word for word in PlanWord.objects.filter(plan=plan)}
    for one in fleet:  # what the analyst put on a day is asked for by that alone
        if one.pk not in reasons and one.pk in words and words[one.pk].kind == Word.PIN:
            reasons[one.pk] = Reason(plan.ends_on, WEIGHT_WISH, "asked for by you")
    asked = [one for one in fleet if one.pk in reasons]
    placed = _places_elsewhere(asked, today)
    kept, aside = [], []
    for one in asked:
        why = _why_aside(one, placed.get(one.pk), words.get(one.pk))
        if why:
            aside.append(Aside(one, why))
        else:
            kept.append(one)
    blocked = why_blocked(plan, today=today)
    return Gathered(_problem(plan, kept, reasons, wishes, words, blocked), blocked, aside)


def _why_aside(one: Aircraft, placed: Visit | None, word: PlanWord | None) -> str:
    if word is not None and word.kind == Word.DROP:
        return "Dropped from this plan by your word."
    pinned = word is not None
    if placed is not None and not pinned:
        return f"Has a place already: {placed}."
    if one.operator.base_latitude_deg is None or one.operator.base_longitude_deg is None:
        return f"Cannot be planned: {one.operator} has no coordinates of its home base."
    return ""


def _open_wishes(person: Person, fleet: Iterable[Aircraft]) -> dict[UUID, VisitWish]:
    """The wish of each aircraft that ends first."""
    found: dict[UUID, VisitWish] = {}
    rows = wishes_of(person).filter(settled_on__isnull=True)
    ids = {one.pk for one in fleet}
    for wish in rows.order_by("until_on", "id"):
        if wish.aircraft_id in ids:
            found.setdefault(wish.aircraft_id, wish)
    return found


def _reasons(
    person: Person,
    fleet: list[Aircraft],
    wishes: Mapping[UUID, VisitWish],
    ends_on: datetime.date,
    today: datetime.date,
) -> dict[UUID, Reason]:
    """The reason of each aircraft that is due first, with the weight of the weightiest."""
    found: dict[UUID, list[Reason]] = {}
    for key, reason in (
        *_by_rules(person, fleet, ends_on),
        *_by_standing(person, fleet, ends_on, today),
        *((key, _wished(wish)) for key, wish in wishes.items()),
    ):
        found.setdefault(key, []).append(reason)
    chosen = {}
    for key, all_of_one in found.items():
        first = min(all_of_one, key=lambda reason: (reason.due_on, -reason.weight))
        weight = max(reason.weight for reason in all_of_one)
        chosen[key] = Reason(first.due_on, weight, first.words)
    return chosen


def _by_rules(
    person: Person, fleet: list[Aircraft], ends_on: datetime.date
) -> Iterator[tuple[UUID, Reason]]:
    for duty in duties(person, aircraft=fleet):
        if duty.state not in ("overdue", "due_soon", "met") or duty.due_on is None:
            continue
        if duty.due_on <= ends_on:
            rule = duty.requirement
            words = f"due {_day(duty.due_on)} under {rule.jurisdiction.name}: {rule.name}"
            yield duty.aircraft.pk, Reason(duty.due_on, WEIGHT_RULE, words)


def _by_standing(
    person: Person, fleet: list[Aircraft], ends_on: datetime.date, today: datetime.date
) -> Iterator[tuple[UUID, Reason]]:
    words = {
        "changed": "test again since the set-up was changed {day}",
        "withdrawn": "test again since the approval was withdrawn {day}",
        "expired": "approval ended {day}",
        "due_soon": "approval ends {day}",
        "approved": "approval ends {day}",
    }
    for standing in standings(person, aircraft=fleet, today=today):
        if standing.state in words and standing.due_on and standing.due_on <= ends_on:
            said = words[standing.state].format(day=_day(standing.due_on))
            yield standing.aircraft.pk, Reason(standing.due_on, WEIGHT_ADVICE, said)


def _wished(wish: VisitWish) -> Reason:
    return Reason(wish.until_on, WEIGHT_WISH, f"wished for by {_day(wish.until_on)}")


def _places_elsewhere(fleet: Iterable[Aircraft], today: datetime.date) -> dict[UUID, Visit]:
    """Coming visits on which an aircraft has a place."""
    rows = (
        SignUp.objects.filter(aircraft__in=[one.pk for one in fleet], state=SignUpState.PLACED)
        .filter(visit__cancelled_on__isnull=True)
        .filter(Q(day__gte=today) | Q(day__isnull=True, visit__ends_on__gte=today))
        .select_related("visit")
        .order_by("-visit__starts_on")
    )
    return {row.aircraft_id: row.visit for row in rows}


def why_blocked(plan: TourPlan, *, today: datetime.date | None = None) -> dict[datetime.date, str]:
    """Return the days of the plan on which the analyst does not travel, and why."""
    return dict(_blocked(plan, today or timezone.localdate()))


def _blocked(plan: TourPlan, today: datetime.date) -> Iterator[tuple[datetime.date, str]]:
    settings = plan.settings
    visits = Visit.objects.filter(
        analyst=plan.analyst_id,
        cancelled_on__isnull=True,
        starts_on__lte=plan.ends_on,
        ends_on__gte=plan.starts_on,
    ).order_by("starts_on")
    taken = {day: str(visit.place) for visit in visits for day in days_between(visit)}
    for day in days_between(plan):
        if day < today:
            yield day, "Past"
        elif day in taken:
            yield day, f"Visit planned: {taken[day]}"
        elif day.isoformat() in settings["blocked_days"]:
            yield day, BLOCKED
        elif day.weekday() not in settings["work_days"]:
            yield day, NO_WORKING_DAY


def days_between(span: TourPlan | Visit) -> list[datetime.date]:
    """Return every day of a plan or a visit."""
    length = (span.ends_on - span.starts_on).days + 1
    return [span.starts_on + datetime.timedelta(days=n) for n in range(length)]


def _problem(
    plan: TourPlan,
    fleet: list[Aircraft],
    reasons: Mapping[UUID, Reason],
    wishes: Mapping[UUID, VisitWish],
    words: Mapping[UUID, PlanWord],
    blocked: Mapping[datetime.date, str],
) -> Problem:
    settings = plan.settings
    operators = {one.operator_id: one.operator for one in fleet}
    number = {key: n for n, key in enumerate(operators)}
    return Problem(
        home=_place(plan.start_place, plan.start_latitude_deg, plan.start_longitude_deg),
        bases=tuple(
            _place(f"{one.base}, {one.name}", one.base_latitude_deg, one.base_longitude_deg)
            for one in operators.values()
        ),
        aircraft=tuple(
            _candidate(one, number, reasons[one.pk], wishes.get(one.pk), words.get(one.pk))
            for one in fleet
        ),
        days=tuple(_day_of(plan, day) for day in days_between(plan) if day not in blocked),
        ends_on=plan.ends_on,
        speed_m_s=settings["speed_m_s"],
        detour_percent=settings["detour_percent"],
        minutes_per_aircraft=settings["minutes_per_aircraft"],
        nights_out=settings["nights_out"],
    )


def _candidate(
    one: Aircraft,
    number: Mapping[UUID, int],
    reason: Reason,
    wish: VisitWish | None,
    word: PlanWord | None,
) -> Candidate:
    return Candidate(
        key=str(one.pk),
        name=one.registration,
        base=number[one.operator_id],
        due_on=reason.due_on,
        weight=reason.weight,
        reason=reason.words,
        from_on=wish.from_on if wish is not None else None,
        pinned_on=word.day if word is not None else None,
    )


def _day_of(plan: TourPlan, day: datetime.date) -> Day:
    light = daylight_minutes(plan.start_latitude_deg, plan.start_longitude_deg, day)
    settings = plan.settings
    usable = min(float(settings["day_minutes"]), float(int(light)))
    return Day(day, usable, settings["aircraft_per_day"])


def _place(name: str, latitude_deg: Any, longitude_deg: Any) -> Place:
    return Place(name, round(float(latitude_deg), 6), round(float(longitude_deg), 6))


def _day(day: datetime.date) -> str:
    return f"{day:%-d %B %Y}"
