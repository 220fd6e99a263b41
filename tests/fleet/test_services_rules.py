"""Rules as data: every shape that exists in law can be said, and nothing that makes no sense."""

from __future__ import annotations

import datetime
from typing import Any
from unittest import mock

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.models import AuditRow, Requirement, Waiver
from fleet.queries.duties import duties
from fleet.services import passes
from fleet.services import requirements as services
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_setup,
    make_test,
    make_visit,
    trace_file,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]
D = datetime.date
DAY = datetime.timedelta(days=1)
SOURCE = "Invented for tests, 1 January 2020."

# The shapes found in the texts of states and authorities (Arkansas 209.02.19-013: once before
# first use; North Carolina G.S. 143-452: annual; Victoria: within 3 years, records within 48 h,
# kept 2 years; Louisiana LAC 7:XXIII.1103: a window of the year); months and passes are common
# practice, no source.
SHAPES: dict[str, dict[str, Any]] = {
    "every N months": {"rhythm": "interval", "interval_months": 24},
    "per calendar year": {"rhythm": "season", "season_first": "01-01", "season_last": "12-31"},
    "season window": {"rhythm": "season", "season_first": "04-01", "season_last": "09-15"},
    "across New Year": {"rhythm": "season", "season_first": "11-01", "season_last": "02-29"},
    "once before first use": {
        "rhythm": "once",
        "covers": "setup",
        "retest": {"nozzle_type": True, "nozzle_count": True, "airspeed_percent": 0},
        "signers": ["analyst"],
        "papers": ["The board's own form"],
    },
    "within N years of assessment": {"rhythm": "interval", "interval_months": 36},
    "deadline in hours, kept for years": {
        "rhythm": "interval",
        "interval_months": 12,
        "filing_deadline": 48,
        "filing_deadline_unit": "hours",
        "retention_years": 2,
    },
    "proof of a test alone": {
        "rhythm": "interval",
        "interval_months": 12,
        "evidence": "test",
        "minimum_passes": 0,
    },
    "limits": {
        "rhythm": "interval",
        "interval_months": 12,
        "minimum_passes": 3,
        "limits": {"cv_percent": 15, "wind_speed_m_s": 4.47, "wind_angle_deg": 15},
        "kinds": ["helicopter"],
    },
}


def add(cast: Cast, name: str = "Pattern test", **says: Any) -> Requirement:
    usual: dict[str, Any] = {
        "effective_from": D(2020, 1, 1),
        "source": SOURCE,
        "rhythm": "interval",
        "interval_months": 12,
    }
    return services.add_requirement(
        by=cast.staff, jurisdiction=cast.state, name=name, **{**usual, **says}
    )


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_that_exist_in_law(cast: Cast, shape: str):
    says = {"interval_months": None, **SHAPES[shape]}
    requirement = add(cast, shape, **says)
    kept = requirement.versions.get()
    assert {name: getattr(kept, name) for name in says} == says
    make_aircraft(cast)
    [duty] = duties(cast.staff)
    assert duty.version == kept
    assert all(duty.why)


@pytest.mark.parametrize(
    ("says", "place", "words"),
    [
        ({"rhythm": "monthly"}, "rhythm", "Must be one of interval, season, once."),
        ({"interval_months": None}, "interval_months", "after how many months"),
        ({"interval_months": 0}, "interval_months", "from 1 to 240"),
        ({"interval_months": 1.5}, "interval_months", "whole number"),
        ({"rhythm": "once"}, "interval_months", "leave it empty"),
        ({"rhythm": "season", "interval_months": None}, "season_first", "first day"),
        ({"season_first": "04-01"}, "season_first", "leave it empty"),
        ({"rhythm": "season", "season_first": "02-30"}, "season_first", "'02-30' is no day"),
        ({"rhythm": "season", "season_last": "13-01"}, "season_last", "MM-DD"),
        ({"rhythm": "season", "season_last": "4-1"}, "season_last", "MM-DD"),
        ({"rhythm": "season", "season_last": "April"}, "season_last", "MM-DD"),
        ({"retest": {"colour": True}}, "retest", "colour: not known; use nozzle_type"),
        ({"retest": {"pressure_percent": -1}}, "retest", "pressure_percent: must be a number"),
        ({"retest": {"airspeed_percent": True}}, "retest", "airspeed_percent: must be a number"),
        ({"retest": {"boom_width_m": float("nan")}}, "retest", "boom_width_m: must be a number"),
        ({"retest": {"nozzle_count": 3}}, "retest", "nozzle_count: must be true"),
        ({"retest": ["nozzle_count"]}, "retest", "Must be a mapping"),
        ({"limits": {"cv": 15}}, "limits", "cv: not known"),
        ({"limits": {"cv_percent": 0}}, "limits", "above 0"),
        ({"limits": {"wind_angle_deg": 91}}, "limits", "at most 90"),
        ({"kinds": ["glider"]}, "kinds", "glider: not known; use fixed_wing"),
        ({"kinds": "helicopter"}, "kinds", "Must be a list."),
        ({"signers": ["mayor"]}, "signers", "mayor: not known"),
        ({"papers": [3]}, "papers", "list of words"),
        ({"papers": ["x" * 121]}, "papers", "121"[:2]),
        ({"minimum_passes": -1}, "minimum_passes", "from 0"),
        ({"minimum_passes": None}, "minimum_passes", "whole number"),
        ({"filing_deadline": 0}, "filing_deadline", "from 1"),
        ({"filing_deadline_unit": "weeks"}, "filing_deadline_unit", "days, hours"),
        ({"retention_years": 101}, "retention_years", "to 100"),
        ({"covers": "fleet"}, "covers", "aircraft, setup"),
        ({"evidence": "word"}, "evidence", "test, approval"),
        ({"colour": "red"}, "colour", "No rule has such a thing"),
        ({"source": " "}, "source", "law, rule or letter"),
        ({"effective_from": D(1899, 1, 1)}, "effective_from", "1900"),
    ],
)
def test_what_makes_no_sense_is_refused(cast: Cast, says: Any, place: str, words: str):
    with pytest.raises(ValidationError) as refused:
        add(cast, **says)
    assert words in " ".join(refused.value.message_dict[place])
    assert not Requirement.objects.exists()


