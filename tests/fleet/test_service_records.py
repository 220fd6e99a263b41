"""Records of service: the lists against the regulations named beside each check, and the road."""

from __future__ import annotations

import copy
import csv
import datetime
import io
import json
from importlib.resources import files
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given
from hypothesis import settings as trials
from hypothesis import strategies as st

from fleet import record_lists, tenancy
from fleet.models import Aircraft, AuditRow, Season, ServiceRecord
from fleet.models.base import SealedError
from fleet.queries.retention import kept_bytes
from fleet.queries.service_records import (
    holding,
    in_season,
    keep_until,
    last_values,
    service_records_of,
    standing,
    suggestions,
)
from fleet.record_checks import checked_values
from fleet.record_lists import RecordListError, book, wanted
from fleet.services import requirements, service_records
from tests.cast import Cast, make_aircraft
from tests.fleet.api.client import signed_in
from tests.fleet.api.test_odd_values import ODD

FAA, EPA = "14-cfr-137.71", "40-cfr-171.303"
BOTH = (FAA, EPA)
TODAY = datetime.date(2026, 5, 10)
DATA = json.loads((files("fleet") / "data/service_records.json").read_text("utf-8"))
db = pytest.mark.django_db


def full() -> dict[str, Any]:
    """A record that has everything that both lists ask for. All of it is invented."""
    return {
        "served_on": "2026-05-04",
        "served_at": "06:40",
        "customer_name": "Wren Hollow Farm",
        "customer_address": "Road 9, Tamber Flat",
        "location": "North quarter, section 12",
        "area": {"number": 80, "unit": "acre"},
        "site": "Winter wheat",
        "materials": [
            {
                "name": "Invented 4 EC",
                "epa_number": "00000-1",
                "amount": {"number": 12.5, "unit": "gal"},
            }
        ],
        "pilots": [
            {
                "name": "Pim Pilot",
                "address": "Hangar 2, Tamber Flat",
                "certificate": "0000000",
                "met_on": "2019-03-01",
            }
        ],
        "applicator_name": "Orla Owner",
        "applicator_number": "C-000",
    }


# --- the lists ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "asked", "months"),
    [
        # 14 CFR 137.71(a)(1) to (4), (b): each person served, the date, name and quantity of the
        # material, each pilot with address, certificate and the date of 137.19(e); 12 months.
        (
            FAA,
            {
                "served_on": "(a)(2)",
                "customer_name": "(a)(1)",
                "customer_address": "(a)(1)",
                "materials.name": "(a)(3)",
                "materials.amount": "(a)(3)",
                "pilots.name": "(a)(4)",
                "pilots.address": "(a)(4)",
                "pilots.certificate": "(a)(4)",
                "pilots.met_on": "(a)(4)",
            },
            12,
        ),
        # 40 CFR 171.303(b)(7): customer, location, size, crop or site, date and time, product, EPA
        # number, amount, certified applicator with number; two years at least.
        (
            EPA,
            dict.fromkeys(
                [
                    "served_on",
                    "served_at",
                    "customer_name",
                    "customer_address",
                    "location",
                    "area",
                    "site",
                    "materials.name",
                    "materials.epa_number",
                    "materials.amount",
                    "applicator_name",
                    "applicator_number",
                ],
                "(b)(7)",
            ),
            24,
        ),
    ],
)
def test_a_list_asks_for_what_the_regulation_names(key: str, asked: dict[str, str], months: int):
    found = book().lists[key]
    law = key.replace("-cfr-", " CFR ")
    assert {a.element.name: a.source for a in found.asks if a.required} == {
        name: f"{law}{paragraph}" for name, paragraph in asked.items()
    }
    assert found.kept_months == months


def test_who_worked_under_supervision_is_asked_for_if_there_was_anybody():
    # 40 CFR 171.303(b)(7): any non-certified applicator under supervision, if applicable.
    assert [a.element.name for a in book().lists[EPA].asks if not a.required] == ["supervised.name"]


