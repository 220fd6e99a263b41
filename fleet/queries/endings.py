"""Whether an approval stands, or what ended it: nothing ended may look like one in force."""

from __future__ import annotations

import datetime

from django.db.models import Case, CharField, Exists, OuterRef, Value, When
from django.utils import timezone

from fleet.models import Approval, SetUp

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

    The same cases as `queries.standing.judge`, set-wise and for every approval; `ending_of` has
    them in the same order.
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


def ending_of(approval: Approval, newest: SetUp, today: datetime.date) -> str:
    """The same of one approval whose aircraft, set-up and what ended it are at hand: no query.

    `newest` is the newest set-up of the approval's aircraft and purpose.
    """
    if getattr(approval, "superseded_by", None) is not None:
        return "superseded"
    if newest.number > approval.setup.number:
        return "changed"
    if getattr(approval, "withdrawal", None) is not None:
        return "withdrawn"
    if approval.valid_until < today:
        return "expired"
    return "in_force" if approval.aircraft.retired_on is None else "retired"
