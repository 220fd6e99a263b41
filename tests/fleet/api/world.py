"""One of everything, for tests that look at all addresses."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import pytest

from fleet import jobs, storage, tenancy
from fleet.models import (
    Aircraft,
    AnalysisRun,
    Approval,
    CardRun,
    CardScan,
    FlightPass,
    Job,
    Operator,
    Paper,
    PaperSlip,
    SetUp,
    Test,
    Visit,
)
from fleet.services import papers
from fleet.services import passes as pass_services
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_cards,
    make_setup,
    make_test,
    make_visit,
    trace_file,
)

BYTES = b"%PDF-1.7 made by the test"


@dataclass(frozen=True, slots=True)
class World:
    """A chain from an operator to a paper."""

    operator: Operator
    aircraft: Aircraft
    setup: SetUp
    visit: Visit
    test: Test
    flight_pass: FlightPass
    card_scan: CardScan
    card_run: CardRun
    analysis: AnalysisRun
    job: Job
    approval: Approval
    paper: Paper


def issue(job: Job) -> Paper:
    """Issue the paper of a job, as the worker does once it is drawn."""
    slip = PaperSlip.objects.get(pk=job.subject_id)
    return papers.issue(
        job,
        slip,
        papers.Made(
            title="Test report",
            valid_until=None,
            record="{}",
            record_digest=storage.digest_of(b"{}"),
            signed="",
            digest=storage.keep(BYTES),
            size=len(BYTES),
        ),
    )


def make_world(
    cast: Cast, monkeypatch: pytest.MonkeyPatch, operator: Operator | None = None, number: int = 1
) -> World:
    """Make the chain; how a paper is drawn is the business of `reports` and its tests."""
    monkeypatch.setitem(jobs._handlers, "paper", lambda job, progress: lambda: None)
    with tenancy.everyone():
        aircraft = make_aircraft(cast, operator, number)
        setup = make_setup(cast, aircraft)
        visit = make_visit(cast, datetime.date(2026, 4, 13 + number))
        test = make_test(cast, setup, visit)
        files = [("one.csv", trace_file(seed=1)), ("two.csv", trace_file(seed=2))]
        first, _ = pass_services.add_passes(test, by=cast.analyst, files=files)
        assert first.flight_pass is not None, first.error
        scan = make_cards(cast, test, cards=1)
        analysis = make_analysis(cast, test)
        approval = make_approval(cast, analysis)
        job = papers.request_report(analysis, by=cast.analyst)
        return World(
            operator=aircraft.operator,
            aircraft=aircraft,
            setup=setup,
            visit=visit,
            test=test,
            flight_pass=first.flight_pass,
            card_scan=scan,
            card_run=scan.runs.get(),
            analysis=analysis,
            job=job,
            approval=approval,
            paper=issue(job),
        )
