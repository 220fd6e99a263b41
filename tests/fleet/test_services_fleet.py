"""People, aircraft, set-ups and visits: who may, what is refused, what is audited."""

from __future__ import annotations

import datetime

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from fleet import audit
from fleet.models import Aircraft, AuditRow, Person, SetUp
from fleet.services import aircraft as services
from fleet.services import people, visits
from tests.cast import Cast, make_aircraft, make_setup, nozzles

pytestmark = [pytest.mark.django_db, pytest.mark.service, pytest.mark.usefixtures("everyone")]


def test_add_operator_only_staff(cast: Cast):
    with pytest.raises(PermissionDenied):
        people.add_operator(by=cast.owner, name="Third", base="Somewhere")
    operator = people.add_operator(by=cast.staff, name="Third", base="Somewhere")
    row = AuditRow.objects.get(subject_id=operator.pk)
    assert (row.deed, row.person_name, row.after["base"]) == (
        "operator_added",
        "Sela Office",
        "Somewhere",
    )


def test_operator_name_twice_refused(cast: Cast):
    with pytest.raises(ValidationError):
        people.add_operator(by=cast.staff, name="REDGRASS aerial", base="Elsewhere")


def test_change_operator_audits_before_and_after(cast: Cast):
    assert people.change_operator(cast.operator, by=cast.staff, base="New Field")
    row = AuditRow.objects.get(deed="operator_changed")
    assert (row.before, row.after) == ({"base": "Tamber Flat"}, {"base": "New Field"})


def test_change_operator_same_value_writes_nothing(cast: Cast):
    assert not people.change_operator(cast.operator, by=cast.staff, base="Tamber Flat")
    assert not AuditRow.objects.filter(deed="operator_changed").exists()


def test_change_operator_unknown_field_refused(cast: Cast):
    with pytest.raises(ValidationError, match="Cannot be changed"):
        people.change_operator(cast.operator, by=cast.staff, id=cast.other_operator.pk)


@pytest.mark.parametrize(("role", "with_operator"), [("owner", False), ("analyst", True)])
def test_add_person_role_and_operator_must_agree(cast: Cast, role: str, with_operator: bool):
    with pytest.raises(ValidationError, match="belong to an operator"):
        people.add_person(
            by=cast.staff,
            email="n@n.example",
            name="N",
            role=role,
            operator=cast.operator if with_operator else None,
            password="a-long-enough-one-7",
        )


def test_add_person_weak_password_refused_and_nothing_written(cast: Cast):
    with pytest.raises(ValidationError, match="too short"):
        people.add_person(
            by=cast.staff, email="n@n.example", name="N", role="staff", password="short"
        )
    assert not Person.objects.filter(email="n@n.example").exists()


def test_sign_in_name_is_case_blind(cast: Cast):
    assert Person.objects.get_by_natural_key("OWNER@redgrass.EXAMPLE") == cast.owner


def test_add_aircraft_owner_may_pilot_may_not(cast: Cast):
    values = {
        "operator": cast.operator,
        "registration": " xx-z9 ",
        "model": "Sower",
        "kind": "fixed_wing",
        "span_m": 14.0,
    }
    with pytest.raises(PermissionDenied):
        services.add_aircraft(by=cast.pilot, **values)
    assert services.add_aircraft(by=cast.owner, **values).registration == "XX-Z9"


def test_registration_twice_in_service_refused_but_free_after_retiring(cast: Cast):
    first = make_aircraft(cast)
    with pytest.raises(ValidationError, match="has this registration already"):
        make_aircraft(cast)
    services.change_aircraft(first, by=cast.staff, retired_on=datetime.date(2026, 1, 2))
    assert make_aircraft(cast).registration == first.registration
    assert Aircraft.objects.count() == 2


def test_record_setup_numbers_per_purpose(cast: Cast):
    aircraft = make_aircraft(cast)
    assert make_setup(cast, aircraft).number == 1
    assert make_setup(cast, aircraft, pressure_kpa=300.0).number == 2
    assert make_setup(cast, aircraft, purpose="main  SEASON work", pressure_kpa=310.0).number == 3
    assert make_setup(cast, aircraft, purpose="Edges").number == 1


def test_record_setup_that_changes_nothing_refused(cast: Cast):
    aircraft = make_aircraft(cast)
    make_setup(cast, aircraft)
    with pytest.raises(ValidationError, match="Nothing differs from revision 1"):
        make_setup(cast, aircraft, note="only a note")
    assert SetUp.objects.count() == 1


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"pressure_kpa": 40_000.0}, "pressure_kpa", "from 20 to 1500 kPa"),
        ({"boom_width_m": 105.0}, "boom_width_m", "from 0.3 to 40 m"),
        ({"airspeed_m_s": float("nan")}, "airspeed_m_s", "from 0.5 to 110 m/s"),
        ({"nozzles": []}, "nozzles", "at least one nozzle"),
        ({"nozzles": nozzles(201)}, "nozzles", "At most 200"),
        ({"nozzles": [{"place_m": 8.0, "size": "10"}]}, "nozzles", "beyond the boom"),
        ({"nozzles": [{"place_m": 1.0}]}, "nozzles", "its size is missing"),
        ({"nozzles": [{"place_m": "1", "size": "10"}]}, "nozzles", "must be a number"),
        ({"manner": "zigzag"}, "manner", "not a valid choice"),
    ],
)
def test_record_setup_bad_value_refused(cast: Cast, changes: dict, field: str, words: str):
    aircraft = make_aircraft(cast)
    with pytest.raises(ValidationError) as caught:
        make_setup(cast, aircraft, **changes)
    assert words in " ".join(caught.value.message_dict[field])
    assert not SetUp.objects.exists()


def test_nozzles_are_kept_from_left_to_right(cast: Cast):
    given = list(reversed(nozzles(5)))
    places = [n["place_m"] for n in make_setup(cast, make_aircraft(cast), nozzles=given).nozzles]
    assert places == sorted(places)


def test_plan_visit_rules(cast: Cast):
    day = datetime.date(2026, 5, 1)
    usual = {"by": cast.analyst, "place": "Field", "starts_on": day, "ends_on": day}
    with pytest.raises(ValidationError, match="for one operator"):
        visits.plan_visit(kind="private", analyst=cast.analyst, **usual)
    with pytest.raises(ValidationError, match="leave this empty"):
        visits.plan_visit(kind="clinic", analyst=cast.analyst, host=cast.operator, **usual)
    with pytest.raises(ValidationError, match="Must be an analyst"):
        visits.plan_visit(kind="clinic", analyst=cast.staff, **usual)
    with pytest.raises(ValidationError, match="not be before"):
        visits.plan_visit(
            kind="clinic", analyst=cast.analyst, **{**usual, "ends_on": datetime.date(2026, 4, 1)}
        )
    with pytest.raises(PermissionDenied):
        visits.plan_visit(kind="clinic", analyst=cast.analyst, **{**usual, "by": cast.owner})


def test_unregistered_deed_raises(cast: Cast):
    with pytest.raises(audit.UnknownDeedError):
        audit.record("deed_nobody_knows", cast.operator, by=cast.staff, operator=cast.operator)
