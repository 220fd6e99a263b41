"""Headless Chromium against the real service: started once, with people signed in once a role.

Screenshots are kept only when SWATHBOOK_ARTEFACTS names a folder.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.browser.looking import PHONE, Guard, Size, sign_in
from tests.browser.service import Service

FLAGS = (
    "--no-sandbox",  # the tests may run as root
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    # What a page asks for elsewhere fails at once and shows in the console, with or without a net.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)
PATIENCE_MS = 20_000  # two cores, shared with server and worker
expect.set_options(timeout=PATIENCE_MS)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Everything in this folder drives a browser."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser_type_launch_args() -> dict[str, Any]:
    # The shell draws the same pages; a browser's own windows take a third of its time.
    program = shutil.which("chromium-headless-shell") or shutil.which("chromium")
    assert program, "these tests need Chromium: deploy/setup --test"
    return {"executable_path": program, "args": list(FLAGS)}


@pytest.fixture(scope="session")
def started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, dict[str, str]]]:
    running = Service(tmp_path_factory.mktemp("service"))
    # Each process of the tests has its own folder; side by side they lie in that of the whole run.
    own = tmp_path_factory.getbasetemp()
    made = running.prepare((own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "played")
    try:
        running.start()
        yield running, made
    finally:
        running.stop()


@pytest.fixture(scope="session")
def service(started: tuple[Service, dict[str, str]]) -> Service:
    return started[0]


@pytest.fixture(scope="session")
def made(started: tuple[Service, dict[str, str]]) -> dict[str, str]:
    """Keys of the records by name."""
    return started[1]


@pytest.fixture(scope="session")
def signed_in(browser: Browser, service: Service) -> Callable[[str], Any]:
    """Give the cookies of somebody of a role; each signs in only once."""
    known: dict[str, Any] = {}

    def state(role: str) -> Any:
        if role not in known:
            context = browser.new_context(base_url=service.url)
            context.set_default_timeout(PATIENCE_MS)
            sign_in(context.new_page(), role)
            known[role] = context.storage_state()
            context.close()
        return known[role]

    return state


Open = Callable[..., Page]


@pytest.fixture
def guard(service: Service) -> Iterator[Guard]:
    """Watches all pages of a test: no request leaves the service, no error in the console."""
    watching = Guard(service.url)
    yield watching
    watching.check()


@pytest.fixture
def open_as(
    browser: Browser,
    service: Service,
    signed_in: Callable[[str], Any],
    guard: Guard,
    request: pytest.FixtureRequest,
) -> Iterator[Open]:
    """Open a page for somebody: `open_as("analyst", PHONE)`; "" for nobody signed in."""
    contexts: list[tuple[str, BrowserContext]] = []

    def open_page(role: str, size: Size = PHONE, **options: Any) -> Page:
        context = browser.new_context(
            base_url=service.url,
            viewport={"width": size.width, "height": size.height},
            device_scale_factor=1,
            has_touch=size.touch,
            storage_state=signed_in(role) if role else None,
            **options,
        )
        context.set_default_timeout(PATIENCE_MS)
        guard.watch(context)
        contexts.append((role, context))
        return context.new_page()

    yield open_page
    folder = os.environ.get("SWATHBOOK_ARTEFACTS")
    for number, (role, context) in enumerate(contexts):
        if folder:
            name = re.sub(r"[^\w-]+", "-", f"{request.node.name}-{number}-{role}").strip("-")
            for page in context.pages:
                page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)
        context.close()
