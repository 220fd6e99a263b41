"""How good each pass of a test is, at once and without the sweep of an analysis.

The passes are prepared and judged together by the same functions and on the same grid as the
analysis will use, so what is said here is what the analysis will do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.models import FlightPass, Test
from fleet.queries.traces import read_pass
from fleet.storage import KeptFileError
from patterns.analyse import Parameters, grid_of
from patterns.average import Overrule, judge
from patterns.errors import PatternError
from patterns.remarks import Remark
from patterns.trace import PreparedPass, prepare_pass
from patterns.tracefile import Trace


@dataclass(frozen=True, slots=True)
class Quality:
    """One pass: its readings, what was made of them, and whether it counts.

    A pass that was broken off has neither; a file that cannot be read any more has an `error`.
    """

    flight_pass: FlightPass
    trace: Trace | None = None
    prepared: PreparedPass | None = None
    step_m: float | None = None
    accepted: bool = False
    remarks: tuple[Remark, ...] = ()
    error: str = ""

    @property
    def state(self) -> str:
        """Return the code of its state."""
        if self.flight_pass.raw_file_id is None:
            return "aborted"
        if self.error:
            return "failed"
        return "accepted" if self.accepted else "left_out"

    @property
    def words(self) -> str:
        """Return its state in words."""
        return {
            "aborted": "Broken off",
            "failed": "Cannot be read",
            "accepted": "Counts",
            "left_out": "Left out",
        }[self.state]


def quality_of(test: Test, passes: Sequence[FlightPass], parameters: Parameters) -> list[Quality]:
    """Judge the passes of a test together, in the order given."""
    read: dict[object, Trace] = {}
    errors: dict[object, str] = {}
    for flight_pass in passes:
        if flight_pass.raw_file_id is None:
            continue
        try:
            read[flight_pass.pk] = read_pass(test, flight_pass)
        except (PatternError, KeptFileError) as error:
            errors[flight_pass.pk] = str(error)
    judged = _judged([p for p in passes if p.pk in read], read, parameters)
    return [judged.get(p.pk) or Quality(p, error=errors.get(p.pk, "")) for p in passes]


def _judged(
    passes: list[FlightPass], read: dict[object, Trace], parameters: Parameters
) -> dict[object, Quality]:
    if not passes:
        return {}
    traces = [read[p.pk] for p in passes]
    grid = grid_of(traces, parameters)
    prepared = [prepare_pass(trace, grid, parameters.one_pass) for trace in traces]
    overrules: list[Overrule | None] = [p.overrule or None for p in passes]  # type: ignore[misc]
    reasons = [p.overrule_reason for p in passes]
    verdicts = judge(prepared, overrules, parameters.judge, reasons)
    return {
        p.pk: Quality(p, trace, made, grid.step_m, verdict.accepted, verdict.remarks)
        for p, trace, made, verdict in zip(passes, traces, prepared, verdicts, strict=True)
    }
