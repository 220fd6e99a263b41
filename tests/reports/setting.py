"""Setting a draft without a database row for its slip, and what a paper's square must say."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.conf import settings
from django.db import transaction
from django.urls import reverse

from fleet import tenancy
from fleet.models import Paper, PaperKind, PaperSeries, PaperSlip
from reports.paper import Draft, make

ISSUED_AT = datetime.datetime(2026, 4, 20, 15, 30, tzinfo=datetime.UTC)


def slip(kind: str = PaperKind.TEST_REPORT, **about: Any) -> PaperSlip:
    """A slip that is nowhere on record."""
    series = PaperSeries(kind=kind, year=2026, last_number=12)
    made = PaperSlip(
        series=series,
        number=12,
        kind=kind,
        code="0123456789A2",
        unit_system="us",
        page_size="letter",
        **about,
    )
    made.created_at = ISSUED_AT
    return made


def pdf_of(draft: Draft, kind: str = PaperKind.TEST_REPORT) -> bytes:
    """Set a draft on such a slip."""
    return make(slip(kind), draft).pdf


def plain(slip: PaperSlip) -> Draft:
    """The plainest paper there is: quickly set, so that many can be made."""
    words = f"<!DOCTYPE html><html lang='en'><title>{slip.name}</title><p>{slip.name}</p></html>"
    return Draft(slip.name, {"for": slip.name}, slip.created_at, lambda foot: [words])


def check_address(paper: Paper) -> str:
    """The address where a paper is checked, as its square code spells it."""
    assert paper.slip is not None
    where = reverse("check-signed", args=[paper.slip.code, paper.signed])
    return f"{settings.PUBLIC_ADDRESS.upper()}{where}"


@contextmanager
def undone(django_db_blocker: Any) -> Iterator[None]:
    """The database for what many tests only read; what is written within is taken back at its end.

    Rows in memory, bytes in the store and papers that were set stay.
    """
    with django_db_blocker.unblock(), tenancy.everyone(), transaction.atomic():
        yield
        transaction.set_rollback(True)
