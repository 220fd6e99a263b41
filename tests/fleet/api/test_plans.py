"""Return visits over the API, from the wish to the visit."""

from __future__ import annotations

import datetime

import pytest
from django.utils import timezone

from fleet import jobs, tenancy
from fleet.planning.solve import Effort
from fleet.services import people, plans
from tests.cast import Cast, make_aircraft
from tests.fleet.api.client import signed_in

pytestmark = [pytest.mark.django_db]
TODAY = timezone.localdate()


def test_from_the_wish_to_the_visit(cast: Cast, monkeypatch):
    monkeypatch.setattr(plans, "EFFORT", Effort(turns=2, iterations=20))
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
        people.change_operator(
            cast.operator, by=cast.staff, base_latitude_deg=40.2, base_longitude_deg=-98.4
        )
    analyst, owner = signed_in(cast.analyst), signed_in(cast.owner)
    until = (TODAY + datetime.timedelta(days=9)).isoformat()
    body = {"aircraft": str(aircraft.pk), "from_on": TODAY.isoformat(), "until_on": until}
    wish = owner.post("/api/v1/wishes/", body, format="json")
    assert wish.status_code == 201, wish.content
    plan = analyst.post(
        "/api/v1/plans/",
        {
            "analyst": str(cast.analyst.pk),
            "starts_on": TODAY.isoformat(),
            "ends_on": until,
            "start_place": "Tamber Flat",
            "start_latitude_deg": 40.0,
            "start_longitude_deg": -98.0,
            "settings": {"nights_out": 0, "work_days": [0, 1, 2, 3, 4, 5, 6]},
        },
        format="json",
    )
    assert plan.status_code == 201, plan.content
    at = f"/api/v1/plans/{plan.json()['id']}/"
    assert owner.get(at).status_code == 404
    with tenancy.everyone():
        second = make_aircraft(cast, number=2)
    stop = [str(aircraft.pk), str(second.pk)]
    pin = {"aircraft": stop, "word": "pin", "day": until}
    said = analyst.post(f"{at}words/", pin, format="json")
    assert {word["aircraft"]: word["day"] for word in said.json()["words"]} == dict.fromkeys(
        stop, until
    )
    unknown = analyst.post(
        f"{at}words/", {"aircraft": [stop[1], str(cast.owner.pk)], "word": "drop"}, format="json"
    )
    assert unknown.status_code == 400  # said of all or of none
    assert {word["word"] for word in analyst.get(at).json()["words"]} == {"pin"}
    back = analyst.post(f"{at}words/", {"aircraft": stop[1:], "word": "back"}, format="json")
    assert [word["aircraft"] for word in back.json()["words"]] == stop[:1]
    asked = analyst.post(f"{at}proposals/", format="json")
    assert asked.status_code == 202
    stopped = analyst.post(f"{at}stop/", format="json")
    assert stopped.json()["id"] == asked.json()["id"]
    jobs.run(asked.json()["id"])
    job = analyst.get(asked["Location"]).json()
    assert job["state"] == "done"
    proposal = f"/api/v1/proposals/{job['proposal']}/"
    result = analyst.get(proposal).json()["result"]
    assert [day["on"] for day in result["days"] if day["stops"]] == [until]
    visit = analyst.post(
        f"{proposal}visits/", {"day": until, "operator": str(cast.operator.pk)}, format="json"
    )
    assert visit.status_code == 201, visit.content
    assert visit.json()["starts_on"] == until
    settled = owner.get(f"/api/v1/wishes/{wish.json()['id']}/").json()
    assert settled["settled_on"] == TODAY.isoformat()