def test_no_list_cites_a_law_that_is_no_longer_one():
    # 7 CFR Part 110 was rescinded in full, effective 11 July 2025.
    assert "7 CFR 110" not in json.dumps(DATA["lists"])
    assert "7 CFR Part 110 was rescinded" in DATA["note"]


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda d: d["elements"].append(d["elements"][0]), "served_on stands twice"),
        (lambda d: d["elements"][0].update(kind="colour"), "the kind is one of"),
        (lambda d: d["elements"][0].update(not_after="area"), "not_after names no date"),
        (lambda d: d["elements"][5].pop("units"), "numbers have units"),
        (lambda d: d["elements"][2].update(units=["ft"]), "numbers have units"),
        (lambda d: d["elements"][2].update(part="nowhere"), "no such part"),
        (lambda d: d["lists"].append(d["lists"][0]), "stands twice among the lists"),
        (lambda d: d["lists"][0]["asks"][0].update(element="hue"), "no element hue"),
        (lambda d: d["lists"][0]["asks"][0].update(source=""), "has no source"),
        (lambda d: d["lists"][0]["asks"].pop(2), "without its day"),
    ],
)
def test_data_that_contradicts_itself_is_refused(spoil: Any, says: str):
    data = copy.deepcopy(DATA)
    spoil(data)
    with pytest.raises(RecordListError, match=says):
        record_lists.read(data)


# --- what a record says ---------------------------------------------------------------------------


def without(values: dict[str, Any], name: str) -> dict[str, Any]:
    """The same record without one element."""
    part, _, key = name.rpartition(".")
    left = copy.deepcopy(values)
    del (left[part][0] if part else left)[key]
    return left


REQUIRED = [
    (lists, ask.element.name)
    for lists in ((FAA,), (EPA,), BOTH)
    for name in lists
    for ask in book().lists[name].asks
    if ask.required
]


def test_a_whole_record_is_taken_as_it_was_written():
    for lists in ((FAA,), (EPA,), BOTH):
        kept, errors = checked_values(full(), wanted(BOTH, lists), TODAY)
        assert not errors
        assert kept == full()


@pytest.mark.parametrize(("lists", "name"), dict.fromkeys(REQUIRED))
def test_each_element_that_is_missing_is_named_with_its_paragraph(
    lists: tuple[str, ...], name: str
):
    element = book().elements[name]
    wants = wanted(BOTH, lists)
    sources = [
        ask.source for key in lists for ask in book().lists[key].asks if ask.element.name == name
    ]
    _, errors = checked_values(without(full(), name), wants, TODAY)
    assert list(errors) == [element.path(0)]
    [words] = errors[element.path(0)]
    assert f"{element.label} is missing" in words
    assert all(source in words for source in sources)


def test_a_part_without_rows_says_what_is_missing():
    _, errors = checked_values({**full(), "pilots": [{}]}, wanted(BOTH, BOTH), TODAY)
    assert set(errors) == {f"pilots.0.{key}" for key in full()["pilots"][0]}
    assert errors["pilots.0.name"] == [
        "Pilot 1: Name of the pilot is missing (14 CFR 137.71(a)(4))."
    ]


def test_what_only_the_other_law_asks_for_may_be_left_out():
    values = full()
    for key in ("served_at", "location", "area", "site", "applicator_name", "applicator_number"):
        del values[key]
    del values["materials"][0]["epa_number"]
    assert not checked_values(values, wanted(BOTH, [FAA]), TODAY)[1]
    assert len(checked_values(values, wanted(BOTH, BOTH), TODAY)[1]) == 7


