"""Droplet cards of a test: the scans as they came in, the cards on them, and what was measured."""

from __future__ import annotations

import json
from functools import cached_property
from typing import Any, ClassVar

from django.db import models

from fleet.models.base import OperatorRecord, Sealed
from fleet.models.visits import FlightPass, RawFile, Test


class CardScan(OperatorRecord):
    """One scan of one card or of many on one bed, kept unchanged as its raw file."""

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    test = models.ForeignKey(Test, on_delete=models.PROTECT, related_name="card_scans")
    flight_pass = models.ForeignKey(
        FlightPass, null=True, blank=True, on_delete=models.PROTECT, related_name="card_scans"
    )
    number = models.PositiveIntegerField()
    raw_file = models.ForeignKey(RawFile, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["test_id", "number"]
        verbose_name = "scan of cards"
        verbose_name_plural = "scans of cards"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["test", "number"], name="card_scan_number_once"),
        ]

    def __str__(self) -> str:
        return f"Scan {self.number}"


class CardPlace(OperatorRecord):
    """Where one card of a scan lay, and whether it counts. Cards are numbered left to right, top
    to bottom on the scan; places are entered by people and may be corrected.
    """

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    scan = models.ForeignKey(CardScan, on_delete=models.PROTECT, related_name="places")
    number = models.PositiveIntegerField()
    position_m = models.FloatField(
        null=True, blank=True, help_text="Across the flight line, left wing negative."
    )
    left_out_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["scan_id", "number"]
        verbose_name = "place of a card"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["scan", "number"], name="card_place_once"),
        ]

    def __str__(self) -> str:
        return f"Card {self.number}"


class CardRun(Sealed, OperatorRecord):
    """A finished measurement of one scan. Measuring again with other settings is another run.

    `document` is canonical JSON: `dpi` and `image_px` of the scan, and `cards`, one entry for each
    card in order, each with its outline on the scan, its result, and the digests of its preview and
    of the list of its stains. What lists ask of the outlines stands in columns of its own.
    """

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    scan = models.ForeignKey(CardScan, on_delete=models.PROTECT, related_name="runs")
    job = models.OneToOneField("fleet.Job", on_delete=models.PROTECT, related_name="card_run")
    number = models.PositiveIntegerField()
    method_version = models.CharField(max_length=20)
    parameters = models.JSONField()
    document = models.TextField()
    document_digest = models.CharField(max_length=64)
    outlines_digest = models.CharField(
        max_length=64, help_text="Of the outlines found: found again, the same have the same."
    )
    asks_confirmation = models.BooleanField(
        help_text="Outlines were looked for and found, so somebody must look at them."
    )
    preview_digest = models.CharField(max_length=64)
    requested_by = models.ForeignKey("fleet.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["scan_id", "-number"]
        verbose_name = "card measurement"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["scan", "number"], name="card_run_number_once"),
        ]

    def __str__(self) -> str:
        return f"Measurement {self.number}"

    @cached_property
    def content(self) -> dict[str, Any]:
        """Return the document as plain data."""
        document: dict[str, Any] = json.loads(self.document)
        return document

    @property
    def cards(self) -> list[dict[str, Any]]:
        """Return the cards of the document, in order."""
        found: list[dict[str, Any]] = self.content["cards"]
        return found


class CardConfirmation(Sealed, OperatorRecord):
    """Somebody has looked at the outlines that a measurement found and said which are cards.

    It holds for every measurement of the scan that found the same outlines; the newest speaks.
    `not_cards` says of the others, by number, what they are. Rows without `confirmed_by` were made
    for measurements from before outlines had to be confirmed; as nobody looked, they confirm
    nothing.
    """

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    scan = models.ForeignKey(CardScan, on_delete=models.PROTECT, related_name="confirmations")
    run = models.ForeignKey(CardRun, on_delete=models.PROTECT, related_name="confirmations")
    outlines_digest = models.CharField(max_length=64)
    cards = models.JSONField(blank=True, help_text="Numbers of the outlines that are cards.")
    not_cards = models.JSONField(default=dict, blank=True, help_text="What the others are.")
    confirmed_by = models.ForeignKey(
        "fleet.Person", null=True, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["scan_id", "-created_at", "-id"]
        verbose_name = "confirmation of outlines"
        verbose_name_plural = "confirmations of outlines"

    def __str__(self) -> str:
        return f"Confirmation of {self.run}"


class CardsTogether(Sealed, OperatorRecord):
    """What cards of a test say together, worked out once from these inputs.

    `inputs` names the method and, in order, the digest of each card's result with where it lay; so
    a row never grows old. Cards measured, placed or confirmed otherwise have another row.
    """

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")
    test = models.ForeignKey(Test, on_delete=models.PROTECT, related_name="+")
    inputs = models.JSONField()
    inputs_digest = models.CharField(max_length=64)
    document = models.TextField()
    document_digest = models.CharField(max_length=64)

    class Meta:
        ordering: ClassVar = ["test_id", "created_at", "id"]
        verbose_name = "figures of cards together"
        verbose_name_plural = "figures of cards together"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["test", "inputs_digest"], name="cards_together_once"),
        ]

    def __str__(self) -> str:
        return f"Cards of {self.test} together"
