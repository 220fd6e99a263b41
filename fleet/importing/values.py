"""Cells become values, forgivingly where only one meaning is possible."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from fleet.importing.faults import CellError, Unreadable
from fleet.tables import plain
from patterns.units import from_si, to_si

# What people write for nothing.
NOTHING = frozenset(("", "-", "--", "–", "—", "n/a", "na", "none", "null", "nil"))
KINDS: Mapping[str, str] = {
    "fixed wing": "fixed_wing", "fixed": "fixed_wing", "airplane": "fixed_wing",
    "aeroplane": "fixed_wing", "plane": "fixed_wing", "helicopter": "helicopter",
    "heli": "helicopter", "rotorcraft": "helicopter", "rotary wing": "helicopter",
    "uncrewed": "uncrewed", "unmanned": "uncrewed", "drone": "uncrewed", "uas": "uncrewed",
    "uav": "uncrewed", "rpas": "uncrewed",
}  # fmt: skip
MEMBERSHIPS: Mapping[str, str] = {
    "full": "full", "full member": "full", "member": "full", "associate": "associate",
    "associate member": "associate", "guest": "guest", "guest member": "guest",
}  # fmt: skip
MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "january jan", "february feb", "march mar", "april apr", "may", "june jun",
            "july jul", "august aug", "september sept sep", "october oct", "november nov",
            "december dec",
        ),
        start=1,
    )
    for name in names.split()
}  # fmt: skip
FIRST_YEAR, LAST_YEAR = 1950, 2100

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ]00:00(?::00)?(?:\.0+)?)?")
_PARTS = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})")
_DAY_FIRST = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[-. ]+([a-z]+)\.?,?[-. ]+(\d{4})", re.I)
_MONTH_FIRST = re.compile(r"([a-z]+)\.?[-. ]+(\d{1,2})(?:st|nd|rd|th)?,?[-. ]+(\d{4})", re.I)
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:(?P<mark>[ .,'’\u00a0\u202f])\d{3})+(?:[.,]\d+)?")


@dataclass(frozen=True, slots=True)
class Number:
    """A number as it was typed: in its unit, with so many digits behind the point."""

    typed: float
    digits: int
    unit: str = ""

    @property
    def si(self) -> float:
        """Return it in SI."""
        return float(to_si(self.typed, self.unit)) if self.unit else self.typed

    def says_the_same_as(self, si: float | None) -> bool:
        """Whether a value on record reads the same at the digits typed: 49.2 ft for 15 m."""
        if si is None:
            return False
        seen = float(from_si(si, self.unit)) if self.unit else si
        return math.isclose(round(seen, self.digits), self.typed, abs_tol=1e-9)


def is_empty(cell: Any) -> bool:
    """Whether a cell says nothing."""
    return cell is None or (isinstance(cell, str) and cell.strip().casefold() in NOTHING)


def text(cell: Any, most: int) -> str:
    """Return a text without stray blanks, at most so many characters."""
    if isinstance(cell, bool | datetime.date):
        raise CellError(f"{_shown(cell)} is not a text.", "Format the cell as text and type it.")
    if isinstance(cell, float) and cell.is_integer():
        cell = int(cell)  # a spreadsheet program makes numbers of 12345
    words = " ".join(plain(str(_readable(cell)).strip()).split())
    if len(words) > most:
        raise CellError(f"Has {len(words)} characters.", f"At most {most}.")
    return words


def email(cell: Any, most: int) -> str:
    """Return an e-mail address."""
    words = text(cell, most)
    try:
        validate_email(words)
    except ValidationError:
        raise CellError(
            f'"{words}" is no e-mail address.', "Write one like name@place.example."
        ) from None
    return words


def number(cell: Any, *, low: float, high: float, unit: str = "", what: str = "") -> Number:
    """Return a number from `low` to `high` in its unit: decimal point or comma, grouped or not.

    Of two possible readings ("15,240") the one within the bounds is meant.
    """
    found = [one for one in _readings(cell, unit) if low <= one.typed <= high]
    if not found:
        said = _shown(cell)
        right = f"Write {what or 'a number'} from {low:g} to {high:g}{f' {unit}' if unit else ''}."
        readable = any(True for _ in _readings(cell, unit))
        raise CellError(
            f'"{said}" is out of range.' if readable else f'"{said}" is no number.', right
        )
    return found[0]


def _readings(cell: Any, unit: str) -> list[Number]:
    cell = _readable(cell)
    if isinstance(cell, bool | datetime.date):
        return []
    if isinstance(cell, int | float):
        return [Number(float(cell), _digits(cell), unit)] if math.isfinite(cell) else []
    words = plain(str(cell).strip()).replace("−", "-")
    if unit:  # "49.2 ft" below a heading in feet
        words = re.sub(rf"\s*{unit}\.?$", "", words, flags=re.I)
    words = words.removesuffix("°").strip()
    readings = []
    if _NUMBER.fullmatch(words):
        plainly = words.replace(",", ".")
        readings.append(Number(float(plainly), len(plainly.partition(".")[2]), unit))
    if grouped := _GROUPED.fullmatch(words):
        bare = words.replace(grouped["mark"], "").replace(",", ".")
        if bare.count(".") <= 1:
            readings.append(Number(float(bare), len(bare.partition(".")[2]), unit))
    return readings


def _digits(value: float) -> int:
    """Return how many digits behind the point a spreadsheet's number has."""
    words = f"{value:.10f}".rstrip("0")
    return len(words.partition(".")[2])


