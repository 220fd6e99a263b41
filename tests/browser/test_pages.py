"""Every page, by who sees it and in what state: axe, both sizes, both themes, enlarged, targets."""

from __future__ import annotations

import re

import pytest
from django.urls import URLPattern, get_resolver
from playwright.sync_api import expect

from tests.browser.conftest import Open
from tests.browser.looking import DESKTOP, ENLARGED, PHONE, Guard, faults

# Who opens what; {names} are records of tests.browser.play.
PAGES = [
    ("", "/sign-in/"),
    ("owner", "/today/"),
    ("pilot", "/today/{aircraft}/"),
    ("owner", "/today/{retired_aircraft}/"),
    ("owner", "/fleet/"),
    ("staff", "/fleet/?q=nothing"),
    ("owner", "/fleet/new/"),
    ("owner", "/aircraft/{aircraft}/"),
    ("staff", "/aircraft/{retired_aircraft}/"),
    ("staff", "/aircraft/{aircraft}/edit/"),
    ("owner", "/aircraft/{aircraft}/set-ups/new/"),
    ("pilot", "/set-ups/{setup}/"),
    ("staff", "/set-ups/{changed_setup}/"),
    ("staff", "/operators/"),
    ("staff", "/operators/{operator}/"),
    ("staff", "/operators/new/"),
    ("staff", "/operators/{operator}/edit/"),
    ("staff", "/operators/{operator}/people/new/"),
    ("staff", "/due/?show=all"),
    ("staff", "/trail/"),
    ("owner", "/me/"),
    ("owner", "/me/reminders/"),
    ("owner", "/webhooks/"),
    ("staff", "/webhooks/new/"),
    ("owner", "/webhooks/{webhook}/"),
    ("staff", "/season/reminders/"),
    ("", "/reminders/stop/{stop}/"),
    ("analyst", "/visits/"),
    ("owner", "/visits/"),
    ("analyst", "/visits/new/"),
    ("analyst", "/visits/{visit}/"),
    ("analyst", "/visits/{clinic_of_today}/"),
    ("staff", "/visits/{clinic_to_come}/"),
    ("owner", "/visits/{clinic_of_today}/"),
    ("owner", "/visits/{clinic_to_come}/sign-up/"),
    ("staff", "/season/gifts/"),
    ("staff", "/season/gifts/new/"),
    ("staff", "/season/gifts/{gift}/"),
    ("analyst", "/visits/{visit}/edit/"),
    ("analyst", "/visits/{visit}/tests/new/"),
    ("analyst", "/tests/{test}/"),
    ("owner", "/tests/{test}/"),
    ("analyst", "/tests/{test_without_passes}/"),
    ("analyst", "/tests/{test_not_analysed}/"),
    ("analyst", "/tests/{test_failed}/"),
    ("analyst", "/tests/{test_running}/"),
    ("analyst", "/tests/{test}/conditions/"),
    ("analyst", "/passes/{pass}/"),
    ("pilot", "/passes/{pass}/"),
    ("analyst", "/tests/{test}/cards/"),
    ("pilot", "/tests/{test}/cards/"),
    ("analyst", "/tests/{test_without_passes}/cards/"),
    ("analyst", "/tests/{test_failed}/cards/"),
    ("owner", "/scans/{scan}/cards/{card}/"),
    ("analyst", "/scans/{scan}/cards/{card}/?run=1"),
    ("analyst", "/plans/"),
    ("analyst", "/plans/new/"),
    ("analyst", "/plans/{plan}/"),
    ("owner", "/aircraft/{aircraft}/wish/"),
    ("analyst", "/jobs/{running_job}/"),
    ("analyst", "/jobs/{failed_job}/"),
    ("analyst", "/analyses/{analysis}/"),
    ("owner", "/analyses/{analysis}/"),
    ("analyst", "/analyses/{analysis}/approve/?at_m=30&manner=one_way"),
    ("analyst", "/approvals/{approval}/"),
    ("owner", "/approvals/{superseded}/"),
    ("owner", "/approvals/{withdrawn}/"),
    ("staff", "/approvals/?show=all"),
    ("owner", "/operators/{operator}/"),
    ("owner", "/operators/{operator}/export/"),
    ("staff", "/season/"),
    ("analyst", "/season/{season_now}/?by=aircraft"),
    ("owner", "/season/{season_now}/"),
    ("staff", "/season/compare/"),
    ("staff", "/seasons/"),
    ("staff", "/seasons/new/"),
    ("staff", "/seasons/{season_now}/edit/"),
    ("staff", "/seasons/{season_now}/members/"),
    ("analyst", "/seasons/{season_now}/members/?show=all"),
    ("staff", "/seasons/{season_now}/members/new/"),
    ("staff", "/memberships/{membership}/"),
    ("staff", "/people/"),
    ("owner", "/people/"),
    ("owner", "/operators/{operator}/invite/"),
    ("owner", "/invitations/{invitation}/"),
    ("staff", "/invitations/{invitation_withdrawn}/"),
    ("", "/join/{link}/"),
    ("", "/join/no-link-of-ours/"),
    ("staff", "/filings/"),
    ("owner", "/filings/?show=late"),
    ("pilot", "/service-records/?show=all"),
    ("pilot", "/service-records/new/?aircraft={aircraft}"),
    ("staff", "/service-records/{service}/"),
    ("owner", "/service-records/{service}/correct/"),
    ("owner", "/service-records/{service}/strike/"),
    ("staff", "/retention/"),
    ("staff", "/filings/{filing}/"),
    ("owner", "/filings/{filing}/"),
    ("staff", "/imports/"),
    ("staff", "/imports/{import_good}/?show=all"),
    ("staff", "/imports/{import_wrong}/"),
    ("staff", "/imports/{import_done}/"),
    ("staff", "/rules/"),
    ("owner", "/rules/{rule}/"),
    ("staff", "/rules/{rule}/versions/new/"),
    ("staff", "/rules/{rule}/end/"),
    ("staff", "/jurisdictions/new/"),
    ("staff", "/jurisdictions/{jurisdiction}/edit/"),
    ("staff", "/jurisdictions/{jurisdiction}/rules/new/"),
    ("staff", "/aircraft/{aircraft}/waivers/new/"),
    ("staff", "/waivers/{waiver}/end/"),
    ("staff", "/aircraft/{aircraft}/under/new/"),
    ("checker", "/checked/"),
    ("", "/check/"),
    ("", "/check/{code}/"),
    ("staff", "/papers/"),
    ("owner", "/papers/numbers/{slip}/"),
    ("analyst", "/papers/numbers/{slip_waiting}/"),
    ("staff", "/papers/season/"),
    ("staff", "/papers/season/{batch}/"),
    ("owner", "/nowhere/"),
    ("pilot", "/fleet/new/"),
]
# Not pages: they lead on, act, or hand out a file.
NO_PAGES = {
    "home", "alive", "sign-out", "aircraft-service", "passes-add", "pass-aborted", "analyse",
    "pass-overrule", "plan-again", "plan-stop", "plan-word", "plan-day", "plan-accept",
    "wish-back",
    "raw-file", "report", "paper", "withdraw", "card-places", "card-again",
    "under-end", "card-scan-file", "card-picture", "card-stains", "visit-order", "visit-call-off",
    "visit-put-back", "visit-calendar", "sign-up-cancel", "sign-up-mark", "sign-up-move",
    "supply-new", "supply-remove", "gift-remove", "season-carry-over", "members",
    "person-setups", "invitation-send", "invitation-withdraw", "import-apply", "import-look",
    "import-discard",
    "import-file", "import-template", "me-calendar", "me-calendar-drop", "calendar-feed",
    "webhook-stop", "filings-look", "filing-step", "filing-file",
    "retention-purge", "card-confirm", "check-keys", "check-signed", "paper-ask", "paper-reissue",
    "paper-withdraw", "paper-again", "paper-give-up", "paper-batch-again", "paper-batch-bundle",
    "paper-batch-zip", "paper-batch-pdf", "operator-export-file",
}  # fmt: skip
REFUSED = {
    ("owner", "/nowhere/"): 404,
    ("pilot", "/fleet/new/"): 403,
    ("", "/join/no-link-of-ours/"): 404,
}


