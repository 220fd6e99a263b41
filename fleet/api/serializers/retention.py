"""Kept files, what holds them, and what was removed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from fleet.api.serializers.base import Out, Strict
from fleet.models import Purge
from fleet.queries.retention import Bytes


class KeptFilesQuery(Strict):
    removable = serializers.BooleanField(
        required=False,
        allow_null=True,  # left out means both; a form's box left out would mean false
        help_text="Only those that may be removed now, or only the others.",
    )


class HoldOut(serializers.Serializer[Any]):
    until = serializers.DateField(
        allow_null=True, help_text="The last day it holds; null holds until it is settled."
    )
    why = serializers.CharField()


class KeptFileOut(serializers.Serializer[Any]):
    """Bytes under their digest; several rows of the records may name the same."""

    digest = serializers.CharField(help_text="SHA-256.")
    size_bytes = serializers.IntegerField(allow_null=True, help_text="Null: no longer kept.")
    what = serializers.ListField(child=serializers.CharField())
    operators = serializers.ListField(child=serializers.CharField())
    about_on = serializers.DateField(help_text="The first day that they are about.")
    kept_until = serializers.DateField(
        allow_null=True, help_text="Null: nothing holds them, or something without an end."
    )
    holds = HoldOut(many=True)

    def to_representation(self, instance: tuple[Bytes, int | None]) -> Mapping[str, Any]:
        """Return the bytes with their size."""
        kept, size = instance
        return super().to_representation(
            {
                "digest": kept.digest,
                "size_bytes": size,
                "what": list(dict.fromkeys(row.what for row in kept.rows)),
                "operators": sorted({row.operator for row in kept.rows if row.operator}),
                "about_on": min(row.day for row in kept.rows),
                "kept_until": kept.kept_until,
                "holds": list(dict.fromkeys(kept.holds)),
            }
        )


class PurgePreviewOut(serializers.Serializer[Any]):
    files = serializers.IntegerField()
    size_bytes = serializers.IntegerField()
    seen = serializers.CharField(help_text="The mark of this list; a purge must give it back.")
    word = serializers.CharField(help_text="The word that a purge must say.")


class PurgeNew(Strict):
    word = serializers.CharField(help_text="As the preview says: that one means it.")
    seen = serializers.CharField(help_text="The mark of the preview that was looked at.")


class PurgedFileOut(serializers.Serializer[Any]):
    digest = serializers.CharField()
    size_bytes = serializers.IntegerField(source="size")
    what = serializers.ListField(child=serializers.CharField())
    operators = serializers.ListField(child=serializers.CharField())
    held_until = serializers.DateField(allow_null=True)


class PurgeOut(Out):
    purged_by_name = serializers.CharField(source="purged_by.name")
    files = PurgedFileOut(many=True)

    class Meta:
        model = Purge
        fields = ["id", "files", "purged_by", "purged_by_name", "created_at"]
