"""Pages of a large association against the bare SQL of the same answer, on both databases.

2,000 operators, 5,000 aircraft in service, ten seasons, 60,000 tests (see `_season_data`), loaded
anew into an SQLite file and into a private PostgreSQL, both gone afterwards. A page is one request
through the middleware, template and all, in this process; beside it stands the time of hand-written
SQL that fetches the rows which the page shows, for lists of who is due all that has to be judged
before the page can be cut. For participation, whose tallies the database makes, it is the page's
own statements without anything around them. Page and SQL take turns, seven times or for half a
minute; medians are shown, by the clock, and for the page what this process used of a processor.

    python -m tests.bench season [--database sqlite|postgresql|both] [--quick]

The ratio returned is the largest of a page to its SQL among the pages over 50 ms. What is claimed:
at most 4 times the bare SQL, or under 50 ms, whichever is larger.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any

from tests.bench._postgres import private_postgres

if TYPE_CHECKING:
    from tests.bench._season_data import Size, World

ROUNDS, FEWEST, PATIENCE_S = 7, 3, 30.0
MOST_TIMES, LEAST_MS = 4.0, 50.0


def main(arguments: Sequence[str] = ()) -> float:
    """Load and measure; the largest ratio among the pages that are slower than 50 ms."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench season")
    parser.add_argument("--database", choices=("sqlite", "postgresql", "both"), default="both")
    parser.add_argument("--quick", action="store_true", help="little data: only that it runs")
    asked = parser.parse_args(arguments)
    known = ("sqlite", "postgresql")
    return max(
        _in_its_own_process(one, asked.quick) for one in known if asked.database in (one, "both")
    )


def _in_its_own_process(database: str, quick: bool) -> float:
    """Settings are read once in a process; so each database has one."""
    with ExitStack() as held:
        folder = held.enter_context(tempfile.TemporaryDirectory(prefix="swathbook-bench-"))
        url = held.enter_context(private_postgres()) if database == "postgresql" else ""
        pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
        return held.enter_context(pool).submit(_load_and_measure, folder, url, quick).result()


def _load_and_measure(folder: str, url: str, quick: bool) -> float:
    for name in ("DATABASE_URL", "CELERY_BROKER_URL"):
        os.environ.pop(name, None)
    os.environ |= {
        "SWATHBOOK_DATA": folder,
        "SWATHBOOK_HTTPS": "0",
        "DJANGO_SETTINGS_MODULE": "deploy.settings",
        **({"DATABASE_URL": url} if url else {}),
    }
    from django.core.management import call_command

    import deploy.wsgi  # noqa: F401 -- loaded as the web server loads it

    call_command("migrate", verbosity=0)
    from tests.bench._season_data import FULL, QUICK

    return measure(QUICK if quick else FULL)


def measure(size: Size) -> float:
    """Load into the database in use, check that SQL and pages agree, and time them."""
    from django.db import connection

    from deploy import figures
    from fixtures.play import at
    from fleet import tenancy
    from tests.bench._season_data import NOW, load

    with at(NOW):
        start = time.perf_counter()
        world = load(size)
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("analyze")  # as its housekeeping does after a while
        figures.refresh()  # as the service does once a day
        report(
            f"{connection.vendor}: {world.rows} rows loaded in "
            f"{time.perf_counter() - start:.0f} s, load on the machine {os.getloadavg()[0]:.1f} "
            f"on {os.cpu_count()} processors"
        )
        with tenancy.everyone():
            check(world)
        return max(_compared(one) for one in pages(world))


@dataclass(frozen=True, slots=True)
class Measured:
    """One answer: how it is asked for, and the SQL of the same; no SQL: its own statements."""

    name: str
    ask: Callable[[], Any]
    bare: Callable[[], Any] | None


