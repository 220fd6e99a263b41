"""Plans of return visits through the services and the job: the project's own rules, no source."""

from __future__ import annotations

import datetime
from collections.abc import Iterator

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone

from fleet import jobs, tenancy
from fleet.models import Job, JobState, PlanWord, SignUp, TourPlan, TourProposal, VisitWish
from fleet.planning.solve import Effort
from fleet.queries.plan_inputs import gather
from fleet.queries.plans import days_of_aircraft, view_of
from fleet.services import people, plans, wishes
from tests.cast import Cast, make_aircraft, make_visit

pytestmark = [pytest.mark.django_db]
TODAY = timezone.localdate()
DAY = datetime.timedelta(days=1)
MONDAY = TODAY + datetime.timedelta(days=7 - TODAY.weekday())
FRIDAY = MONDAY + datetime.timedelta(days=11)


@pytest.fixture(autouse=True)
def _scope(monkeypatch, settings) -> Iterator[None]:
    settings.JOB_HINT = "tests.browser.play.need_no_hint"
    monkeypatch.setattr(plans, "EFFORT", Effort(turns=3, iterations=30))
    with tenancy.everyone():
        yield


def make_plan(cast: Cast, **changes) -> TourPlan:
    values = {
        "analyst": cast.analyst,
        "starts_on": MONDAY,
        "ends_on": FRIDAY,
        "start_place": "Tamber Flat",
        "start_latitude_deg": 40.0,
        "start_longitude_deg": -98.0,
    }
    return plans.make_plan(by=cast.analyst, **{**values, **changes})


def located(cast: Cast) -> Cast:
    for operator, east in ((cast.operator, 0.5), (cast.other_operator, -0.5)):
        people.change_operator(
            operator, by=cast.staff, base_latitude_deg=40.0, base_longitude_deg=-98.0 + east
        )
    return cast


def wished(cast: Cast, number: int = 1, operator=None, **days) -> VisitWish:
    aircraft = make_aircraft(cast, operator, number)
    span = {"from_on": TODAY, "until_on": MONDAY, **days}
    return wishes.wish_for(by=cast.staff, aircraft=aircraft, **span)


def proposed(plan: TourPlan, by) -> TourProposal:
    job = plans.request_proposal(plan, by=by)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == JobState.DONE, job.reason
    return job.proposal


def test_wish_becomes_a_stop_and_the_stop_a_visit(cast):
    wish = wished(located(cast))
    plan = make_plan(cast)
    proposal = proposed(plan, cast.analyst)
    days = days_of_aircraft(proposal)
    assert days == {str(wish.aircraft_id): MONDAY}
    visit = plans.accept_stop(proposal, by=cast.analyst, day=MONDAY, operator=cast.operator)
    assert (visit.kind, visit.host, visit.analyst) == ("private", cast.operator, cast.analyst)
    assert SignUp.objects.get(visit=visit).aircraft_id == wish.aircraft_id
    wish.refresh_from_db()
    assert wish.settled_on == TODAY
    with pytest.raises(ValidationError, match="has a place already"):
        plans.accept_stop(proposal, by=cast.analyst, day=MONDAY, operator=cast.operator)
    with pytest.raises(ValidationError, match="has no stop"):
        plans.accept_stop(proposal, by=cast.analyst, day=FRIDAY, operator=cast.operator)


def test_clinic_can_be_made_of_a_stop(cast):
    wished(located(cast))
    proposal = proposed(make_plan(cast), cast.analyst)
    visit = plans.accept_stop(
        proposal, by=cast.analyst, day=MONDAY, operator=cast.operator, kind="clinic"
    )
    assert (visit.kind, visit.host, visit.aircraft_per_day) == ("clinic", None, 6)


def test_visit_planned_blocks_its_days_and_covers_who_has_a_place(cast):
    wish = wished(located(cast))
    other = wished(cast, operator=cast.other_operator)
    plan = make_plan(cast)
    proposal = proposed(plan, cast.analyst)
    day = days_of_aircraft(proposal)[str(wish.aircraft_id)]
    plans.accept_stop(proposal, by=cast.analyst, day=day, operator=cast.operator)
    wishes.wish_for(by=cast.staff, aircraft=wish.aircraft, from_on=TODAY, until_on=FRIDAY)
    gathered = gather(cast.analyst, plan)
    assert gathered.blocked[day].startswith("Visit planned")
    assert day not in {one.on for one in gathered.problem.days}
    assert [one.key for one in gathered.problem.aircraft] == [str(other.aircraft_id)]
    assert "Has a place already" in gathered.aside[0].why


