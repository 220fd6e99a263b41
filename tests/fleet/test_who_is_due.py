"""The list of a whole fleet says what the duties and standings of each aircraft say."""

from __future__ import annotations

import datetime
import random
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet import models as m
from fleet.queries import whose
from fleet.queries.due import who_is_due
from fleet.queries.duties import duties, duties_on
from fleet.queries.endings import ENDINGS, approval_state
from fleet.queries.logbook import logbook_of
from fleet.queries.standing import standings
from tests.cast import Cast
from tests.fleet import season_world

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]
D = datetime.date
SPRING = {"rhythm": "season", "season_first": "02-01", "season_last": "06-30"}
YEARLY = {"rhythm": "interval", "interval_months": 12}
RETEST = {"nozzle_count": True, "boom_width_m": 0.3}
WIND = {"wind_speed_m_s": 4.5, "wind_angle_deg": 30.0, "cv_percent": 20.0}
# What one rule says after another: every way of judging, and every fact it may come upon.
RULES: tuple[tuple[dict[str, Any], ...], ...] = (
    ({**YEARLY, "minimum_passes": 3, "limits": WIND, "retest": RETEST},),
    ({**YEARLY, "covers": "setup", "evidence": "test", "limits": WIND, "retest": RETEST},),
    ({**SPRING, "evidence": "test", "minimum_passes": 0, "limits": WIND},),
    ({**SPRING, "retest": RETEST}, {**YEARLY, "retest": RETEST, "limits": WIND}),
    ({"rhythm": "once", "covers": "setup", "evidence": "test", "retest": RETEST},),
    ({**YEARLY, "interval_months": 24, "signers": ["staff"], "kinds": ["helicopter"]},),
)


@pytest.fixture
def world(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> season_world.World:
    """Draw a past in which booms change and the wind is often too strong; rules over all of it."""
    write = season_world._write

    def varied(world: season_world.World) -> None:
        chance = random.Random(7)
        for setup in world.setups:
            setup.boom_width_m = chance.choice((10.0, 10.0, 10.2, 10.5))
            setup.nozzles = setup.nozzles[chance.choice((0, 0, 2)) :]
        for test in world.tests:
            test.wind_speed_m_s = chance.choice((None, 1.0, 4.0, 6.0))
            test.wind_from_deg, test.line_heading_deg = 190.0, chance.choice((180.0, 100.0))
        for run in world.runs:
            speed = chance.choice((0.5, 3.0, 4.0, 6.0))
            heading = chance.choice((None, 180.0, 180.0, 100.0))
            run.inputs = {
                "conditions": {
                    "wind_speed_m_s": speed, "wind_from_deg": 190.0, "line_heading_deg": heading,
                }
            }  # fmt: skip
            run.accepted_passes = chance.choice((1, 3, 4))
        write(world)

    monkeypatch.setattr(season_world, "_write", varied)
    made = season_world.make_world(cast, 3, operators=16, fleet=5, years=4, tests=2)
    states = list(m.Jurisdiction.objects.all())
    for number, versions in enumerate(RULES):
        rule = m.Requirement.objects.create(
            jurisdiction=states[number % len(states)], name=f"Rule {number}"
        )
        for at, says in enumerate(versions):
            m.RequirementVersion.objects.create(
                requirement=rule, number=at + 1, effective_from=D(2022 + 3 * at, 1, 1),
                source="Invented for tests.", **{"evidence": "approval", **says},
            )  # fmt: skip
    for number, one in enumerate(made.aircraft):
        m.WorksUnder.objects.create(
            operator=one.operator,
            aircraft=one,
            jurisdiction=states[number % len(states)],
            from_on=D(2024, 1, 1),
        )
    m.Waiver.objects.create(
        operator=made.aircraft[0].operator,
        aircraft=made.aircraft[0],
        requirement=m.Requirement.objects.filter(
            jurisdiction__in=made.aircraft[0].works_under.values("jurisdiction")
        )[0],
        from_on=D(2024, 1, 1),
        until_on=timezone.localdate() + datetime.timedelta(days=9),
        reason="In for a rebuild.",
        granted_by=cast.staff,
    )
    return made


def test_the_list_says_what_each_aircraft_is_told(cast: Cast, world: season_world.World):
    with CaptureQueriesContext(connection) as asked:
        found = who_is_due(cast.staff)
    assert len(asked) <= 16
    listed = sorted(
        (one.craft.registration, one.requirement.name if one.requirement else "", one.purpose_key,
         one.state, str(one.due_on), one.craft.operator.name)
        for one in found
    )  # fmt: skip
    fleet = [one for one in world.aircraft if one.retired_on is None]
    whole = [
        (one.aircraft.registration, one.requirement.name, "", one.state, str(one.due_on),
         one.aircraft.operator.name)
        for one in duties(cast.staff, aircraft=fleet)
    ] + [
        (one.aircraft.registration, "", one.setup.purpose_key if one.setup else "", one.state,
         str(one.due_on), one.aircraft.operator.name)
        for one in standings(cast.staff, aircraft=fleet)
    ]  # fmt: skip
    assert listed == sorted(whole)
    # The world is one in which most things come up.
    assert {one.state for one in found} >= {
        *("met", "overdue", "waived", "not_covered"),
        *("approved", "expired", "changed", "untested"),
    }


def test_a_logbook_says_what_the_tables_say(cast: Cast, world: season_world.World):
    """The page of an aircraft judges what it has fetched, as everybody else what is fetched anew.

    Those of both ways of flying, of changed set-ups and of strong wind are among them.
    """
    endings = set()
    for one in world.aircraft:
        book = logbook_of(cast.staff, one)
        ended = {approval.pk: approval.state for approval in book.approvals}
        rows = m.Approval.objects.filter(aircraft=one).annotate(state=approval_state())
        assert ended == dict(rows.values_list("pk", "state"))
        endings.update(ended.values())
        with CaptureQueriesContext(connection) as asked:
            ours = duties_on(cast.staff, book)
            said = [(duty, duty.why) for duty in ours]
        assert len(asked) == 1  # the rules
        theirs = duties(cast.staff, aircraft=[one])
        assert said == [(duty, duty.why) for duty in theirs]
        standing = standings(
            cast.staff, aircraft=[one], setups=book.setups, approvals=book.approvals
        )
        assert standing == standings(cast.staff, aircraft=[one])
        tests = [(one.pk, one.place, one.pass_count, one.analysis_count) for one in book.tests]
        counted = whose.tests_with_counts(cast.staff).filter(setup__aircraft=one)
        assert tests == [(one.pk, one.place, one.pass_count, one.analysis_count) for one in counted]
    assert endings == set(ENDINGS)


def test_a_logbook_is_of_ones_own(cast: Cast, world: season_world.World):
    one = next(one for one in world.aircraft if one.retired_on is None)
    book = logbook_of(cast.owner, one)
    assert (book.setups, book.tests, book.approvals) == ([], [], [])
    assert (book.waivers, book.under, book.sign_ups) == ([], [], [])


def test_the_list_is_of_ones_own(cast: Cast, world: season_world.World):
    assert who_is_due(cast.checker) == []
    assert who_is_due(cast.owner) == []  # has no aircraft in this world
    one = next(one for one in world.aircraft if one.retired_on is None)
    cast.owner.operator = one.operator
    cast.owner.save()
    found = who_is_due(cast.owner)
    assert found
    assert {each.craft.operator.pk for each in found} == {one.operator_id}
