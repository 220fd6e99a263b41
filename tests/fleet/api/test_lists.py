"""Lists: filters, order, pages, and as many queries for one row as for three."""

from __future__ import annotations

import datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet import tenancy
from fleet.models import Approval
from fleet.queries.standing import standings
from fleet.services import aircraft as aircraft_services
from fleet.services import approvals, people, visits
from fleet.services import cards as card_services
from fleet.services import passes as pass_services
from tests.cast import (
    Cast,
    card_file,
    make_aircraft,
    make_approval,
    make_setup,
    make_visit,
    nozzles,
)
from tests.fleet.api.client import signed_in
from tests.fleet.api.world import make_world

pytestmark = pytest.mark.django_db

LISTS = [
    "operators",
    "people",
    "aircraft",
    "setups",
    "standings",
    "visits",
    "tests",
    "passes",
    "card-scans",
    "card-measurements",
    "analyses",
    "approvals",
    "papers",
    "jobs",
    "audit",
]


def keys(client, address: str, **query) -> list[str]:
    answer = client.get(f"/api/v1/{address}/", query)
    assert answer.status_code == 200, answer.content
    return [one["id"] for one in answer.json()["results"]]


def key(*rows) -> list[str]:
    return [str(row.pk) for row in rows]


# --- queries


def counted(client, name: str) -> tuple[int, int]:
    """Rows and queries of a list."""
    with CaptureQueriesContext(
        connection,
    ) as caught:
        answer = client.get(f"/api/v1/{name}/")
    assert answer.status_code == 200
    return answer.json()["count"], len(caught)


def test_lists_same_queries_for_1_and_3(cast: Cast, monkeypatch):
    staff, owner = signed_in(cast.staff), signed_in(cast.owner)
    # For an operator's people there is one operator, and no audit.
    lists = [(staff, name) for name in LISTS]
    lists += [(owner, name) for name in LISTS if name not in ("operators", "audit")]
    seen: dict[tuple[int, str], list[tuple[int, int]]] = {}
    for number in (1, 2, 3):
        make_world(cast, monkeypatch, number=number)
        with tenancy.everyone():
            added = people.add_operator(by=None, name=f"Field {number}", base="Field")
            for operator in (added, cast.operator):
                people.add_person(
                    by=None,
                    email=f"{number}@{operator.pk}.example",
                    name=f"Person {number}",
                    role="pilot",
                    operator=operator,
                )
        for client, name in lists:
            seen.setdefault((id(client), name), []).append(counted(client, name))
    for (_, name), counts in seen.items():
        rows, queries = zip(*counts, strict=True)
        assert rows[0] < rows[2], name
        assert queries[0] == queries[2], (name, counts)
        assert queries[2] <= 6, (name, counts)


def test_lists_leave_documents_where_they_are(cast: Cast, monkeypatch):
    make_world(cast, monkeypatch)
    client = signed_in(cast.analyst)
    for name in ("analyses", "approvals", "papers", "jobs", "card-scans", "card-measurements"):
        with CaptureQueriesContext(connection) as caught:
            client.get(f"/api/v1/{name}/")
        said = " ".join(query["sql"] for query in caught)
        assert '"document"' not in said, name


# --- pages


def test_pages_in_order(cast: Cast):
    with tenancy.everyone():
        rows = [make_aircraft(cast, number=number) for number in (1, 2, 3)]
    client = signed_in(cast.owner)
    first = client.get("/api/v1/aircraft/", {"limit": 2}).json()
    assert first["count"] == 3
    assert [one["id"] for one in first["results"]] == key(*rows[:2])
    assert first["previous"] is None
    second = client.get(first["next"]).json()
    assert [one["id"] for one in second["results"]] == key(rows[2])
    assert second["next"] is None
    assert client.get("/api/v1/aircraft/", {"offset": 99}).json()["results"] == []


@pytest.mark.parametrize("name", ["aircraft", "standings"])
@pytest.mark.parametrize(
    ("query", "says"),
    [
        ({"limit": "0"}, "Must be a whole number from 1 to 200."),
        ({"limit": "201"}, "Must be a whole number from 1 to 200."),
        ({"limit": "-1"}, "Must be a whole number from 1 to 200."),
        ({"limit": "ten"}, "Must be a whole number from 1 to 200."),
        ({"limit": "²"}, "Must be a whole number from 1 to 200."),
        ({"limit": ""}, "Must be a whole number from 1 to 200."),
        ({"limit": "9" * 5000}, "Must be a whole number from 1 to 200."),
        ({"offset": "-1"}, "Must be a whole number from 0 to 2147483648."),
        ({"offset": "null"}, "Must be a whole number from 0 to 2147483648."),
    ],
)
def test_page_out_of_bounds_is_a_problem(cast: Cast, name: str, query: dict, says: str):
    answer = signed_in(cast.owner).get(f"/api/v1/{name}/", query)
    assert answer.status_code == 400
    assert answer.json()["errors"] == {next(iter(query)): [says]}


