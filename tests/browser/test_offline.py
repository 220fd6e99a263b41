"""Typing outlives a lost connection: it is there after a reload, and the page says so."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Locator, Page, Route, expect

from tests.browser.conftest import Open
from tests.browser.looking import PHONE, Guard

# Address, the field that is typed into, what is typed, the button.
FORMS = [
    ("/visits/new/", "Place", "Cold Spring strip", "Plan it"),
    ("/tests/{test}/conditions/", "Liquid and dye", "Water, green dye", "Save"),
    ("/tests/{test}/", "Broken off because", "Gust over the line", "Record it"),
    ("/passes/{pass}/", "Because", "Beside the line by a boom", "Save your word"),
    ("/passes/{pass}/", "Airspeed (mph)", "141", "Save"),
    ("/analyses/{analysis}/approve/", "Note", "Edges a line apart", "Approve"),
    ("/approvals/{approval}/", "Withdrawn because", "Wrong string", "Withdraw"),
    ("/aircraft/{aircraft}/set-ups/new/", "Note", "New tips on the left", "Record this set-up"),
    ("/fleet/new/", "Model", "Sower 900", "Save"),
]
BACK = "What you typed last time was not saved; it is back in the form."


def field(page: Page, label: str) -> Locator:
    """The field of a label, which may go on with "if known" or the like."""
    return page.get_by_label(re.compile(f"^{re.escape(label)}( if .*)?$"))


def typed_into(page: Page, address: str, label: str, text: str) -> None:
    page.goto(address)
    page.evaluate("document.querySelectorAll('details').forEach((e) => { e.open = true; })")
    field(page, label).fill(text)


@pytest.mark.parametrize(("address", "label", "text", "button"), FORMS)
def test_typing_stays_when_the_connection_drops(
    address: str, label: str, text: str, button: str, made: dict[str, str], open_as: Open,
    guard: Guard,
):  # fmt: skip
    guard.expect("ERR_INTERNET_DISCONNECTED", "htmx:sendError", "htmx:afterRequest")
    page = open_as("analyst", PHONE)
    typed_into(page, address.format(**made), label, text)
    form = page.locator("form[data-keep]").filter(has=field(page, label))
    form.evaluate("(form) => { form.noValidate = true; }")
    page.context.set_offline(True)
    form.get_by_role("button", name=button, exact=True).click()
    expect(form.locator("[data-kept-words]")).to_have_text(
        "No connection. What you typed is kept here; save again when it is back."
    )
    expect(field(page, label)).to_have_value(text)
    page.context.set_offline(False)
    page.reload()
    expect(field(page, label)).to_have_value(text)
    expect(form.locator("[data-kept-words]")).to_have_text(BACK)
    expect(form.locator("[data-kept-words]")).to_be_visible()


def test_typing_stays_when_the_answer_never_comes(open_as: Open, guard: Guard):
    """The browser still thinks it is connected: the request goes out and nothing comes back."""
    guard.expect("net::ERR_")
    page = open_as("analyst", PHONE)
    typed_into(page, "/visits/new/", "Place", "Far Mesa strip")
    page.get_by_label("First day").fill("2026-06-01")
    page.get_by_label("Analyst").select_option(label="Anik String")

    def lose(route: Route) -> None:
        route.abort("connectionreset")

    page.route("**/visits/new/", lose)
    page.get_by_role("button", name="Plan it").click()
    page.wait_for_url(re.compile("chrome-error"))
    page.unroute("**/visits/new/", lose)
    page.goto("/")  # another page first, and one that redirects
    page.goto("/visits/new/")
    expect(page.get_by_label("Place")).to_have_value("Far Mesa strip")
    expect(page.locator("[data-kept-words]")).to_have_text(BACK)
    # Saved at last, it is not offered again.
    page.get_by_role("button", name="Plan it").click()
    expect(page.locator("h1")).to_have_text("Far Mesa strip")
    page.goto("/visits/new/")
    expect(page.get_by_label("Place")).to_have_value("")
    expect(page.locator("[data-kept-words]")).to_have_text("")


def test_what_was_saved_is_not_put_back_on_its_own_page(made: dict[str, str], open_as: Open):
    """Saving leads back to the page that holds the form."""
    page = open_as("analyst", PHONE)
    label = "Broken off because"
    typed_into(page, f"/tests/{made['test_without_passes']}/", label, "The string broke")
    page.get_by_role("button", name="Record it").click()
    expect(page.get_by_text("The string broke")).to_be_visible()
    expect(field(page, label)).to_have_value("")
    expect(page.get_by_text(BACK)).to_have_count(0)


def test_files_wait_for_the_connection(made: dict[str, str], open_as: Open, guard: Guard):
    guard.expect("ERR_INTERNET_DISCONNECTED")
    page = open_as("analyst", PHONE)
    page.goto(f"/tests/{made['test_not_analysed']}/")
    page.context.set_offline(True)
    page.get_by_label("Trace files").set_input_files(
        {"name": "late.csv", "mimeType": "text/csv", "buffer": b"position_ft,reading\n0,1\n"}
    )
    words = page.locator("[data-drop-words]")
    expect(words).to_contain_text("No connection. Not sent yet: late.csv.")
    page.context.set_offline(False)
    page.get_by_role("button", name="Add passes").click()
    sent = page.get_by_role("region", name="Files just sent")
    expect(sent.get_by_role("listitem")).to_contain_text("late.csv")
