"""Return visits: plans, words on aircraft, proposals by a worker, stops accepted."""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from fleet import audit, jobs, measures, rules
from fleet.models import (
    ENDED,
    Aircraft,
    Job,
    Operator,
    Person,
    PlanWord,
    TourPlan,
    TourProposal,
    Visit,
    VisitWish,
    WordKind,
)
from fleet.planning import document
from fleet.planning.solve import Effort, late_aircraft, solve
from fleet.planning.tours import Cost, Route, World
from fleet.queries.plan_inputs import gather, why_blocked
from fleet.queries.plans import open_job
from fleet.services import clinics, visits, wishes
from fleet.services.base import change, checked, refuse
from fleet.validators import check_ranges

PLAN_FIELDS = (
    "analyst",
    "starts_on",
    "ends_on",
    "start_place",
    "start_latitude_deg",
    "start_longitude_deg",
    "settings",
)
LONGEST_DAYS = 26 * 7

# Where the analyst says nothing. The detour and the speed are those of roads in open country;
# common practice, no source.
DEFAULTS: Mapping[str, Any] = {
    "aircraft_per_day": 6,
    "speed_m_s": 22.0,
    "detour_percent": 30,
    "minutes_per_aircraft": 45,
    "day_minutes": 600,
    "nights_out": 2,
    "work_days": [0, 1, 2, 3, 4],
    "blocked_days": [],
}
# name: (least, most). Common practice, no source.
LIMITS: Mapping[str, tuple[float, float]] = {
    "aircraft_per_day": (1, 30),
    "speed_m_s": (3.0, 110.0),
    "detour_percent": (0, 150),
    "minutes_per_aircraft": (5, 480),
    "day_minutes": (60, 960),
    "nights_out": (0, 13),
}
WHOLE = ("aircraft_per_day", "minutes_per_aircraft", "day_minutes", "nights_out")
EFFORT = Effort()
ASK_S = 0.5
"""How often a search asks whether somebody wants it to stop. [s]"""


@transaction.atomic
def make_plan(
    *,
    by: Person,
    analyst: Person,
    starts_on: datetime.date,
    ends_on: datetime.date,
    start_place: str,
    start_latitude_deg: float,
    start_longitude_deg: float,
    settings: Mapping[str, Any] | None = None,
) -> TourPlan:
    """Make a plan of an analyst's coming weeks. Settings that are not given are `DEFAULTS`."""
    rules.allow(rules.may_plan_visits, by)
    plan = TourPlan(
        analyst=analyst,
        starts_on=starts_on,
        ends_on=ends_on,
        start_place=" ".join(start_place.split()),
        start_latitude_deg=start_latitude_deg,
        start_longitude_deg=start_longitude_deg,
        settings=_settings({**DEFAULTS, **(settings or {})}),
        made_by=by,
    )
    _check_plan(plan)
    plan.save(force_insert=True)
    audit.record("plan_made", plan, by=by, operator=None, after=audit.values(plan, PLAN_FIELDS))
    return plan


@transaction.atomic
def say(
    plan: TourPlan,
    *,
    by: Person,
    aircraft: Aircraft,
    kind: str,
    day: datetime.date | None = None,
) -> PlanWord:
    """Say of an aircraft that it is to be on a day, or is not to be in the plan.

    A word said before about the same aircraft gives way.
    """
    rules.allow(rules.may_plan_visits, by)
    now = TourPlan.objects.select_for_update().get(pk=plan.pk)
    errors = _pin_errors(now, day) if kind == WordKind.PIN else {}
    if aircraft.retired_on is not None:
        errors["aircraft"] = [f"{aircraft} is out of service."]
    refuse(errors)
    PlanWord.objects.filter(plan=plan, aircraft=aircraft).delete()
    word = PlanWord(
        operator=aircraft.operator,
        plan=plan,
        aircraft=aircraft,
        kind=kind,
        day=day if kind == WordKind.PIN else None,
        said_by=by,
    )
    checked(word)
    word.save(force_insert=True)
    _said("plan_word_said", plan, aircraft, by, audit.values(word, ["kind", "day"]))
    return word


def _pin_errors(plan: TourPlan, day: datetime.date | None) -> dict[str, list[str]]:
    if day is None:
        return {"day": ["Say on which day."]}
    if not plan.starts_on <= day <= plan.ends_on:
        span = f"{plan.starts_on:%-d %B} to {plan.ends_on:%-d %B %Y}"
        return {"day": [f"Must be a day of the plan, {span}."]}
    why = why_blocked(plan).get(day)
    if why:
        return {"day": [f"On {day:%A, %-d %B} the analyst does not travel ({why.lower()})."]}
    return {}


@transaction.atomic
def say_of_all(
    plan: TourPlan,
    *,
    by: Person,
    fleet: Sequence[Aircraft],
    kind: str,
    day: datetime.date | None = None,
) -> list[PlanWord]:
    """Say the same of several aircraft, as of all at one stop: of all of them or of none."""
    return [say(plan, by=by, aircraft=one, kind=kind, day=day) for one in fleet]


