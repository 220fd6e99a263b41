"""Tests, passes, analyses, approvals: the main job, rule by rule."""

from __future__ import annotations

import datetime
import hashlib

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone

from fleet import jobs, storage
from fleet.models import ENDED, AnalysisRun, Approval, AuditRow, FlightPass, Job, RawFile
from fleet.queries.standing import standing_of, standings
from fleet.services import aircraft as aircraft_services
from fleet.services import analyses, approvals, passes
from fleet.services import tests as services
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_test,
    make_tested,
    make_visit,
    trace_file,
)

pytestmark = [pytest.mark.django_db, pytest.mark.service, pytest.mark.usefixtures("everyone")]


@pytest.fixture
def test_row(cast: Cast):
    return make_test(cast, make_setup(cast, make_aircraft(cast)))


# --- tests


def test_start_test_only_analyst_and_only_on_the_visit(cast: Cast):
    setup = make_setup(cast, make_aircraft(cast))
    visit = make_visit(cast)
    with pytest.raises(PermissionDenied):
        services.start_test(by=cast.owner, visit=visit, setup=setup, flown_on=visit.starts_on)
    with pytest.raises(ValidationError, match="Must be on the visit, 14 April 2026"):
        services.start_test(
            by=cast.analyst, visit=visit, setup=setup, flown_on=datetime.date(2026, 4, 15)
        )


@pytest.mark.parametrize(
    ("name", "value"),
    [("wind_speed_m_s", 55.0), ("humidity_percent", 0.0), ("line_heading_deg", 361.0)],
)
def test_conditions_out_of_range_refused(cast: Cast, test_row, name: str, value: float):
    with pytest.raises(ValidationError, match="Must be a number from"):
        services.change_conditions(test_row, by=cast.analyst, **{name: value})
    test_row.refresh_from_db()
    assert getattr(test_row, name) != value


def test_change_of_reading_that_breaks_a_file_refused(cast: Cast, test_row):
    passes.add_passes(test_row, by=cast.analyst, files=[("a.csv", trace_file(1))])
    with pytest.raises(ValidationError, match=r"a\.csv"):
        services.change_conditions(test_row, by=cast.analyst, file_flight_line=400.0)
    test_row.refresh_from_db()
    assert test_row.file_flight_line is None


# --- passes


def test_add_passes_each_file_for_itself(cast: Cast, test_row):
    good, twin, bad = trace_file(1), trace_file(1), b"position_ft,reading\n0,1\nx,2\n"
    added = passes.add_passes(
        test_row,
        by=cast.analyst,
        files=[("good.csv", good), ("bad.csv", bad), ("twin.csv", twin), ("2.csv", trace_file(2))],
    )
    assert [one.flight_pass.number if one.flight_pass else None for one in added] == [
        1,
        None,
        None,
        2,
    ]
    assert added[1].error.startswith("bad.csv")
    assert added[2].error == "twin.csv: the same file is pass 1 already."
    assert FlightPass.objects.count() == RawFile.objects.count() == 2


def test_raw_file_kept_unchanged_and_found_by_digest(cast: Cast, test_row):
    data = trace_file(3)
    passes.add_passes(test_row, by=cast.analyst, files=[("C:\\strings\\three.csv", data)])
    raw = RawFile.objects.get()
    assert raw.name == "three.csv"
    assert raw.digest == hashlib.sha256(data).hexdigest()
    assert storage.fetch(raw.digest) == data


def test_damaged_kept_file_is_never_analysed(cast: Cast, test_row, settings):
    passes.add_passes(test_row, by=cast.analyst, files=[("a.csv", trace_file(4))])
    digest = RawFile.objects.get().digest
    job = analyses.request_analysis(test_row, by=cast.analyst)
    path = storage.default_storage.path(storage._place(digest))
    with open(path, "ab") as file:
        file.write(b"0,0\n")
    with pytest.raises(storage.KeptFileError, match="changed after it was accepted"):
        storage.fetch(digest)
    jobs.run(job.pk)
    assert not AnalysisRun.objects.exists()
    # Handing in the true bytes again mends the store.
    storage.keep(trace_file(4))
    assert storage.fetch(digest) == trace_file(4)


def test_too_large_file_refused(cast: Cast, test_row, settings):
    settings.UPLOAD_LIMIT_BYTES = 100
    added = passes.add_passes(test_row, by=cast.analyst, files=[("big.csv", trace_file(1))])
    assert "at most" in added[0].error
    assert not RawFile.objects.exists()


