"""What a check of a paper may tell, to anybody: what the paper itself says and how it stands.

These are the only reads that are open to visitors; each looks up one paper by something only the
holder of the paper has: its code, or its bytes.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import QuerySet

from fleet import tenancy
from fleet.models import Paper, PaperSlip
from fleet.paper_codes import Statement
from fleet.queries.papers import STANDS_ON, Verdict, verdict_on


@dataclass(frozen=True, slots=True)
class Checked:
    """A paper that was found, and how it stands; `paper` is None while it is being made."""

    slip: PaperSlip | None
    paper: Paper | None
    verdict: Verdict | None


def by_code(code: str) -> Checked | None:
    """Look up the paper with this short code (as `paper_codes.typed` gives it)."""
    with tenancy.everyone():
        slip = PaperSlip.objects.filter(code=code).select_related("series", "void").first()
        if slip is None:
            return None
        paper = _papers().filter(slip=slip).first()
        return Checked(slip, paper, verdict_on(paper) if paper else None)


def by_digest(digest: str) -> Checked | None:
    """Look up the paper whose bytes have this SHA-256."""
    with tenancy.everyone():
        paper = _papers().filter(digest=digest).first()
        return Checked(paper.slip, paper, verdict_on(paper)) if paper else None


def agrees(statement: Statement, found: Checked) -> bool:
    """Whether a signed code and the paper on record say the same."""
    if found.slip is None or found.paper is None:
        return False
    return (
        statement.name == found.slip.name
        and statement.code == found.slip.code
        and statement.valid_until == found.paper.valid_until
        and statement.is_about(found.paper.record.encode(), found.paper.record_digest)
    )


def _papers() -> QuerySet[Paper]:
    rows: QuerySet[Paper] = Paper.objects.select_related(
        *STANDS_ON, "approval__setup", "slip__void"
    )
    return rows
