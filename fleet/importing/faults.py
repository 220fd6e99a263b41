"""What is wrong with a spreadsheet: where, what, and what would be right."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: in which row (None: the whole file) and under which heading."""

    row: int | None
    column: str
    what: str
    right: str

    def __str__(self) -> str:
        """Return it as one sentence or two: "Row 7, joined on: …"."""
        place = ", ".join(
            part for part in (f"Row {self.row}" if self.row else "", self.column) if part
        )
        return f"{place}: {self.said}" if place else self.said

    @property
    def said(self) -> str:
        """Return what is wrong and what would be right, without the place."""
        return f"{self.what} {self.right}".strip()


class SheetError(ValueError):
    """A file that cannot be read as a list of members and fleet at all."""

    def __init__(self, what: str, right: str) -> None:
        super().__init__(f"{what} {right}")
        self.fault = Fault(None, "", what, right)


class CellError(ValueError):
    """A cell that is not what its column asks for; `right` says what would be."""

    def __init__(self, what: str, right: str) -> None:
        super().__init__(f"{what} {right}")
        self.what, self.right = what, right


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Stands in a cell whose content the spreadsheet itself does not have."""

    what: str
    right: str
