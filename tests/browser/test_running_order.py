"""The running order on a phone: by drag, by button, with no signal, undone, and without script."""

from __future__ import annotations

from playwright.sync_api import Page, expect

from tests.browser.conftest import Open
from tests.browser.looking import PHONE, Guard

SAVED = "The new order is saved."


def order(page: Page) -> list[str]:
    lines = page.locator("[data-order] > li")
    return [str(line.get_attribute("data-name")) for line in lines.all()]


def shows(page: Page, names: list[str]) -> None:
    """Wait until the page shows an order."""
    lines = page.locator("[data-order] > li")
    for number, name in enumerate(names):
        expect(lines.nth(number)).to_have_attribute("data-name", name)


def test_drag_buttons_no_signal_and_undo(made: dict[str, str], open_as: Open, guard: Guard):
    guard.expect("ERR_INTERNET_DISCONNECTED", "htmx:sendError", "htmx:afterRequest")
    page = open_as("analyst", PHONE)
    page.goto(f"/visits/{made['clinic_of_today']}/")
    first = order(page)

    # By the grip: the last but one is dragged to the end.
    grip = page.locator("[data-order] > li").nth(len(first) - 2).locator("[data-grip]")
    grip.scroll_into_view_if_needed()
    box = grip.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 20, box["y"] + 20)
    page.mouse.down()
    end = page.locator("[data-order] > li").last.bounding_box()
    assert end is not None
    page.mouse.move(box["x"] + 20, end["y"] + end["height"] - 5, steps=8)
    page.mouse.up()
    dragged = [*first[:-2], first[-1], first[-2]]
    expect(page.get_by_text(SAVED)).to_be_visible()
    shows(page, dragged)
    page.reload()
    shows(page, dragged)

    # Taken back, rather than asked for before.
    page.get_by_role("button", name=f"Move {dragged[-1]} up").click()
    expect(page.get_by_text(SAVED)).to_be_visible()
    shows(page, first)
    page.get_by_role("button", name="Undo").click()
    shows(page, dragged)

    # With no signal the order is kept, and sent when there is one again.
    page.reload()
    page.context.set_offline(True)
    page.get_by_role("button", name=f"Move {dragged[-1]} up").click()
    expect(page.get_by_text("The new order is kept on this phone")).to_be_visible()
    shows(page, first)
    page.get_by_role("button", name="Start test").first.click()
    expect(page.get_by_text("No connection. What you typed is kept here")).to_be_visible()
    page.context.set_offline(False)
    expect(page.get_by_text(SAVED)).to_be_visible()
    page.reload()
    shows(page, first)


def test_order_works_without_script(made: dict[str, str], open_as: Open):
    page = open_as("analyst", PHONE, java_script_enabled=False)
    page.goto(f"/visits/{made['clinic_of_today']}/")
    first = order(page)
    page.get_by_role("button", name=f"Move {first[1]} up").click()
    shows(page, [first[1], first[0], *first[2:]])
    page.get_by_role("button", name="Undo").click()
    shows(page, first)


def test_an_operator_signs_up_in_two_taps(made: dict[str, str], open_as: Open):
    page = open_as("owner", PHONE)
    page.goto("/visits/")
    page.get_by_role("link", name="Sign up for Long Draw airfield").click()
    page.get_by_role("button", name="Sign up XX-R02").click()
    expect(page.get_by_text("XX-R02 is signed up: ")).to_be_visible()
    expect(page.get_by_role("region", name="XX-R02")).to_contain_text("your place")
