"""What papers may be about, found by key among what a person may see."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from django.db.models import QuerySet

from fleet.models import Jurisdiction, PaperKind, Person, Requirement, Season
from fleet.queries.whose import (
    aircraft_of,
    analyses_of,
    approvals_of,
    operators_of,
    visits_of,
)

# Papers that are an operator's; the others are the association's, whatever they are about.
OF_AN_OPERATOR: Final = frozenset(
    {
        PaperKind.TEST_REPORT,
        PaperKind.SWATH_CARD,
        PaperKind.CERTIFICATE,
        PaperKind.FLEET_STATEMENT,
    }
)
# The size of paper that readers of these units have.
PAPER_OF: Final = {"us": "letter", "metric": "a4"}

# Seasons and rules are nobody's in particular.
SUBJECTS: Final[Mapping[str, Callable[[Person], QuerySet[Any]]]] = {
    "operator": operators_of,
    "aircraft": aircraft_of,
    "analysis": analyses_of,
    "approval": approvals_of,
    "visit": visits_of,
    "season": lambda person: Season.objects.all(),
    "jurisdiction": lambda person: Jurisdiction.objects.all(),
    "requirement": lambda person: Requirement.objects.select_related("jurisdiction"),
}


def subjects(person: Person, keys: Mapping[str, Any]) -> dict[str, Any]:
    """Return the records behind keys by name, and the operator they belong to.

    `giver` stands for itself. Raises the model's DoesNotExist for what is not there or not theirs.
    """
    found = {
        name: key if name == "giver" else SUBJECTS[name](person).get(pk=key)
        for name, key in keys.items()
        if key
    }
    for one in list(found.values()):
        operator = getattr(one, "operator", None)
        if operator is not None:
            found.setdefault("operator", operator)
    return found
