"""A trace file, as instruments and spreadsheets export it, becomes a `Trace`."""

import hashlib
import math
from dataclasses import dataclass
from typing import Literal, cast, get_args

import numpy as np
from numpy.typing import NDArray

from patterns.delimited import POSITION, decimal_mark, numbers
from patterns.errors import InputError, TraceFileError
from patterns.positions import check_count, check_positions, find_place, order
from patterns.readings import (
    FULL_SCALES,
    dropout_remarks,
    filled_remarks,
    gap_remarks,
    plateau,
    saturated_remarks,
)
from patterns.remarks import Remark
from patterns.roles import Roles, choose_roles, second_header_line
from patterns.spectrum import RHODAMINE, band_readings, check_band, check_wavelengths, used
from patterns.table import Table, read_table, second_header
from patterns.textfile import lines_of
from patterns.units import to_si

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

Origin = Literal["left", "right", "centre"]
"""Where the positions are counted from: left end, right end, or the flight line."""


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What the file itself may not say.

    Parameters
    ----------
    unit : str, optional
        Unit of the positions (m, cm, mm, ft, in), used where the header names none.
    origin : {"left", "right", "centre"}, optional
        Where positions are counted from, as the pilot sees it. None: as the name of the column
        says ("Distance from right end"); else positions of both signs are taken as counted from
        the flight line, others as counted from the left end.
    flight_line : float, optional
        Place of the flight line on the string, in the file's own unit and count. None: 0 for
        origin "centre", else the middle of the string, with a remark.
    position_column, reading_column : str, optional
        Header of the column to use, where the names in the file do not tell.
    band_nm : (float, float)
        Dye band that is integrated in a spectrometer file [nm].
    flank_nm : float
        Width of the flank on either side on which the baseline is fitted [nm].
    saturation : float, optional
        Reading at and above which the instrument is saturated [instrument counts]. None: the
        rule of `patterns.readings.plateau`.
    """

    unit: str | None = None
    origin: Origin | None = None
    flight_line: float | None = None
    position_column: str | None = None
    reading_column: str | None = None
    band_nm: tuple[float, float] = RHODAMINE.band_nm
    flank_nm: float = RHODAMINE.flank_nm
    saturation: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Readings along the string of one pass.

    Parameters
    ----------
    source : str
        Name of the file.
    digest : str
        SHA-256 of the file, hexadecimal.
    kind : {"counts", "spectrum"}
        Whether the file held readings or spectra.
    position_m : (N,) ndarray of float
        Strictly ascending [m], 0 = flight line, left wing negative; N >= 8.
    reading : (N,) ndarray of float
        [instrument counts]; for a spectrum [instrument counts · nm].
    saturated : (N,) ndarray of bool
        Where the instrument could not count higher.
    unit : str
        Unit of the positions in the file.
    origin : {"left", "right", "centre"}
        Where the file counts positions from.
    flight_line_m : float
        Place of the flight line as the file counts [m].
    remarks : tuple of Remark
        What was noticed while reading.
    """

    source: str
    digest: str
    kind: Literal["counts", "spectrum"]
    position_m: Array
    reading: Array
    saturated: Mask
    unit: str
    origin: Origin
    flight_line_m: float
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """The rows as they stand in the file: (N,) each, NaN for no reading."""

    position: Array
    reading: Array
    saturated: Mask
    saturated_how: str
    guessed: bool
    filled: Mask
    filled_nm: tuple[float, float] | None
    remarks: tuple[Remark, ...]


_GUESS = (
    "It was told by equal highest readings side by side, which an even deposit has too; state the "
    "reading at which the instrument saturates to be sure."
)


def read_trace(data: bytes, *, source: str, options: ReadOptions = ReadOptions()) -> Trace:
    """Read the trace of one pass from a file.

    The file is delimited text (comma, semicolon, tab or white space), with a decimal point or
    comma, title lines, ``#`` comments and a header, in UTF-8, UTF-16 or Windows-1252. Two kinds
    are known: a column of readings, or a column of counts for each wavelength [nm] of a
    spectrometer, of which the dye band is integrated above a baseline.

    Parameters
    ----------
    data : bytes
        The whole file, at most `patterns.textfile.MAX_BYTES`.
    source : str
        Name of the file, for errors and for the trace.
    options : ReadOptions
        What the file itself may not say. The unit in the file's header wins over the stated one.

    Returns
    -------
    Trace
        Positions from the left wing to the right, readings without gaps; rows without a reading
        are left away and remarked.

    Raises
    ------
    TraceFileError
        When the file cannot be used; says what is wrong, in which line, and what would be right.
    InputError
        When an option is no possible value.
    """
    _check_options(options)
    table = read_table(lines_of(data, source), source, options.position_column)
    roles = choose_roles(table, options.unit, options.position_column, options.reading_column)
    rows = _read_rows(table, roles, options)
    position_m = to_si(rows.position, roles.unit)
    place = find_place(
        position_m, options.origin or roles.origin, options.flight_line, roles.unit, source
    )
    x_m = place.beside(position_m)
    ascending = np.argsort(x_m, kind="stable")
    lost = np.isnan(rows.reading)
    kept = ~lost
    x, reading, saturated, repeated = order(x_m[kept], rows.reading[kept], rows.saturated[kept])
    check_count(x, source)
    for array in (x, reading, saturated):
        array.setflags(write=False)
    sorted_m = x_m[ascending]
    return Trace(
        source=source,
        digest=hashlib.sha256(data).hexdigest(),
        kind="spectrum" if roles.wavelengths else "counts",
        position_m=x,
        reading=reading,
        saturated=saturated,
        unit=roles.unit,
        origin=cast(Origin, place.origin),
        flight_line_m=place.flight_line_m,
        remarks=(
            *roles.remarks,
            *_origin_remarks(options.origin, roles.origin),
            *rows.remarks,
            *place.remarks,
            *_direction_remarks(rows.position),
            *repeated,
            *dropout_remarks(sorted_m, lost[ascending]),
            *gap_remarks(np.unique(x_m)),
            *saturated_remarks(x, saturated, rows.saturated_how, rows.guessed),
            *filled_remarks(sorted_m, rows.filled[ascending], rows.filled_nm),
        ),
    )


