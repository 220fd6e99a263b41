"""Whether an approval that is shown still stands: nothing ended may look like one in force."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.models import Approval, Person
from fleet.queries.approvals import judged_approvals_of
from fleet.queries.progress import Progress


def with_state(person: Person, approvals: Iterable[Approval]) -> list[Approval]:
    """Return approvals, each with `state`: a key of `queries.approvals.ENDINGS`. One query.

    What the person may not see is left out.
    """
    rows = list(approvals)
    states = dict(
        judged_approvals_of(person)
        .filter(pk__in=[one.pk for one in rows])
        .order_by()
        .values_list("pk", "state")
    )
    seen = [one for one in rows if one.pk in states]
    for one in seen:
        one.state = states[one.pk]
    return seen


def judge_progress(person: Person, tests: Iterable[Progress]) -> None:
    """Set `state` on the approvals that rest on these tests. One query, or none."""
    held = [one.approval for one in tests if one.approval is not None]
    if held:
        with_state(person, held)
