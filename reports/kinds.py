"""Who makes which kind of paper."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from fleet.models import PaperKind, PaperSlip
from reports import (
    certificate,
    field_sheet,
    fleet_statement,
    participation,
    season_return,
    swath_card,
    test_report,
    thanks,
    visit_summary,
)
from reports.paper import Draft

Maker = Callable[[PaperSlip], Draft]

MAKERS: Final[dict[str, Maker]] = {
    PaperKind.TEST_REPORT: test_report.draft,
    PaperKind.SWATH_CARD: swath_card.draft,
    PaperKind.CERTIFICATE: certificate.draft,
    PaperKind.FLEET_STATEMENT: fleet_statement.draft,
    PaperKind.SEASON_RETURN: season_return.draft,
    PaperKind.VISIT_SUMMARY: visit_summary.draft,
    PaperKind.PARTICIPATION: participation.draft,
    PaperKind.THANKS: thanks.draft,
    PaperKind.FIELD_SHEET: field_sheet.draft,
}
