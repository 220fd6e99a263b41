"""What a spreadsheet would do, step by step: the plan that is looked at before it is done."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from fleet.importing import Fault

What = Literal["operator", "member", "aircraft"]
# An association of 2,000 operators with 5,000 aircraft brings 9,000. While they are written other
# writers wait, on SQLite for at most 20 s; a thousand take half a second to a second.
MOST_STEPS = 12_000
Action = Literal["added", "changed", "same"]


@dataclass(frozen=True, slots=True)
class Difference:
    """A field that a row says otherwise than the record: values in SI, None for nothing."""

    field: str
    old: Any
    new: Any


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that a row brings: a new record with `values`, a change of `target`, or nothing."""

    row: int
    what: What
    action: Action
    name: str
    operator: str  # the name by which the operator is found while it is carried out
    target: Any = None
    values: Mapping[str, Any] = field(default_factory=dict)
    differences: tuple[Difference, ...] = ()


@dataclass(frozen=True, slots=True)
class PlanRow:
    """One row of the file, with what it brings and what is wrong with it."""

    row: int
    operator: str
    registration: str
    steps: tuple[Step, ...]
    faults: tuple[Fault, ...]

    @property
    def state(self) -> str:
        """Return "wrong", "added", "changed" or "same"."""
        actions = {step.action for step in self.steps}
        if self.faults:
            return "wrong"
        return next((one for one in ("added", "changed") if one in actions), "same")


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything that a file would do. It can be carried out when nothing is wrong."""

    rows: tuple[PlanRow, ...]
    remarks: tuple[str, ...]

    @property
    def steps(self) -> list[Step]:
        """Return the steps that change something, in the order of the file."""
        return [step for row in self.rows for step in row.steps if step.action != "same"]

    @property
    def too_many(self) -> str:
        """Say so when a file changes more than one request can carry out, "" when it does not."""
        count = len(self.steps)
        if count <= MOST_STEPS:
            return ""
        return (
            f"The file would add or change {count:,} records; at most {MOST_STEPS:,} are done at "
            "once. Split it into several files."
        )

    @property
    def faults(self) -> list[Fault]:
        """Return what is wrong, in the order of the file."""
        return [fault for row in self.rows for fault in row.faults]

    @property
    def tally(self) -> dict[str, Any]:
        """Return how many of each are added, changed and left, and how many rows are wrong."""
        counted = Counter((s.what, s.action) for row in self.rows for s in row.steps)
        return {
            **{
                what: {action: counted[what, action] for action in ("added", "changed", "same")}
                for what in ("operator", "member", "aircraft")
            },
            "rows": len(self.rows),
            "wrong": sum(bool(row.faults) for row in self.rows),
        }

    @property
    def mark(self) -> str:
        """Return a mark of all that would change: another mark means it is not what was seen."""
        said = hashlib.sha256()
        for step in self.steps:
            values = sorted((name, str(value)) for name, value in step.values.items())
            old = [(one.field, str(one.old)) for one in step.differences]
            said.update(repr((step.what, step.action, step.name, values, old)).encode())
        return said.hexdigest()[:16]


def rows_shown(plan: Plan, state: str) -> list[PlanRow]:
    """Return the rows of a state, all rows for "all"."""
    return [row for row in plan.rows if state in ("all", row.state)]
