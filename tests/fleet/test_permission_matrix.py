"""Every address × role × own or another operator's record, walked from the resolver.

An address that is not in the table fails the test, so no page can be forgotten.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.conf import settings
from django.db import transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from fleet import jobs, tenancy
from fleet.models import Person
from fleet.services import papers, passes
from tests.cast import Cast, make_analysis, make_approval, make_cards, make_tested

pytestmark = [pytest.mark.django_db]

ROLES = ("staff", "analyst", "owner", "pilot", "outsider", "visitor")
LOGIN = "sign-in first"  # what a visitor gets: pages redirect to the sign-in, the API answers 401


@dataclass(frozen=True, slots=True)
class Row:
    """What each role gets. `of` names the record in the address, which is `operator`'s."""

    method: str
    of: str | None
    staff: Any
    analyst: Any
    owner: Any
    pilot: Any
    outsider: Any
    visitor: Any = LOGIN
    data: dict[str, Any] = field(default_factory=dict)
    multipart: bool = False


def everybody(of: str | None = None, outsider: Any = 404, **more: Any) -> Row:
    """A record that all whose it is may read."""
    return Row("get", of, 200, 200, 200, 200, outsider if of else 200, **more)


def fleet_deed(method: str, of: str | None, ok: Any, **more: Any) -> Row:
    """Staff, analysts and the owner may; the pilot may not; an outsider sees nothing of it."""
    return Row(method, of, ok, ok, ok, 403, 404 if of else ok, **more)


def analyst_deed(method: str, of: str, ok: Any, **more: Any) -> Row:
    """Only an analyst may."""
    return Row(method, of, 403, ok, 403, 403, 404, **more)


def staff_deed(method: str, of: str | None, ok: Any, **more: Any) -> Row:
    """Only staff may."""
    return Row(method, of, ok, 403, 403, 403, 404 if of else 403, **more)


EVIDENCE = {"swath_m": "15.0", "manner": "one_way"}
OFFICE = Row("get", None, 200, 200, 403, 403, 403)
PLAN = Row("get", None, 200, 200, 403, 403, 403)