@pytest.mark.parametrize("limit", ["1", "200"])
def test_bounds_themselves_are_in(cast: Cast, limit: str):
    assert signed_in(cast.owner).get("/api/v1/aircraft/", {"limit": limit}).status_code == 200


# --- filters that are none


@pytest.mark.parametrize("name", LISTS)
def test_unknown_filter_is_named(cast: Cast, name: str):
    answer = signed_in(cast.staff).get(f"/api/v1/{name}/", {"colour": "red"})
    assert answer.status_code == 400
    assert list(answer.json()["errors"]) == ["colour"]


@pytest.mark.parametrize(
    ("name", "query"),
    [
        ("aircraft", {"operator": "7"}),
        ("aircraft", {"kind": "balloon"}),
        ("aircraft", {"in_service": "perhaps"}),
        ("aircraft", {"order": "colour"}),
        ("tests", {"flown_from": "04/14/2026"}),
        ("tests", {"flown_to": "2026-02-30"}),
        ("approvals", {"in_force": "1"}),
        ("approvals", {"state": "gone"}),
        ("jobs", {"state": "asleep"}),
        ("jobs", {"kind": "dance"}),
        ("audit", {"since": "yesterday"}),
        ("standings", {"state": "fine"}),
        ("standings", {"due_before": "soon"}),
        ("standings", {"operator": "7"}),
        ("people", {"name\x00": "x"}),
        ("operators", {"name": "a\x00b"}),
    ],
)
def test_value_that_cannot_be_is_named(cast: Cast, name: str, query: dict):
    answer = signed_in(cast.staff).get(f"/api/v1/{name}/", query)
    assert answer.status_code == 400
    assert list(answer.json()["errors"]) == list(query)


# --- filters


def test_operators_and_people(cast: Cast):
    client = signed_in(cast.staff)
    assert keys(client, "operators", name="REDGR") == key(cast.operator)
    assert keys(client, "operators", left="true") == []
    with tenancy.everyone():
        people.change_operator(
            cast.other_operator, by=cast.staff, left_on=datetime.date(2026, 1, 2)
        )
    assert keys(client, "operators", left="true") == key(cast.other_operator)
    assert keys(client, "operators", left="false") == key(cast.operator)
    assert keys(client, "operators", order="-name") == key(cast.operator, cast.other_operator)
    assert keys(client, "people", operator=cast.operator.pk) == key(cast.owner, cast.pilot)
    assert keys(client, "people", role="analyst") == key(cast.analyst)
    assert keys(client, "people", is_active="false") == []


def test_aircraft_and_setups(cast: Cast):
    with tenancy.everyone():
        ours, retired = make_aircraft(cast), make_aircraft(cast, number=2)
        theirs = make_aircraft(cast, cast.other_operator)
        aircraft_services.change_aircraft(
            retired, by=cast.staff, retired_on=timezone.localdate(), kind="helicopter"
        )
        first = make_setup(cast, ours)
        second = make_setup(cast, ours, pressure_kpa=300.0)
        edges = make_setup(cast, ours, purpose="Edges", manner="one_way")
    client = signed_in(cast.staff)
    assert keys(client, "aircraft", registration="xx-r01") == key(ours)
    assert keys(client, "aircraft", operator=cast.other_operator.pk) == key(theirs)
    assert keys(client, "aircraft", kind="helicopter") == key(retired)
    assert keys(client, "aircraft", in_service="false") == key(retired)
    assert keys(client, "aircraft", in_service="true") == key(theirs, ours)
    assert keys(client, "aircraft", order="-registration") == key(retired, ours, theirs)
    assert keys(client, "setups", aircraft=theirs.pk) == []
    assert keys(client, "setups", aircraft=ours.pk, purpose="main") == key(second, first)
    assert keys(client, "setups", manner="one_way") == key(edges)
    assert keys(client, "setups", order="created_at") == key(first, second, edges)


