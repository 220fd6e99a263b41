"""Trace files that are odd but good: each is read exactly, whatever wrote it."""

import hashlib
import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from patterns.remarks import Remark
from patterns.tracefile import ReadOptions, Trace, read_trace

PLACES = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9]
READINGS = [5, 5, 20, 80, 120, 130, 90, 30, 5, 4]
PAIRS = list(zip(PLACES, READINGS, strict=True))


def text(*lines: str, end: str = "\n") -> str:
    return end.join(lines) + end


def rows(form: str = "{},{}", places: list[Any] = PLACES) -> list[str]:
    return [form.format(x, y) for x, y in zip(places, READINGS, strict=True)]


def comma(number: float, form: str = "{:.1f}") -> str:
    return form.format(number).replace(".", ",")


CSV = text("position_m,reading", *rows())
SEMICOLON = text("position_m;reading", *rows("{};{}"))
DECIMAL_COMMA = [f"{comma(x)};{comma(y)}" for x, y in PAIRS]


@dataclass(frozen=True)
class Good:
    name: str
    data: bytes
    scale_m: float = 1.0
    """Metres of one step of `PLACES`."""
    options: dict[str, Any] = field(default_factory=dict)
    codes: tuple[str, ...] = ()


def good(name: str, written: str, scale_m: float = 1.0, *codes: str, **options: Any) -> Good:
    return Good(name, written.encode(), scale_m, options, codes)


def coded(name: str, data: bytes) -> Good:
    return Good(name, data)