# A deed without data is either done (302), or shown again with its errors (200): both are a yes.
TABLE: dict[str, list[Row]] = {
    # account
    "home": [Row("get", None, 302, 302, 302, 302, 302)],
    "alive": [everybody(visitor=200)],
    "me": [everybody()],
    "sign-in": [Row("get", None, 302, 302, 302, 302, 302, visitor=200)],
    "sign-out": [Row("post", None, 302, 302, 302, 302, 302, visitor=302)],
    # today
    "today": [Row("get", None, 302, 302, 200, 200, 200)],
    "today-aircraft": [everybody("aircraft")],
    # fleet
    "fleet": [everybody()],
    "aircraft": [everybody("aircraft")],
    "aircraft-new": [fleet_deed("get", None, 200), fleet_deed("post", None, 200)],
    "aircraft-edit": [fleet_deed("get", "aircraft", 200), fleet_deed("post", "aircraft", 200)],
    "aircraft-service": [fleet_deed("post", "aircraft", 302)],
    "setup": [everybody("setup")],
    "setup-new": [fleet_deed("get", "aircraft", 200), fleet_deed("post", "aircraft", 200)],
    # office
    "due": [everybody()],
    "operators": [OFFICE],
    "operator": [everybody("operator")],
    "operator-new": [staff_deed("get", None, 200), staff_deed("post", None, 200)],
    "operator-edit": [staff_deed("get", "operator", 200), staff_deed("post", "operator", 200)],
    "person-new": [staff_deed("get", "operator", 200), staff_deed("post", "operator", 200)],
    "trail": [staff_deed("get", None, 200)],
    # visits and tests
    "visits": [everybody()],
    "visit": [everybody("visit")],
    "visit-new": [PLAN],
    "visit-edit": [Row("get", "visit", 200, 200, 403, 403, 404)],
    "test-new": [analyst_deed("get", "visit", 200)],
    "test": [everybody("test")],
    "test-edit": [analyst_deed("get", "test", 200)],
    "passes-add": [analyst_deed("post", "test", 200)],
    "pass-aborted": [analyst_deed("post", "test", 200)],
    "analyse": [analyst_deed("post", "test", 200)],
    "pass": [everybody("pass")],
    "pass-overrule": [analyst_deed("post", "pass", 302)],
    "raw-file": [everybody("pass")],
    # cards
    "cards": [everybody("test"), analyst_deed("post", "test", 200)],
    "card-places": [analyst_deed("post", "scan", 302)],
    "card-confirm": [analyst_deed("post", "scan", 302)],
    "card-again": [analyst_deed("post", "scan", 302)],
    "card-scan-file": [everybody("scan")],
    "card": [everybody("scan")],
    "card-picture": [everybody("scan")],
    "card-stains": [everybody("scan")],
    # results
    "job": [Row("get", "job", 302, 302, 302, 302, 404)],  # it has ended and leads to its paper
    "analysis": [everybody("analysis")],
    "approve": [analyst_deed("get", "analysis", 200)],
    "approval": [everybody("approval")],
    "withdraw": [analyst_deed("post", "approval", 200)],
    "report": [Row("post", "analysis", 302, 302, 302, 302, 404)],
    "paper": [everybody("paper")],
    # API: a deed without data that is allowed answers 400 and names what is missing
    "api:sign-in": [Row("post", None, 400, 400, 400, 400, 400, visitor=400)],
    "api:sign-out": [Row("post", None, 204, 204, 204, 204, 204)],
    "api:me": [everybody(), Row("patch", None, 400, 400, 400, 400, 400)],
    "api:operator-list": [everybody(), staff_deed("post", None, 400)],
    "api:operator-detail": [everybody("operator"), staff_deed("patch", "operator", 200)],
    "api:person-list": [everybody(), staff_deed("post", None, 400)],
    "api:person-detail": [everybody("person")],
    "api:aircraft-list": [everybody(), fleet_deed("post", None, 400)],
    "api:aircraft-detail": [everybody("aircraft"), fleet_deed("patch", "aircraft", 200)],
    "api:aircraft-setups": [fleet_deed("post", "aircraft", 400)],
    "api:setup-list": [everybody()],
    "api:setup-detail": [everybody("setup")],
    "api:standing-list": [everybody()],
    "api:visit-list": [everybody(), Row("post", None, 400, 400, 403, 403, 403)],
    "api:visit-detail": [
        everybody("visit"),
        Row("patch", "visit", 200, 200, 403, 403, 404),
    ],
    "api:test-list": [everybody(), Row("post", None, 403, 400, 403, 403, 403)],
    "api:test-detail": [everybody("test"), analyst_deed("patch", "test", 200)],
    "api:test-quality": [everybody("test")],
    "api:test-analyses": [analyst_deed("post", "test", 202)],
    "api:test-passes": [analyst_deed("post", "test", 400, multipart=True)],
    "api:test-aborted": [analyst_deed("post", "test", 400)],
    "api:test-cards": [everybody("test")],
    "api:test-card-scans": [analyst_deed("post", "test", 400, multipart=True)],
    "api:card-scan-list": [everybody()],
    "api:card-scan-detail": [everybody("scan")],
    "api:card-scan-file": [everybody("scan")],
    "api:card-scan-places": [analyst_deed("post", "scan", 400)],
    "api:card-scan-confirmation": [analyst_deed("post", "scan", 400)],
    "api:card-scan-measurements": [analyst_deed("post", "scan", 202)],
    "api:card-measurement-list": [everybody()],
    "api:card-measurement-detail": [everybody("measurement")],
    "api:card-measurement-card": [everybody("measurement")],
    "api:card-measurement-picture": [everybody("measurement")],
    "api:pass-list": [everybody()],
    "api:pass-detail": [everybody("pass"), analyst_deed("patch", "pass", 200)],
    "api:pass-overrule": [analyst_deed("post", "pass", 400)],
    "api:pass-file": [everybody("pass")],
    "api:analysis-list": [everybody()],
    "api:analysis-detail": [everybody("analysis")],
    "api:analysis-evidence": [everybody("analysis", data=EVIDENCE)],
    "api:analysis-chart-passes": [everybody("analysis")],
    "api:analysis-chart-cv": [everybody("analysis")],
    "api:analysis-chart-field": [everybody("analysis")],
    "api:analysis-approvals": [analyst_deed("post", "analysis", 400)],
    "api:analysis-papers": [Row("post", "analysis", 202, 202, 202, 202, 404)],
    "api:approval-list": [everybody()],
    "api:approval-detail": [everybody("approval")],
    "api:approval-withdrawal": [analyst_deed("post", "approval", 400)],
    "api:paper-list": [everybody()],
    "api:paper-detail": [everybody("paper")],
    "api:paper-file": [everybody("paper")],
    "api:job-list": [everybody()],
    "api:job-detail": [everybody("job")],
    "api:audit-list": [staff_deed("get", None, 200)],
    "api:schema": [everybody(visitor=200)],
    "api:unknown": [Row("get", None, 404, 404, 404, 404, 404, visitor=404)],
}


