"""Spray pattern tests in numbers: from the readings along a string to the swath.

Bytes and arrays in, frozen dataclasses out; no clock, no settings, no global state.

>>> from patterns import PassInput, analyse, read_trace, to_bytes
>>> trace = read_trace(data, source="pass 1.csv")  # doctest: +SKIP
>>> analysis = analyse([PassInput(trace)])  # doctest: +SKIP
>>> analysis.recommended.one_way.swath_m  # doctest: +SKIP

The modules: `tracefile` reads a file, `trace` prepares one pass, `average` lays the passes
together, `overlap` and `uniformity` give the evenness against swath, `swath` chooses, `zones` finds
low and high spots, `analyse` composes them, `document` writes the result down; `draw` draws it.
`units`, `rate`, `wind` and `weather` stand beside them; `plain` has what documents share;
`cards` does for droplet cards what these do for the string.
"""

from patterns.analyse import METHOD_VERSION, Analysis, Parameters, PassInput, PassOutcome, analyse
from patterns.document import from_document, to_bytes, to_document
from patterns.errors import InputError, PatternError, TraceFileError
from patterns.remarks import Remark
from patterns.tracefile import ReadOptions, Trace, read_trace

__all__ = [
    "METHOD_VERSION",
    "Analysis",
    "InputError",
    "Parameters",
    "PassInput",
    "PassOutcome",
    "PatternError",
    "ReadOptions",
    "Remark",
    "Trace",
    "TraceFileError",
    "analyse",
    "from_document",
    "read_trace",
    "to_bytes",
    "to_document",
]
