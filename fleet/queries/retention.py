"""Until when each kept file must be kept, and why.

A file about a test is held by every version of a rule that bound the aircraft on the day flown and
says how many years records are kept; by an approval or a paper on the test until its last day; and
by a filing about it as long as that is open. It must be kept until the latest of these. A paper
without a last day holds nothing by itself: it is kept as long as the test it is about.

Whether the operator had its home elsewhere on that day is not on record beside it, so every home
that it ever had, by the audit trail, counts. A waiver frees from the test, not from its records. A
year from 29 February ends on 1 March where there is no such day: rather a day too long (common
practice, no source).

What no rule says anything about is kept for good, but for an age in years that the service may be
told (`PURGE_AFTER_YEARS`, none by default).
"""

from __future__ import annotations

import datetime
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db.models import Q
from django.utils import timezone

from fleet import storage
from fleet.models import (
    Aircraft,
    Approval,
    AuditRow,
    CardRun,
    CardScan,
    Filing,
    FilingStep,
    FlightPass,
    OperatorExport,
    Paper,
    PaperBundle,
    Person,
    Purge,
    RawFile,
    RequirementVersion,
    SheetImport,
    Test,
)
from fleet.queries.asked_papers import Rulebook, rulebook
from fleet.queries.filings import filings_of, open_filings

_DIGEST = re.compile(r'"([0-9a-f]{64})"')


@dataclass(frozen=True, slots=True)
class Hold:
    """Something that a file is kept for. `until` is its last day, None: as long as it stands."""

    until: datetime.date | None
    why: str
    by_rule: bool = False


@dataclass(frozen=True, slots=True)
class KeptFile:
    """One row that names kept bytes: what it is, the day it is about, what holds it."""

    digest: str
    what: str
    day: datetime.date
    holds: tuple[Hold, ...] = ()
    operator: str = ""


@dataclass(frozen=True, slots=True)
class Bytes:
    """Kept bytes, with all the rows that name them."""

    digest: str
    rows: tuple[KeptFile, ...]
    size: int | None = field(default=None, compare=False)

    @property
    def holds(self) -> tuple[Hold, ...]:
        """Return everything that holds them."""
        return tuple(hold for row in self.rows for hold in row.holds)

    @property
    def kept_until(self) -> datetime.date | None:
        """Return the last day they must be kept; None where there is none, or no end to it."""
        ends = [hold.until for hold in self.holds]
        return None if None in ends else max((end for end in ends if end), default=None)