def addresses(patterns: Any = None, namespace: str = "") -> Iterator[tuple[str, URLPattern]]:
    """Yield every named address of the service."""
    for entry in patterns if patterns is not None else get_resolver().url_patterns:
        if isinstance(entry, URLResolver):
            inner = f"{namespace}{entry.namespace}:" if entry.namespace else namespace
            yield from addresses(entry.url_patterns, inner)
        else:
            yield f"{namespace}{entry.name}", entry


@pytest.fixture
def world(cast: Cast) -> dict[str, Any]:
    """One of each record, all of them our operator's."""
    with tenancy.everyone():
        test = make_tested(cast)
        scan = make_cards(cast, test, cards=1)
        analysis = make_analysis(cast, test)
        approval = make_approval(cast, analysis)
        passes.add_aborted_pass(test, by=cast.analyst, reason="Bird")
        job = papers.request_report(analysis, by=cast.owner)
        jobs.run(job.pk)
        job.refresh_from_db()
        return {
            "operator": cast.operator,
            "person": cast.owner,
            "aircraft": approval.aircraft,
            "setup": approval.setup,
            "visit": test.visit,
            "test": test,
            "pass": test.passes.first(),
            "scan": scan,
            "measurement": scan.runs.get(),
            "job": job,
            "analysis": analysis,
            "approval": approval,
            "paper": job.paper,
        }


def test_every_address_is_in_the_table():
    named = {name for name, _ in addresses()}
    missing = named - set(TABLE)
    assert not missing, f"Add to TABLE who may use: {sorted(missing)}"
    gone = set(TABLE) - named
    assert not gone, f"No such address any more: {sorted(gone)}"


@pytest.mark.parametrize("role", ROLES)
def test_matrix(cast: Cast, world: dict[str, Any], role: str):
    person = cast.everybody.get(role)
    wrong = []
    for name, pattern in addresses():
        for row in TABLE.get(name, []):
            got = _ask(name, pattern, row, world, person)
            wanted = getattr(row, role)
            if got != wanted:
                wrong.append(f"{row.method} {name} as {role}: {got}, should be {wanted}")
    assert not wrong, "\n".join(wrong)


class _UndoError(Exception):
    """Take back whatever the request wrote."""


def _ask(
    name: str, pattern: URLPattern, row: Row, world: dict[str, Any], person: Person | None
) -> Any:
    keys = list(pattern.pattern.converters)
    numbered = {"number": 1} if "number" in keys else {}  # of a card on its scan
    assert len(keys) - len(numbered) == (1 if row.of else 0), f"{name}: address and table differ"
    url = reverse(name, args=[world[row.of].pk, *numbered.values()] if row.of else [])
    client = Client(headers=_token(person) if name.startswith("api:") else None)
    if person is not None and not name.startswith("api:"):
        client.force_login(person)
    answer: HttpResponse | None = None
    try:
        with transaction.atomic():
            kwargs: dict[str, Any] = {"data": row.data}
            if name.startswith("api:") and row.method != "get" and not row.multipart:
                kwargs["content_type"] = "application/json"
            answer = getattr(client, row.method)(url, **kwargs)
            raise _UndoError
    except _UndoError:
        pass
    assert answer is not None
    if answer.streaming:
        assert b"".join(answer.streaming_content)  # read to the end, which closes the file
    if answer.status_code == 401:
        return LOGIN
    if answer.status_code == 302 and answer.url.startswith(reverse(settings.LOGIN_URL) + "?next="):
        return LOGIN
    return answer.status_code


def _token(person: Person | None) -> dict[str, str]:
    from rest_framework.authtoken.models import Token

    if person is None:
        return {}
    token, _ = Token.objects.get_or_create(user=person)
    return {"Authorization": f"Bearer {token.key}"}


def test_another_operators_record_tells_nothing(cast: Cast, world: dict[str, Any]):
    """The 404 of what is not yours and the 404 of what does not exist are the same page."""
    client = Client()
    client.force_login(cast.outsider)
    theirs = client.get(reverse("aircraft", args=[world["aircraft"].pk]))
    nobodys = client.get(reverse("aircraft", args=[world["job"].pk]))
    assert theirs.status_code == nobodys.status_code == 404
    # Each page carries its own form token; nothing else may differ.
    pages = [re.sub(rb'X-CSRFToken": "[^"]*"', b"", one.content) for one in (theirs, nobodys)]
    assert pages[0] == pages[1]
