"""Duties: rules held against worked calendars.

Calendar months: the end of a month stays the end of a month where the next has no such day, as
the documentation of python-dateutil works out ("relativedelta", examples with 31 January and
29 February). Everything else about when a rule is met is common practice, no source.
"""

from __future__ import annotations

import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from fleet.judging.days import months_after, window_around, window_closing
from fleet.judging.decide import Verdict, decide
from fleet.judging.facts import (
    Air,
    AnalysisFacts,
    ApprovalFacts,
    Case,
    Line,
    Revision,
    Rule,
    TestFacts,
    WaiverFacts,
)
from fleet.judging.words import sentences
from fleet.models import RequirementVersion
from tests.cast import nozzles

D = datetime.date
LONG_AGO = D(2020, 1, 1)
CHICAGO = ZoneInfo("America/Chicago")
AT = datetime.datetime(2020, 1, 1, 18, tzinfo=datetime.UTC)
NO_ID: Any = None


def version(number: int = 1, since: D = LONG_AGO, **says: Any) -> RequirementVersion:
    """A version that asks for a test with an accepted pass every 12 months."""
    usual: dict[str, Any] = {"rhythm": "interval", "interval_months": 12, "evidence": "test"}
    return RequirementVersion(number=number, effective_from=since, **{**usual, **says})


def revision(number: int = 1, day: D = LONG_AGO, **figures: Any) -> Revision:
    usual: dict[str, Any] = {
        "boom_width_m": 10.5,
        "pressure_kpa": 276.0,
        "airspeed_m_s": 62.0,
        "release_height_m": 3.0,
        "nozzles": nozzles(48),
    }
    at = datetime.datetime.combine(day, datetime.time(12), tzinfo=CHICAGO)
    return Revision(NO_ID, number, at, **{**usual, **figures})


def line(*revisions: Revision, key: str = "main") -> Line:
    return Line(key, "Main season work", revisions or (revision(),))


def flown(day: D, passes: int | None = 3, **more: Any) -> TestFacts:
    analyses = (
        () if passes is None else (AnalysisFacts(1, passes, 11.0, AT, Air(2.5, 190.0, 180.0)),)
    )
    usual: dict[str, Any] = {
        "purpose_key": "main",
        "revision": 1,
        "signer_role": "analyst",
        "analyses": analyses,
    }
    return TestFacts(flown_on=day, **{**usual, **more})


def approval(until: D, **more: Any) -> ApprovalFacts:
    return ApprovalFacts("Anik String", "analyst", until, 11.0, AT, **more)


def judged(today: D, *tests: TestFacts, rule: Any = None, **more: Any) -> Verdict:
    versions = rule if isinstance(rule, tuple) else (rule or version(),)
    usual: dict[str, Any] = {
        "rule": Rule(versions),
        "zone": CHICAGO,
        "kind": "fixed_wing",
        "bound_from": D(2020, 1, 1),
        "lines": (line(),),
        "tests": tuple(sorted(tests, key=lambda one: one.flown_on, reverse=True)),
    }
    return decide(Case(today=today, **{**usual, **more}))


def why(verdict: Verdict, system: str = "us") -> tuple[str, ...]:
    return sentences(verdict, system)


# The documentation of dateutil.relativedelta: 31 January and one month is the last of February.
@pytest.mark.parametrize(
    ("day", "months", "wanted"),
    [
        (D(2025, 1, 31), 1, D(2025, 2, 28)),
        (D(2024, 1, 31), 1, D(2024, 2, 29)),
        (D(2024, 2, 29), 12, D(2025, 2, 28)),
        (D(2024, 2, 29), 48, D(2028, 2, 29)),
        (D(2025, 2, 28), 12, D(2026, 2, 28)),
        (D(2025, 8, 31), 6, D(2026, 2, 28)),
        (D(2025, 12, 15), 24, D(2027, 12, 15)),
    ],
)
def test_months_are_those_of_the_calendar(day: D, months: int, wanted: D):
    assert months_after(day, months) == wanted


