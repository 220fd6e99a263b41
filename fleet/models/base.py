"""What every record has: a time-ordered key, an operator, and where due, a seal."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import models
from uuid_utils.compat import uuid7

from fleet.tenancy import TenantManager


class SealedError(RuntimeError):
    """A write-once row was about to be changed or deleted."""


class Record(models.Model):
    """A row with a UUIDv7 key and the moment it was made."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    created_at = models.DateTimeField(auto_now_add=True, editable=False)

    class Meta:
        abstract = True


class OperatorRecord(Record):
    """A row below an operator; unseen until a scope is open."""

    tenant_path: ClassVar[str] = "operator_id"

    operator = models.ForeignKey("fleet.Operator", on_delete=models.PROTECT, related_name="+")

    objects: ClassVar[TenantManager[Any]] = TenantManager()

    class Meta:
        abstract = True


class Sealed(models.Model):
    """A write-once row. Triggers in the database refuse what this class refuses politely."""

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise SealedError(
                f"{self._meta.verbose_name} rows are write-once; make a new one that supersedes it."
            )
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        raise SealedError(f"{self._meta.verbose_name} rows are write-once and stay.")