@transaction.atomic
def block_day(plan: TourPlan, *, by: Person, day: datetime.date, blocked: bool) -> bool:
    """Keep a day of a plan free of visits, or give it back. False when it is so already."""
    rules.allow(rules.may_plan_visits, by)
    now = TourPlan.objects.select_for_update().get(pk=plan.pk)
    if blocked and not now.starts_on <= day <= now.ends_on:
        refuse({"day": [f"{day:%-d %B %Y} is no day of the plan."]})
    kept = PlanWord.objects.filter(plan=plan, kind=WordKind.PIN, day=day)
    names = ", ".join(str(word.aircraft) for word in kept.select_related("aircraft"))
    if blocked and names:
        refuse({"day": [f"Kept on it by your word: {names}. Take that back first."]})
    days = {*now.settings["blocked_days"]} - {day.isoformat()}
    if blocked:
        days.add(day.isoformat())
    changes = {"settings": {**now.settings, "blocked_days": sorted(days)}}
    changed = change(
        now, deed="plan_changed", by=by, operator=None, changes=changes, allowed=("settings",)
    )
    plan.settings = now.settings
    return changed


@transaction.atomic
def take_back(plan: TourPlan, *, by: Person, aircraft: Aircraft) -> bool:
    """Take the word on an aircraft back. False when there was none."""
    rules.allow(rules.may_plan_visits, by)
    TourPlan.objects.select_for_update().get(pk=plan.pk)
    gone, _ = PlanWord.objects.filter(plan=plan, aircraft=aircraft).delete()
    if gone:
        _said("plan_word_taken_back", plan, aircraft, by, {})
    return bool(gone)


@transaction.atomic
def take_back_all(plan: TourPlan, *, by: Person, fleet: Sequence[Aircraft]) -> int:
    """Take the words on several aircraft back. How many there were."""
    return sum(take_back(plan, by=by, aircraft=one) for one in fleet)


def _said(deed: str, plan: TourPlan, aircraft: Aircraft, by: Person, values: Any) -> None:
    after = {"aircraft": str(aircraft), **values}
    audit.record(deed, plan, by=by, operator=aircraft.operator, after=after)


@transaction.atomic
def request_proposal(plan: TourPlan, *, by: Person) -> Job:
    """Ask for tours, from everything as it stands now.

    The job keeps a copy of what it was given. While one is under way for this plan, it comes back.
    """
    rules.allow(rules.may_plan_visits, by)
    TourPlan.objects.select_for_update().get(pk=plan.pk)
    under_way = open_job(plan)
    if under_way is not None:
        return under_way
    gathered = gather(by, plan)
    if not gathered.problem.days:
        refuse({"days": ["Every day of this plan is blocked or past."]})
    if not gathered.problem.aircraft:
        refuse({"aircraft": ["No aircraft asks for a visit by then, or none can be planned."]})
    inputs = {
        "problem": document.problem_document(gathered.problem),
        "blocked": {day.isoformat(): why for day, why in gathered.blocked.items()},
        "aside": [{"key": str(one.aircraft.pk), "why": one.why} for one in gathered.aside],
    }
    audit.record("proposal_requested", plan, by=by, operator=None)
    return jobs.enqueue("plan", subject=plan, operator=None, by=by, parameters={"inputs": inputs})


@transaction.atomic
def stop_early(plan: TourPlan, *, by: Person) -> bool:
    """Ask the search under way to stop and give the best so far. False when there is none."""
    rules.allow(rules.may_plan_visits, by)
    under_way = Job.objects.filter(kind="plan", subject_id=plan.pk).exclude(state__in=ENDED)
    asked = [jobs.ask_to_stop(job) for job in under_way]
    if any(asked):
        audit.record("proposal_stopped", plan, by=by, operator=None)
    return any(asked)