def test_aborted_pass_needs_a_reason(cast: Cast, test_row):
    with pytest.raises(ValidationError, match="Say why"):
        passes.add_aborted_pass(test_row, by=cast.analyst, reason=" ")
    aborted = passes.add_aborted_pass(test_row, by=cast.analyst, reason="Bird on the line")
    assert aborted.number == 1
    with pytest.raises(ValidationError, match="broken off"):
        passes.overrule(aborted, by=cast.analyst, overrule="include", reason="because")


def test_overrule_needs_reason_and_can_be_taken_back(cast: Cast):
    one = make_tested(cast).passes.first()
    with pytest.raises(ValidationError, match="Say why"):
        passes.overrule(one, by=cast.analyst, overrule="leave_out", reason="")
    with pytest.raises(PermissionDenied):
        passes.overrule(one, by=cast.owner, overrule="leave_out", reason="I say so")
    assert passes.overrule(one, by=cast.analyst, overrule="leave_out", reason="Gust")
    assert passes.overrule(one, by=cast.analyst, overrule="", reason="")
    assert AuditRow.objects.filter(deed="pass_overruled").count() == 2


# --- analyses


def test_analysis_without_passes_refused(cast: Cast, test_row):
    with pytest.raises(ValidationError, match="no pass with a file"):
        analyses.request_analysis(test_row, by=cast.analyst)


def test_asking_twice_gives_the_job_under_way(cast: Cast):
    test = make_tested(cast)
    first = analyses.request_analysis(test, by=cast.analyst)
    assert analyses.request_analysis(test, by=cast.analyst) == first
    other = analyses.Settings(cv_limit_percent=20.0)
    assert analyses.request_analysis(test, by=cast.analyst, settings=other) != first
    passes.add_passes(test, by=cast.analyst, files=[("late.csv", trace_file(9))])
    assert analyses.request_analysis(test, by=cast.analyst) != first


def test_analysis_keeps_inputs_as_they_stood(cast: Cast):
    test = make_tested(cast)
    job = analyses.request_analysis(test, by=cast.analyst)
    passes.add_passes(test, by=cast.analyst, files=[("late.csv", trace_file(9))])
    jobs.run(job.pk)
    run = AnalysisRun.objects.get()
    assert [one["file"] for one in run.inputs["passes"]] == ["pass1.csv", "pass2.csv", "pass3.csv"]
    assert run.accepted_passes == 3
    assert run.weather["delta_t_c"] == pytest.approx(5.1, abs=0.6)  # check-values 7, 18 °C 55 %


def test_same_inputs_same_bytes(cast: Cast):
    test = make_tested(cast)
    first, second = make_analysis(cast, test), make_analysis(cast, test)
    assert first.document == second.document
    assert first.inputs_digest == second.inputs_digest
    assert (first.number, second.number) == (1, 2)


def test_overrule_reaches_the_analysis(cast: Cast):
    test = make_tested(cast)
    passes.overrule(test.passes.first(), by=cast.analyst, overrule="leave_out", reason="Gust")
    run = make_analysis(cast, test)
    assert run.accepted_passes == 2
    assert "Gust" in run.document


def test_analysis_of_hopeless_passes_fails_in_words(cast: Cast, test_row):
    flat = b"position_ft,reading\n" + b"".join(b"%d,40\n" % n for n in range(100))
    passes.add_passes(test_row, by=cast.analyst, files=[("flat.csv", flat)])
    job = analyses.request_analysis(test_row, by=cast.analyst)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == "failed"
    assert "flat.csv" in job.reason
    assert "Traceback" not in job.reason


@pytest.mark.parametrize(
    "settings",
    [
        {"cv_limit_percent": 90.0},
        {"line_error_m": -1.0},
        {"centring": "nose"},
        {"sweep": "furlongs"},
    ],
)
def test_bad_settings_refused(cast: Cast, settings: dict):
    test = make_tested(cast)
    with pytest.raises(ValidationError):
        analyses.request_analysis(test, by=cast.analyst, settings=analyses.Settings(**settings))
    assert not Job.objects.exclude(state__in=ENDED).exists()


# --- approvals and standing


def test_approve_only_analyst(cast: Cast):
    run = make_analysis(cast)
    for person in (cast.owner, cast.staff):
        with pytest.raises(PermissionDenied):
            approvals.approve(
                run, by=person, swath_m=15.0, manner="one_way", valid_until=timezone.localdate()
            )