@pytest.mark.parametrize(
    ("first", "last", "day", "wanted"),
    [
        ("05-01", "06-30", D(2026, 5, 1), (D(2026, 5, 1), D(2026, 6, 30))),
        ("05-01", "06-30", D(2026, 6, 30), (D(2026, 5, 1), D(2026, 6, 30))),
        ("05-01", "06-30", D(2026, 7, 1), None),
        ("11-01", "02-29", D(2025, 1, 15), (D(2024, 11, 1), D(2025, 2, 28))),
        ("11-01", "02-29", D(2024, 2, 29), (D(2023, 11, 1), D(2024, 2, 29))),
        ("11-01", "02-29", D(2025, 3, 1), None),
        ("11-01", "02-28", D(2024, 2, 29), None),
        ("01-01", "12-31", D(2026, 12, 31), (D(2026, 1, 1), D(2026, 12, 31))),
    ],
)
def test_windows(first: str, last: str, day: D, wanted: Any):
    assert window_around(first, last, day) == wanted


def test_the_window_that_closes_next():
    assert window_closing("11-01", "02-29", D(2025, 3, 1)).last == D(2026, 2, 28)
    assert window_closing("11-01", "02-29", D(2028, 2, 29)).last == D(2028, 2, 29)
    assert window_closing("05-01", "06-30", D(2026, 6, 30)).last == D(2026, 6, 30)


class TestInterval:
    def test_met_due_soon_overdue(self):
        test = flown(D(2026, 4, 12))
        assert judged(D(2027, 3, 12), test).state == "met"
        assert judged(D(2027, 3, 13), test).state == "due_soon"
        assert judged(D(2027, 4, 12), test).state == "due_soon"
        late = judged(D(2027, 4, 13), test)
        assert (late.state, late.met_until, late.due_on) == (
            "overdue",
            D(2027, 4, 12),
            D(2027, 4, 12),
        )
        assert why(late) == (
            "3 accepted passes on 12 April 2026, 1 needed: yes.",
            "A test every year: was due by 12 April.",
        )

    def test_leap_day(self):
        verdict = judged(D(2024, 6, 1), flown(D(2024, 2, 29)))
        assert verdict.met_until == D(2025, 2, 28)

    def test_never_tested_is_due_since_the_rule_binds(self):
        verdict = judged(D(2026, 6, 1), bound_from=D(2026, 5, 1))
        assert (verdict.state, verdict.met_until, verdict.due_on) == (
            "overdue",
            None,
            D(2026, 5, 1),
        )
        assert why(verdict) == ("No test is on record. A test every year: due since 1 May.",)

    def test_too_few_passes(self):
        verdict = judged(D(2026, 6, 1), flown(D(2026, 4, 12), 2), rule=version(minimum_passes=3))
        assert verdict.state == "overdue"
        assert "2 accepted passes on 12 April, 3 needed: no." in why(verdict)

    def test_the_latest_analysis_counts(self):
        two = (AnalysisFacts(1, 3, 11.0, AT), AnalysisFacts(2, 2, 11.0, AT))
        test = flown(D(2026, 4, 12), analyses=two)
        assert judged(D(2026, 6, 1), test, rule=version(minimum_passes=3)).state == "overdue"

    def test_a_later_failure_does_not_end_what_holds(self):
        good, bad = flown(D(2026, 4, 12)), flown(D(2026, 5, 20), 0)
        verdict = judged(D(2026, 6, 1), good, bad)
        assert verdict.met_until == D(2027, 4, 12)
        assert "The test of 20 May does not count." in why(verdict)

    def test_proof_of_a_test_alone(self):
        verdict = judged(D(2026, 6, 1), flown(D(2026, 4, 12), None), rule=version(minimum_passes=0))
        assert verdict.state == "met"
        assert why(verdict)[0] == "Tested on 12 April, proof of a test needed: yes."


