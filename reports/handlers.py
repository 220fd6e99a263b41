"""Job kinds that make papers."""

from __future__ import annotations

from collections.abc import Callable

from fleet import jobs, storage
from fleet.models import AnalysisRun, Approval, Job
from fleet.queries.cards import cards_of_test
from fleet.services import papers
from reports import test_report


@jobs.handler("report")
def make_report(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Make the test report of an analysis; the returned function issues it as a paper."""
    progress(0.1, "Gathering what the test found")
    analysis = AnalysisRun.objects.select_related(
        "operator", "test__setup__aircraft", "test__visit__analyst"
    ).get(pk=job.subject_id)
    wanted = job.parameters
    approval = test_report.shown_approval(analysis, wanted["approval"])
    assert job.requested_by is not None
    cards = cards_of_test(job.requested_by, analysis.test)
    progress(0.3, "Drawing the charts and setting the pages")
    pdf = test_report.render(
        analysis,
        approval,
        system=wanted["unit_system"],
        page_size=wanted["page_size"],
        cards=cards,
    )
    progress(0.9, "Keeping the report")
    digest = storage.keep(pdf)
    return lambda: _issue(job, analysis, approval, digest)


def _issue(job: Job, analysis: AnalysisRun, approval: Approval | None, digest: str) -> None:
    papers.issue(job, analysis, approval, digest)