def test_visits(cast: Cast):
    with tenancy.everyone():
        early = make_visit(cast, datetime.date(2026, 3, 1))
        late = make_visit(cast, datetime.date(2026, 5, 1))
        private = visits.plan_visit(
            by=cast.staff,
            kind="private",
            place="Tamber Flat",
            starts_on=datetime.date(2026, 4, 1),
            ends_on=datetime.date(2026, 4, 3),
            analyst=cast.analyst,
            host=cast.operator,
        )
    client = signed_in(cast.staff)
    assert keys(client, "visits", kind="private") == key(private)
    assert keys(client, "visits", host=cast.operator.pk) == key(private)
    assert keys(client, "visits", from_day="2026-04-03") == key(late, private)
    assert keys(client, "visits", to_day="2026-04-01") == key(private, early)
    assert keys(client, "visits", from_day="2026-04-02", to_day="2026-04-02") == key(private)
    assert keys(client, "visits", analyst=cast.staff.pk) == []
    assert keys(client, "visits", order="starts_on") == key(early, private, late)


def test_tests_passes_and_what_follows(cast: Cast, monkeypatch):
    ours = make_world(cast, monkeypatch)
    theirs = make_world(cast, monkeypatch, cast.other_operator, number=2)
    with tenancy.everyone():
        aborted = pass_services.add_aborted_pass(ours.test, by=cast.analyst, reason="Bird")
        pass_services.overrule(
            ours.flight_pass, by=cast.analyst, overrule="leave_out", reason="Gust"
        )
    client = signed_in(cast.analyst)
    for field, row in (
        ("operator", ours.operator),
        ("aircraft", ours.aircraft),
        ("setup", ours.setup),
        ("visit", ours.visit),
    ):
        assert keys(client, "tests", **{field: row.pk}) == key(ours.test), field
    assert keys(client, "tests", flown_from="2026-04-15") == key(theirs.test)
    assert keys(client, "tests", flown_to="2026-04-14") == key(ours.test)
    assert keys(client, "tests", order="flown_on") == key(ours.test, theirs.test)
    assert keys(client, "passes", test=ours.test.pk, aborted="true") == key(aborted)
    assert keys(client, "passes", overrule="leave_out") == key(ours.flight_pass)
    for field, row in (
        ("operator", ours.operator),
        ("aircraft", ours.aircraft),
        ("setup", ours.setup),
        ("test", ours.test),
    ):
        assert keys(client, "analyses", **{field: row.pk}) == key(ours.analysis), field
    assert keys(client, "papers", analysis=theirs.analysis.pk) == key(theirs.paper)
    assert keys(client, "papers", approval=ours.approval.pk) == key(ours.paper)
    assert keys(client, "jobs", kind="paper", operator=ours.operator.pk) == key(ours.job)
    assert keys(client, "jobs", state="done", subject_id=ours.test.pk) == key(ours.analysis.job)
    assert set(keys(client, "jobs", has_ended="false")) == set(key(ours.job, theirs.job))
    assert set(keys(client, "jobs", kind="cards")) == set(
        key(ours.card_run.job, theirs.card_run.job)
    )
    assert len(keys(client, "jobs", has_ended="true")) == 4  # cards and analysis of each


def test_card_scans_and_measurements(cast: Cast, monkeypatch):
    ours = make_world(cast, monkeypatch)
    theirs = make_world(cast, monkeypatch, cast.other_operator, number=2)
    with tenancy.everyone():
        [waiting] = card_services.add_scans(
            ours.test,
            by=cast.analyst,
            files=[("later.png", card_file(5))],
            flight_pass=ours.flight_pass,
        )
    client = signed_in(cast.analyst)
    for field, row in (
        ("operator", ours.operator),
        ("aircraft", ours.aircraft),
        ("setup", ours.setup),
        ("test", ours.test),
    ):
        assert keys(client, "card-scans", **{field: row.pk}) == key(ours.card_scan, waiting.scan)
        assert keys(client, "card-measurements", **{field: row.pk}) == key(ours.card_run), field
    assert keys(client, "card-scans", flight_pass=ours.flight_pass.pk) == key(waiting.scan)
    assert keys(client, "card-scans", measured="false") == key(waiting.scan)
    assert set(keys(client, "card-scans", measured="true")) == set(
        key(ours.card_scan, theirs.card_scan)
    )
    assert keys(client, "card-scans", test=ours.test.pk, order="-number") == key(
        waiting.scan, ours.card_scan
    )
    assert keys(client, "card-measurements", scan=theirs.card_scan.pk) == key(theirs.card_run)
    assert keys(client, "card-measurements", method_version="cards-0") == []
    assert keys(client, "card-measurements", order="-created_at") == key(
        theirs.card_run, ours.card_run
    )


