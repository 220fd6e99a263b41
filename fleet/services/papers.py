"""Papers: asked for with a number of their own, made by a worker, issued, reissued, withdrawn."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db import models, transaction
from django.db.models import Q
from django.utils import timezone

from fleet import audit, jobs, rules
from fleet.models import (
    ENDED,
    AnalysisRun,
    Approval,
    Job,
    JobState,
    Operator,
    Paper,
    PaperBatch,
    PaperBundle,
    PaperKind,
    PaperSeries,
    PaperSlip,
    PaperVoid,
    PaperWithdrawal,
    Person,
    Season,
)
from fleet.paper_codes import new_code
from fleet.queries.paper_batches import Wanted
from fleet.services.base import checked, refuse
from fleet.services.telling import tell_issued

PAGE_SIZES = ("letter", "a4")
Rule = Callable[[Person], bool]


@dataclass(frozen=True, slots=True)
class Sort:
    """What a kind of paper is about (fields of `PaperSlip`), and who may ask for it."""

    about: tuple[str, ...]
    may_ask: Rule
    optional: tuple[str, ...] = ()


SORTS: Final[Mapping[str, Sort]] = {
    PaperKind.TEST_REPORT: Sort(("analysis",), rules.may_issue_papers, ("approval",)),
    PaperKind.SWATH_CARD: Sort(("aircraft",), rules.may_issue_papers),
    PaperKind.CERTIFICATE: Sort(("aircraft", "requirement"), rules.may_certify),
    PaperKind.FLEET_STATEMENT: Sort((), rules.may_issue_papers),
    PaperKind.SEASON_RETURN: Sort(("jurisdiction", "season"), rules.may_certify),
    PaperKind.VISIT_SUMMARY: Sort(("visit",), rules.may_certify),
    PaperKind.PARTICIPATION: Sort(("season",), rules.may_certify),
    PaperKind.THANKS: Sort(("season", "giver"), rules.may_certify),
    PaperKind.FIELD_SHEET: Sort(("visit",), rules.may_certify, ("aircraft",)),
}


@transaction.atomic
def ask(
    kind: str,
    *,
    by: Person,
    operator: Operator | None = None,
    unit_system: str = "",
    page_size: str = "letter",
    batch: PaperBatch | None = None,
    replaces: Paper | None = None,
    reason: str = "",
    **about: Any,
) -> Job:
    """Ask for a paper: it gets its number and its code now, and is made by a worker.

    `about` holds what the kind of paper is about, as in `SORTS`. While the same person waits for
    the same paper, the job under way comes back and no number is taken.
    """
    sort = _sort_of(kind)
    rules.allow(sort.may_ask, by)
    _check(kind, sort, operator, page_size, about)
    wanted: dict[str, Any] = {
        "kind": kind,
        "unit_system": unit_system or by.unit_system,
        "page_size": page_size,
        "operator": _key(operator),
        "replaces": _key(replaces),
        **{name: _key(value) for name, value in about.items()},
    }
    under_way = _under_way(by, sort, wanted)
    if under_way is not None:
        return under_way
    series = _locked_series(kind, timezone.localdate().year)
    slip = PaperSlip(
        operator=operator,
        series=series,
        number=series.last_number,
        kind=kind,
        code=new_code(),
        batch=batch,
        replaces=replaces,
        reason=reason.strip(),
        unit_system=wanted["unit_system"],
        page_size=page_size,
        asked_by=by,
        **about,
    )
    slip.save(force_insert=True)
    audit.record("paper_asked", slip, by=by, operator=operator, after=wanted)
    return jobs.enqueue("paper", subject=slip, operator=operator, by=by, parameters=wanted)


def _sort_of(kind: str) -> Sort:
    if kind not in SORTS:
        refuse({"kind": [f"Must be one of {', '.join(SORTS)}."]})
    return SORTS[kind]


def _check(
    kind: str, sort: Sort, operator: Operator | None, page_size: str, about: Mapping[str, Any]
) -> None:
    errors: dict[str, list[str]] = {}
    if page_size not in PAGE_SIZES:
        errors["page_size"] = [f"Must be one of {', '.join(PAGE_SIZES)}."]
    for name in sort.about:
        if not about.get(name):
            errors[name] = [f"A {PaperKind(kind).label.lower()} needs it; say which."]
    for name in about:
        if name not in (*sort.about, *sort.optional):
            errors[name] = [f"A {PaperKind(kind).label.lower()} is not about that."]
    for name, one in about.items():
        owner = None if kind == PaperKind.FIELD_SHEET else getattr(one, "operator_id", None)
        if owner not in (None, operator.pk if operator else None):
            errors[name] = ["It is another operator's than the paper."]
    if kind == PaperKind.FLEET_STATEMENT and operator is None:
        errors["operator"] = ["A fleet statement is about an operator; say which."]
    refuse(errors)


def _key(value: Any) -> str | None:
    if isinstance(value, models.Model):
        return str(value.pk)
    return value or None


def _under_way(by: Person, sort: Sort, wanted: Mapping[str, Any]) -> Job | None:
    """Return the job of the same paper for the same person that has not ended.

    Looked for by what the paper is about: a batch may have asked for a thousand others before.
    """
    about = {name: wanted.get(name) for name in (*sort.about, *sort.optional)}
    same = {"operator": wanted["operator"], "replaces": wanted["replaces"], **about}
    slips = PaperSlip.objects.filter(
        *(
            Q(**{name: key}) if key else Q(**{f"{name}__isnull": True})
            for name, key in same.items()
        ),
        kind=wanted["kind"],
        unit_system=wanted["unit_system"],
        page_size=wanted["page_size"],
        asked_by=by,
        paper__isnull=True,
        void__isnull=True,
    )
    open_jobs = Job.objects.filter(kind="paper", requested_by=by, subject_id__in=slips.values("pk"))
    return open_jobs.exclude(state__in=ENDED).first()


def _locked_series(kind: str, year: int) -> PaperSeries:
    """Take the next number: the row stays locked until the slip is committed with it."""
    PaperSeries.objects.get_or_create(kind=kind, year=year)
    series = PaperSeries.objects.select_for_update().get(kind=kind, year=year)
    series.last_number += 1
    series.save(update_fields=["last_number"])
    return series


@transaction.atomic
def request_report(analysis: AnalysisRun, *, by: Person, page_size: str = "letter") -> Job:
    """Ask for the test report of an analysis, with the approval that stands on it."""
    approval = Approval.objects.filter(
        analysis=analysis, superseded_by__isnull=True, withdrawal__isnull=True
    ).first()
    return ask(
        PaperKind.TEST_REPORT,
        by=by,
        operator=analysis.operator,
        page_size=page_size,
        analysis=analysis,
        **({"approval": approval} if approval else {}),
    )


@transaction.atomic
def reissue(paper: Paper, *, by: Person, reason: str) -> Job:
    """Issue a paper anew, from what stands on record now; it supersedes the old one."""
    if paper.slip is None:
        refuse({"paper": ["It was issued before papers had numbers; ask for a new one."]})
    assert paper.slip is not None
    if not reason.strip():
        refuse({"reason": ["Say why; it stands on the new paper."]})
    _refuse_ended(paper)
    slip = paper.slip
    sort = _sort_of(slip.kind)
    about = {name: getattr(slip, name) for name in (*sort.about, *sort.optional)}
    return ask(
        slip.kind,
        by=by,
        operator=slip.operator,
        unit_system=slip.unit_system,
        page_size=slip.page_size,
        replaces=paper,
        reason=reason,
        **{name: value for name, value in about.items() if value},
    )


def _refuse_ended(paper: Paper) -> None:
    if PaperWithdrawal.objects.filter(paper=paper).exists():
        refuse({"paper": ["It was withdrawn before."]})
    if Paper.objects.filter(supersedes=paper).exists():
        refuse({"paper": ["A newer paper stands in its place."]})


@transaction.atomic
def withdraw_paper(paper: Paper, *, by: Person, reason: str) -> PaperWithdrawal:
    """Take a paper back: whoever checks it is told so from now on."""
    rules.allow(rules.may_certify, by)
    if not reason.strip():
        refuse({"reason": ["Say why; whoever keeps the record will ask."]})
    locked = Paper.objects.select_for_update().get(pk=paper.pk)
    _refuse_ended(locked)
    withdrawal = PaperWithdrawal(
        operator=paper.operator, paper=paper, reason=reason.strip(), withdrawn_by=by
    )
    withdrawal.save(force_insert=True)
    audit.record(
        "paper_withdrawn",
        paper,
        by=by,
        operator=paper.operator,
        after={"reason": withdrawal.reason},
    )
    return withdrawal


# --- A slip whose paper could not be made ---------------------------------------------------------


@transaction.atomic
def try_again(slip: PaperSlip, *, by: Person) -> Job:
    """Let a worker try again to make a paper, under the number it has."""
    rules.allow(_sort_of(slip.kind).may_ask, by)
    last = _last_job(slip)
    if last.state not in (JobState.FAILED, JobState.CRASHED):
        refuse({"slip": ["It is being made, or is made already."]})
    _refuse_void(slip)
    return jobs.enqueue(
        "paper", subject=slip, operator=slip.operator, by=by, parameters=last.parameters
    )


@transaction.atomic
def give_up(slip: PaperSlip, *, by: Person, reason: str) -> PaperVoid:
    """Give up a number whose paper cannot be made; it stays on record with the reason."""
    rules.allow(rules.may_certify, by)
    if not reason.strip():
        refuse({"reason": ["Say why; the number is missing among the papers for good."]})
    if _last_job(slip).state not in (JobState.FAILED, JobState.CRASHED):
        refuse({"slip": ["It is being made, or is made already."]})
    _refuse_void(slip)
    void = PaperVoid(operator=slip.operator, slip=slip, reason=reason.strip(), given_up_by=by)
    void.save(force_insert=True)
    audit.record(
        "paper_given_up", slip, by=by, operator=slip.operator, after={"reason": void.reason}
    )
    return void


def _last_job(slip: PaperSlip) -> Job:
    """Lock and return the newest job of a slip: whoever else decides about it waits."""
    rows = Job.objects.select_for_update().filter(kind="paper", subject_id=slip.pk)
    last: Job = rows.order_by("-created_at", "-id")[0]
    return last


def _refuse_void(slip: PaperSlip) -> None:
    if PaperVoid.objects.filter(slip=slip).exists():
        refuse({"slip": ["Its number was given up."]})


# --- A season's papers in one go ------------------------------------------------------------------


@transaction.atomic
def ask_batch(
    season: Season,
    *,
    by: Person,
    kinds: Sequence[str],
    wanted: Iterable[Wanted],
    unit_system: str = "",
    page_size: str = "letter",
) -> PaperBatch:
    """Ask for many papers at once: all get their numbers now, workers make them one by one.

    `wanted` says what each is about (`queries.paper_batches` gathers it for a season). Nothing is
    asked for when one of them cannot be.
    """
    rules.allow(rules.may_certify, by)
    found = list(wanted)
    if not found:
        refuse({"kinds": ["Nothing on record in this season asks for such a paper."]})
    batch = PaperBatch(
        season=season,
        kinds=list(kinds),
        unit_system=unit_system or by.unit_system,
        page_size=page_size,
        asked_by=by,
    )
    checked(batch)
    batch.save(force_insert=True)
    audit.record("papers_asked", batch, by=by, operator=None, after={"papers": len(found)})
    for one in found:
        ask(
            one.kind,
            by=by,
            operator=one.operator,
            unit_system=batch.unit_system,
            page_size=page_size,
            batch=batch,
            **one.about,
        )
    return batch


@transaction.atomic
def try_batch_again(batch: PaperBatch, *, by: Person) -> int:
    """Let workers try again what could not be made; how many there were."""
    rules.allow(rules.may_certify, by)
    left = [
        slip
        for slip in batch.slips.filter(paper__isnull=True, void__isnull=True)
        if _last_job(slip).state in (JobState.FAILED, JobState.CRASHED)
    ]
    for slip in left:
        try_again(slip, by=by)
    return len(left)


@transaction.atomic
def bundle(batch: PaperBatch, *, by: Person) -> Job:
    """Ask for one ZIP and one merged PDF of all papers of a batch that are issued."""
    rules.allow(rules.may_certify, by)
    PaperBatch.objects.select_for_update().get(pk=batch.pk)
    under_way = bundle_under_way(batch)
    if under_way is not None:
        return under_way
    papers = Paper.objects.filter(slip__batch=batch).count()
    if not papers:
        refuse({"batch": ["None of its papers is issued yet."]})
    return jobs.enqueue(
        "bundle", subject=batch, operator=None, by=by, parameters={"papers": papers}
    )


def bundle_under_way(batch: PaperBatch) -> Job | None:
    """Return the job that puts a batch together now, or None."""
    open_jobs = Job.objects.filter(kind="bundle", subject_id=batch.pk).exclude(state__in=ENDED)
    job: Job | None = open_jobs.first()
    return job


def keep_bundle(job: Job, batch: PaperBatch, files: Mapping[str, Any]) -> PaperBundle:
    """Record the bundle that a worker has made, within the transaction that ends the job."""
    bundle = PaperBundle(batch=batch, job=job, **files)
    bundle.save(force_insert=True)
    return bundle


# --- Issuing, by the worker -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Made:
    """A paper as made: where its bytes are kept, and what it says."""

    title: str
    valid_until: datetime.date | None
    record: str
    record_digest: str
    signed: str
    digest: str
    size: int


def issue(job: Job, slip: PaperSlip, made: Made) -> Paper:
    """Record the paper that a worker has made, within the transaction that ends the job."""
    if Paper.objects.filter(slip=slip).exists():
        raise jobs.JobRefused("This paper was made already.")
    if slip.replaces_id and Paper.objects.filter(supersedes=slip.replaces_id).exists():
        raise jobs.JobRefused("The paper to be replaced was replaced by another one meanwhile.")
    paper = Paper(
        operator=slip.operator,
        slip=slip,
        kind=slip.kind,
        analysis_id=slip.analysis_id,
        approval_id=slip.approval_id,
        job=job,
        unit_system=slip.unit_system,
        page_size=slip.page_size,
        supersedes=slip.replaces,
        issued_by=slip.asked_by,
        title=made.title[:200],
        valid_until=made.valid_until,
        record=made.record,
        record_digest=made.record_digest,
        signed=made.signed,
        digest=made.digest,
        size=made.size,
    )
    paper.save(force_insert=True)
    audit.record(
        "paper_issued",
        paper,
        by=None,
        operator=slip.operator,
        after={"number": slip.name, **audit.values(paper, ("kind", "digest", "supersedes"))},
    )
    tell_issued(paper)
    return paper
