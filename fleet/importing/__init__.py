"""From the bytes of a spreadsheet to rows of members and fleet. Knows no record of the service."""

from fleet.importing.columns import COLUMNS, Field
from fleet.importing.faults import Fault, SheetError
from fleet.importing.rows import Entry, Reading, read

__all__ = ["COLUMNS", "Entry", "Fault", "Field", "Reading", "SheetError", "read"]
