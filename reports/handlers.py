"""The job that makes papers."""

from __future__ import annotations

from collections.abc import Callable

from fleet import jobs, storage
from fleet.models import Job, PaperSlip
from fleet.services import papers
from reports.kinds import MAKERS
from reports.paper import make

# Everything a slip may be about, in one query.
ABOUT = (
    "operator",
    "series",
    "replaces__slip__series",
    "asked_by",
    "analysis__operator",
    "analysis__test__setup__aircraft",
    "analysis__test__visit__analyst",
    "aircraft__operator",
    "requirement__jurisdiction",
    "jurisdiction",
    "season",
    "visit__analyst",
    "visit__host",
)


@jobs.handler("paper")
def make_paper(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Make a paper outside any transaction; the returned function issues it."""
    progress(0.1, "Gathering what is on record")
    slip = PaperSlip.objects.select_related(*ABOUT).get(pk=job.subject_id)
    draft = MAKERS[slip.kind](slip)
    progress(0.3, "Drawing the charts and setting the pages")
    done = make(slip, draft)
    progress(0.9, "Keeping the paper")
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
