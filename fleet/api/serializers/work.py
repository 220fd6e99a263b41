"""Jobs and the audit trail."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Out
from fleet.models import AuditRow, Job


class JobOut(Out):
    """Work for the background. Ask again until `has_ended`."""

    has_ended = serializers.BooleanField()
    analysis = serializers.UUIDField(source="analysis.id", default=None, allow_null=True)
    paper = serializers.UUIDField(source="paper.id", default=None, allow_null=True)
    proposal = serializers.UUIDField(source="proposal.id", default=None, allow_null=True)
    export = serializers.UUIDField(source="export.id", default=None, allow_null=True)
    card_measurement = serializers.UUIDField(source="card_run.id", default=None, allow_null=True)

    class Meta:
        model = Job
        fields = [
            "id",
            "operator",
            "kind",
            "subject_id",
            "state",
            "has_ended",
            "share",
            "words",
            "reason",
            "requested_by",
            "created_at",
            "started_at",
            "ended_at",
            "analysis",
            "paper",
            "card_measurement",
            "export",
            "proposal",
        ]


class AuditOut(Out):
    operator_name = serializers.CharField(source="operator.name", default=None, allow_null=True)
    before: Any = serializers.JSONField(allow_null=True)
    after: Any = serializers.JSONField(allow_null=True)

    class Meta:
        model = AuditRow
        fields = [
            "id",
            "created_at",
            "deed",
            "person",
            "person_name",
            "operator",
            "operator_name",
            "subject_kind",
            "subject_id",
            "subject_name",
            "before",
            "after",
            "request_id",
        ]
