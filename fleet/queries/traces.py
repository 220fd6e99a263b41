"""The raw files of a test, read the way the test says."""

from __future__ import annotations

from fleet import storage
from fleet.models import FlightPass, Test
from patterns.tracefile import ReadOptions, Trace, read_trace


def read_options(test: Test) -> ReadOptions:
    """Return how the files of a test are to be read."""
    return ReadOptions(
        unit=test.file_unit or None,
        origin=test.file_origin or None,  # type: ignore[arg-type]
        flight_line=test.file_flight_line,
    )


def read_pass(test: Test, flight_pass: FlightPass) -> Trace:
    """Return the trace of a pass that has a file.

    Raises TraceFileError when the file cannot be read so, KeptFileError when it is damaged.
    """
    assert flight_pass.raw_file is not None
    data = storage.fetch(flight_pass.raw_file.digest)
    return read_trace(data, source=flight_pass.raw_file.name, options=read_options(test))