@pytest.mark.parametrize(
    ("change", "path", "says"),
    [
        ({"served_on": "2026-05-11"}, "served_on", "after today (10 May 2026)"),
        ({"served_on": "4 May"}, "served_on", "year-month-day"),
        ({"served_at": "26:00"}, "served_at", "hours and minutes"),
        ({"area": {"number": 0, "unit": "acre"}}, "area", "over 0"),
        ({"area": {"number": float("nan"), "unit": "acre"}}, "area", "over 0"),
        ({"area": {"number": 3, "unit": "mile"}}, "area", "one of acre, ha"),
        ({"area": 80}, "area", "its number and its unit"),
        ({"site": "x" * 301}, "site", "300 characters"),
        ({"site": "a\x00b"}, "site", "cannot be printed"),
        ({"colour": "red"}, "colour", "No list asks for it"),
        ({"materials": "Water"}, "materials", "give a list"),
        ({"materials": [{"name": "x"}] * 13}, "materials", "12 at most"),
    ],
)
def test_what_is_wrong_is_said_where_it_stands(change: dict[str, Any], path: str, says: str):
    _, errors = checked_values({**full(), **change}, wanted(BOTH, BOTH), TODAY)
    assert says in " ".join(errors.pop(path))
    assert not errors


def test_a_pilot_met_the_requirements_before_the_service():
    values = full()
    values["pilots"][0]["met_on"] = "2026-05-05"
    _, errors = checked_values(values, wanted(BOTH, BOTH), TODAY)
    assert "lies after the date of service (4 May 2026)" in errors["pilots.0.met_on"][0]


@trials(deadline=None, max_examples=20, suppress_health_check=[HealthCheck.too_slow])
@given(values=st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(
        st.sampled_from(["served_on", "area", "materials", "name", "amount", "unit", "number"]),
        inner, max_size=4,
    ),
    max_leaves=12,
))  # fmt: skip
def test_whatever_is_sent_gets_an_answer(values: Any):
    kept, errors = checked_values(values, wanted(BOTH, BOTH), TODAY)
    assert errors
    json.dumps(kept, allow_nan=False)


# --- the services ---------------------------------------------------------------------------------


@pytest.fixture
def asking(cast: Cast) -> Aircraft:
    """An aircraft at home where both lists are asked for."""
    with tenancy.everyone():
        requirements.change_jurisdiction(cast.state, by=cast.staff, record_lists=list(BOTH))
        return make_aircraft(cast)


def recorded(cast: Cast, aircraft: Aircraft | None, **more: Any) -> ServiceRecord:
    usual = {"by": cast.pilot, "jurisdiction": cast.state, "aircraft": aircraft, "values": full()}
    return service_records.record_service(**{**usual, **more})


@db
def test_a_record_keeps_what_was_written(cast: Cast, asking: Aircraft, everyone: None):
    one = recorded(cast, asking)
    one.refresh_from_db()
    assert (one.values, one.lists) == (full(), list(BOTH))
    assert one.served_on == datetime.date(2026, 5, 4)
    assert (one.operator, one.recorded_by) == (cast.operator, cast.pilot)
    row = AuditRow.objects.get(deed="service_recorded")
    assert row.subject_id == one.pk
    assert "Wren Hollow" not in json.dumps(row.after)  # the customer stands in the record alone


@db
def test_nothing_is_asked_for_where_nobody_asks(cast: Cast, everyone: None):
    with pytest.raises(ValidationError, match="asks for no records of service"):
        recorded(cast, make_aircraft(cast))


@db
def test_lists_without_a_condition_are_always_followed(
    cast: Cast, asking: Aircraft, everyone: None
):
    with pytest.raises(ValidationError, match=r"137\.71 asks for every application"):
        recorded(cast, asking, lists=[EPA])
    with pytest.raises(ValidationError, match="not asked for there"):
        recorded(cast, asking, lists=[FAA, "7-cfr-110"])
    assert recorded(cast, asking, lists=[FAA]).lists == [FAA]


@db
def test_a_place_that_does_not_bind_is_refused(cast: Cast, asking: Aircraft, everyone: None):
    place = requirements.add_jurisdiction(by=cast.staff, name="Elsewhere", record_lists=list(BOTH))
    today = {**full(), "served_on": str(timezone.localdate())}
    with pytest.raises(ValidationError, match="did not work under Elsewhere"):
        recorded(cast, asking, jurisdiction=place, values=today)
    requirements.put_under(
        by=cast.staff, aircraft=asking, jurisdiction=place, from_on=timezone.localdate()
    )
    assert recorded(cast, asking, jurisdiction=place, values=today).jurisdiction == place
    with pytest.raises(ValidationError, match="Name the aircraft that worked there"):
        recorded(cast, None, jurisdiction=place, values=today)


