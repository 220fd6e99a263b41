"""Who makes which kind of paper."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from fleet.models import PaperKind, PaperSlip
from reports import test_report
from reports.paper import Draft

Maker = Callable[[PaperSlip], Draft]

MAKERS: Final[Mapping[str, Maker]] = {
    PaperKind.TEST_REPORT: test_report.draft,
}
