"""Retention: until when kept files must be kept, and a purge that never touches what is held."""

from __future__ import annotations

import datetime
import os
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.files.storage import default_storage
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given
from hypothesis import settings as trials
from hypothesis import strategies as st

from fleet import storage
from fleet.judging.facts import Rule
from fleet.models import (
    Aircraft,
    AuditRow,
    Filing,
    FlightPass,
    Jurisdiction,
    Operator,
    Purge,
    RawFile,
    Requirement,
    RequirementVersion,
    SheetImport,
    Test,
)
from fleet.models.base import SealedError
from fleet.queries.asked_papers import Rulebook
from fleet.queries.retention import (
    Bytes,
    Hold,
    KeptFile,
    all_may_go,
    kept_bytes,
    may_go,
    removable,
    rule_holds,
    years_after,
)
from fleet.services import filings, people, retention
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_setup,
    make_tested,
)
from tests.fleet.api.client import signed_in as api_of
from tests.fleet.test_filings import add_rule

FLOWN = datetime.date(2019, 4, 14)
DAY = datetime.timedelta(days=1)
days = st.dates(datetime.date(2000, 1, 1), datetime.date(2060, 12, 31))


# --- the rule itself ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "years", "last"),
    [
        # By the calendar; that 29 February runs to 1 March: common practice, no source.
        ("2019-04-14", 3, "2022-04-14"),
        ("2024-02-29", 1, "2025-03-01"),
        ("2024-02-29", 4, "2028-02-29"),
        ("2023-12-31", 2, "2025-12-31"),
    ],
)
def test_years_by_the_calendar(day: str, years: int, last: str):
    assert years_after(datetime.date.fromisoformat(day), years).isoformat() == last


@trials(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    rules=st.lists(
        st.lists(
            st.tuples(days, st.none() | st.integers(1, 30), st.booleans()), min_size=1, max_size=4
        ),
        max_size=4,
    ),
    flown=days,
    more=st.lists(st.none() | days, max_size=3),
    today=days,
    age=st.none() | st.integers(1, 30),
)
def test_what_is_held_never_goes(rules: Any, flown: Any, more: Any, today: Any, age: Any):
    """Against a plain reading of the rule, version by version and day by day of the year."""
    home = Jurisdiction(name="Calloway")
    aircraft = Aircraft(operator=Operator(jurisdiction=home), kind="fixed_wing")
    book = Rulebook({home.pk: [_rule(versions) for versions in rules]}, {})
    holds = [*rule_holds(book.on(aircraft, flown), flown), *(Hold(until, "?") for until in more)]
    row = KeptFile("00", "Raw file", flown, tuple(holds))
    years = []
    for versions in rules:
        in_force = [one for one in sorted(versions, key=lambda v: v[0]) if one[0] <= flown]
        if in_force and in_force[-1][2] and in_force[-1][1] is not None:
            years.append(in_force[-1][1])
    held = any(_within(flown, years_kept, today) for years_kept in years)
    held |= any(until is None or today <= until for until in more)
    if held:
        assert not may_go(row, today, age)
    elif not years:
        assert may_go(row, today, age) == (age is not None and not _within(flown, age, today))
    else:
        assert may_go(row, today, age)
    other = KeptFile("00", "The same bytes", flown, (Hold(None, "Open"),))
    assert not all_may_go(Bytes("00", (row, other)), today, age)


def _rule(versions: Any) -> Rule:
    """A rule from first days, years and whether it covers the aircraft; equal days: the last."""
    made = [
        RequirementVersion(
            requirement=Requirement(name="Rule", jurisdiction=Jurisdiction(name="Calloway")),
            effective_from=first,
            retention_years=years,
            kinds=[] if covers else ["helicopter"],
        )
        for first, years, covers in versions
    ]
    return Rule(tuple(sorted(made, key=lambda version: version.effective_from)))


def _within(flown: datetime.date, years: int, today: datetime.date) -> bool:
    """Whether a day lies before the anniversary or on it, by year, month and day alone."""
    return (today.year, today.month, today.day) <= _anniversary(flown, years)