@db
def test_sent_twice_recorded_once(cast: Cast, asking: Aircraft, everyone: None):
    mark = asking.pk  # any key
    assert recorded(cast, asking, mark=mark) == recorded(cast, asking, mark=mark)
    assert ServiceRecord.objects.count() == 1
    # Back in the browser, something else typed into the same form: nothing of it is lost.
    other = recorded(cast, asking, mark=mark, values={**full(), "site": "Barley"})
    assert other.values["site"] == "Barley"
    assert ServiceRecord.objects.count() == 2


@db
def test_a_correction_stands_beside_the_record(cast: Cast, asking: Aircraft, everyone: None):
    first = recorded(cast, asking)
    right = {**full(), "site": "Barley"}
    with pytest.raises(ValidationError, match="Say what was wrong"):
        service_records.correct_service_record(
            first, by=cast.owner, reason=" ", values=right, aircraft=asking
        )
    second = service_records.correct_service_record(
        first, by=cast.owner, reason="It was barley.", values=right, aircraft=asking
    )
    first.refresh_from_db()
    assert first.values["site"] == "Winter wheat"
    assert first.corrected_by == second
    assert list(standing(service_records_of(cast.owner))) == [second]
    with pytest.raises(ValidationError, match="corrected already"):
        service_records.correct_service_record(
            first, by=cast.owner, reason="Again", values=right, aircraft=asking
        )
    struck = service_records.strike_service_record(second, by=cast.owner, reason="Rained off.")
    assert not standing(service_records_of(cast.owner)).exists()
    with pytest.raises(ValidationError, match="nothing took place"):
        service_records.strike_service_record(struck, by=cast.owner, reason="Again")


@db
@pytest.mark.parametrize("role", ["staff", "analyst", "checker"])
def test_only_the_operators_own_people_record(cast: Cast, asking: Aircraft, role: str):
    with tenancy.everyone(), pytest.raises(PermissionDenied):
        recorded(cast, asking, by=cast.everybody[role])


@db
def test_who_reads(cast: Cast, asking: Aircraft, everyone: None):
    recorded(cast, asking)
    seen = {who: service_records_of(person).count() for who, person in cast.everybody.items()}
    assert seen == {"staff": 1, "analyst": 0, "owner": 1, "pilot": 1, "outsider": 0, "checker": 0}
    with pytest.raises(ValidationError, match="not one of Other Creek"):
        recorded(cast, asking, by=cast.outsider)


@db
@pytest.mark.service
@pytest.mark.parametrize("sql", ["UPDATE fleet_servicerecord SET reason = 'x'",
                                 "DELETE FROM fleet_servicerecord"])  # fmt: skip
