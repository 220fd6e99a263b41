"""The job that makes papers."""

from __future__ import annotations

from collections.abc import Callable

from fleet import jobs, storage
from fleet.models import Job, PaperKind, PaperSlip
from fleet.services import papers
from reports.kinds import MAKERS
from reports.paper import make

# What a slip needs for its foot, and what each kind of paper is about, in one query: a query that
# joined everything would take longer to write than to answer.
ALL = ("operator", "series", "replaces__slip__series", "asked_by")
ABOUT = {
    PaperKind.TEST_REPORT: (
        "analysis__operator",
        "analysis__test__setup__aircraft",
        "analysis__test__visit__analyst",
    ),
    PaperKind.SWATH_CARD: ("aircraft__operator",),
    PaperKind.CERTIFICATE: ("aircraft__operator", "requirement__jurisdiction"),
    PaperKind.FLEET_STATEMENT: (),
    PaperKind.SEASON_RETURN: ("jurisdiction", "season"),
    PaperKind.VISIT_SUMMARY: ("visit__analyst", "visit__host"),
    PaperKind.PARTICIPATION: ("season",),
    PaperKind.THANKS: ("season",),
    PaperKind.FIELD_SHEET: ("visit__analyst", "visit__host", "aircraft__operator"),
}


@jobs.handler("paper")
def make_paper(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Make a paper outside any transaction; the returned function issues it."""
    about = ABOUT[job.parameters["kind"]]
    slip = PaperSlip.objects.select_related(*ALL, *about).get(pk=job.subject_id)
    draft = MAKERS[slip.kind](slip)
    progress(0.2, "Drawing the charts and setting the pages")
    done = make(slip, draft)
    made = papers.Made(
        title=draft.title,
        valid_until=draft.valid_until,
        record=done.record.decode(),
        record_digest=done.record_digest,
        signed=done.signed,
        digest=storage.keep(done.pdf),
        size=len(done.pdf),
    )
    return lambda: _issue(job, slip, made)


def _issue(job: Job, slip: PaperSlip, made: papers.Made) -> None:
    papers.issue(job, slip, made)
