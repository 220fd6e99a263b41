"""Sign-up, waiting list, running order: who may, what happens, what the trail keeps.

Own rules of the programme, no source, but for the lock: on the last place of two at once exactly
one is placed, on SQLite and on PostgreSQL.
"""

from __future__ import annotations

import datetime
import threading
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connections
from django.utils import timezone

from fleet import tenancy
from fleet.models import Aircraft, AuditRow, SignUp, Visit
from fleet.queries.clinics import (
    LONGEST_VISIT_DAYS,
    ordinal,
    places_left,
    sign_ups_of,
    slot_at,
    turns,
)
from fleet.queries.whose import visits_of
from fleet.services import aircraft as aircraft_services
from fleet.services import clinics, people, visits
from fleet.services import tests as test_services
from tests.cast import Cast, make_aircraft, make_cast, make_setup, make_visit

pytestmark = [pytest.mark.django_db, pytest.mark.service, pytest.mark.usefixtures("everyone")]

ONE_DAY = datetime.timedelta(days=1)


def clinic(cast: Cast, ahead: int = 3, days: int = 1, per_day: int = 2, **more: Any) -> Visit:
    first = timezone.localdate() + ahead * ONE_DAY
    return visits.plan_visit(
        by=cast.analyst,
        kind="clinic",
        place="Tamber Flat airstrip",
        starts_on=first,
        ends_on=first + (days - 1) * ONE_DAY,
        analyst=cast.analyst,
        aircraft_per_day=per_day,
        **more,
    )


def come(cast: Cast, visit: Visit, *numbers: int) -> list[SignUp]:
    return [
        clinics.sign_up(by=cast.owner, visit=visit, aircraft=make_aircraft(cast, number=number))
        for number in numbers
    ]


def stands(row: SignUp) -> tuple[str, int | None]:
    row.refresh_from_db()
    return (row.state, row.position)


def refused(field: str, deed: Any, *args: Any, **values: Any) -> str:
    with pytest.raises(ValidationError) as refusal:
        deed(*args, **values)
    assert list(refusal.value.message_dict) == [field]
    return " ".join(refusal.value.message_dict[field])


# --- signing up


def test_places_in_the_order_of_coming_then_the_next_day_then_the_list(cast: Cast):
    visit = clinic(cast, days=2, per_day=2)
    rows = come(cast, visit, 1, 2, 3, 4, 5, 6)
    first, second = visit.starts_on, visit.ends_on
    assert [(row.state, row.day, row.position) for row in rows] == [
        ("placed", first, 1),
        ("placed", first, 2),
        ("placed", second, 1),
        ("placed", second, 2),
        ("waiting", None, 1),
        ("waiting", None, 2),
    ]
    assert places_left([visit])[visit.pk] == type(places_left([visit])[visit.pk])(4, 0, 2)


def test_a_day_can_be_asked_for_while_it_has_room(cast: Cast):
    visit = clinic(cast, days=2, per_day=1)
    kwargs: dict[str, Any] = {"by": cast.owner, "visit": visit, "day": visit.ends_on}
    row = clinics.sign_up(aircraft=make_aircraft(cast), **kwargs)
    assert row.day == visit.ends_on
    says = refused("day", clinics.sign_up, aircraft=make_aircraft(cast, number=2), **kwargs)
    assert f"{visit.starts_on:%-d %B %Y}" in says
    outside = {**kwargs, "day": visit.ends_on + ONE_DAY}
    refused("day", clinics.sign_up, aircraft=make_aircraft(cast, number=3), **outside)


def test_sign_up_knows_every_day_of_the_longest_visit(cast: Cast):
    visit = clinic(cast, days=LONGEST_VISIT_DAYS, per_day=1)
    assert places_left([visit])[visit.pk].total == LONGEST_VISIT_DAYS
    aircraft = make_aircraft(cast)
    row = clinics.sign_up(by=cast.owner, visit=visit, aircraft=aircraft, day=visit.ends_on)
    assert (row.state, row.day) == ("placed", visit.ends_on)
    with pytest.raises(ValidationError, match=f"at most {LONGEST_VISIT_DAYS} days"):
        clinic(cast, days=LONGEST_VISIT_DAYS + 1)


