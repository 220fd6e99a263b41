"""Checks of what a record of service says: what is missing by which paragraph, and what is wrong.

Values are those of the lists: a text, a number with the unit it was written in, a date, a time.
They stay as they were written, for that is what a record is; nothing is computed with them.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from fleet.record_lists import TODAY, Element, Part, Wanted

LONGEST: Final = 300
LARGEST: Final = 1e9
EARLIEST: Final = datetime.date(1900, 1, 1)

Errors = dict[str, list[str]]


class _WrongError(ValueError):
    """A value that is not what its element asks for; the message says what is."""


def checked_values(
    values: Any, wants: Sequence[Wanted], today: datetime.date
) -> tuple[dict[str, Any], Errors]:
    """Return the values as they are kept, and the errors by path (`materials.0.amount`).

    A row of a part that repeats counts only when something stands in it. Where a part with
    something required has no row, its first one is said to be missing.
    """
    if not isinstance(values, Mapping):
        return {}, {"values": ["Give the elements by name."]}
    checking = _Checking(wants, today)
    kept = checking.all_of(values)
    checking.compare()
    return kept, checking.errors


def missing_words(want: Wanted, row: int = 0) -> str:
    """Say that an element is missing, and by which paragraph it is asked for."""
    part = want.element.part
    which = f"{part.one} {row + 1}: " if part.repeats else ""
    return f"{which}{want.element.label} is missing ({', '.join(want.required_by)})."


class _Checking:
    """One record being checked."""

    def __init__(self, wants: Sequence[Wanted], today: datetime.date) -> None:
        self._wants = wants
        self._today = today
        self._dates: dict[str, tuple[Element, datetime.date]] = {}  # by path
        self.errors: Errors = {}

    def all_of(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return all values as they are kept."""
        kept: dict[str, Any] = {}
        parts = {want.element.part.key: want.element.part for want in self._wants}
        single = [want for want in self._wants if not want.element.part.repeats]
        known = {w.element.key for w in single} | {p.key for p in parts.values() if p.repeats}
        self._refuse_unknown(values, known, "")
        kept.update(self._row(values, single, 0))
        for part in parts.values():
            if part.repeats:
                wants = [want for want in self._wants if want.element.part == part]
                if rows := self._rows(values.get(part.key), part, wants):
                    kept[part.key] = rows
        return kept

    def _rows(self, given: Any, part: Part, wants: Sequence[Wanted]) -> list[dict[str, Any]]:
        if given is not None and not isinstance(given, list | tuple):
            self.errors[part.key] = [f"{part.title}: give a list."]
            return []
        rows = list(given or ())
        if len(rows) > part.most:
            self.errors[part.key] = [f"{part.title}: {part.most} at most."]
            return []
        filled = [(at, row) for at, row in enumerate(rows) if not _is_blank(row)]
        if not filled and any(want.required_by for want in wants):
            filled = [(0, {})]
        kept = []
        for at, row in filled:
            if not isinstance(row, Mapping):
                self.errors[f"{part.key}.{at}"] = ["Give the elements by name."]
                continue
            self._refuse_unknown(row, {want.element.key for want in wants}, f"{part.key}.{at}.")
            kept.append(self._row(row, wants, at))
        return kept

    def _row(self, row: Mapping[str, Any], wants: Sequence[Wanted], at: int) -> dict[str, Any]:
        kept = {}
        for want in wants:
            element, path = want.element, want.element.path(at)
            given = row.get(element.key)
            if _is_blank(given):
                if want.required_by:
                    self.errors[path] = [missing_words(want, at)]
                continue
            try:
                kept[element.key] = _KINDS[element.kind](given, element)
            except _WrongError as error:
                self.errors[path] = [f"{element.label}: {error}"]
                continue
            if element.kind == "date":
                day = datetime.date.fromisoformat(kept[element.key])
                self._dates[path] = (element, day)
        return kept

    def _refuse_unknown(self, row: Mapping[Any, Any], known: set[str], before: str) -> None:
        for key in row:
            if key not in known:
                says = f"No list asks for it. Known here: {', '.join(sorted(known))}."
                self.errors[f"{before}{key}"] = [says]

    def compare(self) -> None:
        """Hold dates against the dates that they must not lie behind."""
        for path, (element, day) in self._dates.items():
            limit, words = self._limit(element.not_after)
            if limit is not None and day > limit:
                self.errors[path] = [f"{element.label} lies after {words}."]

    def _limit(self, not_after: str) -> tuple[datetime.date | None, str]:
        if not_after == TODAY:
            return self._today, f"today ({_day(self._today)})"
        if not_after in self._dates:
            element, day = self._dates[not_after]
            return day, f"the {element.label.lower()} ({_day(day)})"
        return None, ""


def _day(day: datetime.date) -> str:
    return f"{day:%-d %B %Y}"


def _is_blank(given: Any) -> bool:
    """Whether nothing was written: a unit alone, chosen beforehand, says nothing."""
    if given is None:
        return True
    if isinstance(given, str):
        return not given.strip()
    if isinstance(given, Mapping):
        inner: Iterator[Any] = (value for key, value in given.items() if key != "unit")
        return all(map(_is_blank, inner))
    return False


# --- Kinds ----------------------------------------------------------------------------------------


def _text(given: Any, element: Element) -> str:
    if not isinstance(given, str):
        raise _WrongError("write it as text.")
    text = " ".join(given.split())
    if len(text) > LONGEST:
        raise _WrongError(f"{LONGEST} characters at most.")
    if not text.isprintable():
        raise _WrongError("it holds signs that cannot be printed.")
    return text


def _number(given: Any, element: Element) -> dict[str, Any]:
    if not isinstance(given, Mapping) or not {*given} <= {"number", "unit"}:
        raise _WrongError("give its number and its unit.")
    number, unit = given.get("number"), given.get("unit")
    if isinstance(number, bool) or not isinstance(number, int | float):
        raise _WrongError("give a number.")
    if not (math.isfinite(number) and 0 < number <= LARGEST):
        raise _WrongError(f"give a number over 0, at most {LARGEST:,.0f}.")
    if unit not in element.units:
        raise _WrongError(f"give the unit, one of {', '.join(element.units)}.")
    return {"number": int(number) if number == int(number) else number, "unit": unit}


def _date(given: Any, element: Element) -> str:
    wrong = "write it as year-month-day, such as 2026-05-04."
    if isinstance(given, str):
        try:
            given = datetime.date.fromisoformat(given.strip())
        except ValueError:
            raise _WrongError(wrong) from None
    if not isinstance(given, datetime.date) or isinstance(given, datetime.datetime):
        raise _WrongError(wrong)
    if given < EARLIEST:
        raise _WrongError(f"not before {EARLIEST.year}.")
    return given.isoformat()


def _time(given: Any, element: Element) -> str:
    wrong = "write it as hours and minutes, such as 06:40."
    if isinstance(given, str):
        try:
            given = datetime.time.fromisoformat(given.strip())
        except ValueError:
            raise _WrongError(wrong) from None
    if not isinstance(given, datetime.time) or given.tzinfo is not None:
        raise _WrongError(wrong)
    return f"{given:%H:%M}"


_KINDS: Mapping[str, Callable[[Any, Element], Any]] = {
    "text": _text,
    "number": _number,
    "date": _date,
    "time": _time,
}
