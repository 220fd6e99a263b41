"""Choose which column of a table is the position and which the reading or the spectrum."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from patterns.columns import POSITION_UNITS, ColumnName, length_unit, unit_at_end
from patterns.errors import InputError, TraceFileError
from patterns.header import matches, unknown_unit
from patterns.remarks import Remark
from patterns.table import Table


@dataclass(frozen=True, slots=True)
class Roles:
    """What the columns of a table are.

    Parameters
    ----------
    position : int
        Place of the position's column.
    reading : int or None
        Place of the reading's column; None in a spectrometer file.
    wavelengths : tuple of (float, int)
        Wavelength [nm] and place of each column of a spectrum, ascending; else empty.
    unit : str
        Unit of the positions, a key of `patterns.units.UNITS`.
    origin : str or None
        Where positions count from, where the name of their column says so.
    remarks : tuple of Remark
        What was chosen for the user.
    """

    position: int
    reading: int | None
    wavelengths: tuple[tuple[float, int], ...]
    unit: str
    origin: str | None
    remarks: tuple[Remark, ...]


def choose_roles(
    table: Table, unit: str | None, position_column: str | None, reading_column: str | None
) -> Roles:
    """Choose the columns by their names.

    Parameters
    ----------
    table : Table
        The table of a trace file.
    unit : str or None
        Unit of the positions where the file names none; spelt out ("feet") is fine, too.
    position_column, reading_column : str or None
        Names of the columns, where the caller states them.

    Returns
    -------
    Roles
        The chosen columns and the unit.

    Raises
    ------
    TraceFileError
        When the position, the reading or the unit is missing or ambiguous.
    InputError
        When `unit` is no unit of length.
    """
    if unit is not None and length_unit(unit) is None:
        raise InputError(
            "unit",
            f"'{unit}' is no unit for a position along the string",
            f"state one of {', '.join(POSITION_UNITS)}",
        )
    if not table.names:
        return _without_header(table, unit, reading_column)
    remarks: list[Remark] = []
    position = _position(table, position_column)
    wavelengths: tuple[tuple[float, int], ...] = ()
    reading: int | None = None
    if reading_column is None:
        wavelengths = _wavelengths(table, position)
    if not wavelengths:
        reading = _reading(table, position, reading_column, remarks)
    chosen = _unit(table, position, length_unit(unit or ""), remarks)
    origin = table.names[position].origin
    return Roles(position, reading, wavelengths, chosen, origin, tuple(remarks))


def _without_header(table: Table, unit: str | None, reading_column: str | None) -> Roles:
    if reading_column is not None:
        raise _no_such_column(table, reading_column)
    position, reading = (i for i, cell in enumerate(table.rows[0]) if cell.strip())
    remarks: tuple[Remark, ...] = ()
    if table.skipped:
        remarks = (
            Remark(
                "lines_skipped",
                f"The file has no header; {table.skipped} line(s) above the first row of numbers "
                "were taken as a title.",
                "note",
            ),
        )
    known = length_unit(unit or "")
    if known is None:
        raise _no_unit(table)
    return Roles(position, reading, (), known, None, remarks)


def _no_such_column(table: Table, stated: str) -> TraceFileError:
    if not table.names:
        return TraceFileError(
            table.source,
            f"no column is named '{stated}', since the file has no header",
            "put a header above the rows",
        )
    return TraceFileError(
        table.source,
        f"no column is named '{stated}'",
        f"state one of {_listed(table.names)}",
        table.header_line,
    )


def _listed(names: Sequence[ColumnName]) -> str:
    shown = [f"'{name.text}'" for name in names if name.text]
    return ", ".join(shown[:8]) + (" ..." if len(shown) > 8 else "")


def _position(table: Table, stated: str | None) -> int:
    if stated is not None:
        found = [i for i, name in enumerate(table.names) if matches(name, stated)]
    else:
        found = [i for i, name in enumerate(table.names) if name.is_position]
        # A column such as station_id looks like a position of an unknown unit, beside a real one.
        known = [i for i in found if table.names[i].unknown_unit is None]
        found = known or found
        if not found and table.names[0].wavelength_nm is None and not table.names[0].is_other:
            found = [0]  # a spectrometer's first column, however it is named
    if len(found) == 1:
        return found[0]
    if not found:
        raise TraceFileError(
            table.source,
            f"none of the columns {_listed(table.names)} is a position",
            "name one position_ft (or _m, _cm, _in), or state the position's column",
            table.header_line,
        )
    raise TraceFileError(
        table.source,
        f"{len(found)} columns are positions: {_listed([table.names[i] for i in found])}",
        "keep one, or state the position's column",
        table.header_line,
    )


def _wavelengths(table: Table, position: int) -> tuple[tuple[float, int], ...]:
    """Find the columns of a spectrum, ascending; empty where the table holds plain readings."""
    found = sorted(
        (name.wavelength_nm, i)
        for i, name in enumerate(table.names)
        if name.wavelength_nm is not None and i != position
    )
    if len(found) == 1 and any(name.is_reading for name in table.names):
        return ()
    for (first, i), (second, j) in pairwise(found):
        if first == second:
            raise TraceFileError(
                table.source,
                f"the columns '{table.names[i].text}' and '{table.names[j].text}' are the same "
                "wavelength",
                "keep one of them",
                table.header_line,
            )
    return tuple(found)


def _reading(table: Table, position: int, stated: str | None, remarks: list[Remark]) -> int:
    others = [i for i in range(len(table.names)) if i != position]
    if stated is not None:
        found = [i for i in others if matches(table.names[i], stated)]
        if not found:
            raise _no_such_column(table, stated)
    else:
        found = [i for i in others if table.names[i].is_reading]
        if not found:
            found = _only_other(table, others, remarks)
    if len(found) > 1:
        raise TraceFileError(
            table.source,
            f"{len(found)} columns can be the reading: {_listed([table.names[i] for i in found])}",
            "state the reading's column",
            table.header_line,
        )
    return found[0]


def _only_other(table: Table, others: list[int], remarks: list[Remark]) -> list[int]:
    """Take the one column that is left, whatever it is called, and say so."""
    unknown = [i for i in others if table.names[i].text and not table.names[i].is_other]
    if len(unknown) > 1 and all(table.names[i].text.isdigit() for i in unknown):
        raise TraceFileError(
            table.source,
            f"the columns {_listed([table.names[i] for i in unknown])} are no wavelengths in nm",
            "name each column of a spectrum by its wavelength, such as 575 or 575.3 nm",
            table.header_line,
        )
    if len(unknown) != 1:
        named = _listed([table.names[i] for i in others])
        raise TraceFileError(
            table.source,
            f"no column is a reading{f' (beside the position: {named})' if named else ''}",
            "name one reading (or counts, intensity, fluorescence, signal), or state the "
            "reading's column",
            table.header_line,
        )
    remarks.append(
        Remark(
            "reading_column_assumed",
            f"The column '{table.names[unknown[0]].text}' was taken as the reading, since no "
            "column is named so.",
            "note",
        )
    )
    return unknown


def _unit(table: Table, position: int, stated: str | None, remarks: list[Remark]) -> str:
    name = table.names[position]
    if name.unknown_unit is not None and table.unit is None:
        raise unknown_unit(table.source, name.unknown_unit, table.header_line)
    # A freely named column such as "Boom metres" may still end in a unit.
    in_file = name.unit or unit_at_end(name.text) or table.unit
    if in_file is None:
        if stated is None:
            raise _no_unit(table)
        return stated
    if stated is not None and stated != in_file:
        remarks.append(
            Remark(
                "unit_of_file",
                f"The file says that positions are in {in_file}; the stated unit {stated} was "
                "not used.",
                "note",
            )
        )
    return in_file


def _no_unit(table: Table) -> TraceFileError:
    return TraceFileError(
        table.source,
        f"the file does not say whether positions are in {', '.join(POSITION_UNITS[:-1])} "
        f"or {POSITION_UNITS[-1]}",
        "name it in the header (position_ft) or state the unit",
        table.header_line,
    )


def second_header_line(table: Table, position: int) -> int | None:
    """Line of a second header among the rows, which two traces in one file leave; else None."""
    if not table.names:
        return None
    name = table.names[position].text
    for row, line in zip(table.rows, table.lines, strict=True):
        if row[position].strip() == name:
            return line
    return None
