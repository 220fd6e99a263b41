"""Webhooks on pages: the secret once, the log, whose they are; and what the day's work tells."""

from __future__ import annotations

import datetime
import json
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet import jobs, tenancy
from fleet.models import HookCall, Webhook
from fleet.queries.reminder_log import key_of_day
from fleet.queries.reminders import duties_of_all
from fleet.services import hooks, reminders
from fleet.services import requirements as rules_of
from fleet.services.telling import tell_due_soon
from tests.cast import Cast, make_aircraft

pytestmark = pytest.mark.django_db
ADDRESS = "https://hooks.redgrass.example/in"


def as_(person: Any) -> Client:
    client = Client()
    client.force_login(person)
    return client


def hook_of(cast: Cast, *events: str, by: Any = None) -> Webhook:
    by = by or cast.owner
    with tenancy.everyone():
        return hooks.add_webhook(by=by, operator=by.operator, address=ADDRESS, events=events)


def call(hook: Webhook, reason: str, **values: Any) -> HookCall:
    return HookCall.objects.create(
        webhook=hook,
        operator=hook.operator,
        event="paper.issued",
        reason=reason,
        payload="{}",
        **values,
    )


def test_the_secret_is_shown_once(cast: Cast):
    client = as_(cast.owner)
    made = client.post("/webhooks/new/", {"address": ADDRESS, "events": ["paper.issued"]})
    with tenancy.everyone():
        hook = Webhook.objects.get()
    assert (hook.operator, hook.made_by) == (cast.operator, cast.owner)
    assert hook.secret in made.content.decode()
    assert "no-store" in made["Cache-Control"]
    for later in ("/webhooks/", f"/webhooks/{hook.pk}/"):
        page = client.get(later).content.decode()
        assert ADDRESS in page
        assert hook.secret not in page
    assert hook.secret not in as_(cast.staff).get("/trail/").content.decode()


def test_what_is_wrong_is_said_where_it_is(cast: Cast):
    page = as_(cast.owner).post("/webhooks/new/", {"address": "https://127.0.0.1/", "events": []})
    assert page.context["form"].errors["events"] == ["This field is required."]
    page = as_(cast.owner).post(
        "/webhooks/new/", {"address": "https://127.0.0.1/", "events": ["paper.issued"]}
    )
    assert page.context["form"].errors["address"] == ["Must be an address on the public network."]


def test_staff_add_one_of_the_association(cast: Cast):
    as_(cast.staff).post("/webhooks/new/", {"address": ADDRESS, "events": ["paper.issued"]})
    with tenancy.everyone():
        assert Webhook.objects.get().operator is None
    assert ADDRESS not in as_(cast.owner).get("/webhooks/").content.decode()


def test_the_log_tells_state_answer_and_next_attempt(cast: Cast):
    hook = hook_of(cast, "paper.issued")
    now = timezone.now()
    with tenancy.everyone():
        call(hook, "a", taken_at=now, attempts=1, status=204)
        call(hook, "b", given_up_at=now, attempts=7, status=503, trouble="It answered 503 Busy.")
        waits = call(hook, "c", next_at=now + datetime.timedelta(hours=8), attempts=5, status=500)
        call(hook, "d", next_at=now)
    page = as_(cast.owner).get(f"/webhooks/{hook.pk}/").content.decode()
    for words in ("Taken", "Given up", "Tried again", "Waits", "It answered 503 Busy.", "204"):
        assert words in page
    assert f"next at {timezone.localtime(waits.next_at):%-d %b, %H:%M}" in page
    listed = as_(cast.owner).get("/webhooks/").content.decode()
    assert listed.count('class="state ') == 3  # the last three
    stopped = as_(cast.owner).post(f"/webhooks/{hook.pk}/stop/", follow=True).content.decode()
    assert "told nothing more" in stopped
    assert "Stopped" in stopped


def test_the_list_asks_no_query_for_each(cast: Cast):
    counts = []
    for number in range(3):
        with tenancy.everyone():
            call(hook_of(cast, "paper.issued"), str(number))
        client = as_(cast.owner)
        with CaptureQueriesContext(connection) as asked:
            client.get("/webhooks/")
        counts.append(len(asked))
    assert counts[1] == counts[2]


# --- Due soon -------------------------------------------------------------------------------------


def test_due_soon_is_told_once_by_the_days_work(cast: Cast):
    ours = hook_of(cast, "aircraft.due_soon")
    association = hook_of(cast, "aircraft.due_soon", by=cast.staff)
    other = hook_of(cast, "paper.issued")
    with tenancy.everyone():
        today = rules_of.today_in(cast.state)
        due_on = today.replace(month=12, day=31)
        rules_of.add_requirement(
            by=cast.staff,
            jurisdiction=cast.state,
            name="Pattern test",
            effective_from=today,
            source="Invented for tests.",
            rhythm="season",
            season_first="01-01",
            season_last="12-31",
        )
        aircraft = make_aircraft(cast)
        make_aircraft(cast, cast.other_operator)
        day = timezone.localdate()
        reminders.send_digests(day)
        jobs.run(key_of_day(day))
        told = HookCall.objects.filter(event="aircraft.due_soon")
        assert {(one.webhook_id, one.operator_id) for one in told} == {
            (ours.pk, cast.operator.pk),
            (association.pk, None),
        }
        assert told.filter(webhook=association).count() == 2
        assert not HookCall.objects.filter(webhook=other).exists()
        said = json.loads(told.get(webhook=ours).payload)
        assert said["type"] == "aircraft.due_soon"
        assert said["data"]["aircraft"] == aircraft.registration
        assert said["data"]["due_on"] == due_on.isoformat()
        assert said["data"]["requirement"] == "Pattern test"
        # The day after nothing is new, until somebody else wants to be told.
        assert tell_due_soon(duties_of_all(day)) == 0
        with CaptureQueriesContext(connection) as asked:
            tell_due_soon(duties_of_all(day))
        make_aircraft(cast, number=2)
        assert tell_due_soon(duties_of_all(day)) == 1
        with CaptureQueriesContext(connection) as asked_of_more:
            tell_due_soon(duties_of_all(day))
        assert len(asked) == len(asked_of_more)
        assert told.all().count() == 5


def test_nobody_listening_costs_nothing(cast: Cast):
    with tenancy.everyone():
        hook = hook_of(cast, "aircraft.due_soon")
        hooks.stop_webhook(hook, by=cast.owner)
        assert hooks.listening("aircraft.due_soon") == []