def test_words_pin_move_drop_and_are_taken_back(cast):
    wish = wished(located(cast))
    wished(cast, number=2)
    plan = make_plan(cast)
    before = proposed(plan, cast.analyst)
    later = MONDAY + datetime.timedelta(days=3)
    plans.say(plan, by=cast.analyst, aircraft=wish.aircraft, kind="pin", day=later)
    after = proposed(plan, cast.analyst)
    assert days_of_aircraft(after)[str(wish.aircraft_id)] == later
    view = view_of(cast.analyst, after)
    assert any(str(wish.aircraft) in line for line in view.changes)
    assert view.before == before
    plans.say(plan, by=cast.analyst, aircraft=wish.aircraft, kind="drop")
    assert PlanWord.objects.get().kind == "drop"
    third = proposed(plan, cast.analyst)
    assert str(wish.aircraft_id) not in days_of_aircraft(third)
    assert plans.take_back(plan, by=cast.analyst, aircraft=wish.aircraft)
    assert not plans.take_back(plan, by=cast.analyst, aircraft=wish.aircraft)
    assert [p.number for p in plan.proposals.order_by("number")] == [1, 2, 3]


def test_aircraft_without_coordinates_is_named(cast):
    wish = wished(cast)
    plan = make_plan(cast)
    gathered = gather(cast.analyst, plan)
    assert [one.aircraft for one in gathered.aside] == [wish.aircraft]
    assert "no coordinates" in gathered.aside[0].why
    with pytest.raises(ValidationError, match="No aircraft asks"):
        plans.request_proposal(plan, by=cast.analyst)


def test_asked_for_twice_there_is_one_job(cast):
    wished(located(cast))
    plan = make_plan(cast)
    assert plans.request_proposal(plan, by=cast.analyst) == plans.request_proposal(
        plan, by=cast.staff
    )


def test_stopped_early_the_best_so_far_is_stored(cast):
    wished(located(cast))
    plan = make_plan(cast)
    job = plans.request_proposal(plan, by=cast.analyst)
    assert plans.stop_early(plan, by=cast.analyst)
    assert not plans.stop_early(plan, by=cast.analyst)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == JobState.DONE
    assert job.proposal.result["stopped"] is True
    assert len(days_of_aircraft(job.proposal)) == 1
    assert not plans.stop_early(plan, by=cast.analyst)


def test_killed_worker_leaves_one_proposal(cast, monkeypatch):
    """What a killed process leaves is a claimed job whose lease runs out; it is done once more."""
    wished(located(cast))
    plan = make_plan(cast)
    job = plans.request_proposal(plan, by=cast.analyst)
    killed = jobs.claim(job.pk)
    assert killed is not None
    store = plans.perform(killed, jobs.Progress(killed))
    Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - datetime.timedelta(hours=1))
    jobs.run(job.pk)
    with pytest.raises(jobs.LeaseLostError):
        jobs._finish(killed, store)
    assert TourProposal.objects.filter(plan=plan).count() == 1


def test_pins_that_cannot_be_kept_fail_the_job_in_words(cast):
    wish = wished(located(cast))
    wished(cast, operator=cast.other_operator)
    plan = make_plan(cast)
    tuesday = MONDAY + datetime.timedelta(days=1)
    plans.say(plan, by=cast.analyst, aircraft=wish.aircraft, kind="pin", day=tuesday)
    make_visit(cast, tuesday)  # planned by somebody meanwhile
    job = plans.request_proposal(plan, by=cast.analyst)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == JobState.FAILED
    assert "when the analyst is not free" in job.reason


def test_pin_on_a_day_without_the_analyst_is_refused_at_once(cast):
    wish = wished(located(cast))
    plan = make_plan(cast)
    sunday = MONDAY + datetime.timedelta(days=6)
    for day, why in (
        (sunday, "no working day"),
        (FRIDAY + DAY, "a day of the plan"),
        (None, "Say"),
    ):
        with pytest.raises(ValidationError, match=why):
            plans.say(plan, by=cast.analyst, aircraft=wish.aircraft, kind="pin", day=day)
    assert not PlanWord.objects.exists()


