"""Who makes which kind of paper."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from fleet.models import PaperKind, PaperSlip
from reports import fleet_statement, swath_card, test_report
from reports.paper import Draft

Maker = Callable[[PaperSlip], Draft]

MAKERS: Final[dict[str, Maker]] = {
    PaperKind.TEST_REPORT: test_report.draft,
    PaperKind.SWATH_CARD: swath_card.draft,
    PaperKind.FLEET_STATEMENT: fleet_statement.draft,
}