def test_the_database_refuses_a_change(cast: Cast, asking: Aircraft, everyone: None, sql: str):
    one = recorded(cast, asking)
    with pytest.raises(SealedError):
        one.save()
    with (
        pytest.raises(DatabaseError, match="fleet_servicerecord are write-once"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(sql)


# --- reads ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lists", "day", "last"),
    [
        # 14 CFR 137.71(b): at least 12 months. 40 CFR 171.303(b)(7): at least two years. From
        # 29 February to 1 March: common practice, no source.
        ([FAA], "2026-05-04", "2027-05-04"),
        ([EPA], "2026-05-04", "2028-05-04"),
        (list(BOTH), "2026-05-04", "2028-05-04"),
        ([FAA], "2024-02-29", "2025-03-01"),
    ],
)
def test_how_long_a_record_must_be_kept(lists: list[str], day: str, last: str):
    one = ServiceRecord(lists=lists, served_on=datetime.date.fromisoformat(day))
    assert keep_until(one).isoformat() == last


@db
def test_a_purge_has_nothing_of_a_record_to_remove(cast: Cast, asking: Aircraft, everyone: None):
    recorded(cast, asking, values={**full(), "served_on": "2020-01-02"})
    assert kept_bytes(cast.staff) == []


@db
def test_sought_by_aircraft_day_season_and_words(cast: Cast, asking: Aircraft, everyone: None):
    one = recorded(cast, asking)
    late = recorded(cast, None, values={**full(), "served_on": "2025-07-01", "site": "Maize"})
    season = Season.objects.create(
        name="2026", starts_on=datetime.date(2026, 1, 1), ends_on=datetime.date(2026, 12, 31)
    )
    rows = service_records_of(cast.pilot)
    assert list(in_season(rows, season)) == [one]
    assert list(holding(rows, "wren maize")) == [late]
    assert list(holding(rows, asking.registration)) == [one]
    assert last_values(cast.pilot, asking) == full()
    assert suggestions(cast.pilot)["site"] == ["Maize", "Winter wheat"]
    assert suggestions(cast.pilot)["materials.name"] == ["Invented 4 EC"]


# --- pages ----------------------------------------------------------------------------------------


def by(person: Any) -> Client:
    client = Client()
    client.force_login(person)
    return client


def posted(values: dict[str, Any]) -> dict[str, Any]:
    """What a form sends: by path, numbers and their units apart."""
    flat: dict[str, Any] = {}
    for key, value in values.items():
        rows = enumerate(value) if isinstance(value, list) else [("", {key: value})]
        for at, row in rows:
            for inner, one in row.items():
                path = f"{key}.{at}.{inner}" if isinstance(value, list) else key
                if isinstance(one, dict):
                    flat |= {path: one["number"], f"{path}.unit": one["unit"]}
                else:
                    flat[path] = one
    return flat


@db
def test_the_form_makes_the_record_that_the_service_makes(cast: Cast, asking: Aircraft):
    client = by(cast.pilot)
    address = reverse("service-record-new") + f"?aircraft={asking.pk}"
    first = client.get(address)
    assert first.context["form"].initial["pilots.0.name"] == cast.pilot.name
    body = posted(full()) | {"aircraft": asking.pk, f"applies.{EPA}": "yes"}
    wrong = client.post(address, without_path(body, "materials.0.epa_number"))
    assert wrong.status_code == 200
    words = "Material 1: EPA registration number is missing (40 CFR 171.303(b)(7))."
    assert words in wrong.content.decode()
    assert wrong.context["form"]["customer_name"].value() == "Wren Hollow Farm"
    done = client.post(address, body)
    with tenancy.everyone():
        one = ServiceRecord.objects.get()
        assert (one.values, one.aircraft) == (full(), asking)
    assert done.url == reverse("service-record", args=[one.pk])
    page = client.get(done.url).content.decode()
    assert page.count("14 CFR 137.71(a)(4)") == 4
    assert "12.5 gal" in page
    # The next one begins with who flew, and never with how much or when.
    again = client.get(address).context["form"].initial
    assert again["pilots.0.certificate"] == "0000000"
    assert {again.get(path) for path in ("materials.0.amount", "area", "served_at")} == {None}


def without_path(body: dict[str, Any], path: str) -> dict[str, Any]:
    return {key: value for key, value in body.items() if key != path}


@db
def test_another_like_it_and_corrected(cast: Cast, asking: Aircraft):
    with tenancy.everyone():
        one = recorded(cast, asking)
    client = by(cast.owner)
    like = client.get(reverse("service-record-new") + f"?like={one.pk}").context["form"].initial
    assert like["materials.0.name"] == "Invented 4 EC"
    assert like.get("materials.0.amount") is None
    assert like["materials.0.amount.unit"] == "gal"
    address = reverse("service-record-correct", args=[one.pk])
    form = client.get(address).context["form"]
    assert (form.initial[f"applies.{EPA}"], form.initial["area"]) == ("yes", 80)
    body = posted({**full(), "supervised": [{"name": "Nia New"}]})
    body |= {"aircraft": asking.pk, f"applies.{EPA}": "yes", "reason": "Nia flew with us."}
    assert client.post(address, body).status_code == 302
    page = client.get(reverse("service-record", args=[one.pk])).content.decode()
    assert "Nia flew with us." in page
    assert "Correct it" not in page


@db
def test_nobody_is_asked_where_nothing_is_asked_for(cast: Cast, everyone: None):
    aircraft = make_aircraft(cast)
    client = by(cast.owner)
    assert (
        "Record an application"
        not in client.get(reverse("today-aircraft", args=[aircraft.pk])).content.decode()
    )
    assert client.get(reverse("service-record-new")).url == reverse("service-records")
    page = client.get(reverse("service-records")).content.decode()
    assert "No jurisdiction that you work under asks here" in page
    requirements.change_jurisdiction(cast.state, by=cast.staff, record_lists=[FAA])
    assert (
        "Record an application"
        in client.get(reverse("today-aircraft", args=[aircraft.pk])).content.decode()
    )


@db
def test_the_list_as_a_file_and_without_a_query_for_each_row(cast: Cast, asking: Aircraft):
    client, counts = by(cast.staff), []
    for _ in range(2):
        with tenancy.everyone():
            recorded(cast, asking)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            answer = client.get(reverse("service-records") + "?as=csv")
        counts.append(len(queries))
    assert counts[0] == counts[1]
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert len(rows) == 2
    assert rows[0]["Total amount dispensed"] == "12.5 gal"
    assert rows[0]["Keep until"] == "2028-05-04"
    assert rows[0]["Certificate number of the pilot"] == "0000000"


# --- API ------------------------------------------------------------------------------------------


@db
def test_the_api_does_what_the_pages_do(cast: Cast, asking: Aircraft):
    client = signed_in(cast.owner)
    lists = client.get("/api/v1/record-lists/").json()
    assert [one["key"] for one in lists] == list(BOTH)
    assert lists[0]["asks"][0] == {
        "part": "when", "key": "served_on", "label": "Date of service", "kind": "date",
        "units": [], "repeats": False, "required": True, "source": "14 CFR 137.71(a)(2)",
    }  # fmt: skip
    body = {"jurisdiction": str(cast.state.pk), "aircraft": str(asking.pk)}
    answer = client.post(
        "/api/v1/service-records/", {**body, "values": without(full(), "pilots.met_on")}
    )
    assert answer.status_code == 400
    assert "137.71(a)(4)" in answer.json()["errors"]["pilots.0.met_on"][0]
    made = client.post("/api/v1/service-records/", {**body, "values": full()})
    assert made.status_code == 201, made.content
    one = made.json()
    assert (one["values"], one["keep_until"]) == (full(), "2028-05-04")
    right = {"reason": "Barley", "values": {**full(), "site": "Barley"}}
    new = client.post(f"/api/v1/service-records/{one['id']}/corrections/", right).json()
    assert (new["corrects"], new["lists"]) == (one["id"], list(BOTH))
    assert new["aircraft"] == str(asking.pk)
    rows = client.get("/api/v1/service-records/", {"stands": "true"}).json()["results"]
    assert [row["id"] for row in rows] == [new["id"]]
    gone = client.post(f"/api/v1/service-records/{new['id']}/strike/", {"reason": "Rain"})
    assert gone.json()["took_place"] is False
    theirs = signed_in(cast.outsider)
    assert theirs.get(f"/api/v1/service-records/{one['id']}/").status_code == 404


@db
def test_odd_values_get_an_answer(cast: Cast, asking: Aircraft):
    client = signed_in(cast.owner)
    right = {"jurisdiction": str(cast.state.pk), "aircraft": str(asking.pk), "values": full()}
    for name in ("jurisdiction", "aircraft", "lists", "values", "mark"):
        for value in ODD:
            body = json.dumps({**right, name: value})
            answer = client.post("/api/v1/service-records/", body, content_type="application/json")
            assert answer.status_code in (201, 400), (name, value, answer.content)
