"""All papers of a batch as one ZIP and one merged PDF."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from typing import Any

import pikepdf

from fleet import jobs, storage
from fleet.models import Job, Paper, PaperBatch
from fleet.queries.papers import file_name
from fleet.services import papers


@jobs.handler("bundle")
def make_bundle(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Gather the papers of a batch in the order of their numbers."""
    batch = PaperBatch.objects.get(pk=job.subject_id)
    issued = list(
        Paper.objects.filter(slip__batch=batch)
        .select_related("slip__series")
        .order_by("slip__kind", "slip__series__year", "slip__number")
        .defer("record")
    )
    packed, merged = io.BytesIO(), pikepdf.new()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for place, paper in enumerate(issued):
            progress(place / (len(issued) + 1), f"Paper {place + 1} of {len(issued)}")
            pdf = storage.fetch(paper.digest)
            entry = zipfile.ZipInfo(file_name(paper), paper.created_at.timetuple()[:6])
            archive.writestr(entry, pdf)
            _append(merged, pdf, paper)
    joined = io.BytesIO()
    merged.docinfo["/Title"] = str(batch)
    merged.save(joined, linearize=False, deterministic_id=True)
    kept = {
        "papers": len(issued),
        "zip_digest": storage.keep(packed.getvalue()),
        "zip_size": len(packed.getvalue()),
        "pdf_digest": storage.keep(joined.getvalue()),
        "pdf_size": len(joined.getvalue()),
    }
    return lambda: _keep(job, batch, kept)


def _append(merged: pikepdf.Pdf, pdf: bytes, paper: Paper) -> None:
    """Put a paper's pages at the end, with its number as a bookmark."""
    first = len(merged.pages)
    with pikepdf.open(io.BytesIO(pdf)) as one:
        merged.pages.extend(one.pages)
        with merged.open_outline() as outline:
            assert paper.slip is not None
            outline.root.append(pikepdf.OutlineItem(paper.slip.name, first))


def _keep(job: Job, batch: PaperBatch, kept: dict[str, Any]) -> None:
    papers.keep_bundle(job, batch, kept)
