"""Saturated readings: stated, told from a converter's full scale, or guessed from a plateau."""

from typing import Any

import numpy as np
import pytest

from patterns.readings import plateau
from patterns.remarks import Remark
from patterns.tracefile import ReadOptions, Trace, read_trace


def text(*lines: str) -> str:
    return "\n".join(lines) + "\n"


def read(written: str, **options: Any) -> Trace:
    return read_trace(written.encode(), source="pass1.csv", options=ReadOptions(**options))


def clipped(limit: float) -> str:
    x = np.arange(0.0, 20.0, 0.1)
    noise = np.random.default_rng(20260502).normal(0.0, 6.0, len(x))
    y = np.minimum(1000 * np.exp(-(((x - 10) / 4) ** 2)) + noise, limit)
    return text("x_m,counts", *(f"{a:.1f},{b:.0f}" for a, b in zip(x, y, strict=True)))


def test_a_stated_limit() -> None:
    trace = read(
        text(
            "x_m,counts", *(f"{x},{y}" for x, y in enumerate((5, 5, 20, 80, 120, 130, 90, 30, 5)))
        ),
        saturation=120.0,
        flight_line=4.0,
    )
    np.testing.assert_array_equal(np.flatnonzero(trace.saturated), [4, 5])
    (remark,) = trace.remarks
    assert remark == Remark(
        "saturated",
        "The reading is saturated from 0.00 to 1.00 m, so the true deposit there is higher. "
        "The instrument saturates at 120.",
        "suspect",
        0.0,
        1.0,
    )


def test_one_position_of_a_hundred_is_a_warning() -> None:
    trace = read(
        text("x_m,counts", *(f"{i / 10},{i}" for i in range(100))), saturation=99.0, flight_line=5.0
    )
    assert [remark.weight for remark in trace.remarks] == ["warning"]


def test_a_plateau_is_found_without_a_limit() -> None:
    trace = read(clipped(900.0), flight_line=10.0)
    np.testing.assert_array_equal(trace.saturated, trace.reading == 900.0)
    assert trace.saturated.sum() > 10
    # Nobody said so, and an even deposit has a level top, too: the analyst is asked to look.
    assert {(remark.code, remark.weight) for remark in trace.remarks} == {("plateau", "warning")}


def test_a_summit_is_no_plateau() -> None:
    assert not read(clipped(2000.0)).saturated.any()


def test_a_rounded_summit_written_in_whole_counts_is_no_plateau() -> None:
    # Near its top this curve changes by less than one count over many positions.
    counts = np.round(200 * np.exp(-((np.linspace(-2, 2, 401)) ** 2)))
    assert (counts == 200).sum() > 10
    assert not plateau(counts).any()


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_two_readings_at_a_converters_full_scale(bits: int) -> None:
    full = 2.0**bits - 1
    np.testing.assert_array_equal(
        plateau(np.array([1.0, 5.0, full, full, 9.0, full])),
        [False, False, True, True, False, True],
    )
    assert not plateau(np.array([1.0, 5.0, full, 9.0, 2.0])).any()


def test_a_full_scale_is_no_guess() -> None:
    trace = read(clipped(1023.0 * 0.8).replace(",818\n", ",1023\n"), flight_line=10.0)
    assert {(remark.code, remark.weight) for remark in trace.remarks} == {("saturated", "suspect")}
    assert trace.remarks[0].text.endswith("1023 is the full scale of a converter.")


def test_a_reading_that_never_changes_is_left_to_the_analysis() -> None:
    trace = read(text("x_m,counts", *(f"{x},7" for x in range(10))), flight_line=4.0)
    assert not trace.saturated.any()