def test_swath_outside_the_evidence_needs_a_reason(cast: Cast):
    run = make_analysis(cast)
    wide = run.back_and_forth_swath_m + 1.0
    with pytest.raises(ValidationError, match="recommends no more than"):
        make_approval(cast, run, swath_m=wide)
    assert not Approval.objects.exists()
    granted = make_approval(cast, run, swath_m=wide, outside_reason="Flown under GPS, no gusts")
    assert granted.outside_reason


@pytest.mark.parametrize("days", [-1, 6 * 366])
def test_valid_until_must_be_sensible(cast: Cast, days: int):
    run = make_analysis(cast)
    until = timezone.localdate() + datetime.timedelta(days=days)
    with pytest.raises(ValidationError, match="five years ahead"):
        make_approval(cast, run, valid_until=until)


def test_new_approval_supersedes_the_old_one(cast: Cast):
    run = make_analysis(cast)
    first = make_approval(cast, run)
    second = make_approval(cast, run, swath_m=run.back_and_forth_swath_m - 1.0)
    assert second.supersedes == first
    [standing] = standings(cast.owner)
    assert standing.approval == second
    with pytest.raises(ValidationError, match="newer approval"):
        approvals.withdraw(first, by=cast.analyst, reason="old")


def test_purposes_stand_side_by_side(cast: Cast):
    aircraft = make_aircraft(cast)
    for purpose in ("Main season work", "Edges near sensitive ground"):
        make_approval(
            cast,
            make_analysis(cast, make_tested(cast, make_setup(cast, aircraft, purpose=purpose))),
        )
    assert [s.state for s in standings(cast.owner)] == ["approved", "approved"]


def test_new_revision_ends_the_approval(cast: Cast):
    aircraft = make_aircraft(cast)
    approval = make_approval(
        cast, make_analysis(cast, make_tested(cast, make_setup(cast, aircraft)))
    )
    make_setup(cast, aircraft, pressure_kpa=310.0)
    [standing] = standings(cast.owner)
    assert standing.state == "changed"
    assert standing.due_on == timezone.localdate()
    assert "test again" in standing.why
    assert standing_of(approval).state == "changed"


def test_approval_on_a_superseded_setup_refused(cast: Cast):
    aircraft = make_aircraft(cast)
    run = make_analysis(cast, make_tested(cast, make_setup(cast, aircraft)))
    make_setup(cast, aircraft, pressure_kpa=310.0)
    with pytest.raises(ValidationError, match="changed to revision 2; test again"):
        make_approval(cast, run)


def test_withdrawal(cast: Cast):
    approval = make_approval(cast)
    with pytest.raises(ValidationError, match="Say why"):
        approvals.withdraw(approval, by=cast.analyst, reason="")
    approvals.withdraw(approval, by=cast.analyst, reason="Nozzles were mixed up")
    [standing] = standings(cast.owner)
    assert standing.state == "withdrawn"
    assert "Nozzles were mixed up" in standing.why
    with pytest.raises(ValidationError, match="withdrawn before"):
        approvals.withdraw(approval, by=cast.analyst, reason="again")


@pytest.mark.parametrize(
    ("days_after_end", "state"),
    [(-31, "approved"), (-30, "due_soon"), (0, "due_soon"), (1, "expired")],
)
def test_standing_on_the_calendar(cast: Cast, days_after_end: int, state: str):
    approval = make_approval(cast)
    today = approval.valid_until + datetime.timedelta(days=days_after_end)
    [standing] = standings(cast.owner, today=today)
    assert standing.state == state
    assert standing.due_on == approval.valid_until


def test_standings_sorted_by_due_and_own_only(cast: Cast):
    make_approval(cast)
    second = make_aircraft(cast, number=2)
    make_setup(cast, second)
    make_aircraft(cast, number=3)
    make_aircraft(cast, cast.other_operator)
    found = standings(cast.owner)
    assert [s.state for s in found] == ["untested", "approved", "no_setup"]
    assert {s.aircraft.operator_id for s in found} == {cast.operator.pk}
    assert len(standings(cast.staff)) == 4


def test_standings_query_count_does_not_grow(cast: Cast, django_assert_num_queries):
    for number in (1, 2, 3):
        make_setup(cast, make_aircraft(cast, number=number))
        with django_assert_num_queries(3):  # aircraft, set-ups, approvals
            standings(cast.staff)


def test_retired_aircraft_is_not_due(cast: Cast):
    approval = make_approval(cast)
    aircraft_services.change_aircraft(
        approval.aircraft, by=cast.staff, retired_on=timezone.localdate()
    )
    assert standings(cast.staff) == []