def test_approvals_by_what_became_of_them(cast: Cast, monkeypatch):
    today = timezone.localdate()
    worlds = [make_world(cast, monkeypatch, number=number) for number in range(1, 6)]
    stands, replaced, withdrawn, changed, retired = worlds
    with tenancy.everyone():
        newer = make_approval(cast, replaced.analysis, valid_until=today)
        approvals.withdraw(withdrawn.approval, by=cast.analyst, reason="Boom was bent.")
        make_setup(cast, changed.aircraft, pressure_kpa=300.0)
        aircraft_services.change_aircraft(retired.aircraft, by=cast.staff, retired_on=today)
        everything = {
            "in_force": {stands.approval, newer},
            "superseded": {replaced.approval},
            "withdrawn": {withdrawn.approval},
            "changed": {changed.approval},
            "retired": {retired.approval},
            "expired": set(),
        }
    client = signed_in(cast.owner)
    for state, rows in everything.items():
        assert set(keys(client, "approvals", state=state)) == set(key(*rows)), state
    assert set(keys(client, "approvals", in_force="true")) == set(key(stands.approval, newer))
    assert len(keys(client, "approvals", in_force="false")) == 4
    assert keys(client, "approvals", valid_before=str(today + datetime.timedelta(days=1))) == key(
        newer
    )
    with tenancy.everyone():
        in_force = {s.approval.pk for s in standings(cast.owner) if s.in_force}
    assert in_force == {stands.approval.pk, newer.pk}  # the one place that decides agrees

    # The day after the last one, on the calendar of the service.
    monkeypatch.setattr(timezone, "localdate", lambda *a: today + datetime.timedelta(days=1))
    assert keys(client, "approvals", state="expired") == key(newer)
    with tenancy.everyone():
        assert Approval.objects.count() == 6


def test_standings(cast: Cast, monkeypatch):
    world = make_world(cast, monkeypatch)
    with tenancy.everyone():
        untested = make_aircraft(cast, number=2)
        make_setup(cast, untested)
        bare = make_aircraft(cast, number=3)
        make_setup(cast, make_aircraft(cast, cast.other_operator))
    client = signed_in(cast.staff)

    def found(**query) -> list[tuple[str, str]]:
        answer = client.get("/api/v1/standings/", query)
        assert answer.status_code == 200, answer.content
        return [(one["registration"], one["state"]) for one in answer.json()["results"]]

    mine = {"operator": str(cast.operator.pk)}
    assert found(**mine) == [("XX-R02", "untested"), ("XX-R01", "approved"), ("XX-R03", "no_setup")]
    assert found(aircraft=str(bare.pk)) == [("XX-R03", "no_setup")]
    assert found(**mine, state=["approved", "no_setup"]) == [
        ("XX-R01", "approved"),
        ("XX-R03", "no_setup"),
    ]
    tomorrow = timezone.localdate() + datetime.timedelta(days=1)
    assert found(**mine, due_before=str(tomorrow)) == [("XX-R02", "untested")]
    assert found(**mine, due_before=str(timezone.localdate())) == []
    assert found(**mine, limit=1, offset=1) == [("XX-R01", "approved")]
    one = client.get("/api/v1/standings/", {"aircraft": str(world.aircraft.pk)}).json()["results"]
    assert one[0]["approval"] == str(world.approval.pk)
    assert one[0]["swath_m"] == world.approval.swath_m
    with tenancy.everyone():
        approvals.withdraw(world.approval, by=cast.analyst, reason="Boom was bent.")
    one = client.get("/api/v1/standings/", {"aircraft": str(world.aircraft.pk)}).json()["results"]
    assert (one[0]["state"], one[0]["swath_m"], one[0]["manner"]) == ("withdrawn", None, None)


def test_audit(cast: Cast):
    before = timezone.now()
    with tenancy.everyone():
        plane = make_aircraft(cast)
        make_setup(cast, plane, nozzles=nozzles(2))
    client = signed_in(cast.staff)

    def deeds(**query) -> list[str]:
        answer = client.get("/api/v1/audit/", query)
        assert answer.status_code == 200, answer.content
        return [one["deed"] for one in answer.json()["results"]]

    assert deeds(since=before.isoformat()) == ["setup_recorded", "aircraft_added"]
    assert deeds(subject_id=str(plane.pk)) == ["aircraft_added"]
    assert deeds(deed="setup_recorded", operator=str(cast.operator.pk)) == ["setup_recorded"]
    assert deeds(subject_kind="aircraft") == ["aircraft_added"]
    assert deeds(person=str(cast.staff.pk), order="created_at") == [
        "aircraft_added",
        "setup_recorded",
    ]
    assert "setup_recorded" not in deeds(until=before.isoformat())
