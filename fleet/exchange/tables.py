"""Which models an export holds, derived from the models themselves.

Every model below an operator goes along unless it is left out here with a reason. What an
operator's rows refer to and belongs to nobody (`SHARED`) goes along as far as it is referred to.
A test walks all models of the service, so that a new one cannot be forgotten.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from django.apps import apps
from django.contrib.auth.hashers import make_password
from django.db import models
from django.db.models import Q

from fleet.models import (
    ENDED,
    AuditRow,
    CalendarFeed,
    CardRun,
    CardsTogether,
    FilingStep,
    Gift,
    HookCall,
    Invitation,
    Job,
    Jurisdiction,
    OperatorExport,
    Paper,
    PaperBatch,
    PaperBundle,
    PaperSeries,
    Person,
    PlanWord,
    Purge,
    RawFile,
    Reminded,
    ReminderChoice,
    ReminderMail,
    Requirement,
    RequirementVersion,
    Season,
    SheetImport,
    SupplyUse,
    TourPlan,
    TourProposal,
    Visit,
    Webhook,
)

EXPORT_JOB: Final = "export"
# The trail of exports itself: an export that told of itself would never equal the one before.
EXPORT_DEEDS: Final = ("export_asked", "export_made", "export_fetched", "operator_imported")

# Models below an operator by another way than a key of their own.
_BESIDE: Mapping[type[models.Model], str] = {
    Person: "operator",
    ReminderChoice: "person__operator",
}
# What belongs to nobody, and what more comes along with it: so that the rules say the same.
SHARED: Mapping[type[models.Model], tuple[tuple[type[models.Model], str], ...]] = {
    Jurisdiction: ((Requirement, "jurisdiction"),),
    Requirement: ((RequirementVersion, "requirement"),),
    RequirementVersion: (),
    Season: (),
    Visit: (),
    PaperSeries: (),
    PaperBatch: (),
}
LEFT_OUT: Mapping[type[models.Model], str] = {
    Webhook: "It holds a secret, and a copy would make each call twice: add webhooks anew.",
    HookCall: "Calls of webhooks, which are left out.",
    CalendarFeed: "A secret address of one person: make a new one.",
    OperatorExport: "Exports do not hold exports.",
    CardsTogether: "Worked out from the measurements and places in here, and the same again.",
    PlanWord: "Working notes in an analyst's plan of visits to many operators.",
    TourPlan: "An analyst's plan of visits to many operators.",
    TourProposal: "An analyst's plan of visits to many operators.",
    SupplyUse: "The association's stock.",
    Gift: "Gifts to the association's programme.",
    SheetImport: "Lists of many operators, brought by the association; what came of them is here.",
    PaperBundle: "Papers of many operators in one file; this operator's papers are here.",
    Purge: "The association's log of removed files; this operator's are listed as absent.",
    ReminderMail: "Letters to one person each, with links that act in that person's name.",
    Reminded: "What was told in those letters.",
}
# Left out of a row, and what stands in its place after an import.
FIELDS_LEFT_OUT: Mapping[type[models.Model], Mapping[str, Callable[[], Any]]] = {
    Person: {"password": lambda: make_password(None), "last_login": lambda: None},
    # Nobody knows what has this digest: the link in the letter opens nothing after an import.
    Invitation: {"token_digest": lambda: secrets.token_hex(32)},
    Job: {name: lambda: None for name in ("token", "lease_until", "hinted_at")},
}
_ONLY: Mapping[type[models.Model], Q] = {
    Job: Q(state__in=ENDED) & ~Q(kind__in=(EXPORT_JOB, "hook")),
    AuditRow: ~Q(deed__in=EXPORT_DEEDS),
}

# --- People of others -----------------------------------------------------------------------------

ELSEWHERE: Final = "person_elsewhere"
ELSEWHERE_FIELDS: Final = ("id", "name", "role")
SOMEBODY: Final = "Somebody of another operator"


@dataclass(frozen=True, slots=True)
class Table:
    """A model as a file of lines. `path` leads to the operator; None: what is referred to."""

    name: str
    model: type[models.Model]
    path: str | None
    fields: tuple[models.Field[Any, Any], ...]

    @property
    def keys(self) -> list[tuple[models.Field[Any, Any], type[models.Model]]]:
        """Return the fields that refer to other rows, each with the model of those."""
        return [(one, one.related_model) for one in self.fields if one.related_model is not None]

    def rows(self, operator: models.Model) -> models.QuerySet[Any]:
        """Return an operator's own rows, in the order of their keys."""
        assert self.path is not None
        found = self.model._default_manager.filter(**{self.path: operator.pk})
        found = found.filter(_ONLY.get(self.model, Q())).order_by("pk")
        return found.select_related("slip__series") if self.model is Paper else found


