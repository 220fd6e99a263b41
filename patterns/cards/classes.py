"""Size class of a spectrum by a published table, which is named with every result.

A class proper comes from reference nozzles measured on the same instrument as the spray; published
tables in micrometres are stand-ins and disagree. They are data, each with source, standard and
instrument; aircraft and ground sprayers have standards of their own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, Literal

from patterns.cards.spectrum import Figure, Spectrum
from patterns.data import load
from patterns.errors import InputError

__all__ = [
    "DEFAULT_TABLE",
    "ClassBoundary",
    "ClassTable",
    "SizeClass",
    "class_table",
    "class_table_names",
    "size_class",
    "standard_note",
    "table_from",
]

DEFAULT_TABLE: Final = "ag_aviation_2014"
"""The only table read in a publication of agricultural aviation; approximate by its own words."""

Use = Literal["aerial", "ground"]
SettledBy = Literal["vmd", "finest"]

_NEEDS_CURVE: Final = (
    "A class proper needs the whole curve (Dv0.1, Dv0.5, Dv0.9) against reference nozzles; this "
    "table knows Dv0.5 alone."
)


@dataclass(frozen=True, slots=True)
class ClassBoundary:
    """Fine end of one class.

    Attributes
    ----------
    letters : of the standards: XF, VF, F, M, C, VC, XC, UC.
    from_dv50_um : the class begins at this Dv0.5 [µm].
    from_dv10_um, from_dv90_um : the same of Dv0.1 and Dv0.9 [µm]; None where not published.
    printed : the range as the source prints it [µm].
    """

    letters: str
    from_dv50_um: float
    printed: str = ""
    from_dv10_um: float | None = None
    from_dv90_um: float | None = None


@dataclass(frozen=True, slots=True)
class ClassTable:
    """Boundaries of the classes by one publication.

    Attributes
    ----------
    key, name : for programs and for people.
    use : "aerial", "ground" or "not stated".
    standard, instrument, source, trust : what it goes back to and whether it was read.
    settled_by : what decides where the three diameters disagree; "vmd" for tables of Dv0.5 alone.
    note : what else to know; may be empty.
    classes : from fine to coarse.
    """

    key: str
    name: str
    use: str
    standard: str
    instrument: str
    source: str
    trust: str
    settled_by: SettledBy
    note: str
    classes: tuple[ClassBoundary, ...]

    @property
    def whole_curve(self) -> bool:
        """Whether all three diameters are published for every class."""
        return all(
            one.from_dv10_um is not None and one.from_dv90_um is not None for one in self.classes
        )


@dataclass(frozen=True, slots=True)
class SizeClass:
    """Class of a spectrum, with all that must stand beside it.

    Attributes
    ----------
    letters, name : such as "M", "Medium".
    finest, coarsest : letters at the lower and the upper bound of the diameters.
    by_figure : letters by Dv0.1, Dv0.5 and Dv0.9; None where the table does not know them.
    whole_curve : whether all three diameters were used.
    table, table_name, use, standard, instrument, source, trust : of the table used.
    note : full sentences on what the class is worth.
    """

    letters: str
    name: str
    finest: str
    coarsest: str
    by_figure: tuple[str | None, str | None, str | None]
    whole_curve: bool
    table: str
    table_name: str
    use: str
    standard: str
    instrument: str
    source: str
    trust: str
    note: str


def class_table_names() -> tuple[str, ...]:
    """Keys of the tables in ``patterns/data/size_classes.json``."""
    return tuple(load("size_classes")["tables"])


def class_table(key: str = DEFAULT_TABLE) -> ClassTable:
    """Return one table of ``patterns/data/size_classes.json``.

    Raises
    ------
    InputError
        For a key that is not there; the message lists those that are.
    """
    tables: dict[str, dict[str, Any]] = load("size_classes")["tables"]
    if key not in tables:
        raise InputError("class table", f"{key!r} is not known", f"use one of {sorted(tables)}")
    return table_from(key, tables[key])


def table_from(key: str, row: Mapping[str, Any]) -> ClassTable:
    """Make a table of an association's own, such as of reference nozzles it has measured.

    Parameters
    ----------
    key : its name for programs.
    row : fields of `ClassTable` without ``key``, ``classes`` being mappings with the fields of
        `ClassBoundary`; the first class begins at 0.

    Raises
    ------
    InputError
        For classes that do not ascend, unknown letters, or Dv0.1 and Dv0.9 for some classes only.
    """
    try:
        boundaries = tuple(ClassBoundary(**one) for one in row["classes"])
        table = ClassTable(**{**row, "key": key, "classes": boundaries})
    except (KeyError, TypeError) as error:
        raise InputError(f"class table {key}", f"a field is amiss ({error})", "give all") from error
    _check(table)
    return table


def standard_note(use: Use) -> str:
    """Say which standard holds for aircraft or ground sprayers, and why no table of it is held."""
    row: dict[str, Any] = load("size_classes")["standards"][use]
    return f"{row['standard']} holds for {row['scope']}. {row['note']}"


def size_class(
    spectrum: Spectrum, table: ClassTable | None = None, *, use: Use = "aerial"
) -> SizeClass:
    """Class a spectrum by a table.

    Parameters
    ----------
    spectrum : of the drops, not of the stains.
    table : the default one when left out.
    use : what the spray is flown or driven with; told against the table's own use.

    Returns
    -------
    SizeClass

    Notes
    -----
    With a table of whole curves each of the three diameters is classed for itself; where they
    disagree the finest decides, for the fine end governs drift (from memory; own choice here).
    """
    chosen = table or class_table()
    names: dict[str, str] = load("size_classes")["class_names"]["names"]
    figures = (spectrum.dv10_um, spectrum.dv50_um, spectrum.dv90_um)
    by_figure = _by_figure(chosen, tuple(one.value for one in figures))
    letters = _settled(chosen, by_figure)
    return SizeClass(
        letters=letters,
        name=names[letters],
        finest=_settled(chosen, _by_figure(chosen, tuple(_end(one, "low") for one in figures))),
        coarsest=_settled(chosen, _by_figure(chosen, tuple(_end(one, "high") for one in figures))),
        by_figure=by_figure,
        whole_curve=chosen.whole_curve,
        table=chosen.key,
        table_name=chosen.name,
        use=chosen.use,
        standard=chosen.standard,
        instrument=chosen.instrument,
        source=chosen.source,
        trust=chosen.trust,
        note=_note(chosen, by_figure, use),
    )


_ThreeLetters = tuple[str | None, str | None, str | None]


def _end(figure: Figure, end: Literal["low", "high"]) -> float:
    """Bound of a figure, or the figure itself where no bounds were taken."""
    bound = figure.low if end == "low" else figure.high
    return figure.value if math.isnan(bound) else bound


def _by_figure(table: ClassTable, values_um: tuple[float, ...]) -> _ThreeLetters:
    dv10, dv50, dv90 = values_um
    if not table.whole_curve:
        return None, _letters(table, "from_dv50_um", dv50), None
    return (
        _letters(table, "from_dv10_um", dv10),
        _letters(table, "from_dv50_um", dv50),
        _letters(table, "from_dv90_um", dv90),
    )


def _letters(table: ClassTable, boundary: str, value_um: float) -> str:
    """Letters of the coarsest class that begins at or below a diameter."""
    return [one.letters for one in table.classes if getattr(one, boundary) <= value_um][-1]


def _settled(table: ClassTable, by_figure: _ThreeLetters) -> str:
    order = [one.letters for one in table.classes]
    candidates = by_figure if table.settled_by == "finest" else by_figure[1:2]
    return min((one for one in candidates if one is not None), key=order.index)


def _note(table: ClassTable, by_figure: _ThreeLetters, use: Use) -> str:
    parts = []
    if not table.whole_curve:
        parts.append(_NEEDS_CURVE)
    elif len(set(by_figure)) > 1:
        shown = ", ".join(
            f"{name} {one}"
            for name, one in zip(("Dv0.1", "Dv0.5", "Dv0.9"), by_figure, strict=True)
        )
        how = "the finest of them" if table.settled_by == "finest" else "Dv0.5"
        parts.append(f"The diameters fall in different classes ({shown}); {how} decides.")
    if table.use != use:
        parts.append(standard_note(use))
    if table.use not in (use, "not stated"):
        parts.append(f"The table used is for {table.use} sprayers.")
    if table.note:
        parts.append(table.note)
    return " ".join(parts)


def _check(table: ClassTable) -> None:
    what = f"class table {table.key}"
    names: dict[str, str] = load("size_classes")["class_names"]["names"]
    if not table.classes:
        raise InputError(what, "it has no class", "give one at least")
    for one in table.classes:
        if one.letters not in names:
            raise InputError(what, f"{one.letters!r} is no class", f"use {', '.join(names)}")
    for boundary in ("from_dv10_um", "from_dv50_um", "from_dv90_um"):
        starts = [getattr(one, boundary) for one in table.classes]
        if all(start is None for start in starts) and boundary != "from_dv50_um":
            continue
        if any(start is None for start in starts):
            raise InputError(what, f"{boundary} is missing for some classes", "give all or none")
        if starts[0] != 0.0 or any(after <= before for before, after in pairwise(starts)):
            raise InputError(what, f"{boundary} does not ascend from 0", "begin the finest at 0")
    if table.settled_by == "finest" and not table.whole_curve:
        raise InputError(what, "the finest of three cannot be told", "give Dv0.1 and Dv0.9 too")