def pages(world: World) -> list[Measured]:
    """Return what is measured."""
    from django.test import Client
    from django.urls import reverse

    from fleet import tenancy
    from fleet.queries.duties import duties
    from tests.bench import _season_sql as sql
    from tests.bench._season_data import TODAY

    def client(person: Any) -> Client:
        made = Client(SERVER_NAME="localhost")
        made.force_login(person)
        return made

    def page(of: Client, name: str, *keys: Any) -> Callable[[], Any]:
        def ask() -> None:
            answer = of.get(reverse(name, args=keys))
            assert answer.status_code == 200, f"{name} answered {answer.status_code}"

        return ask

    def rows(*statements: str, **values: Any) -> Callable[[], Any]:
        return lambda: [sql.rows_of(one, today=TODAY, **values) for one in statements]

    def judged(person: Any) -> Callable[[], Any]:
        def ask() -> None:
            with tenancy.everyone():
                duties(person)

        return ask

    staff, owner = client(world.staff), client(world.owner)
    key, whose = world.aircraft.pk, world.owner.operator_id
    one_aircraft = (
        sql.standings_sql("aircraft"),
        sql.TESTS_OF_AIRCRAFT,
        sql.SETUPS_OF_AIRCRAFT,
        sql.APPROVALS_OF_AIRCRAFT,
    )
    return [
        Measured(
            "due list, staff",
            page(staff, "due"),
            lambda: (rows(sql.standings_sql())(), sql.duty_rows(TODAY)),
        ),
        Measured(
            "due list, owner",
            page(owner, "due"),
            lambda: (
                rows(sql.standings_sql("operator"), key=whose)(),
                sql.duty_rows(TODAY, whose),
            ),
        ),
        Measured(
            "duties of all, without a page",
            judged(world.staff),
            lambda: sql.duty_rows(TODAY),
        ),
        Measured("aircraft, staff", page(staff, "aircraft", key), rows(*one_aircraft, key=key)),
        Measured("aircraft, owner", page(owner, "aircraft", key), rows(*one_aircraft, key=key)),
        Measured("lookup, a page of the largest fleet", page(owner, "today"), None),
        Measured(
            "lookup, one aircraft",
            page(owner, "today-aircraft", key),
            rows(sql.standings_sql("aircraft"), key=key),
        ),
        Measured("participation, one season", page(staff, "season"), None),
        Measured("participation, side by side", page(staff, "season-compare"), None),
    ]


def check(world: World) -> None:
    """Hold the SQL against the answers of the queries: the same states of the same things."""
    from fleet.queries.due import who_is_due
    from fleet.queries.duties import duties
    from fleet.queries.standing import standings
    from tests.bench import _season_sql as sql
    from tests.bench._season_data import TODAY

    ours = Counter(
        (one.aircraft.registration, one.setup.purpose if one.setup else None, one.state)
        for one in standings(world.staff)
    )
    theirs = Counter(
        (row[1], row[5], row[-1]) for row in sql.rows_of(sql.standings_sql(), today=TODAY)
    )
    assert ours == theirs, f"standings differ: {list((ours - theirs) + (theirs - ours))[:5]}"
    held = duties(world.staff)
    judged = Counter((one.aircraft.registration, one.requirement.name, one.state) for one in held)
    by_sql = Counter((row[2], row[4], row[5]) for row in sql.duty_rows(TODAY))
    assert judged == by_sql, f"duties differ: {list((judged - by_sql) + (by_sql - judged))[:5]}"
    listed = {
        (one.craft.registration, one.requirement.name, str(one.state), one.due_on)
        for one in who_is_due(world.staff)
        if one.requirement is not None
    }
    whole = {
        (one.aircraft.registration, one.requirement.name, str(one.state), one.due_on)
        for one in held
    }
    assert listed == whole, f"list and duties differ: {list(listed ^ whole)[:5]}"
    states = Counter(state for _, _, state in judged.elements())
    report(f"SQL agrees on {ours.total()} standings and {judged.total()} duties: {dict(states)}")


def _compared(one: Measured) -> float:
    """Time both sides in turns and print them; the ratio, 0 for a page under 50 ms."""
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    one.ask()
    with CaptureQueriesContext(connection) as asked:
        one.ask()
    statements = [query["sql"] for query in asked.captured_queries]  # gone with the next request
    bare = one.bare or _again(statements)
    bare()
    taken: list[tuple[float, float, float]] = []
    while len(taken) < ROUNDS and (len(taken) < FEWEST or sum(map(sum, taken)) < PATIENCE_S):
        busy = time.process_time()
        page = _seconds(one.ask)
        taken.append((page, time.process_time() - busy, _seconds(bare)))
    page_ms, busy_ms, bare_ms = (1e3 * statistics.median(side) for side in zip(*taken, strict=True))
    limit_ms = max(MOST_TIMES * bare_ms, LEAST_MS)
    report(
        f"{one.name}: {page_ms:.1f} ms ({busy_ms:.1f} of a processor), "
        f"{len(statements)} queries; bare SQL {bare_ms:.1f} ms; "
        f"{page_ms / bare_ms:.1f} times; at most {limit_ms:.0f} ms: "
        f"{'yes' if page_ms <= limit_ms else 'NO'}"
    )
    return page_ms / bare_ms if page_ms > LEAST_MS else 0.0


def _again(statements: Sequence[str]) -> Callable[[], Any]:
    """What reads the same rows with the statements of a page alone."""
    from django.db import connection

    def ask() -> None:
        with connection.cursor() as cursor:
            for statement in statements:
                if statement.startswith("SELECT") or statement.startswith("("):
                    cursor.execute(statement)
                    cursor.fetchall()

    return ask


def _seconds(work: Callable[[], object]) -> float:
    """Time on the clock: on PostgreSQL much of the work is done by another process."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def report(line: str) -> None:
    """Print one line."""
    print(line, flush=True)  # noqa: T201 -- a benchmark talks to a terminal
