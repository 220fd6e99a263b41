"""What the cards of a test say, card by card and together."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db.models import (
    BooleanField,
    Case,
    Exists,
    ExpressionWrapper,
    OuterRef,
    Prefetch,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)
from django.db.models.functions import Coalesce

from fleet import storage
from fleet.models import ENDED, AuditRow, CardConfirmation, CardRun, CardScan, Job, Person, Test
from fleet.queries.whose import card_scans_of
from fleet.weather import air_of
from patterns.cards.across import AcrossSwath
from patterns.cards.classes import SizeClass
from patterns.cards.document import from_document
from patterns.cards.drift import Craft, DriftConditions, DriftPotential
from patterns.cards.measure import CardResult
from patterns.cards.together import Way
from patterns.remarks import Remark


@dataclass(frozen=True, slots=True)
class SeenCard:
    """One card of a scan as its latest measurement found it, and where it lay."""

    scan: CardScan
    run: CardRun
    number: int
    entry: dict[str, Any]
    position_m: float | None
    left_out_reason: str
    is_confirmed: bool
    not_card_reason: str = ""

    @property
    def counts(self) -> bool:
        """Whether it speaks for the test: confirmed as a card, placed and not left out."""
        return self._may_count and self.position_m is not None

    @property
    def lacks_only_its_place(self) -> bool:
        """Whether it would speak for the test if somebody said where it lay."""
        return self._may_count and self.position_m is None

    @property
    def _may_count(self) -> bool:
        return self.is_confirmed and not self.not_card_reason and not self.left_out_reason

    def result(self) -> CardResult:
        """Return the whole result, read from the kept document."""
        return from_document(json.loads(storage.fetch(self.entry["result"])))


@dataclass(frozen=True, slots=True)
class SeenScan:
    """A scan with its cards, or the job that has not measured it yet."""

    scan: CardScan
    run: CardRun | None
    job: Job | None
    cards: list[SeenCard]
    confirmation: CardConfirmation | None = None

    @property
    def awaits_confirmation(self) -> bool:
        """Whether somebody must still look at the outlines before its cards count."""
        return bool(self.cards) and not self.cards[0].is_confirmed

    @property
    def found_others(self) -> bool:
        """Whether somebody had confirmed outlines, and the latest measurement found others."""
        return self.awaits_confirmation and any(
            one.confirmed_by_id for one in self.scan.confirmations.all()
        )


@dataclass(frozen=True, slots=True)
class CardsOfTest:
    """All cards of a test and what those that count say together (None while none counts).

    `size_class` is that of the whole spectrum by the table of the cards; `ways` is how they were
    measured, `remarks` what makes the figures of all of them together weak.
    """

    scans: list[SeenScan]
    across: AcrossSwath | None = None
    drift: DriftPotential | None = None
    size_class: SizeClass | None = None
    ways: tuple[Way, ...] = ()
    remarks: tuple[Remark, ...] = ()

    @property
    def cards(self) -> list[SeenCard]:
        """Return every card of every scan."""
        return [card for scan in self.scans for card in scan.cards]

    @property
    def counting(self) -> list[SeenCard]:
        """Return the cards that speak for the test."""
        return [card for card in self.cards if card.counts]

    @property
    def unconfirmed(self) -> list[int]:
        """Return the numbers of the scans whose outlines nobody has confirmed."""
        return [one.scan.number for one in self.scans if one.awaits_confirmation]

    @property
    def unplaced(self) -> list[int]:
        """Return the numbers of the scans with cards that lack nothing but a place."""
        return [
            one.scan.number
            for one in self.scans
            if any(card.lacks_only_its_place for card in one.cards)
        ]


def scans_seen(person: Person, test: Test) -> list[SeenScan]:
    """Return the scans of a test with the cards of their latest measurement: five queries.

    Of earlier measurements, which are only listed, the documents stay where they are.
    """
    latest = CardRun.objects.filter(scan=OuterRef("scan")).order_by("-number").values("pk")[:1]
    runs = CardRun.objects.defer("document").annotate(
        latest_document=Case(When(pk=Subquery(latest), then="document"))
    )
    scans = list(
        card_scans_of(person)
        .filter(test=test)
        .prefetch_related(
            Prefetch("runs", queryset=runs),
            "places",
            confirmations(),
        )
    )
    for run in (run for scan in scans for run in scan.runs.all()):
        if run.latest_document is not None:  # type: ignore[attr-defined]
            run.document = run.latest_document  # type: ignore[attr-defined]
    jobs: dict[Any, Job] = {}
    for job in Job.objects.filter(kind="cards", subject_id__in=[s.pk for s in scans]).order_by(
        "created_at", "id"
    ):
        jobs[job.subject_id] = job
    return [seen_scan(scan, jobs.get(scan.pk)) for scan in scans]


def confirmations() -> Prefetch[Any]:
    """Fetch along with scans what people said of their outlines, the newest word first."""
    rows = CardConfirmation.objects.select_related("confirmed_by").exclude(confirmed_by=None)
    return Prefetch("confirmations", queryset=rows)


def under_way(person: Person, test: Test) -> dict[int, Job]:
    """Return the jobs that still measure scans of a test, by the number of the scan."""
    numbers = dict(card_scans_of(person).filter(test=test).values_list("pk", "number"))
    jobs = Job.objects.filter(kind="cards", subject_id__in=numbers).exclude(state__in=ENDED)
    return {numbers[job.subject_id]: job for job in jobs}


def confirmation_of(
    run: CardRun, confirmations: Iterable[CardConfirmation]
) -> CardConfirmation | None:
    """Return the newest word of a person on the outlines that a measurement found."""
    return next(
        (
            one
            for one in confirmations
            if one.outlines_digest == run.outlines_digest and one.confirmed_by_id is not None
        ),
        None,
    )


def with_outlines(scans: QuerySet[CardScan]) -> QuerySet[Any]:
    """Say of scans whether they await confirmation: `awaits_confirmation`, as last measured."""
    latest = CardRun.objects.filter(scan=OuterRef("pk")).order_by("-number")
    looked_at = CardConfirmation.objects.filter(
        scan=OuterRef("pk"), outlines_digest=OuterRef("latest_outlines")
    ).exclude(confirmed_by=None)
    asks = Coalesce(Subquery(latest.values("asks_confirmation")[:1]), Value(False))
    return scans.annotate(
        latest_outlines=Subquery(latest.values("outlines_digest")[:1]), latest_asks=asks
    ).annotate(
        awaits_confirmation=ExpressionWrapper(
            Q(latest_asks=True) & ~Exists(looked_at), output_field=BooleanField()
        )
    )


def scans_to_confirm(person: Person) -> QuerySet[CardScan]:
    """Return the scans whose outlines, as last measured, nobody has confirmed yet."""
    found: QuerySet[Any] = with_outlines(card_scans_of(person))
    return found.filter(awaits_confirmation=True).order_by("test__flown_on", "test_id", "number")


def seen_scan(scan: CardScan, job: Job | None = None) -> SeenScan:
    """Return a scan with the cards of its latest measurement and their places."""
    run = next(iter(scan.runs.all()), None)
    if run is None:
        return SeenScan(scan, None, job, [])
    confirmation = confirmation_of(run, scan.confirmations.all())
    cards = seen_cards(run, scan, confirmation)
    return SeenScan(scan, run, job, cards, confirmation)


def seen_cards(
    run: CardRun, scan: CardScan, confirmation: CardConfirmation | None
) -> list[SeenCard]:
    """Return the cards of a measurement with what people have said of them."""
    places = {row.number: row for row in scan.places.all()}
    is_confirmed = confirmation is not None or not run.asks_confirmation
    not_cards = confirmation.not_cards if confirmation else {}
    return [
        SeenCard(
            scan=scan,
            run=run,
            number=entry["number"],
            entry=entry,
            position_m=place.position_m if place else None,
            left_out_reason=place.left_out_reason if place else "",
            is_confirmed=is_confirmed,
            not_card_reason=not_cards.get(str(entry["number"]), ""),
        )
        for entry in run.cards
        for place in [places.get(entry["number"])]
    ]


def last_word(seen: CardsOfTest) -> datetime.datetime:
    """Return the moment of the latest scan, measurement or place that a test's cards rest on."""
    moments: list[datetime.datetime] = [one.scan.created_at for one in seen.scans]
    moments += [one.run.created_at for one in seen.scans if one.run]
    placed = AuditRow.objects.filter(
        deed__in=("cards_placed", "cards_confirmed"),
        subject_id__in=[one.scan.pk for one in seen.scans],
    )
    moments += placed.values_list("created_at", flat=True)
    return max(moments)


def drift_conditions(test: Test) -> DriftConditions:
    """Return how and in what air the set-up of a test released its spray."""
    setup = test.setup
    places = [nozzle["place_m"] for nozzle in setup.nozzles]
    craft: Craft = "wing" if setup.aircraft.kind == "fixed_wing" else "rotor"
    return DriftConditions(
        wind_m_s=test.wind_speed_m_s,
        delta_t_c=air_of(test)["delta_t_c"],
        release_height_m=setup.release_height_m,
        boom_m=max(places) - min(places) if len(places) > 1 else None,
        span_m=setup.aircraft.span_m,
        craft=craft,
    )