def _anniversary(flown: datetime.date, years: int) -> tuple[int, int, int]:
    year = flown.year + years
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    if (flown.month, flown.day) == (2, 29) and not leap:
        return year, 3, 1
    return year, flown.month, flown.day


# --- what holds what is on record -----------------------------------------------------------------


@pytest.fixture
def old(cast: Cast, everyone: None) -> Test:
    """A test, flown in 2019."""
    test = make_tested(cast)
    Test.objects.filter(pk=test.pk).update(flown_on=FLOWN)
    test.refresh_from_db()
    age(*digests(test))
    return test


def digests(test: Test) -> set[str]:
    return set(test.passes.values_list("raw_file__digest", flat=True))


def age(*kept: str) -> None:
    """Let the bytes look as if they had been stored long ago."""
    for digest in kept:
        os.utime(default_storage.path(storage._place(digest)), (1.5e9, 1.5e9))


def may_be_removed(cast: Cast) -> set[str]:
    return {one.digest for one in removable(cast.staff)}


@pytest.fixture(autouse=True)
def _fresh_store(settings, tmp_path) -> None:
    """A store of its own for each test: bytes of the same traces lie in the common one."""
    kept = {**settings.STORAGES["default"], "OPTIONS": {"location": str(tmp_path / "kept")}}
    settings.STORAGES = {**settings.STORAGES, "default": kept}


@pytest.mark.django_db
class TestHolds:
    def test_nothing_goes_without_a_rule(self, cast: Cast, old: Test, settings):
        assert may_be_removed(cast) == set()
        settings.PURGE_AFTER_YEARS = 5
        assert may_be_removed(cast) == digests(old)
        settings.PURGE_AFTER_YEARS = 50
        assert may_be_removed(cast) == set()

    def test_until_the_years_of_the_rule_are_over(self, cast: Cast, old: Test):
        add_rule(cast, effective_from=datetime.date(2015, 1, 1), papers=[], retention_years=3)
        assert may_be_removed(cast) == digests(old)
        last = FLOWN.replace(year=2022)
        assert removable(cast.staff, today=last) == []
        assert {one.kept_until for one in removable(cast.staff, today=last + DAY)} == {last}

    def test_the_longest_rule_that_bound_holds(self, cast: Cast, old: Test):
        since = datetime.date(2015, 1, 1)
        add_rule(cast, effective_from=since, papers=[], retention_years=3)
        add_rule(cast, name="Records", effective_from=since, papers=[], retention_years=30)
        assert may_be_removed(cast) == set()

    def test_a_home_of_before_still_holds(self, cast: Cast, old: Test):
        since = datetime.date(2015, 1, 1)
        add_rule(cast, effective_from=since, papers=[], retention_years=30)
        lax = Jurisdiction.objects.create(name="Lax")
        add_rule(cast, jurisdiction=lax, effective_from=since, papers=[], retention_years=1)
        people.change_operator(cast.operator, by=cast.staff, jurisdiction=lax)
        assert may_be_removed(cast) == set()

    def test_a_valid_approval_and_an_open_filing_hold(self, cast: Cast, old: Test):
        analysis = make_analysis(cast, old)
        add_rule(cast, effective_from=datetime.date(2015, 1, 1), retention_years=3)
        filings.open_filings_due(by=cast.staff)
        assert may_be_removed(cast) == set()
        for filing in Filing.objects.all():
            filings.drop(filing, by=cast.staff, happened_on=timezone.localdate(), words="Too old")
        assert may_be_removed(cast) == digests(old)
        approval = make_approval(cast, analysis)
        assert may_be_removed(cast) == set()
        later = removable(cast.staff, today=approval.valid_until + DAY)
        assert {one.digest for one in later} == digests(old)

    def test_only_staff_see_any_of_it(self, cast: Cast, old: Test, settings):
        settings.PURGE_AFTER_YEARS = 1
        assert removable(cast.analyst) == kept_bytes(cast.owner) == []

    def test_number_of_queries_does_not_grow(self, cast: Cast, old: Test):
        add_rule(cast, retention_years=3)

        def asked() -> int:
            with CaptureQueriesContext(connection) as seen:
                kept_bytes(cast.staff)
            return len(seen)

        before = asked()
        make_tested(cast, make_setup(cast, make_aircraft(cast, number=2)), passes=5)
        assert asked() == before


