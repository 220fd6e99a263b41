"""Papers, the numbers they are issued under, a season's batches, and checks."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Out, Strict
from fleet.models import Paper, PaperBatch, PaperBundle, PaperKind, PaperSlip
from fleet.queries.paper_batches import GATHERED
from fleet.services.papers import PAGE_SIZES

# How far a number is; of an issued paper, what became of it.
NUMBER_STATES = ("being_made", "failed", "given_up", "issued", "superseded", "withdrawn")
PAPER_STATES = ("issued", "superseded", "withdrawn")
VERDICTS = ("valid", "superseded", "withdrawn", "ended", "expired")
CHECK_STATES = (*VERDICTS, "unknown", "being_made", "never_issued", "forged")


class PaperOut(Out):
    """An issued paper. Papers from before there were numbers have neither number nor code."""

    number = serializers.CharField(source="slip.name", default=None, allow_null=True)
    code = serializers.CharField(source="slip.code", default=None, allow_null=True)
    state = serializers.SerializerMethodField()

    class Meta:
        model = Paper
        fields = [
            "id", "operator", "number", "code", "kind", "title", "state", "valid_until", "slip",
            "analysis", "approval", "job", "unit_system", "page_size", "digest", "size",
            "record_digest", "signed", "supersedes", "issued_by", "created_at",
        ]  # fmt: skip

    def get_state(self, paper: Paper) -> str:
        """Return what became of the paper since; whether it holds is the verdict's to say."""
        if hasattr(paper, "withdrawal"):
            return "withdrawn"
        return "superseded" if hasattr(paper, "superseded_by") else "issued"


class VerdictOut(serializers.Serializer[Any]):
    """How a paper stands today, as a check would tell it."""

    state = serializers.ChoiceField(VERDICTS)
    words = serializers.CharField()
    why = serializers.CharField()


class PaperIn(Strict):
    page_size = serializers.ChoiceField(PAGE_SIZES, required=False)


class PaperNumberOut(Out):
    """A number, what its paper is about, and how far it is."""

    number = serializers.CharField(source="name")
    state = serializers.ChoiceField(NUMBER_STATES)
    title = serializers.CharField(source="paper.title", default=None, allow_null=True)
    paper = serializers.UUIDField(source="paper.pk", default=None, allow_null=True)
    valid_until = serializers.DateField(source="paper.valid_until", default=None, allow_null=True)
    job = serializers.UUIDField(source="job_id", allow_null=True)
    trouble = serializers.CharField(help_text="Why it could not be made, or was given up.")
    asked_by_name = serializers.CharField(source="asked_by.name")

    class Meta:
        model = PaperSlip
        fields = [
            "id", "operator", "number", "code", "kind", "state", "trouble", "title", "paper",
            "valid_until", "job", "batch", "replaces", "reason", "analysis", "approval",
            "aircraft", "requirement", "jurisdiction", "season", "visit", "giver", "unit_system",
            "page_size", "asked_by", "asked_by_name", "created_at",
        ]  # fmt: skip


class PaperNumberFullOut(PaperNumberOut):
    """A number with the verdict on its paper, once that is issued."""

    verdict = VerdictOut(allow_null=True)

    class Meta(PaperNumberOut.Meta):
        fields = [*PaperNumberOut.Meta.fields, "verdict"]


class PaperAsk(Strict):
    """A paper of a kind, about the records that kind needs; the refusal says which are missing."""

    kind = serializers.ChoiceField(PaperKind.choices)
    page_size = serializers.ChoiceField(
        PAGE_SIZES, required=False, help_text="Letter for who reads US units, otherwise A4."
    )
    operator = serializers.UUIDField(required=False)
    aircraft = serializers.UUIDField(required=False)
    analysis = serializers.UUIDField(required=False)
    approval = serializers.UUIDField(required=False)
    visit = serializers.UUIDField(required=False)
    season = serializers.UUIDField(required=False)
    jurisdiction = serializers.UUIDField(required=False)
    requirement = serializers.UUIDField(required=False)
    giver = serializers.CharField(required=False, max_length=120)


class PaperReason(Strict):
    reason = serializers.CharField()


class BatchOut(Out):
    kinds = serializers.ListField(child=serializers.ChoiceField(PaperKind.choices))
    season_name = serializers.CharField(source="season.name")

    class Meta:
        model = PaperBatch
        fields = [
            "id", "season", "season_name", "kinds", "unit_system", "page_size", "asked_by",
            "created_at",
        ]  # fmt: skip


class BatchProgressOut(serializers.Serializer[Any]):
    """How many numbers a batch took, and what became of them."""

    slips = serializers.IntegerField()
    issued = serializers.IntegerField()
    given_up = serializers.IntegerField()
    in_trouble = serializers.IntegerField()
    waiting = serializers.IntegerField()
    share = serializers.FloatField(help_text="Settled, 0 to 1.")


class BundleOut(Out):
    """All papers of a batch that were issued when it was put together, in two files."""

    class Meta:
        model = PaperBundle
        fields = [
            "id", "papers", "zip_digest", "zip_size", "pdf_digest", "pdf_size", "created_at",
        ]  # fmt: skip


class BatchFullOut(BatchOut):
    """A batch, how far it is, and its newest bundle."""

    progress = BatchProgressOut()
    bundle = BundleOut(allow_null=True)
    bundling = serializers.UUIDField(
        source="bundling_id", allow_null=True, help_text="The job that puts one together now."
    )

    class Meta(BatchOut.Meta):
        fields = [*BatchOut.Meta.fields, "progress", "bundle", "bundling"]


class BatchNew(Strict):
    season = serializers.UUIDField()
    kinds = serializers.ListField(
        child=serializers.ChoiceField([(kind, PaperKind(kind).label) for kind in GATHERED]),
        allow_empty=False,
    )
    page_size = serializers.ChoiceField(PAGE_SIZES, required=False)


class TriedAgainOut(serializers.Serializer[Any]):
    tried_again = serializers.IntegerField()


class CheckQuery(Strict):
    """One of the three."""

    code = serializers.CharField(required=False, max_length=40, help_text="As printed.")
    digest = serializers.RegexField(
        "^[0-9a-fA-F]{64}$", required=False, help_text="SHA-256 of a copy of the file, in hex."
    )
    signed = serializers.CharField(
        required=False, max_length=400, help_text="What the square code holds after the short code."
    )

    def validate(self, given: dict[str, Any]) -> dict[str, Any]:
        """Return what is asked by, which is one thing."""
        if len(given) != 1:
            raise serializers.ValidationError("Say one of code, digest and signed.")
        return given


class CheckOut(serializers.Serializer[Any]):
    """What a check tells anybody: what the paper itself says, and how it stands."""

    state = serializers.ChoiceField(CHECK_STATES)
    why = serializers.CharField()
    number = serializers.CharField(allow_null=True)
    kind = serializers.ChoiceField(PaperKind.choices, allow_null=True)
    title = serializers.CharField(allow_null=True)
    issued_on = serializers.DateField(allow_null=True)
    valid_until = serializers.DateField(allow_null=True)
