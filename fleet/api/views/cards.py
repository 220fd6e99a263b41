"""Droplet cards: scans, measurements, and what the cards of a test say."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.conf import settings as django_settings
from django.core.files.uploadedfile import UploadedFile
from django.db.models import Prefetch, prefetch_related_objects
from django.http import Http404, HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules, storage
from fleet.api.filters import CardMeasurementFilter, CardScanFilter
from fleet.api.parsers import ScanParser
from fleet.api.rows import card_scans_with_work_of, light_card_runs_of, light_jobs_of
from fleet.api.serializers.cards import (
    AddedScansOut,
    CardMeasurementFullOut,
    CardMeasurementOut,
    CardScanFullOut,
    CardScanOut,
    CardScansIn,
    CardSettingsIn,
    ConfirmationIn,
    PlacesIn,
    TestCardsOut,
)
from fleet.api.serializers.work import JobOut
from fleet.api.views.base import (
    FileOf,
    ListRows,
    OneRow,
    Rows,
    at,
    file_answer,
    named,
    person_of,
    taken,
)
from fleet.models import CardRun, CardScan, Person, Test
from fleet.queries.cards import CardsOfTest, SeenCard, confirmations, seen_scan
from fleet.queries.whose import card_runs_of, passes_of, tests_of
from fleet.services import cards as services
from fleet.services.cards_together import cards_of_test
from patterns.cards.across import AcrossSwath
from patterns.plain import plain

# --- A test ---------------------------------------------------------------------------------------


class TestCards(Rows):
    """What the cards of a test that count say together, by their latest measurements."""

    __test__ = False

    model = Test
    rows_of = staticmethod(tests_of)
    serializer_class = TestCardsOut

    @extend_schema(responses=TestCardsOut)
    def get(self, request: Request, pk: object) -> Response:
        seen = cards_of_test(person_of(request), self.found()) or CardsOfTest([])
        return Response(TestCardsOut(_told(seen)).data)


def _told(seen: CardsOfTest) -> dict[str, Any]:
    across = seen.across
    return {
        "scans": [
            {
                "scan": one.scan,
                "run": one.run,
                "cards": len(one.cards),
                "counting": sum(card.counts for card in one.cards),
                "awaits_confirmation": one.awaits_confirmation,
            }
            for one in seen.scans
        ],
        "across": _across(across) if across else None,
        "spectrum": plain(across.whole) if across else None,
        "size_class": plain(seen.size_class),
        "drift": plain(seen.drift.statements) if seen.drift else [],
        "remarks": plain(seen.remarks),
    }


def _across(across: AcrossSwath) -> dict[str, Any]:
    """Turn columns into one row a place."""
    columns: dict[str, Any] = plain(across)
    plainly = ("position_m", "width_m", "cards", "coverage_percent", "per_cm2")
    bounded = {"deposit_l_per_ha": "deposit_{}l_per_ha", "dv50_um": "dv50_{}um"}
    ends = {"value": "", "low": "low_", "high": "high_"}
    columns["places"] = [
        {name: columns[name][at] for name in plainly}
        | {
            name: {end: columns[pattern.format(word)][at] for end, word in ends.items()}
            for name, pattern in bounded.items()
        }
        for at in range(len(columns["position_m"]))
    ]
    return columns


class TestCardScans(Rows):
    """The scans of a test (read them at /card-scans/?test=…)."""

    __test__ = False

    model = Test
    rows_of = staticmethod(tests_of)
    serializer_class = AddedScansOut
    parser_classes = [ScanParser]

    @extend_schema(
        request={"multipart/form-data": CardScansIn},
        responses={
            201: OpenApiResponse(AddedScansOut, "All files were accepted."),
            207: OpenApiResponse(AddedScansOut, "Some were accepted; the others say why not."),
        },
    )
    def post(self, request: Request, pk: object) -> Response:
        """Add a scan for each picture, sent as parts named `file`, and measure it (analysts).

        Each file stands for itself and has a job of its own. 201 when all were accepted, 207 when
        some were refused, 400 when all were; `results` are in the order of the files.
        """
        test = self.found()
        by = rules.allow(rules.may_test, request.user)
        given = taken(CardScansIn, request)
        files = given.pop("file")
        key = given.pop("flight_pass", None)
        flight_pass = named(passes_of(by), key, "flight_pass") if key else None
        chosen = {"flight_pass": flight_pass, "settings": services.CardSettings(**given)}
        added = [_added(test, by, file, chosen) for file in files]
        refused = [one.error for one in added if one.error]
        if len(refused) == len(added):
            raise ValidationError({"file": refused})
        return Response(
            AddedScansOut({"results": _as_rows(by, added)}).data, 207 if refused else 201
        )


def _added(
    test: Test, by: Person, file: UploadedFile[bytes], chosen: dict[str, Any]
) -> services.AddedScan:
    """Add one file; one that is too big is not read into memory."""
    name, size, limit = str(file.name), file.size or 0, django_settings.SCAN_LIMIT_BYTES
    if size > limit:
        says = f"{name}: the file has {size / 1e6:.1f} MB; at most {limit / 1e6:.0f} MB."
        return services.AddedScan(name, None, None, says)
    return services.add_scans(test, by=by, files=[(name, file.read())], **chosen)[0]


def _as_rows(by: Person, added: Iterable[services.AddedScan]) -> list[dict[str, Any]]:
    """Return what became of the files, with rows as lists show them: two queries."""
    added = list(added)
    scans = card_scans_with_work_of(by).in_bulk([one.scan.pk for one in added if one.scan])
    jobs = light_jobs_of(by).in_bulk([one.job.pk for one in added if one.job])
    return [
        {
            "name": one.name,
            "scan": scans[one.scan.pk] if one.scan else None,
            "job": jobs[one.job.pk] if one.job else None,
            "error": one.error,
        }
        for one in added
    ]


# --- Scans ----------------------------------------------------------------------------------------


class CardScanList(ListRows):
    """Scans of cards."""

    model = CardScan
    rows_of = staticmethod(card_scans_with_work_of)
    serializer_class = CardScanOut
    filterset_class = CardScanFilter


class CardScanDetail(OneRow):
    """One scan with its cards by the latest measurement, and where they lay."""

    model = CardScan
    rows_of = staticmethod(card_scans_with_work_of)
    serializer_class = CardScanFullOut

    def get_object(self) -> Any:
        """Return the scan with its cards."""
        return _with_cards(super().get_object())


def _with_cards(scan: Any) -> Any:
    latest = CardRun.objects.filter(pk=scan.measurement)  # earlier documents stay where they are
    prefetch_related_objects([scan], Prefetch("runs", queryset=latest), "places", confirmations())
    seen = seen_scan(scan)
    scan.cards = [_card_row(card) for card in seen.cards]
    scan.confirmation = seen.confirmation
    scan.awaits_confirmation = seen.awaits_confirmation
    return scan


def _card_row(card: SeenCard) -> dict[str, Any]:
    return {
        **card.entry,
        "position_m": card.position_m,
        "left_out_reason": card.left_out_reason,
        "is_confirmed": card.is_confirmed,
        "not_card_reason": card.not_card_reason,
        "counts": card.counts,
    }


class CardScanFile(FileOf):
    """A scan byte for byte as it came in."""

    model = CardScan
    rows_of = staticmethod(card_scans_with_work_of)

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object) -> HttpResponse:
        raw_file = self.found().raw_file
        data = storage.fetch(raw_file.digest)
        return file_answer(data, "application/octet-stream", raw_file.name)


class CardScanPlaces(Rows):
    """Where the cards of a scan lay."""

    model = CardScan
    rows_of = staticmethod(card_scans_with_work_of)
    serializer_class = CardScanFullOut

    @extend_schema(request=PlacesIn, responses={200: CardScanFullOut})
    def post(self, request: Request, pk: object) -> Response:
        """Say where cards lay and which do not count (analysts). May be corrected at any time."""
        scan = self.found()
        by = rules.allow(rules.may_test, request.user)
        places = {
            one["number"]: (one["position_m"], one["left_out_reason"])
            for one in taken(PlacesIn, request)["places"]
        }
        services.place_cards(scan, by=by, places=places)
        return Response(CardScanFullOut(_with_cards(scan)).data)


class CardScanConfirmation(Rows):
    """Which outlines of a scan are cards."""

    model = CardScan
    rows_of = staticmethod(card_scans_with_work_of)
    serializer_class = CardScanFullOut

    @extend_schema(request=ConfirmationIn, responses={200: CardScanFullOut})
    def post(self, request: Request, pk: object) -> Response:
        """Confirm the outlines of a measurement (analysts); no card of a bed counts before.

        What is no card is named with a reason. Said again otherwise, the newer word stands. 400
        where the scan was measured meanwhile with other outlines.
        """
        scan = self.found()
        by = rules.allow(rules.may_test, request.user)
        given = taken(ConfirmationIn, request)
        run = named(card_runs_of(by).filter(scan=scan), given["measurement"], "measurement")
        not_cards = {one["number"]: one["reason"] for one in given["not_cards"]}
        services.confirm_cards(run, by=by, not_cards=not_cards)
        return Response(CardScanFullOut(_with_cards(scan)).data)


class CardScanMeasurements(Rows):
    """The measurements of a scan (read them at /card-measurements/?scan=…)."""

    model = CardScan
    rows_of = staticmethod(card_scans_with_work_of)
    serializer_class = JobOut

    @extend_schema(request=CardSettingsIn, responses={202: JobOut})
    def post(self, request: Request, pk: object) -> Response:
        """Ask for a measurement with other settings; it stands beside those there are (analysts).

        Answers with the job, and in `Location` where to ask how far it is. While the same
        measurement is under way, that job comes back.
        """
        scan = self.found()
        by = rules.allow(rules.may_test, request.user)
        settings = services.CardSettings(**taken(CardSettingsIn, request))
        job = services.measure_again(scan, by=by, settings=settings)
        job = light_jobs_of(by).get(pk=job.pk)
        return Response(JobOut(job).data, 202, headers=at("job-detail", job))


# --- Measurements ---------------------------------------------------------------------------------


class CardMeasurementList(ListRows):
    """Finished measurements of scans, without their documents."""

    model = CardRun
    rows_of = staticmethod(light_card_runs_of)
    serializer_class = CardMeasurementOut
    filterset_class = CardMeasurementFilter


class CardMeasurementDetail(OneRow):
    """One measurement with its settings and its whole document."""

    model = CardRun
    rows_of = staticmethod(card_runs_of)
    serializer_class = CardMeasurementFullOut


class _FileOfCard(FileOf):
    """A file about one card of a measurement."""

    model = CardRun
    rows_of = staticmethod(card_runs_of)

    def kept(self, number: int, name: str) -> bytes:
        """Return what is kept of a card under a name of its entry."""
        for card in self.found().cards:
            if card["number"] == number:
                return storage.fetch(card[name])
        raise Http404(f"There is no card {number} in this measurement.")


class CardResult(_FileOfCard):
    """The whole result of one card, every stain included; its SHA-256 is `result` of the card."""

    @extend_schema(responses={(200, "application/json"): OpenApiTypes.OBJECT})
    def get(self, request: Request, pk: object, number: int) -> HttpResponse:
        data = self.kept(number, "result")
        return file_answer(data, "application/json", f"card {number}.json", inline=True)


class CardPicture(_FileOfCard):
    """One card, straightened, as a JPEG of at most 2400 pixels."""

    @extend_schema(responses={(200, "image/jpeg"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: object, number: int) -> HttpResponse:
        data = self.kept(number, "picture")
        return file_answer(data, "image/jpeg", f"card {number}.jpg", inline=True)