def years_after(day: datetime.date, years: int) -> datetime.date:
    """Return the same day so many years later; 1 March where a year has no 29 February."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        if day.year + years > datetime.MAXYEAR:
            return datetime.date.max
        return datetime.date(day.year + years, 3, 1)


def may_go(row: KeptFile, today: datetime.date, age_years: int | None) -> bool:
    """Whether nothing holds a row on a day: its rules are over, or there is none and it is old."""
    if any(hold.until is None or hold.until >= today for hold in row.holds):
        return False
    if any(hold.by_rule for hold in row.holds):
        return True
    return age_years is not None and years_after(row.day, age_years) < today


def all_may_go(kept: Bytes, today: datetime.date, age_years: int | None) -> bool:
    """Whether no row holds the bytes any longer; the same bytes may stand under several."""
    return all(may_go(row, today, age_years) for row in kept.rows)


def removable(person: Person, *, today: datetime.date | None = None) -> list[Bytes]:
    """Return the bytes that are there and that nothing holds, for staff; the oldest first."""
    return going(kept_bytes(person), today=today)


def going(all_kept: Iterable[Bytes], *, today: datetime.date | None = None) -> list[Bytes]:
    """Return those of kept bytes that are there and that nothing holds; the oldest first."""
    today = today or timezone.localdate()
    age: int | None = settings.PURGE_AFTER_YEARS
    found = []
    for kept in all_kept:
        if not all_may_go(kept, today, age):
            continue
        size = storage.size_of(kept.digest)
        if size is not None:
            found.append(Bytes(kept.digest, kept.rows, size))
    return oldest_first(found)


def oldest_first(some: Iterable[Bytes]) -> list[Bytes]:
    """Return kept bytes in the order of the oldest row that names each."""
    return sorted(some, key=lambda one: (min(row.day for row in one.rows), one.digest))


def kept_bytes(person: Person) -> list[Bytes]:
    """Return all kept bytes with what holds them, for staff: a fixed number of queries."""
    if not person.is_staff_member:
        return []
    rows: dict[str, list[KeptFile]] = defaultdict(list)
    for row in _Holder(person).rows():
        rows[row.digest].append(row)
    return [Bytes(digest, tuple(same)) for digest, same in rows.items()]


def purges_of(person: Person) -> Any:
    """What was purged, the newest first, for staff."""
    rows = Purge.objects.select_related("purged_by")
    return rows if person.is_staff_member else rows.none()


# --- What there is, and what holds it -------------------------------------------------------------


def rule_holds(versions: Iterable[RequirementVersion], day: datetime.date) -> Iterator[Hold]:
    """Yield what versions of rules that bound on a day say about records of that day."""
    for version in versions:
        if version.retention_years is not None:
            until = years_after(day, version.retention_years)
            yield Hold(until, f"{version.requirement}: {version.retention_years} years", True)


class _Holder:
    """Everything that may hold a file, fetched once."""

    def __init__(self, person: Person) -> None:
        self._person = person
        self._today = timezone.localdate()
        self._book: Rulebook = rulebook()
        self._homes = _former_homes()
        fleet = Aircraft.objects.select_related("operator")
        self._aircraft: dict[UUID, Aircraft] = {one.pk: one for one in fleet}
        self._open = set(open_filings(filings_of(person)).values_list("pk", flat=True))
        self._of_tests = self._tests()

    def _under(self, aircraft: Aircraft, day: datetime.date) -> Iterator[Hold]:
        homes = self._homes.get(aircraft.operator_id, set())
        yield from rule_holds(self._book.on(aircraft, day, also=homes), day)

    def _tests(self) -> Mapping[UUID, tuple[str, datetime.date, tuple[Hold, ...]]]:
        """Return by test: whose it is, its day, what holds it."""
        more: dict[UUID, set[Hold]] = defaultdict(set)
        of_approval: dict[UUID, UUID] = {}
        approvals = Approval.objects.filter(superseded_by__isnull=True, withdrawal__isnull=True)
        for approval in approvals.select_related("aircraft", "setup", "analysis").defer(
            "setup__nozzles", "analysis__document", "analysis__inputs"
        ):
            of_approval[approval.pk] = approval.analysis.test_id
            more[approval.analysis.test_id].add(
                Hold(approval.valid_until, f"Approval of {approval.aircraft}")
            )
        for paper, tests in self._valid_papers(of_approval):
            for test in tests:
                more[test].add(Hold(paper.valid_until, f"Paper {paper.title}"))
        for test_id, what in open_filings(filings_of(self._person)).values_list("test", "what"):
            more[test_id].add(Hold(None, f"Open filing: {what}"))
        filed = Filing.objects.filter(version__isnull=False, test__isnull=False)
        for one in filed.select_related("version__requirement__jurisdiction", "test"):
            more[one.test_id].update(rule_holds([one.version], one.test.flown_on))
        found = {}
        tests_known = Test.objects.values_list(
            "pk", "flown_on", "setup__aircraft_id", "operator__name"
        )
        for pk, flown_on, aircraft_id, operator in tests_known:
            under = self._under(self._aircraft[aircraft_id], flown_on)
            holds = tuple(dict.fromkeys((*under, *more.get(pk, ()))))
            found[pk] = (operator, flown_on, holds)
        return found

    def _valid_papers(self, of_approval: Mapping[UUID, UUID]) -> Iterator[tuple[Paper, set[UUID]]]:
        """Yield papers whose last day has not passed, with the tests that they rest on."""
        rows = Paper.objects.filter(
            valid_until__gte=self._today, withdrawal__isnull=True, superseded_by__isnull=True
        ).select_related("analysis")
        for paper in rows.defer("analysis__document", "analysis__inputs"):
            tests = {paper.analysis.test_id} if paper.analysis else set()
            keys = paper.says.get("says", {}).get("rests_on", []) if paper.record else []
            tests |= {of_approval[UUID(key)] for key in keys if UUID(key) in of_approval}
            yield paper, tests

    # --- rows

    def rows(self) -> Iterator[KeptFile]:
        """Yield every row that names kept bytes."""
        yield from self._raw_files()
        yield from self._card_pictures()
        yield from self._papers()
        yield from self._answers()
        yield from self._others()

    def _about(self, digest: str, what: str, tests: Iterable[UUID]) -> Iterator[KeptFile]:
        for test in tests:
            operator, day, holds = self._of_tests[test]
            yield KeptFile(digest, what, day, holds, operator)

    def _raw_files(self) -> Iterator[KeptFile]:
        tests: dict[UUID, set[UUID]] = defaultdict(set)
        for model in (FlightPass, CardScan):
            rows = model.objects.exclude(raw_file=None).values_list("raw_file", "test")
            for raw_file, test in rows:
                tests[raw_file].add(test)
        for raw in RawFile.objects.select_related("operator"):
            what = f"Raw file {raw.name}"
            if raw.pk in tests:
                yield from self._about(raw.digest, what, tests[raw.pk])
            else:
                yield KeptFile(raw.digest, what, _day(raw), (), raw.operator.name)

    def _card_pictures(self) -> Iterator[KeptFile]:
        rows = CardRun.objects.values_list("preview_digest", "document", "scan__test")
        for preview, document, test in rows.iterator():
            for digest in {preview, *_DIGEST.findall(document)}:
                yield from self._about(digest, "Pictures of cards", [test])

    def _papers(self) -> Iterator[KeptFile]:
        rows = Paper.objects.select_related(
            "operator", "analysis", "slip", "withdrawal", "superseded_by"
        ).defer("record", "superseded_by__record", "analysis__document", "analysis__inputs")
        waiting = open_filings(filings_of(self._person)).filter(steps__paper__isnull=False)
        sent: dict[UUID, list[Hold]] = defaultdict(list)
        for key, what in waiting.values_list("steps__paper", "what"):
            sent[key].append(Hold(None, f"Open filing: {what}"))
        for paper in rows:
            day = self._of_tests[paper.analysis.test_id][1] if paper.analysis else _day(paper)
            holds = tuple(dict.fromkeys((*self._of_paper(paper), *sent.get(paper.pk, ()))))
            whose = paper.operator.name if paper.operator else ""
            yield KeptFile(paper.digest, f"Paper {paper.title or paper}", day, holds, whose)

    def _of_paper(self, paper: Paper) -> Iterator[Hold]:
        day = _day(paper)
        stands = not hasattr(paper, "withdrawal") and not hasattr(paper, "superseded_by")
        if paper.valid_until is not None and stands:
            yield Hold(paper.valid_until, "The paper itself is valid")
        if paper.analysis is not None:
            yield from self._of_tests[paper.analysis.test_id][2]
        slip = paper.slip
        if slip is None:
            return
        if slip.aircraft_id is not None:
            yield from self._under(self._aircraft[slip.aircraft_id], day)
        elif slip.jurisdiction_id is not None:
            rules = self._book.rules.get(slip.jurisdiction_id, ())
            yield from rule_holds([v for v in (rule.on(day) for rule in rules) if v], day)
        elif slip.operator_id is not None and paper.analysis is None:
            for one in self._aircraft.values():
                if one.operator_id == slip.operator_id:
                    yield from self._under(one, day)

    def _answers(self) -> Iterator[KeptFile]:
        rows = FilingStep.objects.exclude(file_digest="").select_related(
            "filing__season", "filing__version__requirement__jurisdiction", "operator"
        )
        for step in rows:
            what = f"Answer {step.file_name}"
            if step.filing.test_id is not None:
                yield from self._about(step.file_digest, what, [step.filing.test_id])
            else:
                yield self._answer_about_season(step, what)

    def _answer_about_season(self, step: FilingStep, what: str) -> KeptFile:
        """An answer to a return is kept as long as the rule keeps what is of the season's end."""
        filing, whose = step.filing, step.operator.name if step.operator else ""
        day = filing.season.ends_on if filing.season else step.happened_on
        holds = tuple(rule_holds([filing.version], day)) if filing.version else ()
        if filing.pk in self._open:
            holds += (Hold(None, f"Open filing: {filing.what}"),)
        return KeptFile(step.file_digest, what, day, holds, whose)

    def _others(self) -> Iterator[KeptFile]:
        """Lists that were brought, bundles and exports: no rule says anything about them."""
        for sheet in SheetImport.objects.defer("plan"):
            yield KeptFile(sheet.digest, f"Spreadsheet {sheet.name}", _day(sheet))
        for bundle in PaperBundle.objects.select_related("batch__season"):
            for digest in (bundle.zip_digest, bundle.pdf_digest):
                yield KeptFile(digest, f"Papers of {bundle.batch.season} in one", _day(bundle))
        for export in OperatorExport.objects.select_related("operator"):
            whose = export.operator.name
            yield KeptFile(export.digest, f"Export of {whose}", _day(export), (), whose)


def _former_homes() -> dict[UUID, set[UUID]]:
    """Return the jurisdictions that operators had their home in before, by the audit trail."""
    found: dict[UUID, set[UUID]] = defaultdict(set)
    rows = AuditRow.objects.filter(Q(deed="operator_changed"))
    for operator, before in rows.values_list("subject_id", "before"):
        home = (before or {}).get("jurisdiction")
        if home:
            found[operator].add(UUID(home))
    return found


def _day(row: Any) -> datetime.date:
    return timezone.localdate(row.created_at)