def test_twice_is_refused_with_the_place_it_has(cast: Cast):
    visit = clinic(cast)
    _, second = come(cast, visit, 1, 2)
    says = refused(
        "aircraft", clinics.sign_up, by=cast.staff, visit=visit, aircraft=second.aircraft
    )
    assert "XX-R02 is signed up already: its place is 2nd" in says


def test_after_calling_off_an_aircraft_may_come_again(cast: Cast):
    visit = clinic(cast)
    [row] = come(cast, visit, 1)
    clinics.cancel(row, by=cast.owner)
    again = clinics.sign_up(by=cast.owner, visit=visit, aircraft=row.aircraft)
    assert stands(again) == ("placed", 1)


def test_closed_sign_up_is_refused_with_its_date_but_not_to_the_analyst(cast: Cast):
    closed = timezone.localdate() - ONE_DAY
    visit = clinic(cast, sign_up_until=closed)
    aircraft = make_aircraft(cast)
    says = refused("visit", clinics.sign_up, by=cast.owner, visit=visit, aircraft=aircraft)
    assert f"Sign-up closed on {closed:%-d %B %Y}" in says
    assert clinics.sign_up(by=cast.analyst, visit=visit, aircraft=aircraft).state == "placed"


def test_sign_up_is_open_on_its_last_day(cast: Cast):
    visit = clinic(cast, sign_up_until=timezone.localdate())
    assert come(cast, visit, 1)[0].state == "placed"


def test_a_visit_without_capacity_has_no_sign_up_but_the_analyst_may_put_up_an_order(cast: Cast):
    visit = make_visit(cast, timezone.localdate())
    aircraft = make_aircraft(cast)
    says = refused("visit", clinics.sign_up, by=cast.owner, visit=visit, aircraft=aircraft)
    assert "no sign-up" in says
    assert clinics.sign_up(by=cast.analyst, visit=visit, aircraft=aircraft).state == "placed"


def test_visits_over_or_called_off_are_refused_to_everybody(cast: Cast):
    over = clinic(cast, ahead=-3)
    off = clinic(cast)
    visits.call_off_visit(off, by=cast.staff, reason="The strip is under water.")
    aircraft = make_aircraft(cast)
    for visit, words in ((over, "ended on"), (off, "The strip is under water.")):
        says = refused("visit", clinics.sign_up, by=cast.staff, visit=visit, aircraft=aircraft)
        assert words in says


def test_retired_aircraft_and_operators_that_left_are_refused(cast: Cast):
    visit = clinic(cast)
    retired, gone = make_aircraft(cast), make_aircraft(cast, cast.other_operator)
    aircraft_services.change_aircraft(retired, by=cast.staff, retired_on=timezone.localdate())
    people.change_operator(cast.other_operator, by=cast.staff, left_on=timezone.localdate())
    gone = Aircraft.objects.get(pk=gone.pk)
    for aircraft, words in ((retired, "out of service since"), (gone, "left the association on")):
        says = refused("aircraft", clinics.sign_up, by=cast.staff, visit=visit, aircraft=aircraft)
        assert words in says


def test_who_may(cast: Cast):
    visit = clinic(cast, per_day=9)
    aircraft = make_aircraft(cast)
    for person in (cast.pilot, cast.checker, cast.outsider):
        with pytest.raises(PermissionDenied):
            clinics.sign_up(by=person, visit=visit, aircraft=aircraft)
    row = clinics.sign_up(by=cast.staff, visit=visit, aircraft=aircraft)
    for person in (cast.pilot, cast.outsider):
        with pytest.raises(PermissionDenied):
            clinics.cancel(row, by=person)
    deeds = [
        lambda: clinics.mark_absent(row, by=cast.owner),
        lambda: clinics.mark_flown(row, by=cast.owner),
        lambda: clinics.put_back(row, by=cast.owner),
        lambda: clinics.reorder(visit, by=cast.owner, day=visit.starts_on, order=[row.pk]),
        lambda: clinics.move_before(row, by=cast.owner, other=row),
        lambda: clinics.move_to_day(row, by=cast.owner, day=visit.starts_on),
    ]
    for deed in deeds:
        with pytest.raises(PermissionDenied):
            deed()


# --- places that come free


