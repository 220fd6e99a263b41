"""What all papers have: a number, a code to be checked by, and their record inside.

A maker turns a slip into a `Draft`; `make` sets it, signs it and hands out the PDF. The same rows
give the same bytes, so a worker that was stopped and begins again makes the same paper.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any, Final

import segno
from django.conf import settings
from django.template.loader import render_to_string
from django.urls import reverse

from fleet import signing
from fleet.models import PaperSlip
from fleet.models.papers import SHORT
from fleet.paper_codes import Statement, grouped, sign
from fleet.storage import digest_of
from patterns.plain import canonical_bytes
from reports.answer import day
from reports.embedded import EmbeddedFile

RECORD_NAME: Final = "record.json"
SIGNED_NAME: Final = "signed.txt"
CAUTION: Final = (
    "A test finding, not permission to spray. The product label and local rules decide."
)


@dataclass(frozen=True, slots=True)
class Foot:
    """How a paper is known: what stands at its foot, and the square code that says the same."""

    number: str
    code: str
    issued: str
    replaces: str
    reason: str
    square: str
    square_words: str
    check_at: str
    record_digest: str


@dataclass(frozen=True, slots=True)
class Draft:
    """A paper about to be set.

    `record` is what the paper says, as plain data; `html` writes it with the foot given, from roomy
    to tight. `stated_at` is the moment of the latest statement it repeats.
    """

    title: str
    record: Mapping[str, Any]
    stated_at: datetime.datetime
    html: Callable[[Foot], Iterable[str]]
    valid_until: datetime.date | None = None
    most_pages: int = 0
    embedded: tuple[EmbeddedFile, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Set:
    """A paper as set: its bytes, its record, and the signed code that is printed on it."""

    pdf: bytes
    record: bytes
    record_digest: str
    signed: str


def make(slip: PaperSlip, draft: Draft) -> Set:
    """Set a draft under the number of its slip, with its record inside and signed."""
    from reports.pdf import to_pdf  # noqa: PLC0415 -- large: only where papers are set

    record = canonical_bytes(
        {
            "paper": {
                "number": slip.name,
                "code": grouped(slip.code),
                "kind": slip.kind,
                "title": draft.title,
                "issued_at": slip.created_at.isoformat(timespec="seconds"),
                "valid_until": draft.valid_until.isoformat() if draft.valid_until else None,
                "replaces": _replaced(slip) or None,
                "reason": slip.reason,
            },
            "says": json.loads(json.dumps(draft.record)),
        }
    )
    digest = digest_of(record)
    signed = sign(
        Statement(
            kind=SHORT[slip.kind],
            year=slip.series.year,
            number=slip.number,
            code=slip.code,
            valid_until=draft.valid_until,
            record_digest=bytes.fromhex(digest)[:16],
        ),
        signing.signing_key(),
    )
    pdf = to_pdf(
        draft.html(foot_of(slip, signed, digest)),
        stated_at=max(draft.stated_at, slip.created_at),
        style=style(),
        most_pages=draft.most_pages,
        embedded=[
            EmbeddedFile(RECORD_NAME, "What this paper says, as data", record),
            EmbeddedFile(SIGNED_NAME, "The signed code of this paper", signed.encode()),
            *draft.embedded,
        ],
    )
    return Set(pdf, record, digest, signed)


def _replaced(slip: PaperSlip) -> str:
    """Return the number of the paper that this one replaces; "" when it replaces none."""
    return slip.replaces.slip.name if slip.replaces and slip.replaces.slip else ""


def foot_of(slip: PaperSlip, signed: str, record_digest: str) -> Foot:
    """Return what stands at the foot of a paper."""
    base = settings.PUBLIC_ADDRESS
    # In capitals throughout, which a square code holds in half the room.
    scanned = base.upper() + reverse("check-signed", args=[slip.code, signed])
    square = segno.make(scanned, error="m", micro=False, boost_error=False)
    return Foot(
        number=slip.name,
        code=grouped(slip.code),
        issued=day(slip.created_at),
        replaces=_replaced(slip),
        reason=slip.reason,
        square=square.svg_data_uri(border=2, omitsize=True, nl=False),
        square_words=f"Square code of paper {slip.name}; its short code is {grouped(slip.code)}.",
        check_at=base.removeprefix("https://").removeprefix("http://") + reverse("check"),
        record_digest=record_digest,
    )


@cache
def style() -> str:
    """Return the style sheet of papers."""
    return files("reports").joinpath("assets/paper.css").read_text("utf-8")


def page(template: str, foot: Foot, *, size: str, **context: Any) -> str:
    """Write one HTML document of a paper from its template and the foot."""
    return render_to_string(
        template, {"foot": foot, "page_size": size, "caution": CAUTION, **context}
    )
