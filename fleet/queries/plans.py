"""A plan as it is looked at: weeks of days with stops, who is left out, what moved since before."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from fleet.models import Aircraft, AuditRow, Job, Person, PlanWord, TourPlan, TourProposal
from fleet.queries.plan_inputs import BLOCKED, NO_WORKING_DAY, days_between
from fleet.queries.whose import aircraft_of
from fleet.queries.work import last_of, under_way


@dataclass(frozen=True, slots=True)
class Visited:
    """An aircraft in a proposal: as it was when proposed, as it is now, and what was said of it.

    `said` is the word as it stands now, which the next proposal will keep to.
    """

    aircraft: Aircraft
    why: str
    late_days: int = 0
    said: PlanWord | None = None
    moved: str = ""


@dataclass(frozen=True, slots=True)
class StopView:
    """A base on a day. Without aircraft it is an arrival for the night."""

    name: str
    way_m: float
    aircraft: list[Visited]
    late_days: int

    @property
    def any_said(self) -> bool:
        """Whether there is a word to take back."""
        return any(one.said is not None for one in self.aircraft)


@dataclass(frozen=True, slots=True)
class DayView:
    """A day of a plan: planned, free, or blocked with the reason."""

    on: datetime.date
    blocked: str = ""
    tour: int | None = None
    start: str = ""
    end: str = ""
    stops: tuple[StopView, ...] = ()
    minutes: float = 0.0
    usable_minutes: float = 0.0
    travel_m: float = 0.0
    last_way_m: float = 0.0

    @property
    def hours(self) -> str:
        """Return tests and travel as hours and minutes."""
        return f"{int(self.minutes) // 60}:{int(self.minutes) % 60:02d}"

    @property
    def usable_hours(self) -> str:
        """Return what the day has, as hours and minutes."""
        return f"{int(self.usable_minutes) // 60}:{int(self.usable_minutes) % 60:02d}"

    @property
    def count(self) -> int:
        """Return how many aircraft are tested."""
        return sum(len(stop.aircraft) for stop in self.stops)


@dataclass(frozen=True, slots=True)
class WeekView:
    """The days of a week that lie in a plan."""

    days: list[DayView]

    @property
    def has_stops(self) -> bool:
        """Whether anything is planned in it."""
        return any(day.stops for day in self.days)

    @property
    def rest(self) -> list[DayView]:
        """Return the days without a stop, those that are never worked left aside."""
        return [day for day in self.days if not day.stops and day.blocked != NO_WORKING_DAY]


@dataclass(frozen=True, slots=True)
class ProposalView:
    """A proposal, put together for people."""

    proposal: TourProposal
    weeks: list[WeekView]
    left_out: list[Visited]
    aside: list[Visited]
    result: Mapping[str, Any]
    changes: list[str]
    before: TourProposal | None
    unheard: int


def open_job(plan: TourPlan) -> Job | None:
    """Return the search under way for a plan."""
    return under_way(plan, "plan")


def last_job(plan: TourPlan) -> Job | None:
    """Return the last search for a plan, ended or not."""
    return last_of(plan, "plan")


def view_of(person: Person, proposal: TourProposal) -> ProposalView:
    """Put a proposal together: eight queries, however large it is."""
    plan, result = proposal.plan, proposal.result
    before = (
        TourProposal.objects.filter(plan=plan, number__lt=proposal.number)
        .order_by("-number")
        .first()
    )
    seen = _Seen(person, plan, proposal, before)
    planned = {day.on: day for day in (seen.day(one) for one in result["days"])}
    blocked = proposal.inputs.get("blocked", {})
    weeks: list[WeekView] = []
    for on in days_between(plan):
        if not weeks or on.weekday() == 0:
            weeks.append(WeekView([]))
        day = planned.get(on) or DayView(on, blocked=blocked.get(on.isoformat(), BLOCKED))
        weeks[-1].days.append(day)
    return ProposalView(
        proposal=proposal,
        weeks=weeks,
        left_out=seen.all_of(result["left_out"]),
        aside=seen.all_of(proposal.inputs.get("aside", [])),
        result=result,
        changes=seen.changes(),
        before=before,
        unheard=_said_since(proposal),
    )


def _said_since(proposal: TourProposal) -> int:
    """Count what was said of the plan since the tours were asked for."""
    said = AuditRow.objects.filter(
        subject_id=proposal.plan_id,
        deed__in=("plan_word_said", "plan_word_taken_back", "plan_changed"),
        created_at__gt=proposal.job.created_at,
    )
    return int(said.count())


class _Seen:
    """The rows behind a proposal, read once."""

    def __init__(
        self, person: Person, plan: TourPlan, proposal: TourProposal, before: TourProposal | None
    ) -> None:
        self._names = [place["name"] for place in proposal.result["places"]]
        keys = [UUID(one["key"]) for one in _everyone(proposal)]
        if before is not None:
            keys += [UUID(one["key"]) for one in _everyone(before)]
        rows = aircraft_of(person).filter(pk__in=set(keys))
        self._aircraft = {str(one.pk): one for one in rows}
        self._words = {str(word.aircraft_id): word for word in PlanWord.objects.filter(plan=plan)}
        self._now = days_of_aircraft(proposal)
        self._before = days_of_aircraft(before) if before is not None else None

    def day(self, given: Mapping[str, Any]) -> DayView:
        stops = tuple(
            StopView(
                name=self._names[stop["place"]],
                way_m=stop["way_m"],
                aircraft=self.all_of(stop["aircraft"]),
                late_days=sum(one["late_days"] for one in stop["aircraft"]),
            )
            for stop in given["stops"]
        )
        return DayView(
            on=datetime.date.fromisoformat(given["on"]),
            tour=given["tour"],
            start=self._names[given["start"]],
            end=self._names[given["end"]] if given["end"] else "",
            stops=stops,
            minutes=given["minutes"],
            usable_minutes=given["usable_minutes"],
            travel_m=given["travel_m"],
            last_way_m=given["last_way_m"],
        )

    def all_of(self, given: Iterable[Mapping[str, Any]]) -> list[Visited]:
        return [
            Visited(
                aircraft=self._aircraft[one["key"]],
                why=one["why"],
                late_days=one.get("late_days", 0),
                said=self._words.get(one["key"]),
                moved=self._moved(one["key"]),
            )
            for one in given
            if one["key"] in self._aircraft
        ]

    def _moved(self, key: str) -> str:
        if self._before is None:
            return ""
        now, was = self._now.get(key), self._before.get(key)
        if now == was or now is None:
            return ""
        return f"was {_day(was)}" if was else "new"

    def changes(self) -> list[str]:
        """Sentences for what moved since the proposal before."""
        if self._before is None:
            return []
        said = []
        for key in sorted({*self._now, *self._before}, key=self._name):
            now, was = self._now.get(key), self._before.get(key)
            if now == was:
                continue
            if was is None:
                said.append(f"{self._name(key)}: new on {_day(now)}.")
            elif now is None:
                said.append(f"{self._name(key)}: no longer planned, was {_day(was)}.")
            else:
                said.append(f"{self._name(key)}: {_day(was)} to {_day(now)}.")
        return said

    def _name(self, key: str) -> str:
        one = self._aircraft.get(key)
        return one.registration if one is not None else "An aircraft"


def days_of_aircraft(proposal: TourProposal) -> dict[str, datetime.date]:
    """Return the day of each aircraft that a proposal plans, by key."""
    return {
        one["key"]: datetime.date.fromisoformat(day["on"])
        for day in proposal.result["days"]
        for stop in day["stops"]
        for one in stop["aircraft"]
    }


def _everyone(proposal: TourProposal) -> Iterable[Mapping[str, Any]]:
    for day in proposal.result["days"]:
        for stop in day["stops"]:
            yield from stop["aircraft"]
    yield from proposal.result["left_out"]
    yield from proposal.inputs.get("aside", [])


def _day(day: datetime.date | None) -> str:
    return f"{day:%a %-d %B}" if day else "–"