# Exact factors: 1 ft = 0.3048 m, 1 in = 0.0254 m (international yard and pound agreement, 1959).
ODD_BUT_GOOD = [
    good("plain", CSV),
    coded("CR LF and byte order mark", b"\xef\xbb\xbf" + CSV.replace("\n", "\r\n").encode()),
    coded("CR alone", CSV.replace("\n", "\r").encode()),
    coded("UTF-16 with mark", SEMICOLON.encode("utf-16")),
    coded("UTF-16 big end first", b"\xfe\xff" + SEMICOLON.encode("utf-16-be")),
    coded("UTF-16 without mark", SEMICOLON.encode("utf-16-le")),
    coded("UTF-32", SEMICOLON.encode("utf-32")),
    coded("Latin-1", ("Fühler: 7 µm\n" + CSV).encode("latin-1")),
    coded("Windows-1252", ("Note: “string 2” – dry\n" + CSV).encode("cp1252")),
    coded("no line end at the end", CSV.rstrip().encode()),
    coded("Ctrl-Z at the end", CSV.encode() + b"\x1a"),
    good("decimal comma, semicolon", text("position_m;reading", *DECIMAL_COMMA)),
    good("decimal comma, tab", text("position_m;reading", *DECIMAL_COMMA).replace(";", "\t")),
    good(
        "decimal comma, quoted between commas",
        text('"position_m","reading"', *(f'"{comma(x)}","{comma(y)}"' for x, y in PAIRS)),
    ),
    good(
        "decimal comma, blanks between",
        text("position_m  reading", *DECIMAL_COMMA).replace(";", "   "),
    ),
    good(
        "three decimals after a comma, proven by 0,250",
        text("pos_m;value", *(f"{comma(x / 4, '{:.3f}')};{comma(y, '{:.3f}')}" for x, y in PAIRS)),
        0.25,
    ),
    good("blanks in columns", text("position_m   reading", *rows("  {:6.2f}  {:8.1f}"))),
    good("blanks and brackets", text("Position (m)   Reading (counts)", *rows("{} {}"))),
    good("every cell quoted", text('"position_m","reading"', *rows('"{}","{}"'))),
    good("comma and blank", text("position_m, reading", *rows("{}, {}"))),
    good("comma inside quotes", text('"Position, m","Reading, counts"', *rows())),
    good("no header", text(*rows()), unit="m"),
    good("no header, blanks", text(*rows("{}  {}")), unit="m"),
    good("no header, a title", text("Pass 3 of XX-K41", *rows()), 1.0, "lines_skipped", unit="m"),
    good("separator stated", text("sep=;", "position_m;reading", *rows("{};{}"))),
    good("title row", text("Pass 3 left to right,", "position_m,reading", *rows())),
    good(
        "preamble of keys and values",
        text("Instrument: string reader 2", "Gain: 4", "Date: 2026-05-02, 07:40", "") + CSV,
    ),
    good("preamble that looks like columns", text("Location,Ramble", "Position,7", "4,5") + CSV),
    good("preamble that names wavelengths", text("Wavelength,400,800", "Range,575,580") + CSV),
    good(
        "columns stated, a row of units",
        text("depth,B,S", "(ft),(V),(ft)", *(f"{y},{y + 1},{x}" for x, y in PAIRS)),
        0.3048,
        position_column="s",
        reading_column="depth",
    ),
    good("comments", text("# string 1", "#", *CSV.split("\n")[:5], "# gust", *rows()[4:])),
    good("header in a comment", text("# position_m reading", *rows("{:.18e} {:.18e}"))),
    good("row of units", text("Position,Fluorescence", "ft,RFU", *rows()), 0.3048),
    good("row of units in brackets", text("Dist,Signal", "(in),(mV)", *rows("{}0,{}")), 0.254),
    good("unit in square brackets", text("Position [cm],Intensity", *rows("{}00,{}"))),
    good("unit behind a line", text("dist_in,READING", *rows("{}0,{}")), 0.254),
    good("unit behind a slash", text("pos/ft;counts", *rows("{};{}")), 0.3048),
    good("unit spelt out", text("Distance along string (feet),Signal (mV)", *rows()), 0.3048),
    good("millimetres", text("position_mm,reading", *rows("{}000,{}"))),
    good("names run together", text("PositionFt,RawCounts", *rows()), 0.3048),
    good("unit from the caller", text("pos,value", *rows()), 0.3048, unit="ft"),
    good("unit from the caller, spelt out", text("pos,value", *rows()), 0.3048, unit="feet"),
    good("the file's unit wins", text("x_m,value", *rows()), 1.0, "unit_of_file", unit="ft"),
    good(
        "many columns, any order",
        text(
            "Sample #,Time,Reading,Position (m),Temp,Note",
            *(f"{x},07:40:0{x},{y},{x},21.5,dry" for x, y in PAIRS),
        ),
    ),
    good(
        "date and time, decimal comma",
        text(
            "Date;Time;Position (m);Reading",
            *(f"02.05.2026;07:40:0{x};{comma(x)};{y}" for x, y in PAIRS),
        ),
    ),
    good("unnamed index", text(",position_m,reading", *(f"{9 - x},{x},{y}" for x, y in PAIRS))),
    good("reading first", text("counts,station_m", *(f"{y},{x}" for x, y in PAIRS))),
    good(
        "columns stated",
        text("A,B,Boom metres", *(f"{y},{y + 1},{x}" for x, y in PAIRS)),
        position_column="boom metres",
        reading_column="a",
    ),
    good(
        "reading without a name we know",
        text("position_m,Ch A peak", *rows()),
        1.0,
        "reading_column_assumed",
    ),
    good("delimiter at every end", text("position_m,reading,", *rows("{},{},"))),
    good(
        "empty rows and columns", text("position_m,reading,,", *rows("{},{},,"), ",,,", ",,,", "")
    ),
    good("downwards", text("position_m,reading", *rows()[::-1]), 1.0, "descending"),
    good("scientific", text("position_m,reading", *rows("{:.3E},{:.3e}"))),
    good("plus signs", text("position_m,reading", *rows("+{},+{}.0"))),
    good("a column of notes in words", text("x_m,counts,note", *rows("{},{},n/a"))),
]


@pytest.mark.parametrize("odd", ODD_BUT_GOOD, ids=lambda odd: odd.name)
def test_an_odd_file_is_read_exactly(odd: Good) -> None:
    trace = read_trace(odd.data, source="pass1.csv", options=ReadOptions(**odd.options))
    # Counted from the left end; the flight line is the middle of the string.
    expected = (np.array(PLACES) - 4.5) * odd.scale_m
    np.testing.assert_allclose(trace.position_m, expected, rtol=1e-12)
    np.testing.assert_array_equal(trace.reading, READINGS)
    assert (trace.kind, trace.origin) == ("counts", "left")
    assert trace.flight_line_m == pytest.approx(4.5 * odd.scale_m)
    assert not trace.saturated.any()
    codes = [remark.code for remark in trace.remarks]
    assert sorted(codes) == sorted(["flight_line_assumed", *odd.codes])


def test_the_table_is_long_and_each_case_stands_once() -> None:
    assert len(ODD_BUT_GOOD) >= 45
    assert len({odd.name for odd in ODD_BUT_GOOD}) == len(ODD_BUT_GOOD)