class TestSeason:
    rule = version(rhythm="season", interval_months=None, season_first="05-01", season_last="06-30")

    def test_a_test_fills_its_season_and_holds_to_the_next_last_day(self):
        verdict = judged(D(2026, 7, 1), flown(D(2026, 6, 30)), rule=self.rule)
        assert (verdict.state, verdict.met_until) == ("met", D(2027, 6, 30))
        assert why(verdict)[1] == "Flown 30 June, window 1 May to 30 June: yes."

    def test_outside_the_window_counts_for_nothing(self):
        verdict = judged(D(2026, 8, 1), flown(D(2025, 5, 5)), flown(D(2026, 7, 2)), rule=self.rule)
        assert (verdict.state, verdict.due_on) == ("overdue", D(2026, 6, 30))
        assert "Flown 2 July, window 1 May to 30 June: no." in why(verdict)

    def test_across_new_year(self):
        rule = version(rhythm="season", season_first="11-15", season_last="02-29")
        for day in (D(2026, 11, 20), D(2027, 2, 28)):
            verdict = judged(D(2027, 3, 1), flown(day), rule=rule)
            assert (verdict.state, verdict.met_until) == ("met", D(2028, 2, 29))
        assert judged(D(2027, 3, 1), flown(D(2026, 2, 1)), rule=rule).state == "overdue"

    def test_calendar_year(self):
        rule = version(rhythm="season", season_first="01-01", season_last="12-31")
        verdict = judged(D(2026, 11, 26), flown(D(2025, 4, 1)), rule=rule)
        assert (verdict.state, verdict.due_on) == ("met", D(2026, 12, 31))
        assert judged(D(2027, 1, 1), flown(D(2025, 4, 1)), rule=rule).state == "overdue"

    def test_the_first_season_asked_of_an_aircraft(self):
        new = {"rule": self.rule, "bound_from": D(2026, 7, 10)}
        before = judged(D(2026, 8, 1), **new)
        assert (before.state, before.due_on) == ("not_covered", D(2027, 6, 30))
        assert judged(D(2027, 5, 1), **new).state == "due_soon"
        assert judged(D(2027, 7, 1), **new).state == "overdue"


class TestOnce:
    rule = version(
        rhythm="once", interval_months=None, covers="setup", retest={"nozzle_count": True}
    )

    def test_one_test_for_good(self):
        verdict = judged(D(2040, 1, 1), flown(D(2021, 1, 1)), rule=self.rule)
        assert (verdict.state, verdict.met_until, verdict.due_on) == ("met", None, None)

    def test_each_setup(self):
        edges = Line("edges", "Edges", (revision(day=D(2026, 3, 1)),))
        verdict = judged(
            D(2026, 6, 1), flown(D(2026, 4, 12)), rule=self.rule, lines=(line(), edges)
        )
        assert (verdict.state, verdict.due_on) == ("overdue", D(2026, 3, 1))
        assert "Edges: No test is on record. A test before first use: due since 1 March." in why(
            verdict
        )

    def test_aircraft_in_any_setup(self):
        edges = Line("edges", "Edges", (revision(),))
        rule = version(rhythm="once", covers="aircraft")
        both = (line(), edges)
        assert judged(D(2026, 6, 1), flown(D(2026, 4, 12)), rule=rule, lines=both).state == "met"

    def test_nothing_to_test_without_a_setup(self):
        assert judged(D(2026, 6, 1), rule=self.rule, lines=()).state == "not_covered"


