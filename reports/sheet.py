"""The plain form that most papers take: an answer on top, tables below, the code at the foot."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from reports.figures import Figure
from reports.paper import CAUTION, Foot, page

SHORT = 16  # rows, of three lines each: half a page


@dataclass(frozen=True, slots=True)
class Box:
    """One answer: what it is about, the figure, and what bounds it."""

    heading: str
    figure: str
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table; `width` in per cent of the table, what is left when None."""

    name: str
    width: int | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """A table with its heading. `groups` are rows under a name of their own, or under none."""

    heading: str
    columns: tuple[Column, ...]
    groups: tuple[tuple[str, tuple[tuple[str, ...], ...]], ...]
    nothing: str = "Nothing on record."
    notes: tuple[str, ...] = ()

    @property
    def is_short(self) -> bool:
        """Whether it is kept on one page, with its heading."""
        return sum(len(group) for _, group in self.groups) < SHORT


@dataclass(frozen=True, slots=True)
class Words:
    """A heading with sentences, each a paragraph or a point of a list."""

    heading: str
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a plain paper says, in the reader's words."""

    title: str
    who: tuple[str, ...]
    subject: str
    boxes: tuple[Box, ...] = ()
    words: tuple[Words, ...] = ()
    tables: tuple[Table, ...] = ()
    figures: tuple[Figure, ...] = ()
    caution: str = CAUTION
    description: str = field(default="")


def rows(*found: Sequence[str]) -> tuple[tuple[str, tuple[tuple[str, ...], ...]], ...]:
    """Return rows that stand in no group."""
    return (("", tuple(tuple(one) for one in found)),) if found else ()


def to_html(sheet: Sheet, page_size: str, foot: Foot) -> Iterator[str]:
    """Write a sheet as one HTML document."""
    yield page("reports/sheet.html", foot, size=page_size, sheet=sheet, caution=sheet.caution)
