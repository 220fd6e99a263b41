"""Cards in the browser: scans sent and measured without a reload, and the viewer of one card."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page, expect

from tests.browser.conftest import Open
from tests.browser.looking import DESKTOP, PHONE, Guard
from tests.cast import card_file


def stains(page: Page, scan: str, number: int) -> dict:
    return page.request.get(f"/scans/{scan}/stains/{number}.json").json()


def told(shown: dict, at: int) -> str:
    """What the page says of one stain, from the columns."""
    drop = shown["drop_um"][at]
    why = shown["reasons"][shown["why"][at]]
    words = f"Stain {shown['stain_um'][at]:.0f} µm"
    words += "" if drop is None else f", drop {drop:.0f} µm"
    return words + (f"; {why}." if why else ".")


def test_scans_are_sent_and_measured_without_a_reload(
    made: dict[str, str], open_as: Open, tmp_path: Path
):
    bed, words = tmp_path / "bed.png", tmp_path / "words.txt"
    bed.write_bytes(card_file(31, cards=2))
    words.write_text("no picture")
    page = open_as("analyst", DESKTOP)
    page.goto(f"/tests/{made['test_running']}/cards/")
    page.evaluate("window.same = true")
    page.get_by_label("Scans of one card").set_input_files([bed, words])
    expect(page.locator("[data-drop-words]")).to_contain_text("Now press Add scans")
    page.get_by_role("button", name="Add scans").click()
    sent = page.get_by_role("region", name="Files just sent").get_by_role("listitem")
    expect(sent).to_have_count(2)
    expect(sent.nth(0)).to_contain_text("is scan 1")
    expect(sent.nth(1)).to_contain_text("This is no picture")
    expect(page.locator("#scan-1 tbody tr")).to_have_count(2, timeout=60_000)
    expect(page.locator("#scan-1 .outline")).to_have_count(2)
    expect(page.get_by_role("heading", name="Next: confirm the outlines")).to_be_visible()
    assert page.evaluate("window.same")
    page.get_by_role("button", name="These are the cards").click()
    expect(page.get_by_role("heading", name="Next: say where the cards lay")).to_be_visible()


def test_stain_tells_its_size_by_key_and_by_pointer(
    made: dict[str, str], open_as: Open, guard: Guard
):
    page = open_as("owner", DESKTOP)
    page.goto(f"/scans/{made['scan']}/cards/1/")
    shown = stains(page, made["scan"], 1)
    order = sorted(range(len(shown["x"])), key=lambda at: -shown["stain_um"][at])
    words, canvas = page.locator("[data-words]"), page.locator("canvas")
    expect(words).to_contain_text("Point at a stain")
    canvas.focus()
    page.keyboard.press("n")
    expect(words).to_have_text(told(shown, order[0]))
    page.keyboard.press("n")
    expect(words).to_have_text(told(shown, order[1]))
    # Stepped to, it stands in the middle unless the edge of the card is near.
    page.keyboard.press("0")
    box = canvas.bounding_box()
    assert box is not None
    scale = 0.98 * min(box["width"] / shown["size_px"][0], box["height"] / shown["size_px"][1])
    at = order[0]
    page.mouse.move(
        box["x"] + box["width"] / 2 + (shown["x"][at] - shown["size_px"][0] / 2) * scale,
        box["y"] + box["height"] / 2 + (shown["y"][at] - shown["size_px"][1] / 2) * scale,
    )
    expect(words).to_have_text(told(shown, at))


def test_left_out_stains_can_be_hidden(made: dict[str, str], open_as: Open):
    page = open_as("owner", PHONE)
    page.goto(f"/scans/{made['scan']}/cards/1/")
    shown = stains(page, made["scan"], 1)
    left_out = [at for at, counted in enumerate(shown["counted"]) if not counted]
    assert left_out
    order = sorted(range(len(shown["x"])), key=lambda at: -shown["stain_um"][at])
    place = next(place for place, at in enumerate(order) if at in left_out)
    before = sum(shown["counted"][at] for at in order[:place])
    words, button = page.locator("[data-words]"), page.get_by_role("button", name="Next stain")
    expect(words).to_contain_text("Point at a stain")
    for _ in range(place + 1):
        button.click()
    expect(words).to_contain_text("left out")
    page.get_by_label("Show what is left out").uncheck()
    expect(words).to_contain_text("Point at a stain")
    for _ in range(before + 1):
        button.click()
    expect(words).not_to_contain_text("left out")


def test_card_without_script(made: dict[str, str], open_as: Open):
    page = open_as("owner", PHONE, java_script_enabled=False)
    page.goto(f"/scans/{made['scan']}/cards/1/")
    picture = page.get_by_alt_text("with rings round the stains counted")
    expect(picture).to_be_visible()
    box = picture.bounding_box()
    assert box is not None
    assert 100 < box["width"] <= PHONE.width
    expect(page.locator("canvas")).to_be_hidden()
