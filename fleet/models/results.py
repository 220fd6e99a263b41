"""What follows from a test: analyses, approvals, papers. All write-once."""

from __future__ import annotations

import json
from functools import cached_property
from typing import Any, ClassVar

from django.db import models

from fleet.models.aircraft import Aircraft, Manner, SetUp
from fleet.models.base import OperatorRecord, Sealed
from fleet.models.visits import Test
from patterns.analyse import Analysis
from patterns.document import from_document


class AnalysisRun(Sealed, OperatorRecord):
    """A finished analysis: digests of its inputs, method version, parameters, result.

    `inputs` names the raw files by digest with how each was read and overruled, and the
    conditions as they stood; `weather` says what follows from the conditions. `document` is the
    result as canonical JSON, byte for byte as `patterns` gave it.
    """

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    test = models.ForeignKey(Test, on_delete=models.PROTECT, related_name="analyses")
    job = models.OneToOneField("fleet.Job", on_delete=models.PROTECT, related_name="analysis")
    number = models.PositiveIntegerField()
    method_version = models.CharField(max_length=20)
    parameters = models.JSONField()
    inputs = models.JSONField()
    inputs_digest = models.CharField(max_length=64)
    weather = models.JSONField()
    document = models.TextField()
    document_digest = models.CharField(max_length=64)
    # Copies of the figures that lists show, so that no list has to open documents.
    accepted_passes = models.PositiveIntegerField()
    one_way_swath_m = models.FloatField(null=True)
    one_way_cv_percent = models.FloatField(null=True)
    back_and_forth_swath_m = models.FloatField(null=True)
    back_and_forth_cv_percent = models.FloatField(null=True)
    requested_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["test_id", "-number"]
        verbose_name = "analysis"
        verbose_name_plural = "analyses"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["test", "number"], name="analysis_number_once"),
        ]
        # The figures stand behind the document in the row; whoever counts them reads them here.
        indexes: ClassVar = [
            models.Index(
                fields=[
                    "test",
                    "number",
                    "id",
                    "accepted_passes",
                    "one_way_swath_m",
                    "one_way_cv_percent",
                    "back_and_forth_swath_m",
                    "back_and_forth_cv_percent",
                ],
                name="analysis_outcome",
            ),
        ]

    def __str__(self) -> str:
        return f"Analysis {self.number}"

    @cached_property
    def result(self) -> Analysis:
        """Return the stored result as `patterns` gives it."""
        return from_document(self.raw_result)

    @cached_property
    def raw_result(self) -> dict[str, Any]:
        """Return the stored document as plain data."""
        document: dict[str, Any] = json.loads(self.document)
        return document


class Approval(Sealed, OperatorRecord):
    """An analyst's frozen statement.

    This aircraft, this set-up revision, this swath, this way of flying, on this evidence,
    until this date. A test finding, never permission to spray.
    """

    operator = models.ForeignKey(
        "fleet.Operator", on_delete=models.PROTECT, related_name="approvals"
    )
    aircraft = models.ForeignKey(Aircraft, on_delete=models.PROTECT, related_name="approvals")
    setup = models.ForeignKey(SetUp, on_delete=models.PROTECT, related_name="approvals")
    analysis = models.ForeignKey(AnalysisRun, on_delete=models.PROTECT, related_name="approvals")
    swath_m = models.FloatField()
    manner = models.CharField(max_length=14, choices=Manner.choices)
    cv_percent = models.FloatField(
        help_text="Of the mean pattern at this swath, this way of flying."
    )
    cv_high_percent = models.FloatField(null=True)
    approved_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")
    valid_until = models.DateField()
    note = models.TextField(blank=True)
    outside_reason = models.TextField(
        blank=True, help_text="Why a swath outside the evidence was approved."
    )
    supersedes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="superseded_by"
    )

    class Meta:
        ordering: ClassVar = ["-created_at", "-id"]
        indexes: ClassVar = [
            models.Index(fields=["aircraft", "valid_until"], name="approval_by_aircraft"),
        ]

    def __str__(self) -> str:
        return f"{self.aircraft}: {self.get_manner_display()}, {self.setup}"


class Withdrawal(Sealed, OperatorRecord):
    """An approval taken back before its date, with the reason."""

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    approval = models.OneToOneField(Approval, on_delete=models.PROTECT, related_name="withdrawal")
    withdrawn_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")
    reason = models.TextField()

    def __str__(self) -> str:
        return f"Withdrawal of {self.approval}"