@cache
def tables() -> tuple[Table, ...]:
    """Return all tables of an export; what is referred to comes before what refers to it."""
    made = [_table(model) for model in apps.get_app_config("fleet").get_models() if _goes(model)]
    person = Person._meta
    fields = tuple(person.get_field(name) for name in ELSEWHERE_FIELDS)
    elsewhere = Table(ELSEWHERE, Person, None, fields)  # type: ignore[arg-type]
    return tuple(_ordered([*made, elsewhere]))


def own_path(model: type[models.Model]) -> str | None:
    """Return the way from a model to its operator, None where it has none."""
    return _BESIDE.get(model) or getattr(model, "tenant_path", None)


def _goes(model: type[models.Model]) -> bool:
    return model not in LEFT_OUT and (model in SHARED or own_path(model) is not None)


def _table(model: type[models.Model]) -> Table:
    without = FIELDS_LEFT_OUT.get(model, {})
    fields = [f for f in model._meta.concrete_fields if f.name not in without]
    path = None if model in SHARED else own_path(model)
    return Table(str(model._meta.model_name), model, path, tuple(fields))


def _ordered(found: list[Table]) -> Iterator[Table]:
    """Yield the tables, each after those it must refer to.

    Keys that may be empty are looked past: papers and slips refer to one another, and the database
    holds keys against rows only at the end of a transaction.
    """
    left = sorted(found, key=lambda table: table.name)
    while left:
        needs = {
            table.name: {model for key, model in table.keys if not key.null}
            & {other.model for other in left if other is not table}
            for table in left
        }
        table = next((one for one in left if not needs[one.name]), left[0])
        left.remove(table)
        yield table


# --- Files that rows name -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Named:
    """Kept bytes that a row names: by which key they are found in the archive, what they are."""

    key: str
    digest: str
    what: str


def _kept(digest: str, what: str) -> Named:
    return Named(f"files/{digest}", digest, what)


def _of_raw_file(row: RawFile) -> Iterable[Named]:
    return [_kept(row.digest, f"Raw file {row.name}")]


def _of_card_run(row: CardRun) -> Iterable[Named]:
    digests = {row.preview_digest}
    for card in json.loads(row.document)["cards"]:
        digests |= {card["picture"], card["result"]}
    return [_kept(digest, "Pictures of cards") for digest in sorted(digests)]


def _of_step(row: FilingStep) -> Iterable[Named]:
    return [_kept(row.file_digest, f"Answer {row.file_name}")] if row.file_digest else []


def _of_paper(row: Paper) -> Iterable[Named]:
    return [Named(f"papers/{row.pk}", row.digest, f"Paper {row.title}".strip())]


FILES: Mapping[type[models.Model], Callable[[Any], Iterable[Named]]] = {
    RawFile: _of_raw_file,
    CardRun: _of_card_run,
    FilingStep: _of_step,
    Paper: _of_paper,
}


def files_of(row: models.Model) -> Iterable[Named]:
    """Return the kept bytes that a row names."""
    named = FILES.get(type(row))
    return named(row) if named else ()