def day(cell: Any) -> datetime.date:
    """Return a day: a spreadsheet's date, ISO (2026-04-03), or with the month in letters."""
    cell = _readable(cell)
    if isinstance(cell, datetime.datetime):
        return _plausible(cell.date())
    if isinstance(cell, datetime.date):
        return _plausible(cell)
    words = plain(str(cell).strip())
    if isinstance(cell, int | float) or words.isdigit():
        raise CellError(f'"{_shown(cell)}" is a number, not a date.', _ISO_DATES)
    if found := _ISO.fullmatch(words):
        return _made(words, *map(int, found.groups()))
    if found := _DAY_FIRST.fullmatch(words):
        return _with_month(words, found[3], found[2], found[1])
    if found := _MONTH_FIRST.fullmatch(words):
        return _with_month(words, found[3], found[1], found[2])
    if found := _PARTS.fullmatch(words):
        return _from_parts(words, int(found[1]), int(found[2]), found[3])
    raise CellError(f'"{words}" is no date.', _ISO_DATES)


_ISO_DATES = "Write it as 2026-04-03, or format the cell as a date."


def _with_month(words: str, year: str, month: str, of_month: str) -> datetime.date:
    found = MONTHS.get(month.casefold())
    if found is None:
        raise CellError(f'"{words}" is no date.', _ISO_DATES)
    return _made(words, int(year), found, int(of_month))


def _from_parts(words: str, first: int, second: int, year: str) -> datetime.date:
    """A day and a month in figures count only where one order alone is possible."""
    if len(year) == 2:
        raise CellError(f'"{words}" has a year of two digits.', _ISO_DATES)
    if first <= 12 and second <= 12 and first != second:
        one, other = (f"{year}-{m:02d}-{d:02d}" for m, d in ((first, second), (second, first)))
        raise CellError(f'"{words}" can be two days.', f"Write {one} or {other}.")
    month, of_month = (second, first) if first > 12 else (first, second)
    return _made(words, int(year), month, of_month)


def _made(words: str, year: int, month: int, of_month: int) -> datetime.date:
    try:
        made = datetime.date(year, month, of_month)
    except ValueError:
        raise CellError(f'"{words}" is a day that does not exist.', _ISO_DATES) from None
    return _plausible(made)


def _plausible(made: datetime.date) -> datetime.date:
    if not FIRST_YEAR <= made.year <= LAST_YEAR:
        raise CellError(
            f'"{made.isoformat()}" cannot be meant.',
            f"Write a day between {FIRST_YEAR} and {LAST_YEAR}.",
        )
    return made


def one_of(cell: Any, words: Mapping[str, str], right: str) -> str:
    """Return the code of a word."""
    said = text(cell, 60)
    code = words.get(" ".join(re.sub(r"[-_]", " ", said.casefold()).split()))
    if code is None:
        raise CellError(f'"{said}" is not known.', right)
    return code


def _readable(cell: Any) -> Any:
    if isinstance(cell, Unreadable):
        raise CellError(cell.what, cell.right)
    return cell


def _shown(cell: Any) -> str:
    if isinstance(cell, bool):
        return str(cell).upper()
    if isinstance(cell, datetime.date):
        return f"{cell:%Y-%m-%d}"
    return str(cell).strip()[:40]
