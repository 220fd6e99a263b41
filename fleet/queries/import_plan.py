"""What a spreadsheet would do, step by step: the plan that is looked at before it is done."""

from __future__ import annotations

import datetime
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
        """Say so when a file changes more than one deed can carry out, "" when it does not."""
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


Document = Mapping[str, Any]
"""A plan as it is kept: `mark`, `remarks`, `too_many` and `rows`, all of it JSON."""


def document(plan: Plan, before: Document) -> dict[str, Any]:
    """Return a plan as it is kept with the file, values in SI.

    A row is `moved` when it comes out otherwise than in `before`, the plan that was there.
    """
    were = {row["row"]: {**row, "moved": False} for row in before.get("rows", ())}
    rows = [_row(row) for row in plan.rows]
    for row in rows:
        row["moved"] = row != were.get(row["row"], row)
    return {
        "mark": plan.mark,
        "remarks": [*plan.remarks],
        "too_many": plan.too_many,
        "rows": rows,
    }


def _row(row: PlanRow) -> dict[str, Any]:
    return {
        "row": row.row,
        "operator": row.operator,
        "registration": row.registration,
        "state": row.state,
        "moved": False,
        "steps": [
            {
                "what": step.what,
                "action": step.action,
                "name": step.name,
                "differences": [
                    {"field": one.field, "old": _plain(one.old), "new": _plain(one.new)}
                    for one in step.differences
                ],
            }
            for step in row.steps
        ],
        "faults": [
            {"row": one.row, "column": one.column, "what": one.what, "right": one.right}
            for one in row.faults
        ],
    }


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, int | float | str):
        return value
    return value.isoformat() if isinstance(value, datetime.date) else str(value)


def rows_shown(kept: Document, state: str) -> list[dict[str, Any]]:
    """Return the kept rows of a state, those that "moved", or "all"."""
    rows: list[dict[str, Any]] = kept.get("rows", [])
    if state == "moved":
        return [row for row in rows if row["moved"]]
    return [row for row in rows if state in ("all", row["state"])]


def may_be_done(kept: Document) -> bool:
    """Say whether a kept plan can be carried out: something to do, nothing wrong, not too much."""
    acts = any(step["action"] != "same" for row in kept.get("rows", ()) for step in row["steps"])
    return acts and not kept["too_many"] and not any(row["faults"] for row in kept["rows"])
