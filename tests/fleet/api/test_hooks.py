"""Webhooks and calendar addresses over the API."""

from __future__ import annotations

import django.test
import pytest

from fleet import tenancy
from fleet.models import Webhook
from tests.cast import Cast, make_approval
from tests.fleet.api.client import signed_in

pytestmark = pytest.mark.django_db
ADDRESS = "https://hooks.redgrass.example/in"
HOOKS, CALLS, CALENDAR = "/api/v1/webhooks/", "/api/v1/webhook-calls/", "/api/v1/me/calendar/"


def test_added_told_stopped(cast: Cast):
    owner = signed_in(cast.owner)
    made = owner.post(HOOKS, {"address": ADDRESS, "events": ["approval.granted"]})
    assert made.status_code == 201
    with tenancy.everyone():
        hook = Webhook.objects.get()
        approval = make_approval(cast)
    assert (made.json()["secret"], made.json()["operator"]) == (hook.secret, str(cast.operator.pk))
    assert "secret" not in owner.get(made["Location"]).json()
    [call] = owner.get(CALLS, {"webhook": str(hook.pk), "taken": "false"}).json()["results"]
    assert str(approval.pk) in call["payload"]
    assert (call["attempts"], call["event"]) == (0, "approval.granted")
    stopped = owner.post(f"{HOOKS}{hook.pk}/stop/").json()
    assert stopped["stopped_at"]
    assert owner.get(CALLS, {"given_up": "true"}).json()["count"] == 1
    assert owner.get(HOOKS, {"stopped": "false"}).json()["count"] == 0
    assert signed_in(cast.outsider).get(CALLS).json()["count"] == 0
    assert signed_in(cast.staff).get(HOOKS).json()["count"] == 1


def test_whose_they_may_be(cast: Cast):
    owner, staff = signed_in(cast.owner), signed_in(cast.staff)
    theirs = {"operator": str(cast.other_operator.pk), "address": ADDRESS}
    refused = owner.post(HOOKS, {**theirs, "events": ["paper.issued"]})
    assert "not yours" in refused.json()["errors"]["operator"][0]
    mine = staff.post(HOOKS, {"address": ADDRESS, "events": ["paper.issued"]})
    assert mine.json()["operator"] is None
    given = staff.post(HOOKS, {**theirs, "events": ["paper.issued"]})
    assert given.json()["operator"] == str(cast.other_operator.pk)
    inward = staff.post(HOOKS, {"address": "https://10.0.0.1/", "events": ["paper.issued"]})
    assert "public network" in inward.json()["errors"]["address"][0]


def test_ones_calendar(cast: Cast):
    pilot, pages = signed_in(cast.pilot), django.test.Client()
    assert pilot.get(CALENDAR).json() == {"renewed_at": None}
    made = pilot.post(CALENDAR)
    assert made["Cache-Control"] == "no-store"
    address = "/" + made.json()["address"].split("/", 3)[3]
    assert pages.get(address).status_code == 200
    assert pilot.get(CALENDAR).json()["renewed_at"]
    assert pilot.post(f"{CALENDAR}removal/").status_code == 204
    assert pages.get(address).status_code == 404
