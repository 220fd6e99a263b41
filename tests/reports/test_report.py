"""The report as a job: from the rows to a paper that is kept."""

import pytest

from fleet import jobs, storage
from fleet.models import Paper
from fleet.services import papers
from tests.cast import Cast, make_approval

pytestmark = pytest.mark.usefixtures("everyone")


@pytest.mark.service
def test_a_report_is_made_kept_and_issued(cast: Cast) -> None:
    approval = make_approval(cast)
    job = papers.request_report(approval.analysis, by=cast.owner, page_size="a4")
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    paper = Paper.objects.get(job=job)
    assert (paper.analysis, paper.approval, paper.page_size) == (approval.analysis, approval, "a4")
    pdf = storage.fetch(paper.digest)
    assert pdf.startswith(b"%PDF-1.7")
    assert paper.size == len(pdf)