class TestRetest:
    def test_the_sentence(self):
        lines = (line(revision(), revision(2, D(2026, 6, 2), nozzles=nozzles(40))),)
        rule = version(minimum_passes=3, retest={"nozzle_count": True})
        verdict = judged(D(2026, 7, 1), flown(D(2026, 4, 12)), rule=rule, lines=lines)
        assert (verdict.state, verdict.met_until, verdict.due_on) == (
            "overdue",
            D(2026, 6, 1),
            D(2026, 6, 2),
        )
        assert why(verdict)[:2] == (
            "3 accepted passes on 12 April, 3 needed: yes.",
            "Set-up changed 2 June, nozzle count 48 to 40: retest due.",
        )

    @pytest.mark.parametrize(
        ("retest", "figures", "state"),
        [
            ({"pressure_percent": 10}, {"pressure_kpa": 276 * 1.1}, "met"),
            ({"pressure_percent": 10}, {"pressure_kpa": 276 * 1.101}, "overdue"),
            ({"pressure_percent": 10}, {"pressure_kpa": 276 * 0.899}, "overdue"),
            ({"airspeed_percent": 5}, {"airspeed_m_s": 62 * 0.95}, "met"),
            ({"airspeed_percent": 5}, {"airspeed_m_s": 62 * 0.949}, "overdue"),
            ({"boom_width_m": 0.3048}, {"boom_width_m": 10.5 + 0.3048}, "met"),
            ({"boom_width_m": 0.3048}, {"boom_width_m": 10.0}, "overdue"),
            ({"boom_width_m": 0}, {"boom_width_m": 10.4}, "overdue"),
            ({"release_height_m": 0.5}, {"release_height_m": 3.6}, "overdue"),
            ({"release_height_m": 0.5}, {"pressure_kpa": 500.0}, "met"),
            ({}, {"nozzles": nozzles(12)}, "met"),
        ],
    )
    def test_tolerances(self, retest: Any, figures: Any, state: str):
        lines = (line(revision(), revision(2, D(2026, 6, 2), **figures)),)
        rule = version(retest=retest)
        assert judged(D(2026, 7, 1), flown(D(2026, 4, 12)), rule=rule, lines=lines).state == state

    @pytest.mark.parametrize(
        ("retest", "change", "asks"),
        [
            ({"nozzle_type": True}, {"type": "Flat  Fan "}, False),
            ({"nozzle_type": True}, {"type": "hollow cone"}, True),
            ({"nozzle_type": True}, {"size": "4012"}, True),
            ({"nozzle_place_m": 0.1}, {"place_m": -5.2}, False),
            ({"nozzle_place_m": 0.1}, {"place_m": -5.1}, True),
            ({"deflection_deg": 5}, {"deflection_deg": 15.0}, False),
            ({"deflection_deg": 5}, {"deflection_deg": 15.5}, True),
        ],
    )
    def test_one_nozzle(self, retest: Any, change: Any, asks: bool):
        changed = nozzles(48)
        changed[0] = {**changed[0], **change}
        lines = (line(revision(), revision(2, D(2026, 6, 2), nozzles=changed)),)
        verdict = judged(
            D(2026, 7, 1), flown(D(2026, 4, 12)), rule=version(retest=retest), lines=lines
        )
        assert verdict.state == ("overdue" if asks else "met")

    def test_a_nozzle_taken_away_moved_no_other(self):
        lines = (line(revision(), revision(2, D(2026, 6, 2), nozzles=nozzles(48)[:-1])),)
        test = flown(D(2026, 4, 12))
        moved = version(retest={"nozzle_place_m": 0.01, "deflection_deg": 1, "nozzle_type": True})
        assert judged(D(2026, 7, 1), test, rule=moved, lines=lines).state == "met"
        counted = version(retest={"nozzle_count": True})
        assert judged(D(2026, 7, 1), test, rule=counted, lines=lines).state == "overdue"

    def test_put_back_ends_the_matter(self):
        back = (
            revision(),
            revision(2, D(2026, 6, 2), nozzles=nozzles(40)),
            revision(3, D(2026, 6, 20), pressure_kpa=280.0),
        )
        rule = version(retest={"nozzle_count": True, "pressure_percent": 10})
        verdict = judged(D(2026, 7, 1), flown(D(2026, 4, 12)), rule=rule, lines=(line(*back),))
        assert verdict.state == "met"
        assert why(verdict)[1] == (
            "Set-up changed 20 June, pressure 40 psi to 41 psi (1.4 %, 10 % allowed), within "
            "tolerance: no retest."
        )

    def test_due_since_the_first_of_the_changes_that_still_stands(self):
        steps = (
            revision(),
            revision(2, D(2026, 6, 2), nozzles=nozzles(40)),
            revision(3, D(2026, 6, 20), nozzles=nozzles(40), pressure_kpa=280.0),
        )
        rule = version(retest={"nozzle_count": True})
        verdict = judged(D(2026, 7, 1), flown(D(2026, 4, 12)), rule=rule, lines=(line(*steps),))
        assert verdict.due_on == D(2026, 6, 2)

    def test_a_test_of_the_new_revision_ends_it(self):
        lines = (line(revision(), revision(2, D(2026, 6, 2), nozzles=nozzles(40))),)
        rule = version(retest={"nozzle_count": True})
        again = flown(D(2026, 6, 10), revision=2)
        verdict = judged(D(2026, 7, 1), flown(D(2026, 4, 12)), again, rule=rule, lines=lines)
        assert (verdict.state, verdict.met_until) == ("met", D(2027, 6, 10))


