"""Jobs about a record: the one under way, and the last."""

from __future__ import annotations

from django.db.models import Model, QuerySet

from fleet.models import ENDED, Job


def last_of(subject: Model, *kinds: str) -> Job | None:
    """Return the newest job of some kinds about a record, whatever its state."""
    return _about(subject, kinds).first()


def under_way(subject: Model, *kinds: str) -> Job | None:
    """Return the job of some kinds about a record that has not ended, or None."""
    return _about(subject, kinds).exclude(state__in=ENDED).first()


def _about(subject: Model, kinds: tuple[str, ...]) -> QuerySet[Job]:
    rows: QuerySet[Job] = Job.objects.filter(kind__in=kinds, subject_id=subject.pk)
    return rows.order_by("-created_at", "-id")
