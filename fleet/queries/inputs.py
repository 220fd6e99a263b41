"""What an analysis of a test would be made from now, and whether one that exists still is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fleet.models import AnalysisRun, FlightPass, Test
from fleet.queries.traces import read_options
from fleet.weather import conditions_of, weather_of


def inputs_of(test: Test, passes: Sequence[FlightPass]) -> dict[str, Any]:
    """Return conditions, weather, how files are read, and the passes that have a file."""
    options = read_options(test)
    with_file = [one for one in passes if one.raw_file is not None]
    return {
        "conditions": conditions_of(test),
        "weather": weather_of(test, with_file),
        "reading": {
            "unit": options.unit,
            "origin": options.origin,
            "flight_line": options.flight_line,
        },
        "passes": [
            {
                "number": one.number,
                "file": one.raw_file.name,
                "digest": one.raw_file.digest,
                "overrule": one.overrule,
                "overrule_reason": one.overrule_reason,
            }
            for one in with_file
            if one.raw_file is not None
        ],
    }


def is_current(run: AnalysisRun, test: Test, passes: Sequence[FlightPass]) -> bool:
    """Say whether an analysis was made from the passes and conditions as they stand now."""
    now = inputs_of(test, passes)
    weather = now.pop("weather")
    same: bool = run.inputs == now and run.weather == weather
    return same