def test_a_time_zone_must_exist(cast: Cast):
    with pytest.raises(ValidationError, match="no time zone"):
        services.add_jurisdiction(by=cast.staff, name="Elsewhere", time_zone="Mars/Olympus")
    assert services.add_jurisdiction(by=cast.staff, name="Elsewhere", time_zone="Asia/Tokyo")
    with pytest.raises(ValidationError, match="no time zone"):
        services.change_jurisdiction(cast.state, by=cast.staff, time_zone="EST5ish")


@pytest.mark.parametrize("role", ["analyst", "owner", "pilot", "checker"])
def test_only_the_office_keeps_rules(cast: Cast, role: str):
    with pytest.raises(PermissionDenied):
        services.add_jurisdiction(by=cast.everybody[role], name="Elsewhere")


class TestVersions:
    def test_neither_before_today_nor_before_an_earlier_one(self, cast: Cast):
        requirement = add(cast)
        today = services.today_in(cast.state)
        says = {"source": SOURCE, "rhythm": "interval", "interval_months": 6, "by": cast.staff}
        with pytest.raises(ValidationError, match="what was judged stays"):
            services.record_version(requirement, effective_from=today - DAY, **says)
        later = services.record_version(requirement, effective_from=today + 9 * DAY, **says)
        assert later.number == 2
        with pytest.raises(ValidationError, match="from when version 2 holds"):
            services.record_version(requirement, effective_from=today + 9 * DAY, **says)
        assert requirement.versions.count() == 2
        assert AuditRow.objects.filter(deed="rule_version_recorded").count() == 1

    def test_the_same_again_is_refused(self, cast: Cast):
        requirement = add(cast)
        with pytest.raises(ValidationError, match="Nothing differs"):
            services.record_version(
                requirement,
                by=cast.staff,
                effective_from=services.today_in(cast.state),
                source=SOURCE,
                rhythm="interval",
                interval_months=12,
            )

    def test_an_end(self, cast: Cast):
        requirement = add(cast)
        make_aircraft(cast)
        today = services.today_in(cast.state)
        with pytest.raises(ValidationError, match="what was judged stays"):
            services.end_requirement(requirement, by=cast.staff, ended_on=today - DAY)
        services.end_requirement(requirement, by=cast.staff, ended_on=today)
        assert len(duties(cast.staff)) == 1
        assert duties(cast.staff, today=today + DAY) == []
        with pytest.raises(ValidationError, match="add a new one"):
            services.record_version(
                requirement, by=cast.staff, effective_from=today, source=SOURCE, rhythm="once"
            )