class TestEvidence:
    rule = version(evidence="approval", signers=["analyst"], limits={"cv_percent": 12})

    def test_approved(self):
        test = flown(D(2026, 4, 12), approvals=(approval(D(2027, 12, 31)),))
        verdict = judged(D(2026, 6, 1), test, rule=self.rule)
        assert verdict.met_until == D(2027, 4, 12)
        assert why(verdict)[1:4] == (
            "Swath approved by Anik String until 31 December 2027, approval needed: yes.",
            "Signed by analyst, analyst may sign: yes.",
            "CV 11 %, at most 12 % allowed: yes.",
        )

    def test_an_approval_counts_while_it_is_valid(self):
        test = flown(D(2026, 4, 12), approvals=(approval(D(2026, 9, 30)),))
        assert judged(D(2026, 6, 1), test, rule=self.rule).met_until == D(2026, 9, 30)

    @pytest.mark.parametrize(
        ("approvals", "sentence"),
        [
            ((), "No swath approved on it, approval needed: no."),
            (
                (approval(D(2027, 1, 1), superseded_at=AT),),
                "A newer approval stands in its place, approval needed: no.",
            ),
            (
                (
                    approval(
                        D(2027, 1, 1),
                        withdrawn_at=datetime.datetime(2026, 5, 4, 3, tzinfo=datetime.UTC),
                        withdrawn_reason="String slipped.",
                    ),
                ),
                # 03:00 UTC is still the evening of the 3rd in Chicago.
                "Approval withdrawn 3 May (String slipped), approval needed: no.",
            ),
        ],
    )
    def test_not_approved(self, approvals: Any, sentence: str):
        verdict = judged(D(2026, 6, 1), flown(D(2026, 4, 12), approvals=approvals), rule=self.rule)
        assert verdict.state == "overdue"
        assert sentence in why(verdict)

    def test_cv_limit(self):
        rule = version(evidence="approval", limits={"cv_percent": 10.9})
        test = flown(D(2026, 4, 12), approvals=(approval(D(2027, 1, 1)),))
        assert judged(D(2026, 6, 1), test, rule=rule).state == "overdue"

    def test_signer(self):
        rule = version(signers=["staff"])
        verdict = judged(D(2026, 6, 1), flown(D(2026, 4, 12)), rule=rule)
        assert "Signed by analyst, association staff may sign: no." in why(verdict)

    @pytest.mark.parametrize(
        ("limits", "air", "kept"),
        [
            ({"wind_speed_m_s": 4.4704}, (4.4704, 190.0, 180.0), True),
            ({"wind_speed_m_s": 4.4704}, (4.5, 190.0, 180.0), False),
            ({"wind_speed_m_s": 4.4704}, (None, 190.0, 180.0), False),
            ({"wind_angle_deg": 15}, (3.0, 345.0, 180.0), True),  # 15° off the other way along
            ({"wind_angle_deg": 15}, (3.0, 200.0, 180.0), False),
            ({"wind_angle_deg": 15}, (3.0, None, 180.0), False),
            ({"wind_angle_deg": 15}, (0.2, 270.0, 180.0), True),  # calm
        ],
    )
    def test_wind(self, limits: Any, air: Any, kept: bool):
        test = flown(D(2026, 4, 12), analyses=(AnalysisFacts(1, 3, 11.0, AT, Air(*air)),))
        verdict = judged(D(2026, 6, 1), test, rule=version(limits=limits))
        assert verdict.state == ("met" if kept else "overdue")

    def test_speeds_in_the_readers_units(self):
        verdict = judged(
            D(2026, 6, 1), flown(D(2026, 4, 12)), rule=version(limits={"wind_speed_m_s": 4.4704})
        )
        assert "Wind 5.6 mph, at most 10.0 mph allowed: yes." in why(verdict, "us")
        assert "Wind 2.5 m/s, at most 4.5 m/s allowed: yes." in why(verdict, "metric")


