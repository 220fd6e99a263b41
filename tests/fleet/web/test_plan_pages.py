"""Pages of return visits, walked as an analyst and an owner walk them."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet import jobs, tenancy
from fleet.models import Job, PlanWord, TourPlan, Visit, VisitWish
from fleet.queries.plans import days_of_aircraft
from tests.cast import Cast, make_aircraft, make_proposal

pytestmark = [pytest.mark.django_db]
TODAY = timezone.localdate()


@pytest.fixture
def world(cast: Cast) -> dict[str, Any]:
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        proposal = make_proposal(cast, aircraft)
    return {"aircraft": aircraft, "plan": proposal.plan, "proposal": proposal}


def signed_in(person: Any) -> Client:
    client = Client()
    client.force_login(person)
    return client


def test_plan_shows_stops_with_reasons_and_leads_to_a_visit(cast, world):
    client, plan = signed_in(cast.analyst), world["plan"]
    shown = client.get(reverse("plan", args=[plan.pk])).content.decode()
    assert "XX-R01" in shown
    assert "Wished for by" in shown
    assert "Plan again" in shown
    assert 'class="sw-chart sw-tours"' in shown
    [day] = [d for d in world["proposal"].result["days"] if d["stops"]]
    answer = client.post(
        reverse("plan-accept", args=[plan.pk]),
        {"proposal": "1", "day": day["on"], "aircraft": str(world["aircraft"].pk)},
    )
    visit = Visit.objects.get()
    assert answer.url == reverse("visit", args=[visit.pk])
    assert visit.starts_on.isoformat() == day["on"]


def test_word_is_said_and_taken_back(cast, world):
    client, plan, aircraft = signed_in(cast.analyst), world["plan"], world["aircraft"]
    say = reverse("plan-word", args=[plan.pk])
    on = next(iter(days_of_aircraft(world["proposal"]).values()))
    client.post(say, {"aircraft": aircraft.pk, "word": "pin", "day": on.isoformat()})
    with tenancy.everyone():
        assert PlanWord.objects.get().day == on
    shown = client.get(reverse("plan", args=[plan.pk])).content.decode()
    assert "Kept on" in shown
    assert "1 change of yours since these tours were asked for" in shown
    refused = client.post(say, {"aircraft": aircraft.pk, "word": "pin"}, follow=True)
    assert "Say on which day." in refused.content.decode()
    client.post(say, {"aircraft": aircraft.pk, "word": "back"})
    with tenancy.everyone():
        assert not PlanWord.objects.exists()


def test_search_under_way_can_be_stopped(cast, world):
    client, plan = signed_in(cast.analyst), world["plan"]
    client.post(reverse("plan-again", args=[plan.pk]))
    shown = client.get(reverse("plan", args=[plan.pk])).content.decode()
    assert "Stop and take the best so far" in shown
    part = client.get(reverse("plan", args=[plan.pk]), headers={"HX-Request": "true"})
    assert part.status_code == 200
    client.post(reverse("plan-stop", args=[plan.pk]))
    with tenancy.everyone():
        job = Job.objects.filter(kind="plan").exclude(state="done").get()
        assert job.stop_asked_at is not None
        jobs.run(job.pk)
    part = client.get(reverse("plan", args=[plan.pk]), headers={"HX-Request": "true"})
    assert part.headers["HX-Refresh"] == "true"  # there are tours to look at
    shown = client.get(reverse("plan", args=[plan.pk])).content.decode()
    assert "Proposal 2" in shown
    assert "0 changes against proposal 1" in shown
    assert client.get(reverse("job", args=[job.pk])).url == reverse("plan", args=[plan.pk])


def test_new_plan_asks_for_its_tours_at_once(cast, world):
    client = signed_in(cast.analyst)
    page = client.get(reverse("plan-new"))
    form = page.context["form"]
    data = {name: form[name].value() for name in form.fields}
    answer = client.post(reverse("plan-new"), {**data, "analyst": str(cast.analyst.pk)})
    assert answer.status_code == 302, answer.context["form"].errors
    plan = TourPlan.objects.latest("created_at")
    assert answer.url == reverse("plan", args=[plan.pk])
    assert plan.settings["speed_m_s"] == 22.0
    with tenancy.everyone():
        assert Job.objects.filter(kind="plan", subject_id=plan.pk).count() == 1
    wrong = client.post(reverse("plan-new"), {**data, "work_days": [], "aircraft_per_day": "0"})
    assert {"work_days"} <= set(wrong.context["form"].errors)
    client.post(reverse("plan-new"), {**data, "blocked_days": "2027-02-27..2027-03-01 2027-05-01"})
    plan = TourPlan.objects.latest("created_at")
    days = ["2027-02-27", "2027-02-28", "2027-03-01", "2027-05-01"]
    assert plan.settings["blocked_days"] == days
    for typed in ("2027-03-01..2027-02-01", "2027-03-01..soon"):
        wrong = client.post(reverse("plan-new"), {**data, "blocked_days": typed})
        assert "blocked_days" in wrong.context["form"].errors


def test_day_is_blocked_from_the_plan(cast, world):
    client, plan = signed_in(cast.analyst), world["plan"]
    day = plan.ends_on.isoformat()
    shown = client.post(
        reverse("plan-day", args=[plan.pk]), {"day": day, "blocked": "1"}, follow=True
    )
    assert f"Blocked: {plan.ends_on:%a}" in shown.content.decode()
    plan.refresh_from_db()
    assert plan.settings["blocked_days"] == [day]
    refused = client.post(reverse("plan-day", args=[plan.pk]), {"blocked": "1"}, follow=True)
    assert "This field is required" in refused.content.decode()


def test_owner_wishes_for_a_visit_and_takes_it_back(cast, world):
    client, aircraft = signed_in(cast.owner), world["aircraft"]
    wish = reverse("wish-new", args=[aircraft.pk])
    assert (
        "I would like a visit"
        in client.get(reverse("aircraft", args=[aircraft.pk])).content.decode()
    )
    assert "You wished for a visit" in client.get(wish).content.decode()
    days = {"from_on": TODAY.isoformat(), "until_on": TODAY.isoformat(), "words": "New nozzles"}
    assert client.post(wish, days).status_code == 302
    with tenancy.everyone():
        assert VisitWish.objects.get(settled_on=None).words == "New nozzles"
    client.post(reverse("wish-back", args=[aircraft.pk]))
    with tenancy.everyone():
        assert not VisitWish.objects.filter(settled_on=None).exists()
