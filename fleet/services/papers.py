"""Papers: asked for by whoever may see the aircraft, made and stored by a worker."""

from __future__ import annotations

from django.db import transaction

from fleet import audit, jobs, rules, storage
from fleet.models import ENDED, AnalysisRun, Approval, Job, Paper, Person
from fleet.services.base import refuse

PAGE_SIZES = ("letter", "a4")


@transaction.atomic
def request_report(analysis: AnalysisRun, *, by: Person, page_size: str = "letter") -> Job:
    """Ask for the test report of an analysis, in the person's own units.

    While the same report is being made, the job under way comes back.
    """
    rules.allow(rules.may_issue_papers, by)
    if page_size not in PAGE_SIZES:
        refuse({"page_size": [f"Must be one of {', '.join(PAGE_SIZES)}."]})
    approval = Approval.objects.filter(
        analysis=analysis, superseded_by__isnull=True, withdrawal__isnull=True
    ).first()
    parameters = {
        "page_size": page_size,
        "unit_system": by.unit_system,
        "approval": str(approval.pk) if approval else None,
    }
    under_way = Job.objects.filter(kind="report", subject_id=analysis.pk, requested_by=by)
    job: Job
    for job in under_way.exclude(state__in=ENDED):
        if job.parameters == parameters:
            return job
    audit.record("report_requested", analysis, by=by, operator=analysis.operator, after=parameters)
    return jobs.enqueue(
        "report", subject=analysis, operator=analysis.operator, by=by, parameters=parameters
    )


def issue(job: Job, analysis: AnalysisRun, approval: Approval | None, digest: str) -> Paper:
    """Record the paper that a worker has made and kept under `digest`."""
    assert job.requested_by is not None
    paper = Paper(
        operator=analysis.operator,
        kind="test_report",
        analysis=analysis,
        approval=approval,
        job=job,
        unit_system=job.parameters["unit_system"],
        page_size=job.parameters["page_size"],
        digest=digest,
        size=len(storage.fetch(digest)),
        issued_by=job.requested_by,
    )
    paper.save(force_insert=True)
    audit.record(
        "paper_issued",
        paper,
        by=None,
        operator=analysis.operator,
        after=audit.values(paper, ("kind", "digest", "page_size", "unit_system")),
    )
    return paper
