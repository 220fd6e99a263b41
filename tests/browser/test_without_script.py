"""The road's forms without JavaScript, up to the approved swath."""

from __future__ import annotations

import datetime
import re

from playwright.sync_api import expect

from tests.browser.conftest import Open
from tests.browser.looking import PHONE
from tests.browser.test_road import FEET, FT, expected, key_of


def test_forms_work_without_script(made: dict[str, str], open_as: Open, service):
    page = open_as("analyst", PHONE, java_script_enabled=False)
    page.goto("/visits/new/")
    page.get_by_label("Place").fill("Quiet Draw strip")
    page.get_by_label("First day").fill(datetime.date.today().isoformat())
    page.get_by_label("Analyst").select_option(label="Anik String")
    page.get_by_role("button", name="Plan it").click()

    page.get_by_role("link", name="Start a test").click()
    page.get_by_label("Registration, operator or purpose").fill("XX-R06")
    page.get_by_role("button", name="Find").click()
    page.get_by_role("button", name="Start the test of XX-R06, Main season work").click()
    page.get_by_label("Positions in the files are in").select_option(label="The files say so")
    page.get_by_role("button", name="Save").click()

    page.get_by_label("Trace files").set_input_files(list(FEET))
    page.get_by_role("button", name="Add passes").click()
    sent = page.get_by_role("region", name="Files just sent").get_by_role("listitem")
    expect(sent).to_have_count(len(FEET))
    page.get_by_role("button", name=f"Analyse {len(FEET)} passes").click()

    # The page of the job loads itself anew until there is a result to go to.
    expect(page).to_have_url(re.compile("/analyses/"), timeout=60_000)
    result = service.analysis(key_of(page))
    page.get_by_label("Swath, ft", exact=True).fill("48")
    page.get_by_label("one way", exact=True).check()
    page.get_by_role("button", name="Show this swath").click()
    expect(page.locator(".tried [data-swath]")).to_have_text("48 ft")
    for manner in ("one_way", "back_and_forth"):
        cv, _ = expected(result, 48 * FT, manner)
        shown = page.locator(f"[data-cv={manner}] [data-value]").inner_text()
        assert abs(float(shown) - cv) <= 0.05 + 1e-6
    drawn = page.locator("svg.sw-field:visible").get_attribute("data-swath")
    assert abs(float(drawn or "nan") - 48 * FT) < 1e-4

    page.locator("[data-use]").click()
    expect(page.get_by_label("Swath (ft)")).to_have_value("48")
    page.get_by_label("Swath (ft)").fill("70")
    page.get_by_role("button", name="Approve", exact=True).click()
    reason = page.get_by_label("Why it is approved all the same")
    reason.fill("Flown twice.")
    page.get_by_role("button", name="Approve", exact=True).click()
    expect(page.locator(".figure .value")).to_have_text("70 ft")
