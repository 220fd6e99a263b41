"""What the pages do, the API does: both call the same services, so the calls can be compared."""

from __future__ import annotations

import ast
from pathlib import Path

import fleet
from fleet import services
from fleet.services import filings

FLEET = Path(fleet.__file__).parent
# Deeds behind a link in a letter, of somebody who is not signed in, and one of many in one call.
OTHERWISE = {
    "invitations.accept": "sets the first password",
    "plans.say": "of one aircraft; pages and API say it of all at a stop: say_of_all",
    "reminders.stop_reminders": "one's own are set at me/reminders/",
}


def deeds() -> set[str]:
    """Every public function of a service that asks who does it."""
    found = set()
    for path in Path(services.__path__[0]).glob("*.py"):
        for node in ast.parse(path.read_text("utf-8")).body:
            by_whom = isinstance(node, ast.FunctionDef) and "by" in _words_of(node)
            if by_whom and not node.name.startswith("_"):
                found.add(f"{path.stem}.{node.name}")
    return found | set(OTHERWISE)


def _words_of(node: ast.FunctionDef) -> set[str]:
    return {arg.arg for arg in node.args.kwonlyargs}


def named_in(folder: str) -> set[str]:
    """All names that the modules of a folder read."""
    found = set()
    for path in (FLEET / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Attribute):
                found.add(node.attr)
            elif isinstance(node, ast.Name):
                found.add(node.id)
    return found


def test_what_pages_call_the_api_calls():
    pages, api = named_in("web"), named_in("api")
    known = deeds()
    assert len(known) > 80
    missing = {one for one in known if one.split(".")[1] in pages - api}
    # The steps of a filing are taken by their kind, on pages and over the API.
    missing -= {f"filings.{step.__name__}" for step in filings.STEPS.values()}
    assert missing == set(OTHERWISE)