@jobs.handler("plan")
def perform(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Look for tours for what the job holds; the returned function stores the proposal."""
    inputs = job.parameters["inputs"]
    problem = document.problem_from(inputs["problem"])
    world = World(problem)
    system = job.requested_by.unit_system if job.requested_by else "metric"

    def tell(share: float, cost: Cost, routes: Sequence[Route]) -> None:
        progress(0.95 * share, best_so_far(*late_aircraft(world, routes), cost.travel_m, system))

    solution = solve(problem, effort=EFFORT, tell=tell, stop=_Asked(progress))
    progress(0.95, "Writing the proposal down")
    result = document.to_bytes(problem, solution).decode()
    return lambda: _store(job, inputs, result)


class _Asked:
    """Whether a stop was asked for, read now and then and not at every step of a search."""

    def __init__(self, progress: jobs.Progress) -> None:
        self._progress = progress
        self._next = 0.0
        self._answer = False

    def __call__(self) -> bool:
        now = time.monotonic()
        if not self._answer and now >= self._next:
            self._next = now + ASK_S
            self._answer = self._progress.stop_asked()
        return self._answer


def best_so_far(aircraft: int, days: int, travel_m: float, system: str) -> str:
    """Say how good the best tours so far are."""
    way = measures.show(travel_m, "way", system)
    if not aircraft:
        return f"Best so far: nobody late, {way}"
    return f"Best so far: {aircraft} aircraft late by {days} day{'s' * (days != 1)} in all, {way}"


def _store(job: Job, inputs: dict[str, Any], result: str) -> None:
    plan = TourPlan.objects.select_for_update().get(pk=job.subject_id)
    last = plan.proposals.aggregate(last=Max("number"))["last"] or 0
    proposal = TourProposal(plan=plan, job=job, number=last + 1, inputs=inputs, document=result)
    proposal.save(force_insert=True)
    audit.record("proposal_made", proposal, by=None, operator=None)


@transaction.atomic
def accept_stop(
    proposal: TourProposal,
    *,
    by: Person,
    day: datetime.date,
    operator: Operator,
    kind: str = "private",
) -> Visit:
    """Plan the visit that a stop proposes, its aircraft signed up and their wishes settled."""
    rules.allow(rules.may_plan_visits, by)
    plan = TourPlan.objects.select_for_update().get(pk=proposal.plan_id)
    fleet = stop_aircraft(proposal, day, operator)
    if not fleet:
        refuse({"day": [f"The proposal has no stop at {operator} on {day:%-d %B %Y}."]})
    visit = visits.plan_visit(
        by=by,
        kind=kind,
        place=operator.base,
        starts_on=day,
        ends_on=day,
        analyst=plan.analyst,
        host=operator if kind == "private" else None,
        note=f"From the plan of return visits, proposal {proposal.number}.",
        latitude_deg=operator.base_latitude_deg,
        longitude_deg=operator.base_longitude_deg,
        aircraft_per_day=plan.settings["aircraft_per_day"] if kind == "clinic" else None,
    )
    for aircraft in fleet:
        _free_of_other_place(aircraft)
        clinics.sign_up(by=by, visit=visit, aircraft=aircraft, day=day)
        for wish in VisitWish.objects.filter(aircraft=aircraft, settled_on__isnull=True):
            wishes.settle(wish, by=by)
    return visit


def stop_aircraft(proposal: TourProposal, day: datetime.date, operator: Operator) -> list[Aircraft]:
    """Return the aircraft of an operator that a proposal has on a day."""
    keys = [
        one["key"]
        for given in proposal.result["days"]
        if given["on"] == day.isoformat()
        for stop in given["stops"]
        for one in stop["aircraft"]
    ]
    rows = Aircraft.objects.filter(pk__in=keys, operator=operator).select_related("operator")
    return list(rows)


def _free_of_other_place(aircraft: Aircraft) -> None:
    taken = aircraft.sign_ups.filter(
        state="placed", visit__cancelled_on__isnull=True, day__gte=timezone.localdate()
    ).select_related("visit")
    there = taken.first()
    if there is not None:
        refuse({"day": [f"{aircraft} has a place already: {there.visit}. Plan again first."]})


def _settings(given: Mapping[str, Any]) -> dict[str, Any]:
    errors: dict[str, Any] = {}
    for name in given:
        if name not in DEFAULTS:
            errors[name] = [f"There is no such setting. Known: {', '.join(DEFAULTS)}."]
    for name, (least, most) in LIMITS.items():
        value: Any = given.get(name)
        right = isinstance(value, int | float) and not isinstance(value, bool)
        if not right or not least <= value <= most or (name in WHOLE and value != int(value)):
            kind = "whole number" if name in WHOLE else "number"
            errors[name] = [f"Must be a {kind} from {least:g} to {most:g}."]
    work = given["work_days"]
    if not isinstance(work, Sequence) or not work or not set(work) <= set(range(7)):
        errors["work_days"] = ["Name at least one day of the week: 0 for Monday to 6 for Sunday."]
    try:
        days = sorted({datetime.date.fromisoformat(str(day)) for day in given["blocked_days"]})
    except (TypeError, ValueError):
        errors["blocked_days"] = ["Write each day as YYYY-MM-DD."]
    refuse(errors)
    whole = {name: int(given[name]) for name in WHOLE}
    blocked = [day.isoformat() for day in days]
    return {**given, **whole, "work_days": sorted(set(work)), "blocked_days": blocked}


def _check_plan(plan: TourPlan) -> None:
    errors = check_ranges(
        {"latitude_deg": plan.start_latitude_deg, "longitude_deg": plan.start_longitude_deg}
    )
    errors = {f"start_{name}": words for name, words in errors.items()}
    if plan.ends_on < plan.starts_on:
        errors["ends_on"] = ["Must not be before the first day."]
    elif (plan.ends_on - plan.starts_on).days >= LONGEST_DAYS:
        errors["ends_on"] = [f"At most {LONGEST_DAYS} days from the first."]
    if not plan.analyst.is_analyst:
        errors["analyst"] = ["Must be an analyst."]
    refuse(errors)
    checked(plan)
