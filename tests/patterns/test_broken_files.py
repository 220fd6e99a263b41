"""Broken trace files: each is refused with what is wrong, where, and what would be right."""

import pickle
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from patterns.errors import InputError, PatternError, TraceFileError
from patterns.tracefile import ReadOptions, Trace, read_trace
from tests.patterns.broken import ROWS, Broken, swap, text
from tests.patterns.broken_kinds import BROKEN_KINDS
from tests.patterns.broken_rows import BROKEN_ROWS

BROKEN = [*BROKEN_KINDS, *BROKEN_ROWS]


@pytest.mark.parametrize("broken", BROKEN, ids=lambda broken: broken.name)
def test_a_broken_file_is_refused_with_its_error(broken: Broken) -> None:
    with pytest.raises(PatternError) as caught:
        read_trace(broken.data, source="pass1.csv", options=broken.options)
    assert str(caught.value) == broken.error
    # Errors travel from the worker to the page.
    again = pickle.loads(pickle.dumps(caught.value))
    assert (type(again), str(again)) == (type(caught.value), broken.error)


def test_the_table_is_long_and_each_case_stands_once() -> None:
    assert len(BROKEN) >= 45
    assert len({broken.name for broken in BROKEN}) == len(BROKEN)
    assert len({broken.data for broken in BROKEN}) > 70
    assert len({broken.error for broken in BROKEN}) > 70


def test_an_error_of_the_file_tells_its_parts() -> None:
    with pytest.raises(TraceFileError) as caught:
        read_trace(swap(ROWS, 5, "4,OVER"), source="pass1.csv")
    assert caught.value.source == "pass1.csv"
    assert caught.value.line == 6
    assert caught.value.problem == "the reading is 'OVER', which is not a number"
    assert caught.value.remedy.startswith("write a number there")


def test_an_error_of_the_caller_tells_its_parts() -> None:
    with pytest.raises(InputError) as caught:
        read_trace(text(*ROWS), source="pass1.csv", options=ReadOptions(unit="mph"))
    assert caught.value.what == "unit"


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("row", range(12))
def test_the_line_is_right_whatever_stands_above(line_end: str, encoding: str, row: int) -> None:
    above = ["# Über dem Feld", "", "Gain: 4", "   ", "#", ROWS[0], "# dry"]
    bad = [*ROWS[1 : row + 1], "4,wet", *ROWS[row + 2 :]]
    data = line_end.join([*above, *bad]).encode(encoding)
    with pytest.raises(TraceFileError) as caught:
        read_trace(data, source="pass1.csv")
    assert caught.value.line == len(above) + row + 1


GOOD = text("Gain: 4", "position_ft;reading", *(f"{i},5;{10 + i}" for i in range(30)))


def is_whole(trace: Trace) -> bool:
    position, reading = trace.position_m, trace.reading
    return len(position) == len(reading) == len(trace.saturated) >= 8


@given(cut=st.integers(0, len(GOOD)))
def test_a_file_cut_anywhere_is_read_or_refused(cut: int) -> None:
    try:
        assert is_whole(read_trace(GOOD[:cut], source="cut.csv"))
    except TraceFileError:
        return


@given(place=st.integers(0, len(GOOD)), noise=st.binary(max_size=12))
def test_noise_anywhere_is_read_or_refused(place: int, noise: bytes) -> None:
    try:
        assert is_whole(read_trace(GOOD[:place] + noise + GOOD[place:], source="noise.csv"))
    except TraceFileError:
        return


@given(data=st.binary(max_size=200))
def test_any_bytes_are_refused_and_nothing_else(data: bytes) -> None:
    with pytest.raises(TraceFileError):
        read_trace(data, source="bytes")


@pytest.mark.parametrize(
    "cell", ["9" * 90_000 + "x", "a(" + " " * 90_000, "aB" * 45_000, "1.000." * 15_000]
)
@pytest.mark.parametrize("place", [0, 5])
def test_an_odd_long_cell_is_read_in_the_time_of_a_blink(cell: str, place: int) -> None:
    # An expression that backtracks over 90,000 characters would need minutes.
    begun = time.process_time()
    with pytest.raises(TraceFileError):
        read_trace(swap(ROWS, place, f"1,{cell}"), source="odd.csv")
    assert time.process_time() - begun < 2.0
