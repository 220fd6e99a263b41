"""Every address × role × own or another operator's record, walked from the resolver.

An address that is not in the table fails the test, so no page can be forgotten.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

import pytest
from django.conf import settings
from django.db import transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from fleet import tenancy
from fleet.models import Person
from tests.cast import Cast, make_aircraft
from tests.fleet.one_of_each import make_one_of_each

pytestmark = [pytest.mark.django_db]

ROLES = ("staff", "analyst", "owner", "pilot", "outsider", "checker", "visitor")
LOGIN = "sign-in first"  # what a visitor gets: pages redirect to the sign-in, the API answers 401


@dataclass(frozen=True, slots=True)
class Row:
    """What each role gets. `of` names the record in the address, which is `operator`'s.

    A checker gets what an outsider gets where nothing else is said.
    """

    method: str
    of: str | None
    staff: Any
    analyst: Any
    owner: Any
    pilot: Any
    outsider: Any
    visitor: Any = LOGIN
    checker: Any = None
    data: dict[str, Any] = field(default_factory=dict)
    multipart: bool = False

    def answer_to(self, role: str) -> Any:
        """Return what a role gets."""
        if role == "checker" and self.checker is None:
            return self.outsider
        return getattr(self, role)


def everybody(of: str | None = None, outsider: Any = 404, **more: Any) -> Row:
    """A record that all whose it is may read."""
    return Row("get", of, 200, 200, 200, 200, outsider if of else 200, **more)


def fleet_deed(method: str, of: str | None, ok: Any, **more: Any) -> Row:
    """Staff, analysts and the owner may; the pilot may not; an outsider sees nothing of it."""
    return Row(method, of, ok, ok, ok, 403, 404 if of else ok, checker=404 if of else 403, **more)


def analyst_deed(method: str, of: str, ok: Any, **more: Any) -> Row:
    """Only an analyst may."""
    return Row(method, of, 403, ok, 403, 403, 404, **more)


def staff_deed(method: str, of: str | None, ok: Any, **more: Any) -> Row:
    """Only staff may."""
    return Row(method, of, ok, 403, 403, 403, 404 if of else 403, **more)


def staff_form(of: str, ok: Any = 200, method: str = "get") -> Row:
    """Only staff may; what it is about is the association's and no secret, so nobody gets 404."""
    return Row(method, of, ok, 403, 403, 403, 403)


def day_deed(of: str, ok: Any, **more: Any) -> Row:
    """Staff and analysts may: the running order of a visit."""
    return Row("post", of, ok, ok, 403, 403, 404, **more)


def office_rule(method: str, of: str | None, ok: Any = 200, **more: Any) -> Row:
    """Rules are everybody's to read; only staff keep them."""
    return Row(method, of, ok, 403, 403, 403, 403, **more)


def planner(method: str, ok: Any, of: str = "plan") -> Row:
    """Staff and analysts may; for anybody else plans of return visits are not there."""
    return Row(method, of, ok, ok, 404, 404, 404)


def hook_keeper(method: str, of: str | None, ok: Any) -> Row:
    """Staff and owners keep webhooks, each owner their own."""
    checker = 404 if of else 403
    return Row(method, of, ok, 403, ok, 403, 404 if of else ok, checker=checker)


def customers(method: str, of: str | None, ok: Any, staff: Any) -> Row:
    """Records of service: the operator's people keep them, staff read them, no one else."""
    hidden = 404 if of else 403
    return Row(method, of, staff, hidden, ok, ok, 404 if of else ok, checker=hidden)


def exporter(method: str, of: str, ok: Any) -> Row:
    """Staff and the operator's owner take out all records."""
    return Row(method, of, ok, 403, ok, 403, 404)


EVIDENCE = {"swath_m": "15.0", "manner": "one_way"}
# A season is nobody's; people of an operator see their own part of it.
OWN_SEASON = Row("get", "season", 200, 200, 200, 200, 200, checker=403)
OFFICE = Row("get", None, 200, 200, 403, 403, 403)
STAFF_PAGE = staff_deed("get", None, 200)
PLAN = Row("get", None, 200, 200, 403, 403, 403)