@pytest.mark.parametrize(("role", "address"), PAGES)
def test_page(role: str, address: str, made: dict[str, str], open_as: Open, guard: Guard):
    page = open_as(role, DESKTOP)
    status = REFUSED.get((role, address), 200)
    if status != 200:
        guard.expect(f"status of {status}")
    answer = page.goto(address.format(**made))
    assert answer is not None
    assert answer.status == status
    found = []
    for size in (DESKTOP, PHONE):
        page.set_viewport_size({"width": size.width, "height": size.height})
        # Whatever is folded is looked at as well.
        page.evaluate("document.querySelectorAll('details').forEach((e) => { e.open = true; })")
        found += faults(page, theme="light")
        found += faults(page, theme="dark")
    page.set_viewport_size({"width": ENLARGED.width, "height": ENLARGED.height})
    wide = page.evaluate("document.documentElement.scrollWidth")
    found += [f"scrolls sideways at 200 %: {wide} px"] if wide > ENLARGED.width else []
    assert not found, "\n".join(dict.fromkeys(found))


def test_form_with_errors(open_as: Open):
    page = open_as("analyst", DESKTOP)
    page.goto("/visits/new/")
    page.evaluate("document.querySelector('form[data-keep]').noValidate = true")
    page.get_by_role("button", name="Plan it").click()
    place = page.get_by_label("Place")
    expect(place).to_have_attribute("aria-invalid", "true")
    told = place.get_attribute("aria-describedby") or ""
    assert page.locator(f"#{told.split()[-1]}").inner_text() == "This field is required."
    assert not faults(page) + faults(page, theme="dark")


def test_form_that_is_too_old(open_as: Open, guard: Guard):
    guard.expect("status of 403")
    page = open_as("", PHONE)
    page.goto("/sign-in/")
    page.context.clear_cookies()
    page.get_by_label("E-mail").fill("owner@redgrass.example")
    page.get_by_label("Password").fill("whatever it is")
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator("h1")).to_have_text("Not saved: the form was too old")
    assert not faults(page) + faults(page, theme="dark")


def test_no_page_is_forgotten():
    walked = {re.sub(r"\{\w+\}", "<>", address.split("?")[0]) for _, address in PAGES}

    def addresses(patterns: list[object], start: str = "/"):
        for one in patterns:
            if isinstance(one, URLPattern):
                yield one.name, re.sub(r"<[^>]*>", "<>", start + str(one.pattern))
            elif not str(one.pattern).startswith("api"):
                yield from addresses(one.url_patterns, start + str(one.pattern))

    forgotten = {
        name: address
        for name, address in addresses(get_resolver().url_patterns)
        if name not in NO_PAGES and address not in walked
    }
    assert not forgotten