def test_calling_off_gives_the_place_to_the_first_who_waits_and_the_trail_says_so(cast: Cast):
    visit = clinic(cast, per_day=1)
    theirs = clinics.sign_up(
        by=cast.outsider, visit=visit, aircraft=make_aircraft(cast, cast.other_operator)
    )
    mine, last = come(cast, visit, 1, 2)
    # As the middleware has it: the one who calls off sees nobody else's rows.
    with tenancy.only(cast.other_operator.pk):
        clinics.cancel(theirs, by=cast.outsider)
    assert stands(theirs) == ("cancelled", None)
    assert stands(mine) == ("placed", 1)
    assert stands(last) == ("waiting", 1)
    row = AuditRow.objects.get(deed="sign_up_moved_up")
    assert (row.subject_id, row.operator) == (mine.pk, cast.operator)
    assert row.before == {"state": "waiting", "day": None, "position": 1}
    assert row.after == {"state": "placed", "day": str(visit.starts_on), "position": 1}


def test_whoever_does_not_come_frees_the_place_and_may_still_come(cast: Cast):
    visit = clinic(cast, ahead=0, per_day=2)
    first, second, third = come(cast, visit, 1, 2, 3)
    clinics.mark_absent(first, by=cast.analyst)
    assert [stands(row) for row in (first, second, third)] == [
        ("absent", None),
        ("placed", 1),
        ("placed", 2),
    ]
    clinics.put_back(first, by=cast.analyst)  # its place is gone
    assert stands(first) == ("waiting", 1)
    clinics.cancel(third, by=cast.owner)
    assert stands(first) == ("placed", 2)


def test_absent_taken_back_at_once_is_next(cast: Cast):
    visit = clinic(cast, ahead=0, per_day=3)
    first, second = come(cast, visit, 1, 2)
    clinics.mark_absent(second, by=cast.analyst)
    clinics.put_back(second, by=cast.analyst)
    assert (stands(second), stands(first)) == (("placed", 1), ("placed", 2))


def test_a_test_begun_marks_the_sign_up_flown_behind_those_flown_before(cast: Cast):
    visit = clinic(cast, ahead=0, per_day=3)
    first, second, third, waiting = come(cast, visit, 1, 2, 3, 4)
    for row in (third, waiting):
        test_services.start_test(
            by=cast.analyst,
            visit=visit,
            setup=make_setup(cast, row.aircraft),
            flown_on=visit.starts_on,
        )
    assert [stands(row) for row in (third, waiting, first, second)] == [
        ("flown", 1),
        ("flown", 2),
        ("placed", 3),
        ("placed", 4),
    ]
    says = refused("state", clinics.cancel, third, by=cast.owner)
    assert "flown" in says


def test_no_test_on_a_visit_that_was_called_off(cast: Cast):
    visit = clinic(cast, ahead=0)
    setup = make_setup(cast, make_aircraft(cast))
    visits.call_off_visit(visit, by=cast.staff, reason="Storm.")
    values: dict[str, Any] = {"visit": visit, "setup": setup, "flown_on": visit.starts_on}
    refused("visit", test_services.start_test, by=cast.analyst, **values)
    assert visits.put_visit_back(visit, by=cast.staff)
    assert test_services.start_test(by=cast.analyst, **values)
    refused("reason", visits.call_off_visit, visit, by=cast.staff, reason="Storm.")


# --- the order


def test_reorder_and_move(cast: Cast):
    visit = clinic(cast, per_day=4)
    a, b, c, d = come(cast, visit, 1, 2, 3, 4)
    day = visit.starts_on

    def order() -> list[str]:
        return [row.aircraft.registration[-1] for row in sign_ups_of(cast.analyst)]

    assert clinics.reorder(visit, by=cast.analyst, day=day, order=[d.pk, a.pk, b.pk, c.pk])
    assert order() == ["4", "1", "2", "3"]
    assert not clinics.reorder(visit, by=cast.staff, day=day, order=[d.pk, a.pk, b.pk, c.pk])
    assert clinics.move_before(c, by=cast.analyst, other=a)
    assert order() == ["4", "3", "1", "2"]
    assert not clinics.move_before(c, by=cast.analyst, other=a)
    # A phone that knew of two only.
    clinics.reorder(visit, by=cast.analyst, day=day, order=[b.pk, a.pk])
    assert order() == ["2", "1", "4", "3"]
    trail = AuditRow.objects.filter(deed="order_changed").order_by("created_at", "id").last()
    assert trail.after["order"][0] == str(b.pk)