class TestWaivers:
    def test_granted_and_ended(self, cast: Cast):
        requirement, aircraft = add(cast), make_aircraft(cast)
        today = services.today_in(cast.state)
        given = {"aircraft": aircraft, "requirement": requirement, "from_on": today}
        waiver = services.grant_waiver(
            by=cast.staff, until_on=today + 30 * DAY, reason="Engine out", **given
        )
        [duty] = duties(cast.owner)
        assert (duty.state, duty.met_until) == ("waived", today + 30 * DAY)
        with pytest.raises(ValidationError, match="is there already"):
            services.grant_waiver(by=cast.staff, until_on=today + DAY, reason="Again", **given)
        services.end_waiver(waiver, by=cast.staff, reason="Flies again")
        assert duties(cast.owner)[0].state == "overdue"
        with pytest.raises(ValidationError, match="over already"):
            services.end_waiver(waiver, by=cast.staff, reason="Flies again")

    def test_what_makes_no_sense(self, cast: Cast):
        requirement, aircraft = add(cast), make_aircraft(cast)
        elsewhere = services.add_jurisdiction(by=cast.staff, name="Elsewhere")
        foreign = services.add_requirement(
            by=cast.staff,
            jurisdiction=elsewhere,
            name="Theirs",
            effective_from=D(2020, 1, 1),
            source=SOURCE,
            rhythm="once",
        )
        today = services.today_in(cast.state)
        usual: dict[str, Any] = {
            "aircraft": aircraft,
            "requirement": requirement,
            "from_on": today,
            "until_on": today,
            "reason": "Why",
        }
        for changed, words in (
            ({"reason": " "}, "Say why"),
            ({"until_on": today - DAY}, "nor before today"),
            ({"until_on": today + 2000 * DAY}, "years ahead"),
            ({"requirement": foreign}, "does not work under"),
        ):
            with pytest.raises(ValidationError, match=words):
                services.grant_waiver(by=cast.staff, **{**usual, **changed})
        assert not Waiver.objects.exists()


def test_one_aircraft_under_several_rules(cast: Cast):
    aircraft = make_aircraft(cast)
    add(cast)
    add(cast, "Calibration", interval_months=24)
    elsewhere = services.add_jurisdiction(by=cast.staff, name="Elsewhere")
    services.add_requirement(
        by=cast.staff,
        jurisdiction=elsewhere,
        name="Theirs",
        effective_from=D(2020, 1, 1),
        source=SOURCE,
        rhythm="once",
    )
    assert len(duties(cast.owner)) == 2
    today = services.today_in(elsewhere)
    row = services.put_under(
        by=cast.staff, aircraft=aircraft, jurisdiction=elsewhere, from_on=today
    )
    assert len(duties(cast.owner)) == 3
    with pytest.raises(ValidationError, match="already"):
        services.put_under(by=cast.staff, aircraft=aircraft, jurisdiction=elsewhere, from_on=today)
    with pytest.raises(ValidationError, match="nor before its first day"):
        services.end_under(row, by=cast.staff, until_on=today - DAY)
    services.end_under(row, by=cast.staff, until_on=today)
    assert len(duties(cast.owner)) == 3
    assert len(duties(cast.owner, today=today + DAY)) == 2


@pytest.fixture
def judged_fleet(cast: Cast) -> tuple[Cast, Requirement]:
    """A rule, one aircraft with an analysed test, one without; on record for 500 days."""
    then = timezone.now() - 500 * DAY
    with mock.patch.object(timezone, "now", return_value=then):
        requirement = add(cast, evidence="test")
        setup = make_setup(cast, make_aircraft(cast))
        visit = make_visit(cast, then.date() - 30 * DAY)
        test = make_test(cast, setup, visit)
        passes.add_passes(test, by=cast.analyst, files=[("one.csv", trace_file(1))])
        make_analysis(cast, test)
        make_aircraft(cast, number=7)
    return cast, requirement


@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_a_later_version_changes_nothing_as_of_an_earlier_day(
    judged_fleet: tuple[Cast, Requirement], data: st.DataObject
):
    cast, requirement = judged_fleet
    today = services.today_in(cast.state)
    day = today - DAY * data.draw(st.integers(1, 400), label="days ago")
    before = [(one.met_until, one.state, one.why) for one in duties(cast.staff, today=day)]
    assert len(before) == 2
    last = requirement.versions.latest("number")
    services.record_version(
        requirement,
        by=cast.staff,
        effective_from=max(today, last.effective_from + DAY) + DAY * data.draw(st.integers(0, 3)),
        source=f"Letter {last.number}",
        **data.draw(st.sampled_from([s for n, s in SHAPES.items() if n != "every N months"])),
    )
    after = duties(cast.staff, today=day)
    assert [(one.met_until, one.state) for one in after] == [row[:2] for row in before]
    coming = "the rule says something else."  # what was announced since may be told
    assert [tuple(s for s in one.why if coming not in s) for one in after] == [
        tuple(s for s in row[2] if coming not in s) for row in before
    ]


def test_as_of_a_day_only_what_was_on_record_counts(judged_fleet: tuple[Cast, Requirement]):
    cast, _ = judged_fleet
    recorded = services.today_in(cast.state) - 500 * DAY
    assert {one.state for one in duties(cast.staff, today=recorded + DAY)} == {"met", "overdue"}
    assert duties(cast.staff, today=recorded - 5 * DAY) == []
