"""Whether an approval stands, or what ended it: nothing ended may look like one in force."""

from __future__ import annotations

from django.db.models import Case, CharField, Exists, OuterRef, Value, When
from django.utils import timezone

from fleet.models import SetUp

ENDINGS = {
    "in_force": "In force",
    "superseded": "Superseded",
    "changed": "Set-up changed",
    "withdrawn": "Withdrawn",
    "expired": "Ended",
    "retired": "Out of service",
}


def approval_state() -> Case:
    """Whether an approval stands today, or else what ended it: a key of `ENDINGS`.

    The same cases as `queries.standing.judge`, set-wise and for every approval.
    """
    newer = SetUp.objects.filter(
        aircraft=OuterRef("aircraft"),
        purpose_key=OuterRef("setup__purpose_key"),
        number__gt=OuterRef("setup__number"),
    )
    return Case(
        When(superseded_by__isnull=False, then=Value("superseded")),
        When(Exists(newer), then=Value("changed")),
        When(withdrawal__isnull=False, then=Value("withdrawn")),
        When(valid_until__lt=timezone.localdate(), then=Value("expired")),
        When(aircraft__retired_on__isnull=False, then=Value("retired")),
        default=Value("in_force"),
        output_field=CharField(),
    )