def test_an_order_of_another_visit_or_day_is_refused(cast: Cast):
    visit, other = clinic(cast), clinic(cast, ahead=9)
    [row] = come(cast, visit, 1)
    [stranger] = come(cast, other, 2)
    day = visit.starts_on
    says = refused("order", clinics.reorder, visit, by=cast.staff, day=day, order=[stranger.pk])
    assert str(stranger.pk) in says
    late = day + ONE_DAY
    refused("day", clinics.reorder, visit, by=cast.staff, day=late, order=[row.pk])
    refused("other", clinics.move_before, row, by=cast.staff, other=stranger)


def test_to_another_day_while_it_has_room(cast: Cast):
    visit = clinic(cast, days=2, per_day=1)
    a, b, waiting = come(cast, visit, 1, 2, 3)
    refused("day", clinics.move_to_day, a, by=cast.staff, day=visit.ends_on)
    clinics.cancel(waiting, by=cast.owner)
    clinics.cancel(b, by=cast.owner)
    assert clinics.move_to_day(a, by=cast.staff, day=visit.ends_on)
    a.refresh_from_db()
    assert a.day == visit.ends_on
    assert not clinics.move_to_day(a, by=cast.staff, day=visit.ends_on)


# --- changing the visit


def test_less_room_is_said_before_and_the_last_go_to_the_front_of_the_list(cast: Cast):
    visit = clinic(cast, per_day=3)
    a, b, c, d = come(cast, visit, 1, 2, 3, 4)
    says = refused(
        "aircraft_per_day", visits.change_visit, visit, by=cast.staff, aircraft_per_day=1
    )
    assert "XX-R02 (Redgrass Aerial), XX-R03 (Redgrass Aerial)" in says
    assert [stands(row)[0] for row in (a, b, c)] == ["placed"] * 3
    visit.refresh_from_db()
    assert visit.aircraft_per_day == 3
    visits.change_visit(visit, by=cast.staff, aircraft_per_day=1, let_wait=True)
    assert [stands(row) for row in (a, b, c, d)] == [
        ("placed", 1),
        ("waiting", 1),
        ("waiting", 2),
        ("waiting", 3),
    ]
    assert AuditRow.objects.filter(deed="sign_up_waits").count() == 2
    visits.change_visit(visit, by=cast.staff, aircraft_per_day=4)
    assert [stands(row)[0] for row in (a, b, c, d)] == ["placed"] * 4


def test_a_visit_put_off_takes_its_places_along(cast: Cast):
    visit = clinic(cast, days=2, per_day=1)
    a, b = come(cast, visit, 1, 2)
    week = datetime.timedelta(days=7)
    first, last = visit.starts_on + week, visit.ends_on + week
    visits.change_visit(visit, by=cast.staff, starts_on=first, ends_on=last)
    for row, day in ((a, first), (b, last)):
        row.refresh_from_db()
        assert (row.day, row.position) == (day, 1)


def test_a_clinic_with_sign_ups_of_several_cannot_become_private(cast: Cast):
    visit = clinic(cast)
    clinics.sign_up(by=cast.staff, visit=visit, aircraft=make_aircraft(cast, cast.other_operator))
    values = {"kind": "private", "host": cast.operator, "aircraft_per_day": None}
    says = refused("host", visits.change_visit, visit, by=cast.staff, **values)
    assert "XX-O01" in says


@pytest.mark.parametrize(
    ("field", "values"),
    [
        ("aircraft_per_day", {"aircraft_per_day": 0}),
        ("first_slot_at", {"slot_minutes": 20}),
        ("slot_minutes", {"first_slot_at": datetime.time(7)}),
        ("slot_minutes", {"first_slot_at": datetime.time(23), "slot_minutes": 60}),
        ("longitude_deg", {"latitude_deg": 40.0}),
        ("latitude_deg", {"latitude_deg": 91.0, "longitude_deg": 0.0}),
        ("sign_up_until", {"sign_up_until": datetime.date(2100, 1, 1)}),
    ],
)
def test_fields_of_sign_up_are_checked(cast: Cast, field: str, values: dict[str, Any]):
    visit = clinic(cast, per_day=2)
    refused(field, visits.change_visit, visit, by=cast.staff, **values)


