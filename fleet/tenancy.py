"""Whose rows may be seen: denied by default, opened for a stretch of code.

Every model below an operator uses `TenantManager`. Without an open scope any use of it raises
`NoScopeError`; inside one it yields the rows of the scope's operators only. It is a seat-belt:
joins from other models and forward keys pass it by, so queries filter explicitly as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar, Token
from dataclasses import dataclass
from typing import Any, TypeVar
from uuid import UUID

from django.db import models

M = TypeVar("M", bound=models.Model)


class NoScopeError(RuntimeError):
    """Rows below an operator were asked for while nobody's scope was open."""


@dataclass(frozen=True, slots=True)
class Scope:
    """The operators whose rows are open: all of them, or the ones listed."""

    operator_ids: frozenset[UUID] = frozenset()
    everyone: bool = False


EVERYONE = Scope(everyone=True)
NOBODY = Scope()

_current: ContextVar[Scope | None] = ContextVar("fleet_scope", default=None)


def current() -> Scope | None:
    """Return the open scope, or None."""
    return _current.get()


def enter(scope: Scope | None) -> Token[Scope | None]:
    """Open `scope` until `leave` is called with the token that comes back."""
    return _current.set(scope)


def leave(token: Token[Scope | None]) -> None:
    """Go back to the scope before `enter`."""
    _current.reset(token)


@contextmanager
def scope(opened: Scope) -> Iterator[None]:
    """Open a scope for the length of a `with` block."""
    token = enter(opened)
    try:
        yield
    finally:
        leave(token)


def everyone() -> Any:
    """Open the rows of all operators: staff, analysts, workers."""
    return scope(EVERYONE)


def only(*operator_ids: UUID) -> Any:
    """Open the rows of the operators named."""
    return scope(Scope(operator_ids=frozenset(operator_ids)))


def scope_of(person: Any) -> Scope:
    """Return the scope of a signed-in person (nobody's for a visitor)."""
    if not getattr(person, "is_authenticated", False):
        return NOBODY
    if person.sees_everyone:
        return EVERYONE
    return Scope(operator_ids=frozenset({person.operator_id} - {None}))


class TenantManager(models.Manager[M]):
    """Yields the rows of the open scope; raises where none is open."""

    def get_queryset(self) -> models.QuerySet[M]:
        """Return the rows that the open scope allows."""
        opened = current()
        if opened is None:
            raise NoScopeError(
                f"{self.model.__name__} rows belong to an operator; open a scope first "
                "(fleet.tenancy.scope, everyone or only)."
            )
        rows = super().get_queryset()
        if opened.everyone:
            return rows
        path: str = self.model.tenant_path  # type: ignore[attr-defined]
        if len(opened.operator_ids) == 1:  # nearly always; and "=" is written sooner than a list
            return rows.filter(**{path: next(iter(opened.operator_ids))})
        return rows.filter(**{f"{path}__in": opened.operator_ids})