def read(written: str, **options: Any) -> Trace:
    return read_trace(written.encode(), source="pass1.csv", options=ReadOptions(**options))


def remarks(trace: Trace) -> list[Remark]:
    return [remark for remark in trace.remarks if remark.code != "flight_line_assumed"]


class TestPlace:
    """Where the flight line is and which wing is left."""

    def test_from_the_left_end(self) -> None:
        trace = read(CSV, origin="left", flight_line=4.0)
        np.testing.assert_array_equal(trace.position_m, np.array(PLACES) - 4.0)
        np.testing.assert_array_equal(trace.reading, READINGS)
        assert (trace.flight_line_m, trace.remarks) == (4.0, ())

    def test_from_the_right_end_the_first_reading_is_the_right_wings(self) -> None:
        trace = read(CSV, origin="right", flight_line=4.0)
        np.testing.assert_array_equal(trace.position_m, np.arange(-5.0, 4.5))
        np.testing.assert_array_equal(trace.reading, READINGS[::-1])

    def test_reading_a_string_from_its_other_end_gives_the_same_trace(self) -> None:
        turned = text("position_m,reading", *(f"{9 - x},{y}" for x, y in PAIRS))
        left = read(CSV, origin="left", flight_line=4.0)
        right = read(turned, origin="right", flight_line=5.0)
        np.testing.assert_array_equal(left.position_m, right.position_m)
        np.testing.assert_array_equal(left.reading, right.reading)

    def test_the_flight_line_is_in_the_files_own_unit(self) -> None:
        trace = read(CSV.replace("_m", "_ft"), flight_line=4.0)
        assert trace.flight_line_m == pytest.approx(4 * 0.3048)
        assert trace.position_m[4] == pytest.approx(0.0, abs=1e-15)

    def test_both_signs_count_from_the_flight_line(self) -> None:
        trace = read(text("position_m,reading", *rows(places=[x - 4 for x in PLACES])))
        np.testing.assert_array_equal(trace.position_m, np.array(PLACES) - 4.0)
        assert (trace.origin, trace.flight_line_m, trace.remarks) == ("centre", 0.0, ())

    def test_the_minus_sign_of_typography(self) -> None:
        places = [str(x - 4).replace("-", "−") for x in PLACES]
        trace = read(text("position_m,reading", *rows(places=places)))
        np.testing.assert_array_equal(trace.position_m, np.array(PLACES) - 4.0)

    def test_a_flight_line_beside_the_zero_of_a_centred_count(self) -> None:
        trace = read(text("x_m,counts", *rows(places=[x - 4 for x in PLACES])), flight_line=0.5)
        assert (trace.origin, trace.position_m[0]) == ("centre", -4.5)

    def test_a_little_below_zero_is_an_end_and_not_a_wing(self) -> None:
        trace = read(text("x_m,counts", *rows(places=[x - 0.25 for x in PLACES])))
        assert (trace.origin, trace.flight_line_m) == ("left", 4.25)
        (remark,) = remarks(trace)
        assert (remark.code, remark.weight) == ("origin_assumed", "warning")

    @pytest.mark.parametrize(
        ("name", "origin"),
        [
            ("Distance from right end (m)", "right"),
            ("pos_from_left_m", "left"),
            ("Position along the string [m]", "left"),
        ],
    )
    def test_the_columns_name_may_say_the_end(self, name: str, origin: str) -> None:
        assert read(text(f"{name},reading", *rows())).origin == origin

    def test_a_stated_origin_against_the_columns_name_is_remarked(self) -> None:
        trace = read(text("pos_from_right_m,reading", *rows()), origin="left")
        assert trace.origin == "left"
        (remark,) = remarks(trace)
        assert (remark.code, remark.weight) == ("origin_of_file", "warning")

    def test_the_middle_of_the_string_is_named_in_metres(self) -> None:
        (remark,) = read(CSV.replace("_m", "_ft")).remarks
        assert remark == Remark(
            "flight_line_assumed",
            "The place of the flight line was not stated; the middle of the string was taken, "
            "1.37 m as the file counts.",
            "note",
        )