# --- reading


def test_operators_see_open_clinics_and_nobody_without_an_operator_sees_any(cast: Cast):
    visit = clinic(cast)
    shut = clinic(cast, sign_up_until=timezone.localdate() - ONE_DAY)
    none = make_visit(cast, timezone.localdate() + ONE_DAY)
    with tenancy.only(cast.operator.pk):
        assert list(visits_of(cast.pilot)) == [visit]
    with tenancy.scope(tenancy.NOBODY):
        assert list(visits_of(cast.checker)) == []
    clinics.sign_up(by=cast.staff, visit=shut, aircraft=make_aircraft(cast))
    with tenancy.only(cast.operator.pk):
        assert set(visits_of(cast.owner)) == {visit, shut}
    with tenancy.only(cast.other_operator.pk):
        assert list(visits_of(cast.outsider)) == [visit]
        assert list(sign_ups_of(cast.outsider)) == []
        assert places_left([shut])[shut.pk].free == 1
    assert none in visits_of(cast.staff)


def test_place_and_time_in_words(cast: Cast):
    visit = clinic(cast, per_day=3, first_slot_at=datetime.time(7, 30), slot_minutes=20)
    rows = come(cast, visit, 1, 2, 3, 4)
    said = [turn.words for turn in turns(sign_ups_of(cast.owner))]
    assert rows[2].pk
    assert said[2] == f"3rd on {visit.starts_on:%-d %B}, about 08:10"
    assert said[3] == "1st on the waiting list"
    assert [ordinal(n) for n in (1, 2, 3, 4, 11, 12, 13, 21, 22, 111)] == [
        "1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd", "111th",
    ]  # fmt: skip


def test_a_slot_counts_real_minutes_when_the_clock_is_put_forward():
    """US clocks go from 02:00 to 03:00 on 8 March 2026 (15 U.S.C. 260a: second Sunday of March)."""
    visit = Visit(first_slot_at=datetime.time(1, 30), slot_minutes=60)
    at = slot_at(visit, datetime.date(2026, 3, 8), 2)
    assert at is not None
    assert f"{at:%H:%M %z}" == "03:30 -0500"


# --- two at once


@pytest.mark.django_db(transaction=True)
def test_of_many_at_once_just_as_many_as_there_are_places_get_one():
    cast = make_cast()
    visit = clinic(cast, per_day=2)
    fleet = [make_aircraft(cast, number=number) for number in range(1, 6)]
    start = threading.Barrier(len(fleet))
    errors: list[BaseException] = []

    def grab(aircraft: Aircraft) -> None:
        start.wait()
        try:
            with tenancy.only(cast.operator.pk):
                own = Visit.objects.get(pk=visit.pk)
                clinics.sign_up(by=cast.owner, visit=own, aircraft=aircraft)
        except BaseException as error:
            errors.append(error)
        finally:
            connections.close_all()

    _all_at_once(grab, fleet)
    assert not errors
    rows = list(SignUp.objects.filter(visit=visit))
    assert sorted((row.state, row.position) for row in rows) == [
        ("placed", 1),
        ("placed", 2),
        ("waiting", 1),
        ("waiting", 2),
        ("waiting", 3),
    ]


@pytest.mark.django_db(transaction=True)
def test_one_aircraft_signed_up_by_two_phones_at_once_is_signed_up_once():
    cast = make_cast()
    visit, aircraft = clinic(cast), make_aircraft(cast)
    start = threading.Barrier(3)
    said: list[Any] = []

    def grab(person: Any) -> None:
        start.wait()
        try:
            with tenancy.everyone():
                own = Visit.objects.get(pk=visit.pk)
                clinics.sign_up(by=person, visit=own, aircraft=aircraft)
        except ValidationError as refusal:
            said.append(refusal.messages)
        finally:
            connections.close_all()

    _all_at_once(grab, [cast.owner, cast.staff, cast.analyst])
    assert SignUp.objects.filter(visit=visit).count() == 1
    assert len(said) == 2
    assert all("signed up already" in " ".join(words) for words in said)


def _all_at_once(deed: Any, of: list[Any]) -> None:
    threads = [threading.Thread(target=deed, args=[one]) for one in of]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