# A deed without data is either done (302), or shown again with its errors (200): both are a yes.
TABLE: dict[str, list[Row]] = {
    # account
    "home": [Row("get", None, 302, 302, 302, 302, 302)],
    "alive": [everybody(visitor=200)],
    "me": [everybody()],
    "me-reminders": [everybody(), Row("post", None, 302, 302, 302, 302, 302)],
    "reminders-stop": [
        Row("get", "stop", 200, 200, 200, 200, 200, visitor=200),
        Row("post", "stop", 200, 200, 200, 200, 200, visitor=200),
    ],
    "reminders": [staff_deed("get", None, 200)],
    "me-calendar": [Row("post", None, 200, 200, 200, 200, 200)],
    "me-calendar-drop": [Row("post", None, 302, 302, 302, 302, 302)],
    "calendar-feed": [everybody("calendar", outsider=200, visitor=200)],
    "webhooks": [hook_keeper("get", None, 200)],
    "webhook-new": [hook_keeper("get", None, 200), hook_keeper("post", None, 200)],
    "webhook": [hook_keeper("get", "webhook", 200)],
    "webhook-stop": [hook_keeper("post", "webhook", 302)],
    "sign-in": [Row("get", None, 302, 302, 302, 302, 302, visitor=200)],
    "sign-out": [Row("post", None, 302, 302, 302, 302, 302, visitor=302)],
    # today
    "today": [Row("get", None, 302, 302, 200, 200, 200, checker=302)],
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
    "operator-export": [exporter("get", "operator", 200), exporter("post", "operator", 302)],
    "operator-export-file": [exporter("get", "operator", 200)],
    # visits and tests
    "visits": [everybody()],
    "visit": [everybody("visit")],
    "visit-new": [PLAN],
    "visit-edit": [Row("get", "visit", 200, 200, 403, 403, 404)],
    "visit-sign-up": [fleet_deed("get", "visit", 200), fleet_deed("post", "visit", 404)],
    "visit-order": [day_deed("visit", 302)],
    "visit-call-off": [day_deed("visit", 302)],
    "visit-put-back": [day_deed("visit", 302)],
    "visit-calendar": [everybody("visit")],
    "sign-up-cancel": [fleet_deed("post", "sign_up", 302)],
    "sign-up-mark": [day_deed("sign_up", 302, data={"state": "flown"})],
    "sign-up-move": [day_deed("sign_up", 404)],  # it says before whom, and nobody is there
    "supply-new": [day_deed("visit", 302)],
    "supply-remove": [Row("post", "supply", 302, 302, 404, 404, 404)],
    "gifts": [staff_deed("get", None, 200)],
    "gift-new": [staff_deed("get", None, 200), staff_deed("post", None, 200)],
    "gift-edit": [Row("get", "gift", 200, 403, 404, 404, 404)],
    "gift-remove": [Row("post", "gift", 302, 403, 404, 404, 404)],
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
    # members, invitations, imports
    "seasons": [OFFICE],
    "season": [everybody(checker=403)],
    "api:participation-list": [everybody(checker=403)],
    "api:season-participation": [OWN_SEASON],
    "api:season-participation-members": [OWN_SEASON],
    "api:season-participation-aircraft": [OWN_SEASON],
    "season-of": [OWN_SEASON],
    "season-compare": [OFFICE],
    "season-new": [STAFF_PAGE, staff_deed("post", None, 200)],
    "season-edit": [staff_form("season")],
    "members": [Row("get", None, 302, 302, 403, 403, 403)],
    "season-members": [Row("get", "season", 200, 200, 403, 403, 403)],
    "season-carry-over": [staff_form("season", 302, method="post")],
    "member-new": [staff_form("season")],
    "member-edit": [staff_deed("get", "membership", 200), staff_deed("post", "membership", 200)],
    "people": [everybody()],
    "person-setups": [Row("post", "person", 302, 403, 302, 403, 404)],
    "invite": [Row("get", "operator", 200, 403, 200, 403, 404)],
    "invitation": [Row("get", "invitation", 200, 200, 200, 404, 404)],
    "invitation-send": [Row("post", "invitation", 302, 403, 302, 404, 404)],
    "invitation-withdraw": [Row("post", "invitation", 302, 403, 302, 404, 404)],
    "join": [Row("get", "token", 200, 200, 200, 200, 200, visitor=200)],
    "approvals": [everybody()],
    "imports": [STAFF_PAGE, staff_deed("post", None, 200)],
    "import": [staff_form("import")],
    "import-apply": [staff_form("import", 302, method="post")],
    "import-look": [staff_form("import", 302, method="post")],
    "import-discard": [staff_form("import", 302, method="post")],
    "import-file": [staff_form("import")],
    "import-template": [STAFF_PAGE],
    # rules
    "rules": [everybody()],
    "rule": [Row("get", "rule", 200, 200, 200, 200, 200)],
    "rule-version-new": [office_rule("get", "rule"), office_rule("post", "rule")],
    "rule-end": [office_rule("get", "rule"), office_rule("post", "rule")],
    "jurisdiction-new": [office_rule("get", None), office_rule("post", None)],
    "jurisdiction-edit": [office_rule("get", "jurisdiction"), office_rule("post", "jurisdiction")],
    "rule-new": [office_rule("get", "jurisdiction"), office_rule("post", "jurisdiction")],
    "waiver-new": [staff_deed("get", "aircraft", 200), staff_deed("post", "aircraft", 200)],
    "waiver-end": [staff_deed("get", "waiver", 200), staff_deed("post", "waiver", 200)],
    "under-new": [staff_deed("get", "aircraft", 200), staff_deed("post", "aircraft", 200)],
    "under-end": [staff_deed("post", "under", 302)],
    "checked": [Row("get", None, 403, 403, 403, 403, 403, checker=200)],
    # return visits
    "plans": [OFFICE],
    "plan-new": [OFFICE, Row("post", None, 200, 200, 403, 403, 403)],
    "plan": [planner("get", 200)],
    "plan-again": [planner("post", 302)],
    "plan-stop": [planner("post", 302)],
    "plan-word": [planner("post", 302)],
    "plan-day": [planner("post", 302)],
    "plan-accept": [planner("post", 404)],  # without data it names no stop
    "wish-new": [fleet_deed("get", "aircraft", 200), fleet_deed("post", "aircraft", 200)],
    "wish-back": [fleet_deed("post", "aircraft", 302)],
    # results
    "job": [Row("get", "job", 302, 302, 302, 302, 404)],  # it has ended and leads to its paper
    "analysis": [everybody("analysis")],
    "approve": [analyst_deed("get", "analysis", 200)],
    "approval": [everybody("approval")],
    "withdraw": [analyst_deed("post", "approval", 200)],
    "report": [Row("post", "analysis", 302, 302, 302, 302, 404)],
    "paper": [everybody("paper")],
    "papers": [everybody()],
    "paper-ask": [Row("post", None, 404, 404, 404, 404, 404)],  # about nothing
    "paper-about": [everybody("slip")],
    "paper-reissue": [Row("post", "slip", 200, 200, 200, 200, 404)],
    "paper-withdraw": [Row("post", "slip", 200, 200, 403, 403, 404)],
    "paper-again": [Row("post", "slip", 302, 302, 302, 302, 404)],
    "paper-give-up": [Row("post", "slip", 200, 200, 403, 403, 404)],
    "paper-batch-new": [OFFICE, Row("post", None, 200, 200, 403, 403, 403)],
    "paper-batch": [Row("get", "batch", 200, 200, 403, 403, 403)],
    "paper-batch-again": [Row("post", "batch", 302, 302, 403, 403, 403)],
    "paper-batch-bundle": [Row("post", "batch", 302, 302, 403, 403, 403)],
    "paper-batch-zip": [Row("get", "batch", 404, 404, 403, 403, 403)],  # not put together yet
    "paper-batch-pdf": [Row("get", "batch", 404, 404, 403, 403, 403)],
    # filings
    "filings": [everybody()],
    "filings-look": [Row("post", None, 302, 302, 403, 403, 403)],
    "filing": [everybody("filing")],
    "filing-step": [day_deed("filing", 302)],  # without data it says that a step is missing
    "filing-file": [everybody("answer")],
    # records of service
    "service-records": [customers("get", None, 200, staff=200)],
    "service-record-new": [
        Row("get", None, 403, 403, 200, 200, 200, checker=403),
        Row("post", None, 403, 403, 200, 200, 200, checker=403),
    ],
    "service-record": [customers("get", "service", 200, staff=200)],
    "service-record-correct": [
        customers("get", "service", 200, staff=403),
        customers("post", "service", 200, staff=403),
    ],
    "service-record-strike": [
        customers("get", "service", 200, staff=403),
        customers("post", "service", 200, staff=403),
    ],
    "api:record-lists": [everybody()],
    "api:service-record-list": [
        everybody(),  # an empty one for those who may read none
        Row("post", None, 403, 403, 400, 400, 400, checker=403),
    ],
    "api:service-record-detail": [customers("get", "service", 200, staff=200)],
    "api:service-record-corrections": [customers("post", "service", 400, staff=403)],
    "api:service-record-strike": [customers("post", "service", 400, staff=403)],
    "retention": [staff_deed("get", None, 200)],
    "retention-purge": [staff_deed("post", None, 302)],  # without a mark it shows the list again
    "api:kept-file-list": [staff_deed("get", None, 200)],
    "api:purge-preview": [staff_deed("get", None, 200)],
    "api:purge-list": [staff_deed("get", None, 200), staff_deed("post", None, 400)],
    "api:filing-list": [everybody()],
    "api:filing-look": [Row("post", None, 200, 200, 403, 403, 403)],
    "api:filing-detail": [everybody("filing")],
    "api:filing-steps": [everybody("filing"), day_deed("filing", 400)],
    "api:filing-step-file": [everybody("answer")],
    # checking, for anybody
    "check": [everybody(visitor=200), Row("post", None, *[200] * 5, visitor=200)],
    "check-code": [everybody("code", outsider=200, visitor=200)],
    "check-signed": [everybody("code", outsider=200, visitor=200)],
    "check-keys": [everybody(visitor=200)],
    # API: a deed without data that is allowed answers 400 and names what is missing
    "api:sign-in": [Row("post", None, 400, 400, 400, 400, 400, visitor=400)],
    "api:sign-out": [Row("post", None, 204, 204, 204, 204, 204)],
    "api:me": [everybody(), Row("patch", None, 400, 400, 400, 400, 400)],
    "api:me-reminders": [everybody(), Row("patch", None, 400, 400, 400, 400, 400)],
    "api:reminder-list": [staff_deed("get", None, 200)],
    "api:operator-list": [everybody(), staff_deed("post", None, 400)],
    "api:operator-exports": [exporter("post", "operator", 202)],
    "api:export-list": [hook_keeper("get", None, 200)],
    "api:export-detail": [exporter("get", "export", 200)],
    "api:export-file": [exporter("get", "export", 200)],
    "api:operator-detail": [everybody("operator"), staff_deed("patch", "operator", 200)],
    "api:person-list": [everybody(), staff_deed("post", None, 400)],
    "api:person-detail": [
        everybody("person"),
        Row("patch", "person", 400, 403, 400, 403, 404),
    ],
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
    "api:visit-sign-ups": [everybody("visit"), fleet_deed("post", "visit", 400)],
    "api:visit-order": [day_deed("visit", 400)],
    "api:visit-cancellation": [day_deed("visit", 400)],
    "api:visit-restoration": [day_deed("visit", 200)],
    "api:visit-calendar": [everybody("visit")],
    "api:visit-supplies": [
        Row("get", "visit", 200, 200, 403, 403, 404),
        day_deed("visit", 400),
    ],
    "api:sign-up-list": [everybody()],
    "api:sign-up-detail": [everybody("sign_up")],
    "api:sign-up-cancellation": [fleet_deed("post", "sign_up", 200)],
    "api:sign-up-state": [day_deed("sign_up", 400)],
    "api:sign-up-move": [day_deed("sign_up", 400)],
    "api:supply-list": [OFFICE],
    "api:supply-removal": [Row("post", "supply", 204, 204, 404, 404, 404)],
    "api:gift-list": [OFFICE, staff_deed("post", None, 400)],
    "api:gift-detail": [
        Row("get", "gift", 200, 200, 404, 404, 404),
        Row("patch", "gift", 200, 403, 404, 404, 404),
    ],
    "api:gift-removal": [Row("post", "gift", 204, 403, 404, 404, 404)],
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
    "api:paper-record": [everybody("paper")],
    "api:paper-verdict": [everybody("paper")],
    "api:paper-number-list": [everybody(), Row("post", None, 400, 400, 400, 400, 400)],
    "api:paper-number-detail": [everybody("slip")],
    "api:paper-number-reissue": [Row("post", "slip", 400, 400, 400, 400, 404)],
    "api:paper-number-withdrawal": [Row("post", "slip", 400, 400, 403, 403, 404)],
    "api:paper-number-again": [Row("post", "slip", 400, 400, 400, 400, 404)],  # it is made
    "api:paper-number-give-up": [Row("post", "slip", 400, 400, 403, 403, 404)],
    "api:paper-batch-list": [OFFICE, Row("post", None, 400, 400, 403, 403, 403)],
    "api:paper-batch-detail": [Row("get", "batch", 200, 200, 404, 404, 404)],
    "api:paper-batch-again": [Row("post", "batch", 200, 200, 404, 404, 404)],
    "api:paper-batch-bundle": [Row("post", "batch", 400, 400, 404, 404, 404)],  # none is issued
    "api:paper-batch-zip": [Row("get", "batch", 404, 404, 404, 404, 404)],  # not put together yet
    "api:paper-batch-pdf": [Row("get", "batch", 404, 404, 404, 404, 404)],
    "api:check": [Row("get", None, *[400] * 5, visitor=400)],  # of nothing
    "api:webhook-list": [hook_keeper("get", None, 200), hook_keeper("post", None, 400)],
    "api:webhook-detail": [hook_keeper("get", "webhook", 200)],
    "api:webhook-stop": [hook_keeper("post", "webhook", 200)],
    "api:webhook-call-list": [hook_keeper("get", None, 200)],
    "api:me-calendar": [everybody(), Row("post", None, 201, 201, 201, 201, 201)],
    "api:me-calendar-removal": [Row("post", None, 204, 204, 204, 204, 204)],
    "api:jurisdiction-list": [everybody(), office_rule("post", None, 400)],
    "api:jurisdiction-detail": [
        Row("get", "jurisdiction", 200, 200, 200, 200, 200),
        office_rule("patch", "jurisdiction"),
    ],
    "api:requirement-list": [everybody(), office_rule("post", None, 400)],
    "api:requirement-detail": [Row("get", "rule", 200, 200, 200, 200, 200)],
    "api:requirement-versions": [office_rule("post", "rule", 400)],
    "api:requirement-end": [office_rule("post", "rule", 400)],
    "api:waiver-list": [everybody(), staff_deed("post", None, 400)],
    "api:waiver-detail": [everybody("waiver")],
    "api:waiver-end": [staff_deed("post", "waiver", 400)],
    "api:under-list": [everybody(), staff_deed("post", None, 400)],
    "api:under-detail": [everybody("under")],
    "api:under-end": [staff_deed("post", "under", 400)],
    "api:duty-list": [everybody()],
    "api:plan-list": [everybody(), Row("post", None, 400, 400, 403, 403, 403)],
    "api:plan-detail": [planner("get", 200)],
    "api:plan-words": [planner("post", 400)],
    "api:plan-days": [planner("post", 400)],
    "api:plan-proposals": [planner("post", 202)],
    "api:plan-stop": [planner("post", 200)],
    "api:proposal-list": [everybody()],
    "api:proposal-detail": [planner("get", 200, of="proposal")],
    "api:proposal-visits": [planner("post", 400, of="proposal")],
    "api:wish-list": [everybody(), fleet_deed("post", None, 400)],
    "api:wish-detail": [everybody("wish")],
    "api:wish-back": [fleet_deed("post", "wish", 200)],
    "api:job-list": [everybody()],
    "api:job-detail": [everybody("job")],
    "api:season-list": [everybody(), staff_deed("post", None, 400)],
    "api:season-detail": [
        Row("get", "season", 200, 200, 200, 200, 200),
        staff_form("season", method="patch"),
    ],
    "api:season-carry-over": [staff_form("season", 400, method="post")],  # none before it
    "api:membership-list": [everybody(), staff_deed("post", None, 400)],
    "api:membership-detail": [everybody("membership"), staff_deed("patch", "membership", 200)],
    "api:invitation-list": [everybody(), Row("post", None, 400, 403, 400, 403, 400, checker=403)],
    "api:invitation-detail": [Row("get", "invitation", 200, 200, 200, 404, 404)],
    "api:invitation-send": [Row("post", "invitation", 200, 403, 200, 404, 404)],
    "api:invitation-withdrawal": [Row("post", "invitation", 200, 403, 200, 404, 404)],
    "api:import-list": [
        staff_deed("get", None, 200),
        staff_deed("post", None, 400, multipart=True),
    ],
    "api:import-detail": [Row("get", "import", 200, 404, 404, 404, 404)],
    "api:import-plan": [
        Row("get", "import", 400, 404, 404, 404, 404),  # not read yet
        Row("post", "import", 202, 404, 404, 404, 404),
    ],
    "api:import-apply": [Row("post", "import", 400, 404, 404, 404, 404)],
    "api:import-discard": [Row("post", "import", 200, 404, 404, 404, 404)],
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
    return make_one_of_each(cast)


def test_every_address_is_in_the_table():
    named = {name for name, _ in addresses()}
    missing = named - set(TABLE)
    assert not missing, f"Add to TABLE who may use: {sorted(missing)}"
    gone = set(TABLE) - named
    assert not gone, f"No such address any more: {sorted(gone)}"


def test_matrix(cast: Cast, world: dict[str, Any]):
    """One world for all roles: whatever a request writes is taken back."""
    wrong = []
    clients = {role: _clients(cast.everybody.get(role)) for role in ROLES}
    for role, (name, pattern) in itertools.product(ROLES, addresses()):
        for row in TABLE.get(name, []):
            got = _ask(name, pattern, row, world, clients[role])
            wanted = row.answer_to(role)
            if got != wanted:
                wrong.append(f"{row.method} {name} as {role}: {got}, should be {wanted}")
    assert not wrong, "\n".join(wrong)


class _UndoError(Exception):
    """Take back whatever the request wrote."""


def _clients(person: Person | None) -> tuple[Client, Client]:
    """A person's browser, and a program that has their token."""
    browser = Client()
    if person is not None:
        browser.force_login(person)
    return browser, Client(headers=_token(person))


def _ask(
    name: str, pattern: URLPattern, row: Row, world: dict[str, Any], clients: tuple[Client, Client]
) -> Any:
    keys = list(pattern.pattern.converters)
    # The number of a card on its scan, the signed code beside the short one.
    further = [value for key, value in world["further"].items() if key in keys]
    assert len(keys) - len(further) == (1 if row.of else 0), f"{name}: address and table differ"
    url = reverse(
        name, args=[getattr(world[row.of], "pk", world[row.of]), *further] if row.of else []
    )
    client = clients[name.startswith("api:")]
    # A request may sign out or sign in as somebody else; the next one is as before.
    cookies = client.cookies.copy()
    answer: HttpResponse | None = None
    try:
        with transaction.atomic():
            kwargs: dict[str, Any] = {"data": row.data}
            if name.startswith("api:") and row.method != "get" and not row.multipart:
                kwargs["content_type"] = "application/json"
            answer = getattr(client, row.method)(url, **kwargs)
            raise _UndoError
    except _UndoError:
        client.cookies = cookies
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


def test_another_operators_record_tells_nothing(cast: Cast):
    """The 404 of what is not yours and the 404 of what does not exist are the same page."""
    with tenancy.everyone():
        aircraft = make_aircraft(cast)
    client = Client()
    client.force_login(cast.outsider)
    theirs = client.get(reverse("aircraft", args=[aircraft.pk]))
    nobodys = client.get(reverse("aircraft", args=[uuid4()]))
    assert theirs.status_code == nobodys.status_code == 404
    # Each page carries its own form token; nothing else may differ.
    pages = [re.sub(rb'X-CSRFToken": "[^"]*"', b"", one.content) for one in (theirs, nobodys)]
    assert pages[0] == pages[1]
