"""What all serializers share.

What comes in is only checked for its kind here; ranges and rules are those of the services, so
that pages and API cannot differ.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from rest_framework import serializers


class Number(serializers.FloatField):
    """A finite number."""

    def to_internal_value(self, data: Any) -> float:
        """Return the number; neither true nor infinity nor NaN is one."""
        if isinstance(data, bool):
            self.fail("invalid")
        value = float(super().to_internal_value(data))
        if not math.isfinite(value):
            self.fail("invalid")
        return value


class Strict(serializers.Serializer[Any]):
    """A body whose every name must be known: a misspelt one is not silently left out."""

    def to_internal_value(self, data: Any) -> Any:
        """Return the values by name."""
        if isinstance(data, Mapping):
            known = {name for name, field in self.fields.items() if not field.read_only}
            unknown = [str(name) for name in data if name not in known]
            if unknown:
                says = f"There is no such field here. Known: {', '.join(sorted(known))}."
                raise serializers.ValidationError({name: [says] for name in unknown})
        return super().to_internal_value(data)


class Out(serializers.ModelSerializer[Any]):
    """A row as it goes out. Nothing is ever written through it."""

    def get_fields(self) -> dict[str, Any]:
        """Return the fields, all of them read only."""
        fields = super().get_fields()
        for field in fields.values():
            field.read_only = True
            field.required = False
        return fields


class Problem(serializers.Serializer[Any]):
    """What went wrong (RFC 9457). `detail` is a sentence; `errors` has the sentences by place."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField(required=False)
    errors = serializers.DictField(
        child=serializers.ListField(child=serializers.CharField()), required=False
    )
