"""Duties of aircraft on record: whose, by which day, in how many queries."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Requirement, RequirementVersion
from fleet.queries.due import who_is_due
from fleet.queries.duties import duties, duties_on
from fleet.queries.logbook import logbook_of
from tests.cast import Cast, make_aircraft, make_analysis, make_approval, make_setup, make_tested

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]
D = datetime.date


def make_rule(cast: Cast, name: str = "Pattern test", **says: Any) -> Requirement:
    usual: dict[str, Any] = {
        "number": 1,
        "effective_from": D(2020, 1, 1),
        "source": "Invented for tests.",
        "rhythm": "interval",
        "interval_months": 12,
        "evidence": "test",
    }
    requirement = Requirement.objects.create(jurisdiction=cast.state, name=name)
    RequirementVersion.objects.create(requirement=requirement, **{**usual, **says})
    return requirement


def test_from_the_records_to_the_sentences(cast: Cast):
    make_rule(cast, evidence="approval", minimum_passes=3, limits={"wind_speed_m_s": 4.4704})
    approval = make_approval(cast)
    [duty] = duties(cast.owner)
    assert (duty.aircraft, duty.state) == (approval.aircraft, "met")
    assert duty.why[0] == "3 accepted passes on 14 April, 3 needed: yes."
    assert "Wind 5.6 mph, at most 10.0 mph allowed: yes." in duty.why


def test_wind_that_was_not_recorded_is_no_calm(cast: Cast):
    """Neither for one aircraft nor in the list of a whole fleet."""
    make_rule(cast, limits={"wind_speed_m_s": 4.4704, "wind_angle_deg": 30.0})
    test = make_tested(cast)
    test.wind_speed_m_s = test.line_heading_deg = None
    test.save()
    make_analysis(cast, test)
    book = logbook_of(cast.owner, test.setup.aircraft)
    for [duty] in (duties(cast.owner), duties_on(cast.owner, book)):
        assert duty.state == "overdue"
        assert "Wind not recorded, at most 10.0 mph allowed: no." in duty.why
        assert "Wind angle to the line not recorded, at most 30° allowed: no." in duty.why
    assert [one.state for one in who_is_due(cast.owner) if one.requirement] == ["overdue"]


def test_everybody_sees_their_own(cast: Cast):
    make_rule(cast)
    make_aircraft(cast)
    make_aircraft(cast, cast.other_operator)
    assert len(duties(cast.staff)) == 2
    for person in (cast.owner, cast.outsider):
        [duty] = duties(person)
        assert duty.aircraft.operator_id == person.operator_id
    assert duties(cast.checker) == []


def test_a_changed_setup_is_compared_nozzle_by_nozzle(cast: Cast):
    make_rule(cast, retest={"nozzle_count": True})
    test = make_tested(cast)
    make_analysis(cast, test)
    from tests.cast import nozzles

    make_setup(cast, test.setup.aircraft, nozzles=nozzles(36))
    [duty] = duties(cast.staff)
    assert duty.state == "overdue"
    assert any("nozzle count 40 to 36: retest due." in one for one in duty.why)


def test_the_number_of_queries_does_not_grow(cast: Cast):
    make_rule(cast)
    make_rule(cast, "Another", retest={"nozzle_count": True})

    def asked() -> int:
        with CaptureQueriesContext(
            connection,
        ) as caught:
            for duty in duties(cast.staff):
                assert duty.why
        return len(caught)

    make_tested(cast)
    few = asked()
    for number in range(2, 8):
        make_setup(cast, make_aircraft(cast, number=number))
    assert asked() == few <= 10