class TestVersions:
    strict = version(2, D(2026, 6, 1), minimum_passes=5)

    def test_a_test_is_judged_under_the_version_of_its_day(self):
        old, new = flown(D(2026, 5, 31)), flown(D(2026, 6, 1))
        rule = (version(minimum_passes=3), self.strict)
        assert judged(D(2026, 7, 1), old, rule=rule).state == "met"
        assert judged(D(2026, 7, 1), new, rule=rule).state == "overdue"
        assert any(
            "in force from 1 January 2020" in one
            for one in why(judged(D(2026, 7, 1), old, rule=rule))
        )

    def test_what_is_asked_next_is_by_the_version_of_today(self):
        rule = (version(interval_months=24), version(2, D(2026, 6, 1), interval_months=12))
        test = flown(D(2026, 1, 15))
        assert judged(D(2026, 5, 31), test, rule=rule).met_until == D(2028, 1, 15)
        assert judged(D(2026, 6, 1), test, rule=rule).met_until == D(2027, 1, 15)

    def test_no_rule_in_force_yet(self):
        verdict = judged(D(2026, 5, 1), flown(D(2026, 4, 12)), rule=(self.strict,))
        assert (verdict.state, verdict.version) == ("not_covered", None)
        assert why(verdict) == ("The rule begins 1 June.",)

    def test_from_interval_to_season(self):
        season = version(
            2, D(2026, 6, 1), rhythm="season", season_first="05-01", season_last="08-31"
        )
        rule = (version(), season)
        inside = judged(D(2026, 7, 1), flown(D(2026, 5, 10)), rule=rule)
        assert inside.met_until == D(2027, 8, 31)
        outside = judged(D(2026, 7, 1), flown(D(2026, 4, 10)), rule=rule)
        assert (outside.state, outside.due_on) == ("due_soon", D(2026, 8, 31))


class TestOutside:
    def test_kinds(self):
        verdict = judged(D(2026, 6, 1), rule=version(kinds=["helicopter"]))
        assert verdict.state == "not_covered"
        assert why(verdict) == ("The rule is for helicopter aircraft; this one is fixed wing.",)

    def test_retired_and_left(self):
        assert judged(D(2026, 6, 1), out_of_service_on=D(2026, 6, 1)).state == "not_covered"
        assert judged(D(2026, 6, 1), out_of_service_on=D(2026, 6, 2)).state == "overdue"
        assert judged(D(2026, 6, 1), operator_left_on=D(2026, 1, 1)).state == "not_covered"

    def test_waived(self):
        waiver = WaiverFacts(D(2026, 12, 31), "Engine out for overhaul", "Sela Office")
        verdict = judged(D(2026, 6, 1), waiver=waiver)
        assert (verdict.state, verdict.met_until) == ("waived", D(2026, 12, 31))
        assert why(verdict)[0] == (
            "Waived until 31 December by Sela Office: Engine out for overhaul."
        )
