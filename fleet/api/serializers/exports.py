"""All records of an operator in one file."""

from __future__ import annotations

from rest_framework import serializers

from fleet.api.serializers.base import Out
from fleet.models import OperatorExport


class ExportOut(Out):
    """All records of an operator as one ZIP. The file is handed out until `expires_at`."""

    expires_at = serializers.DateTimeField()
    has_expired = serializers.BooleanField()

    class Meta:
        model = OperatorExport
        fields = [
            "id",
            "operator",
            "created_at",
            "asked_by",
            "rows",
            "files",
            "size",
            "digest",
            "expires_at",
            "has_expired",
        ]