def _origin_remarks(stated: Origin | None, in_file: str | None) -> tuple[Remark, ...]:
    if stated is None or in_file is None or stated == in_file:
        return ()
    text = (
        f"The file's header says that positions count from the {in_file}; they were taken as "
        f"counted from the {stated}, as stated."
    )
    return (Remark("origin_of_file", text, "warning"),)


def _direction_remarks(position: Array) -> tuple[Remark, ...]:
    if position[0] < position[-1]:
        return ()
    text = "Positions run from the high end to the low end in the file; they were sorted."
    return (Remark("descending", text, "note"),)


def _check_options(options: ReadOptions) -> None:
    check_band(options.band_nm, options.flank_nm)
    if options.origin is not None and options.origin not in get_args(Origin):
        raise InputError(
            "origin", f"'{options.origin}' is not known", f"known are {', '.join(get_args(Origin))}"
        )
    if options.flight_line is not None and not math.isfinite(options.flight_line):
        raise InputError(
            "flight_line",
            f"{options.flight_line} is no place on the string",
            "state a number, as the file counts positions",
        )
    if options.saturation is not None and not options.saturation > 0:
        raise InputError(
            "saturation",
            f"{options.saturation:g} is no reading at which an instrument saturates",
            "state a reading above 0, or none",
        )


def _read_rows(table: Table, roles: Roles, options: ReadOptions) -> _Rows:
    """Turn the cells of the chosen columns into numbers, and spectra into readings."""
    source = table.source
    position_cells = table.column(roles.position, POSITION)
    if (line := second_header_line(table, roles.position)) is not None:
        raise second_header(source, line)
    wavelength_nm = np.array([nm for nm, _ in roles.wavelengths])
    if roles.wavelengths:
        check_wavelengths(
            wavelength_nm, options.band_nm, options.flank_nm, source, table.header_line
        )
        near = np.flatnonzero(used(wavelength_nm, options.band_nm, options.flank_nm))
        wavelength_nm = wavelength_nm[near]
        columns = [
            table.column(roles.wavelengths[i][1], f"count at {roles.wavelengths[i][0]:g} nm")
            for i in near
        ]
    else:
        assert roles.reading is not None
        columns = [table.column(roles.reading, "reading")]
    mark = decimal_mark([position_cells, *columns], source)
    counts = np.column_stack([numbers(column, mark, source) for column in columns])
    position = numbers(position_cells, mark, source)
    # A row of other columns only, such as a note, is no row of the trace.
    stands = ~(np.isnan(position) & np.isnan(counts).all(axis=1))
    position, counts = position[stands], counts[stands]
    lines = [line for line, stand in zip(table.lines, stands, strict=True) if stand]
    if np.isnan(counts).all():
        raise TraceFileError(
            source,
            f"the column of readings{_named(table, roles)} is empty",
            "export the readings beside the positions",
            lines[0] if lines else table.lines[0],
        )
    check_positions(position, lines, roles.unit, source)
    if roles.wavelengths:
        return _from_spectra(position, wavelength_nm, counts, options, source, table.header_line)
    return _from_counts(position, counts[:, 0], options.saturation)


def _named(table: Table, roles: Roles) -> str:
    if roles.reading is None or not table.names:
        return ""
    return f" '{table.names[roles.reading].text}'"


def _from_counts(position: Array, reading: Array, saturation: float | None) -> _Rows:
    guessed = False
    saturated = np.zeros(len(reading), dtype=np.bool_)
    if saturation is None:
        highest = float(np.nanmax(reading))
        guessed = highest not in FULL_SCALES
        how = _GUESS if guessed else f"{highest:g} is the full scale of a converter."
        saturated[~np.isnan(reading)] = plateau(reading[~np.isnan(reading)])
    else:
        how = f"The instrument saturates at {saturation:g}."
        saturated = reading >= saturation
    nothing = np.zeros(len(reading), dtype=np.bool_)
    return _Rows(position, reading, saturated, how, guessed, nothing, None, ())


def _from_spectra(
    position: Array,
    wavelength_nm: Array,
    counts: Array,
    options: ReadOptions,
    source: str,
    header_line: int | None,
) -> _Rows:
    band = band_readings(
        wavelength_nm,
        counts,
        options.band_nm,
        options.flank_nm,
        options.saturation,
        source,
        header_line,
    )
    how = ""
    if band.saturated_nm is not None:
        how = "Saturated are wavelengths from {:g} to {:g} nm.".format(*band.saturated_nm)
    remarks: tuple[Remark, ...] = ()
    if band.empty_nm:
        listed = ", ".join(f"{nm:g}" for nm in band.empty_nm[:8])
        remarks = (
            Remark(
                "wavelength_missing",
                f"No row has a count at {listed} nm; the band was integrated without.",
                "note",
            ),
        )
    return _Rows(
        position,
        band.reading,
        band.saturated,
        how,
        False,
        band.filled,
        band.filled_nm,
        remarks,
    )
