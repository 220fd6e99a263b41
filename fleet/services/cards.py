"""Droplet cards: scans come in, a worker measures them, people say where the cards lay."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from django.conf import settings as django_settings
from django.db import transaction
from django.db.models import Max

from fleet import audit, jobs, rules, storage
from fleet.models import (
    ENDED,
    CardConfirmation,
    CardPlace,
    CardRun,
    CardScan,
    FlightPass,
    Job,
    Person,
    RawFile,
    Test,
)
from fleet.queries.cards import confirmation_of
from fleet.services.base import checked, refuse
from fleet.services.card_pictures import BED_PX, CARD_PX, keep_preview
from patterns.cards.bed import FoundCard, cut, find_cards
from patterns.cards.classes import class_table
from patterns.cards.decode import (
    HIGHEST_DPI,
    LOWEST_DPI,
    CardImage,
    check_header,
    read_image,
)
from patterns.cards.document import to_bytes, to_document
from patterns.cards.drops import general_spread, spread_factor
from patterns.cards.measure import METHOD_VERSION, CardResult, Parameters, measure_cards
from patterns.errors import InputError, PatternError
from patterns.plain import canonical_bytes

FARTHEST_M = 60.0


@dataclass(frozen=True, slots=True)
class CardSettings:
    """What the analyst may choose for a measurement: resolution, spread factor, class table.

    `spread` names a factor of `patterns/data/spread_factors.json`; `spread_a` and `spread_b`
    stand in its place where a liquid has its own.
    """

    dpi: float | None = None
    spread: str = ""
    spread_a: float | None = None
    spread_b: float | None = None
    table: str = ""

    def parameters(self) -> Parameters:
        """Return the parameters of the method; raises InputError for what it does not know."""
        chosen: dict[str, Any] = {}
        if self.spread_a is not None or self.spread_b is not None:
            if self.spread_a is None or self.spread_b is None:
                raise InputError("spread factor", "one number is missing", "give both A and B")
            chosen["spread"] = general_spread(self.spread_a, self.spread_b)
        elif self.spread:
            chosen["spread"] = spread_factor(self.spread)
        if self.table:
            chosen["table"] = class_table(self.table)
        return Parameters(**chosen)


@dataclass(frozen=True, slots=True)
class AddedScan:
    """What became of one file: a scan and the job that measures it, or the reason for none."""

    name: str
    scan: CardScan | None
    job: Job | None
    error: str = ""


def add_scans(
    test: Test,
    *,
    by: Person,
    files: Sequence[tuple[str, bytes]],
    flight_pass: FlightPass | None = None,
    settings: CardSettings | None = None,
) -> list[AddedScan]:
    """Add one scan for each file and ask for its measurement. A bad file hinders no other."""
    rules.allow(rules.may_test, by)
    settings = settings or CardSettings()
    _check_settings(settings)
    if flight_pass is not None and flight_pass.test_id != test.pk:
        refuse({"flight_pass": ["This pass belongs to another test."]})
    return [_add_scan(test, by, name, data, flight_pass, settings) for name, data in files]


def _check_settings(settings: CardSettings) -> None:
    dpi = settings.dpi
    if dpi is not None and not LOWEST_DPI <= dpi <= HIGHEST_DPI:
        refuse({"dpi": [f"Must be a number from {LOWEST_DPI:g} to {HIGHEST_DPI:g} dpi."]})
    try:
        settings.parameters()
    except InputError as error:
        refuse({"settings": [str(error)]})


def _add_scan(
    test: Test,
    by: Person,
    name: str,
    data: bytes,
    flight_pass: FlightPass | None,
    settings: CardSettings,
) -> AddedScan:
    name = name.replace("\\", "/").rsplit("/", 1)[-1][:255] or "unnamed"
    try:
        _check_file(name, data, settings)
    except PatternError as error:
        return AddedScan(name, None, None, str(error))
    digest = storage.keep(data)  # first the bytes, then the row, as for passes
    with transaction.atomic():
        Test.objects.select_for_update().get(pk=test.pk)  # one number each
        twin = test.card_scans.filter(raw_file__digest=digest).first()
        if twin is not None:
            return AddedScan(
                name, None, None, f"{name}: the same file is scan {twin.number} already."
            )
        raw_file = RawFile(
            operator=test.operator, name=name, digest=digest, size=len(data), accepted_by=by
        )
        raw_file.save(force_insert=True)
        scan = CardScan(
            operator=test.operator,
            test=test,
            flight_pass=flight_pass,
            number=(test.card_scans.aggregate(last=Max("number"))["last"] or 0) + 1,
            raw_file=raw_file,
        )
        scan.save(force_insert=True)
        audit.record(
            "cards_added",
            scan,
            by=by,
            operator=test.operator,
            after={"number": scan.number, "file": name, "digest": digest},
        )
        job = _enqueue(scan, by, settings)
    return AddedScan(name, scan, job)


def _check_file(name: str, data: bytes, settings: CardSettings) -> None:
    limit = django_settings.SCAN_LIMIT_BYTES
    if len(data) > limit:
        raise PatternError(
            f"{name}: the file has {len(data) / 1e6:.0f} MB; at most {limit / 1e6:.0f} MB."
        )
    check_header(data, source=name, dpi=settings.dpi)


@transaction.atomic
def measure_again(scan: CardScan, *, by: Person, settings: CardSettings | None = None) -> Job:
    """Ask for a measurement with (other) settings; it stands beside those that are there.

    Asked again while the same is under way, the job under way comes back.
    """
    rules.allow(rules.may_test, by)
    settings = settings or CardSettings()
    _check_settings(settings)
    CardScan.objects.select_for_update().get(pk=scan.pk)
    job: Job
    for job in Job.objects.filter(kind="cards", subject_id=scan.pk).exclude(state__in=ENDED):
        if job.parameters == asdict(settings):
            return job
    return _enqueue(scan, by, settings)


def _enqueue(scan: CardScan, by: Person, settings: CardSettings) -> Job:
    parameters = asdict(settings)
    audit.record("cards_requested", scan, by=by, operator=scan.operator, after=parameters)
    return jobs.enqueue("cards", subject=scan, operator=scan.operator, by=by, parameters=parameters)


@transaction.atomic
def confirm_cards(
    run: CardRun, *, by: Person, not_cards: Mapping[int, str] | None = None
) -> CardConfirmation:
    """Say that the outlines a measurement found are cards, but for those named with a reason.

    The same said again gives the row that is there; said otherwise, the newer row stands.
    Raises ValidationError where the scan was measured anew with other outlines meanwhile, and for
    a number that is not there or has no reason.
    """
    rules.allow(rules.may_test, by)
    scan = CardScan.objects.select_for_update().get(pk=run.scan_id)
    latest = scan.runs.first()
    if latest is None or latest.outlines_digest != run.outlines_digest:
        refuse({"__all__": ["The scan was measured again meanwhile: look at its outlines anew."]})
    numbers = [card["number"] for card in run.cards]
    said = {number: reason.strip() for number, reason in (not_cards or {}).items()}
    errors = [f"Scan {scan.number} has no card {one}." for one in said if one not in numbers]
    errors += [f"Card {one}: say why it is no card." for one, reason in said.items() if not reason]
    refuse({"not_cards": errors} if errors else {})
    before = confirmation_of(run, scan.confirmations.all())
    row = CardConfirmation(
        operator=scan.operator,
        scan=scan,
        run=run,
        outlines_digest=run.outlines_digest,
        cards=[number for number in numbers if number not in said],
        not_cards={str(number): reason for number, reason in sorted(said.items())},
        confirmed_by=by,
    )
    if before is not None and before.not_cards == row.not_cards:
        return before
    checked(row)
    row.save(force_insert=True)
    audit.record(
        "cards_confirmed",
        scan,
        by=by,
        operator=scan.operator,
        before={"not_cards": before.not_cards} if before else None,
        after={"measurement": run.number, "cards": row.cards, "not_cards": row.not_cards},
    )
    return row


@transaction.atomic
def place_cards(
    scan: CardScan, *, by: Person, places: Mapping[int, tuple[float | None, str]]
) -> bool:
    """Say where cards lay and which do not count: number → (position [m], why left out or "").

    False when nothing differs. Raises ValidationError for a card that no measurement found.
    """
    rules.allow(rules.may_test, by)
    latest = scan.runs.first()
    known = range(1, len(latest.cards) + 1) if latest else range(0)
    errors = [
        f"Scan {scan.number} has no card {number}." for number in places if number not in known
    ]
    errors += [
        f"Card {number}: its place must be within {FARTHEST_M:g} m of the flight line."
        for number, (position_m, _) in places.items()
        if position_m is not None and not abs(position_m) <= FARTHEST_M
    ]
    refuse({"places": errors} if errors else {})
    before = {row.number: (row.position_m, row.left_out_reason) for row in scan.places.all()}
    differing = {
        number: (position_m, reason.strip())
        for number, (position_m, reason) in places.items()
        if before.get(number, (None, "")) != (position_m, reason.strip())
    }
    for number, (position_m, reason) in differing.items():
        row = scan.places.filter(number=number).first() or CardPlace(
            operator=scan.operator, scan=scan, number=number
        )
        row.position_m, row.left_out_reason = position_m, reason
        checked(row)
        row.save()
    if differing:
        audit.record(
            "cards_placed",
            scan,
            by=by,
            operator=scan.operator,
            before={str(number): before.get(number) for number in differing},
            after={str(number): place for number, place in differing.items()},
        )
    return bool(differing)


@jobs.handler("cards")
def perform(job: Job, progress: jobs.Progress) -> Callable[[], None]:
    """Find and measure the cards of a scan; the returned function stores the result."""
    scan = CardScan.objects.select_related("raw_file", "operator").get(pk=job.subject_id)
    settings = CardSettings(**job.parameters)
    progress(0.02, "Reading the scan")
    try:
        data = storage.fetch(scan.raw_file.digest)
    except storage.KeptFileError as error:
        raise jobs.JobRefused(f"{scan.raw_file.name}: {error} Add the file again.") from error
    image = read_image(data, source=scan.raw_file.name, dpi=settings.dpi)
    progress(0.1, "Looking for cards")
    found = find_cards(image)
    preview = keep_preview(image.pixels, BED_PX)
    parameters = settings.parameters()
    shown: list[dict[str, Any]] = []

    def straightened() -> Iterator[CardImage]:
        for card in found:
            share = 0.1 + 0.8 * len(shown) / len(found)
            progress(share, f"Measuring card {card.number} of {len(found)}")
            straight = cut(image, card)
            shown.append(_shown(straight, card))
            yield straight

    results = measure_cards(straightened(), parameters)
    cards = [
        {**entry, "result": storage.keep(to_bytes(result)), **_summary(result)}
        for entry, result in zip(shown, results, strict=True)
    ]
    size_px = [int(image.pixels.shape[1]), int(image.pixels.shape[0])]
    document = canonical_bytes({"dpi": image.dpi, "image_px": size_px, "cards": cards})
    return lambda: _store(job, scan, settings, document, preview)


def _shown(straight: CardImage, card: FoundCard) -> dict[str, Any]:
    """Keep the picture of a card; return its outline on the scan."""
    return {
        "number": card.number,
        "corners_px": [[round(float(x), 1), round(float(y), 1)] for x, y in card.corners_px],
        "image_px": [int(straight.pixels.shape[1]), int(straight.pixels.shape[0])],
        "picture": keep_preview(straight.pixels, CARD_PX),
    }


def _summary(result: CardResult) -> dict[str, Any]:
    """The document of a card without what only its own page shows."""
    document = to_document(result)
    for name in ("found", "parameters", "method_version", "file", "digest", "number"):
        del document[name]
    if document["drops"] is not None:
        del document["drops"]["distribution"]
    return document


def _store(job: Job, scan: CardScan, settings: CardSettings, document: bytes, preview: str) -> None:
    CardScan.objects.select_for_update().get(pk=scan.pk)
    assert job.requested_by is not None
    run = CardRun(
        operator=scan.operator,
        scan=scan,
        job=job,
        number=(scan.runs.aggregate(last=Max("number"))["last"] or 0) + 1,
        method_version=METHOD_VERSION,
        parameters=asdict(settings),
        document=document.decode(),
        document_digest=storage.digest_of(document),
        preview_digest=preview,
        requested_by=job.requested_by,
    )
    run.outlines_digest = storage.digest_of(_outlines(run.content))
    run.asks_confirmation = _asks_confirmation(run.content)
    run.save(force_insert=True)
    audit.record(
        "cards_measured",
        run,
        by=None,
        operator=scan.operator,
        after={"document_digest": run.document_digest, "cards": len(run.cards)},
    )


def _outlines(found: dict[str, Any]) -> bytes:
    """Write the outlines of a measurement, so that the same ones have the same digest."""
    return canonical_bytes(
        {"outlines": [[card["number"], card["corners_px"]] for card in found["cards"]]}
    )


def _asks_confirmation(found: dict[str, Any]) -> bool:
    """A picture that is one card and nothing else was not searched for outlines."""
    is_one_whole_card = [card["image_px"] for card in found["cards"]] == [found["image_px"]]
    return bool(found["cards"]) and not is_one_whole_card