def test_a_whole_stop_is_moved_or_none_of_it(cast):
    fleet = [wished(located(cast), number=number).aircraft for number in (1, 2)]
    plan = make_plan(cast)
    tuesday = MONDAY + DAY
    plans.say_of_all(plan, by=cast.analyst, fleet=fleet, kind="pin", day=tuesday)
    assert set(days_of_aircraft(proposed(plan, cast.analyst)).values()) == {tuesday}
    fleet[1].retired_on = TODAY
    fleet[1].save()
    with pytest.raises(ValidationError, match="out of service"):
        plans.say_of_all(plan, by=cast.analyst, fleet=fleet, kind="drop")
    assert {word.kind for word in PlanWord.objects.all()} == {"pin"}
    assert plans.take_back_all(plan, by=cast.analyst, fleet=fleet) == 2


def test_a_day_is_blocked_and_given_back(cast):
    wish = wished(located(cast))
    plan = make_plan(cast)
    before = proposed(plan, cast.analyst)
    assert plans.block_day(plan, by=cast.analyst, day=MONDAY, blocked=True)
    assert not plans.block_day(plan, by=cast.analyst, day=MONDAY, blocked=True)
    assert view_of(cast.analyst, before).unheard == 1
    after = proposed(plan, cast.analyst)
    assert MONDAY not in days_of_aircraft(after).values()
    assert view_of(cast.analyst, after).unheard == 0
    plans.say(plan, by=cast.analyst, aircraft=wish.aircraft, kind="pin", day=MONDAY + DAY)
    with pytest.raises(ValidationError, match="Kept on it by your word: XX-R01"):
        plans.block_day(plan, by=cast.analyst, day=MONDAY + DAY, blocked=True)
    assert plans.block_day(plan, by=cast.analyst, day=MONDAY, blocked=False)
    assert gather(cast.analyst, plan).blocked.get(MONDAY) is None
    with pytest.raises(PermissionDenied):
        plans.block_day(plan, by=cast.owner, day=MONDAY, blocked=True)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"ends_on": MONDAY - datetime.timedelta(days=1)}, "ends_on"),
        ({"ends_on": MONDAY + datetime.timedelta(days=400)}, "ends_on"),
        ({"start_latitude_deg": 91.0}, "start_latitude_deg"),
        ({"settings": {"aircraft_per_day": 0}}, "aircraft_per_day"),
        ({"settings": {"speed_m_s": "fast"}}, "speed_m_s"),
        ({"settings": {"work_days": []}}, "work_days"),
        ({"settings": {"blocked_days": ["1 May"]}}, "blocked_days"),
        ({"settings": {"lunch": 1}}, "lunch"),
    ],
)
def test_plan_that_cannot_be_is_refused_by_field(cast, changes, field):
    with pytest.raises(ValidationError) as refused:
        make_plan(cast, **changes)
    assert field in refused.value.message_dict
    assert not TourPlan.objects.exists()


def test_owner_wishes_for_their_own_and_plans_nothing(cast):
    aircraft = make_aircraft(cast)
    wish = wishes.wish_for(by=cast.owner, aircraft=aircraft, from_on=TODAY, until_on=FRIDAY)
    again = wishes.wish_for(by=cast.owner, aircraft=aircraft, from_on=MONDAY, until_on=FRIDAY)
    wish.refresh_from_db()
    assert wish.settled_on == TODAY
    assert wishes.take_wish_back(again, by=cast.owner)
    assert not wishes.take_wish_back(again, by=cast.owner)
    with pytest.raises(ValidationError, match="before the first day"):
        wishes.wish_for(by=cast.owner, aircraft=aircraft, from_on=FRIDAY, until_on=MONDAY)
    for person in (cast.pilot, cast.checker):
        with pytest.raises(PermissionDenied):
            wishes.wish_for(by=person, aircraft=aircraft, from_on=TODAY, until_on=FRIDAY)
    with pytest.raises(PermissionDenied):
        plans.make_plan(
            by=cast.owner,
            analyst=cast.analyst,
            starts_on=MONDAY,
            ends_on=FRIDAY,
            start_place="Here",
            start_latitude_deg=0,
            start_longitude_deg=0,
        )