# --- purging --------------------------------------------------------------------------------------


def purge(cast: Cast, **changes: Any) -> Purge:
    usual = {"by": cast.staff, "word": "remove", "seen": retention.mark_of(removable(cast.staff))}
    return retention.purge(**{**usual, **changes})


@pytest.mark.django_db
class TestPurge:
    @pytest.fixture(autouse=True)
    def _rule(self, cast: Cast, old: Test) -> None:
        add_rule(cast, effective_from=datetime.date(2015, 1, 1), papers=[], retention_years=3)

    def test_bytes_go_and_rows_stay(
        self, cast: Cast, old: Test, django_capture_on_commit_callbacks
    ):
        gone = digests(old)
        rows = RawFile.objects.count()
        with django_capture_on_commit_callbacks(execute=True):
            done = purge(cast)
        assert {file["digest"] for file in done.files} == gone
        assert {file["held_until"] for file in done.files} == {"2022-04-14"}
        assert RawFile.objects.count() == rows
        today = f"{timezone.localdate():%-d %B %Y}"
        for digest in gone:
            with pytest.raises(storage.RemovedFileError) as told:
                storage.fetch(digest)
            assert f"removed on {today} by Sela Office" in str(told.value)
            assert "was held until 14 April 2022" in str(told.value)
        assert AuditRow.objects.get(deed="files_purged").after["files"] == len(gone)
        with pytest.raises(SealedError):
            done.delete()
        assert may_be_removed(cast) == set()

    def test_the_same_bytes_stay_while_one_row_is_held(
        self, cast: Cast, old: Test, django_capture_on_commit_callbacks
    ):
        shared = old.passes.order_by("number").first().raw_file
        young = make_tested(cast, old.setup, passes=1)
        FlightPass.objects.filter(test=young).update(raw_file=shared)
        with django_capture_on_commit_callbacks(execute=True):
            done = purge(cast)
        assert {file["digest"] for file in done.files} == digests(old) - {shared.digest}
        assert storage.fetch(shared.digest)

    def test_a_row_that_no_rule_binds_keeps_the_same_bytes(self, cast: Cast, old: Test):
        [digest, *_] = digests(old)
        SheetImport.objects.create(name="a.csv", digest=digest, size=1, brought_by=cast.staff)
        assert may_be_removed(cast) == digests(old) - {digest}

    def test_what_is_not_meant_is_refused(self, cast: Cast, old: Test):
        for changes, field in (({"word": "yes"}, "word"), ({"seen": "another"}, "seen")):
            with pytest.raises(ValidationError) as refused:
                purge(cast, **changes)
            assert set(refused.value.message_dict) == {field}
        for person in (cast.analyst, cast.owner, cast.checker):
            with pytest.raises(PermissionDenied):
                purge(cast, by=person)
        assert all(storage.fetch(digest) for digest in digests(old))
        assert not Purge.objects.exists()

    def test_what_came_to_be_held_after_it_was_seen_stays(self, cast: Cast, old: Test):
        seen = retention.mark_of(removable(cast.staff))
        make_approval(cast, make_analysis(cast, old))
        with pytest.raises(ValidationError, match="no longer what you looked at"):
            purge(cast, seen=seen)

    def test_bytes_that_were_just_brought_again_stay(
        self, cast: Cast, old: Test, django_capture_on_commit_callbacks
    ):
        [first, *others] = sorted(digests(old))
        storage.keep(storage.fetch(first))  # the row about it is only being written
        with django_capture_on_commit_callbacks(execute=False) as left:
            done = purge(cast)
        assert {file["digest"] for file in done.files} == set(others)
        storage.keep(storage.fetch(others[0]))  # between the log and the removal
        for callback in left:
            callback()
        assert storage.fetch(first)
        assert storage.fetch(others[0])
        with pytest.raises(storage.RemovedFileError):
            storage.fetch(others[1])

    def test_what_is_brought_again_can_be_read_again(
        self, cast: Cast, old: Test, django_capture_on_commit_callbacks
    ):
        [digest, *_] = digests(old)
        data = storage.fetch(digest)
        with django_capture_on_commit_callbacks(execute=True):
            purge(cast)
        storage.keep(data)
        assert storage.fetch(digest) == data

    def test_every_page_says_so(
        self, cast: Cast, old: Test, settings, django_capture_on_commit_callbacks
    ):
        sheet = SheetImport.objects.create(
            name="members.csv", digest=storage.keep(b"list"), size=4, brought_by=cast.staff
        )
        a_while_ago = timezone.now() - datetime.timedelta(days=800)
        SheetImport.objects.filter(pk=sheet.pk).update(created_at=a_while_ago)
        age(sheet.digest)
        settings.PURGE_AFTER_YEARS = 1
        with django_capture_on_commit_callbacks(execute=True):
            purge(cast)
        client = Client()
        client.force_login(cast.staff)
        answer = client.get(reverse("import-file", args=[sheet.pk]))
        assert answer.status_code == 410
        assert "Spreadsheet members.csv: removed on" in answer.content.decode()
        assert "no rule said how long to keep it" in answer.content.decode()

    def test_page_shows_the_sum_and_asks_for_the_word(
        self, cast: Cast, old: Test, django_capture_on_commit_callbacks
    ):
        client = Client()
        client.force_login(cast.staff)
        page = client.get(reverse("retention")).content.decode()
        assert "3 files, 0.0 MB" in page
        assert "14 Apr 2022" in page
        listed = client.get(reverse("retention"), {"as": "csv"}).content.decode("utf-8-sig")
        assert all(digest in listed for digest in digests(old))
        seen = retention.mark_of(removable(cast.staff))
        address = reverse("retention-purge")
        wrong = client.post(address, {"word": "no", "seen": seen})
        assert "to say that you mean it" in wrong.content.decode()
        assert not Purge.objects.exists()
        stale = client.post(address, {"word": "remove", "seen": "another"}, follow=True)
        assert "no longer what you looked at" in stale.content.decode()
        with django_capture_on_commit_callbacks(execute=True):
            done = client.post(address, {"word": "remove", "seen": seen}, follow=True)
        assert "3 files were removed." in done.content.decode()
        file = client.get(reverse("raw-file", args=[old.passes.first().pk]), follow=True)
        assert "removed on" in file.content.decode()

    def test_the_api_shows_asks_and_removes(
        self, cast: Cast, old: Test, django_capture_on_commit_callbacks
    ):
        client, young = api_of(cast.staff), make_tested(cast, old.setup, passes=1)
        Test.objects.filter(pk=young.pk).update(flown_on=timezone.localdate())
        files, purges = reverse("api:kept-file-list"), reverse("api:purge-list")
        going = client.get(files, {"removable": "true"}).json()
        assert {one["digest"] for one in going["results"]} == digests(old) - digests(young)
        assert {one["kept_until"] for one in going["results"]} == {"2022-04-14"}
        held = client.get(files, {"removable": "false"}).json()
        assert {one["digest"] for one in held["results"]} == digests(young)
        assert held["results"][0]["holds"][0]["why"].endswith("Yearly test: 3 years")
        assert client.get(files).json()["count"] == going["count"] + held["count"]
        assert client.get(files, {"remov": "true"}).status_code == 400
        preview = client.get(reverse("api:purge-preview")).json()
        assert preview["files"] == going["count"] == 2
        assert preview["size_bytes"] == sum(one["size_bytes"] for one in going["results"])
        for word, seen, field in (("no", preview["seen"], "word"), ("remove", "another", "seen")):
            refused = client.post(purges, {"word": word, "seen": seen}, format="json")
            assert set(refused.json()["errors"]) == {field}
        with django_capture_on_commit_callbacks(execute=True):
            done = client.post(
                purges, {"word": preview["word"], "seen": preview["seen"]}, format="json"
            )
        assert done.status_code == 201, done.json()
        assert client.get(purges).json()["results"] == [done.json()]
        assert {one["digest"] for one in done.json()["files"]} == digests(old) - digests(young)
        assert client.get(reverse("api:purge-preview")).json()["files"] == 0
        gone = [one for one in client.get(files).json()["results"] if one["size_bytes"] is None]
        assert len(gone) == 2
        assert api_of(cast.analyst).get(files).status_code == 403