class TestReadings:
    """Lost, repeated, far and negative readings."""

    def lost(self, empty: set[int], token: str, count: int = 100) -> Trace:
        return read(
            text(
                "position_m,reading",
                *(f"{i / 10},{token if i in empty else i}" for i in range(count)),
            )
        )

    @pytest.mark.parametrize("token", ["", " ", "NaN", "-", "—", "n/a", "N/A", "#N/A", "null"])
    def test_ways_of_writing_no_reading(self, token: str) -> None:
        trace = self.lost({40}, token)
        assert len(trace.reading) == 99
        assert 40 not in trace.reading
        (remark,) = remarks(trace)
        assert (remark.code, remark.weight) == ("dropout", "note")
        assert remark.from_m == remark.to_m == pytest.approx(-0.95)
        assert remark.text == "No reading at -0.95 m; 1 of 100 positions are without."

    @pytest.mark.parametrize(
        ("empty", "weight", "count"),
        [
            ({10, 60}, "note", 2),  # 2 %, 0.2 m
            ({10, 30, 60}, "warning", 3),  # 3 %
            ({50, 51, 52, 53, 54}, "warning", 1),  # 0.6 m between readings
            (set(range(0, 22, 2)), "suspect", 1),  # 11 %, in so many stretches that one stands
            (set(range(40, 60)), "suspect", 1),  # 2.1 m between readings
        ],
    )
    def test_the_more_is_lost_the_heavier_the_remark(
        self, empty: set[int], weight: str, count: int
    ) -> None:
        found = remarks(self.lost(empty, ""))
        assert [(remark.code, remark.weight) for remark in found] == [("dropout", weight)] * count
        assert found[0].from_m == pytest.approx(min(empty) / 10 - 4.95)
        assert found[-1].to_m == pytest.approx(max(empty) / 10 - 4.95)

    def test_rows_that_are_not_there_are_a_gap(self) -> None:
        places = [0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 2, 2.1, 2.2]
        (remark,) = remarks(read(text("x_m,counts", *rows(places=places))))
        assert (remark.code, remark.weight) == ("gap", "warning")
        assert remark.text == "The file has no rows from -0.50 to 0.90 m."

    def test_uneven_steps_are_kept(self) -> None:
        places = [0, 0.5, 1.7, 2, 3.3, 4, 5, 6.5, 7, 9]
        trace = read(text("x_m,counts", *rows(places=places)), flight_line=4.0)
        np.testing.assert_allclose(trace.position_m, np.array(places) - 4.0)
        assert trace.remarks == ()

    def test_readings_of_one_position_are_averaged(self) -> None:
        trace = read(CSV + "9,8\n", flight_line=4.0)
        np.testing.assert_array_equal(trace.reading, [*READINGS[:-1], 6.0])
        (remark,) = trace.remarks
        assert (remark.code, remark.weight) == ("repeated_positions", "note")

    def test_every_position_twice_asks_the_analyst_to_look(self) -> None:
        twice = [row for row in rows() for _ in range(2)]
        trace = read(text("position_m,reading", *twice), flight_line=4.0)
        np.testing.assert_array_equal(trace.reading, READINGS)
        assert [remark.weight for remark in trace.remarks] == ["warning"]

    def test_negative_readings_are_fine(self) -> None:
        trace = read(text("x_m,counts", *(f"{x},{y - 10}" for x, y in PAIRS)), flight_line=4.0)
        np.testing.assert_array_equal(trace.reading, np.array(READINGS) - 10.0)
        assert trace.remarks == ()


def test_the_trace_keeps_what_identifies_the_file() -> None:
    trace = read(CSV)
    assert trace.digest == hashlib.sha256(CSV.encode()).hexdigest()
    assert (trace.source, trace.unit) == ("pass1.csv", "m")


def test_arrays_cannot_be_changed() -> None:
    trace = read(CSV)
    for array in (trace.position_m, trace.reading, trace.saturated):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1
    assert trace.position_m.dtype == trace.reading.dtype == np.float64


@pytest.mark.parametrize(
    ("header", "form"),
    [("position_ft,reading", "{:.3f},{:.1f}"), ("no,time,x_ft,counts", "1,07:40:01,{:.3f},{:.1f}")],
)
def test_five_thousand_rows_take_well_under_fifty_milliseconds(header: str, form: str) -> None:
    x = np.linspace(0.0, 120.0, 5000)
    y = 1000 * np.exp(-(((x - 60) / 20) ** 2)) + 50
    data = text(header, *(form.format(a, b) for a, b in zip(x, y, strict=True))).encode()
    spent = []
    for _ in range(5):
        begun = time.process_time()
        trace = read_trace(data, source="long.csv")
        spent.append(time.process_time() - begun)
    assert len(trace.reading) == 5000
    # Measured about 12 ms; process time, so that a busy machine does not fail the test.
    assert min(spent) < 0.05
