"""Papers: numbered slips, what was issued on them, and what became of it. Nothing is edited."""

from __future__ import annotations

import json
from functools import cached_property
from typing import Any, ClassVar

from django.db import models

from fleet.models.base import OperatorRecord, Record, Sealed


class PaperKind(models.TextChoices):
    """What a paper is."""

    TEST_REPORT = "test_report", "Test report"
    SWATH_CARD = "swath_card", "Swath card"
    CERTIFICATE = "certificate", "Certificate of test"
    FLEET_STATEMENT = "fleet_statement", "Fleet statement"
    SEASON_RETURN = "season_return", "Season return"
    VISIT_SUMMARY = "visit_summary", "Visit summary"
    PARTICIPATION = "participation", "Participation report"
    THANKS = "thanks", "Thank-you report"
    FIELD_SHEET = "field_sheet", "Field sheet"


class PaperSeries(Record):
    """Numbers of one kind of paper in one year. A number is taken with the row locked."""

    kind = models.CharField(max_length=20, choices=PaperKind.choices)
    year = models.PositiveIntegerField()
    last_number = models.PositiveIntegerField(default=0)

    class Meta:
        ordering: ClassVar = ["year", "kind"]
        verbose_name_plural = "paper series"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kind", "year"], name="paper_series_once"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.year}"


class PaperBatch(Record):
    """A season's papers of some kinds, asked for in one go."""

    season = models.ForeignKey("fleet.Season", on_delete=models.PROTECT, related_name="+")
    kinds = models.JSONField()
    unit_system = models.CharField(max_length=6)
    page_size = models.CharField(max_length=6)
    asked_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        verbose_name = "batch of papers"
        verbose_name_plural = "batches of papers"

    def __str__(self) -> str:
        return f"Papers of {self.season}"


class PaperSlip(Sealed, OperatorRecord):
    """A number and a code, taken before the paper is made, with what the paper is to be about.

    The number is printed on the paper, so it is taken first; a slip whose paper cannot be made
    is tried again or given up (`PaperVoid`), and so no number is ever missing. Which of the keys
    are set follows from the kind. `operator` is empty for papers about the whole association.
    """

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    series = models.ForeignKey(PaperSeries, on_delete=models.PROTECT, related_name="slips")
    number = models.PositiveIntegerField()
    kind = models.CharField(max_length=20, choices=PaperKind.choices)
    code = models.CharField(max_length=12, unique=True)
    batch = models.ForeignKey(
        PaperBatch, null=True, blank=True, on_delete=models.PROTECT, related_name="slips"
    )
    replaces = models.ForeignKey(
        "fleet.Paper", null=True, blank=True, on_delete=models.PROTECT, related_name="replacements"
    )
    reason = models.TextField(blank=True, help_text="Why it is issued anew.")
    analysis = models.ForeignKey(
        "fleet.AnalysisRun", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    approval = models.ForeignKey(
        "fleet.Approval", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    aircraft = models.ForeignKey(
        "fleet.Aircraft", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    requirement = models.ForeignKey(
        "fleet.Requirement", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    jurisdiction = models.ForeignKey(
        "fleet.Jurisdiction", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    season = models.ForeignKey(
        "fleet.Season", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    visit = models.ForeignKey(
        "fleet.Visit", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    giver = models.CharField(max_length=120, blank=True)
    unit_system = models.CharField(max_length=6)
    page_size = models.CharField(max_length=6)
    asked_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        verbose_name = "slip"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["series", "number"], name="paper_number_once"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.name}"

    @property
    def name(self) -> str:
        """Return the number as it stands on the paper: kind, year, number."""
        return f"{SHORT[self.kind]}-{self.series.year}-{self.number:05d}"


# The letters before a number; plain abbreviations, so that a number read over the telephone is
# clear about what it is.
SHORT: dict[str, str] = {
    PaperKind.TEST_REPORT: "TR",
    PaperKind.SWATH_CARD: "SC",
    PaperKind.CERTIFICATE: "CT",
    PaperKind.FLEET_STATEMENT: "FS",
    PaperKind.SEASON_RETURN: "SR",
    PaperKind.VISIT_SUMMARY: "VS",
    PaperKind.PARTICIPATION: "PR",
    PaperKind.THANKS: "TY",
    PaperKind.FIELD_SHEET: "FD",
}


class Paper(Sealed, OperatorRecord):
    """An issued paper: the digest under which its bytes are kept, and what it says as data.

    `record` is what the paper says, as canonical JSON: the same bytes are attached inside the PDF
    and their digest is signed. Papers from before the slips have neither.
    """

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    slip = models.OneToOneField(
        PaperSlip, null=True, blank=True, on_delete=models.PROTECT, related_name="paper"
    )
    kind = models.CharField(max_length=20, choices=PaperKind.choices)
    title = models.CharField(max_length=200, blank=True)
    analysis = models.ForeignKey(
        "fleet.AnalysisRun", null=True, blank=True, on_delete=models.PROTECT, related_name="papers"
    )
    approval = models.ForeignKey(
        "fleet.Approval", null=True, blank=True, on_delete=models.PROTECT, related_name="papers"
    )
    job = models.OneToOneField("fleet.Job", on_delete=models.PROTECT, related_name="paper")
    unit_system = models.CharField(max_length=6)
    page_size = models.CharField(max_length=6)
    valid_until = models.DateField(null=True, blank=True)
    record = models.TextField(blank=True)
    record_digest = models.CharField(max_length=64, blank=True)
    signed = models.CharField(max_length=200, blank=True, help_text="As in the square code.")
    digest = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    supersedes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="superseded_by"
    )
    issued_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        indexes: ClassVar = [models.Index(fields=["digest"], name="paper_digest")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.created_at:%-d %B %Y}"

    @cached_property
    def says(self) -> dict[str, Any]:
        """Return the record as plain data."""
        says: dict[str, Any] = json.loads(self.record) if self.record else {}
        return says


class PaperWithdrawal(Sealed, OperatorRecord):
    """A paper taken back; whoever checks it is told."""

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    paper = models.OneToOneField(Paper, on_delete=models.PROTECT, related_name="withdrawal")
    reason = models.TextField()
    withdrawn_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"Withdrawal of {self.paper}"


class PaperVoid(Sealed, OperatorRecord):
    """A number given up because its paper cannot be made."""

    operator = models.ForeignKey(  # type: ignore[assignment]
        "fleet.Operator", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    slip = models.OneToOneField(PaperSlip, on_delete=models.PROTECT, related_name="void")
    reason = models.TextField()
    given_up_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.slip} given up"


class PaperBundle(Sealed, Record):
    """All papers of a batch as one ZIP and one merged PDF."""

    batch = models.ForeignKey(PaperBatch, on_delete=models.PROTECT, related_name="bundles")
    job = models.OneToOneField("fleet.Job", on_delete=models.PROTECT, related_name="bundle")
    papers = models.PositiveIntegerField()
    zip_digest = models.CharField(max_length=64)
    zip_size = models.PositiveIntegerField()
    pdf_digest = models.CharField(max_length=64)
    pdf_size = models.PositiveIntegerField()

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]

    def __str__(self) -> str:
        return f"{self.papers} papers of {self.batch.season}"
