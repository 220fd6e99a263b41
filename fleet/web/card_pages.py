"""Droplet cards: scans coming in, where the cards lay, each card with its stains drawn over it."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet import rules, storage
from fleet.models import CardRun, CardScan, Person, Test
from fleet.queries.cards import scans_seen, seen_cards, under_way
from fleet.queries.whose import card_scans_of, tests_of
from fleet.services import cards as card_services
from fleet.services.card_pictures import outlined
from fleet.services.cards import AddedScan
from fleet.web.card_sheet import one_card, sheet
from fleet.web.card_view import stains_of
from fleet.web.fields import SpokenForm
from fleet.web.forms_cards import ConfirmForm, EvenPlacesForm, MeasureForm, PlacesForm, ScansForm

KEPT_BY_BROWSER = "private, max-age=3600"


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def cards(request: HttpRequest, test_id: Any) -> HttpResponse:
    """Show what the cards of a test say; take in more scans; say how far the measuring is."""
    test = get_object_or_404(tests_of(request.user), pk=test_id)
    if request.method == "POST":
        return _add(request, test)
    if request.htmx and "waiting" in request.GET:
        return _progress(request, test)
    return render(request, "fleet/cards.html", sheet(request, test))


def _add(request: HttpRequest, test: Test) -> HttpResponse:
    """Add a scan for each file sent; say beside each name what became of it."""
    by = rules.allow(rules.may_test, request.user)
    form = ScansForm(request.POST, test=test, system=by.unit_system)
    added: list[AddedScan] = []
    if form.is_valid():
        try:
            # One file after the other, so that only one is in memory.
            for file in request.FILES.getlist("files"):
                added.append(_added(test, by, file, form))
        except ValidationError as errors:
            form.take_errors(errors)
        if not added and form.is_valid():
            added = [AddedScan("No file", None, None, "Choose one or more files first.")]
    template = "fleet/parts/cards_live.html" if request.htmx else "fleet/cards.html"
    bound = form if form.errors else None
    return render(request, template, sheet(request, test, added, scans_form=bound))


def _added(test: Test, by: Person, file: UploadedFile, form: ScansForm) -> AddedScan:
    name = str(file.name)
    if (file.size or 0) > settings.SCAN_LIMIT_BYTES:  # refused before it is taken into memory
        size, limit = (file.size or 0) / 1e6, settings.SCAN_LIMIT_BYTES / 1e6
        text = f"{name}: the file has {size:.0f} MB; at most {limit:.0f} MB."
        return AddedScan(name, None, None, text)
    [added] = card_services.add_scans(
        test,
        by=by,
        files=[(name, file.read())],
        flight_pass=form.cleaned_data["flight_pass"],
        settings=form.settings(),
    )
    return added


def _progress(request: HttpRequest, test: Test) -> HttpResponse:
    """Say how far the scans are that a page waits for, and show those that have ended."""
    asked = {int(one) for one in request.GET["waiting"].split(",") if one.isdecimal()}
    jobs = {n: job for n, job in sorted(under_way(request.user, test).items()) if n in asked}
    ended = asked - set(jobs)
    context: dict[str, Any] = {"test": test, "jobs": jobs, "numbers": ",".join(map(str, jobs))}
    if ended:
        context |= sheet(request, test)
        context["scans"] = [one for one in context["scans"] if one.seen.scan.number in ended]
    return render(request, "fleet/parts/cards_progress.html", {**context, "ended": bool(ended)})


@login_required
@require_POST
def card_places(request: HttpRequest, scan_id: Any) -> HttpResponse:
    """Say where the cards of a scan lay, one by one or at even distances."""
    scan = get_object_or_404(card_scans_of(request.user), pk=scan_id)
    by = rules.allow(rules.may_test, request.user)
    seen = next(s for s in scans_seen(request.user, scan.test) if s.scan.pk == scan.pk)
    name = {"auto_id": f"id_scan{scan.number}_%s", "system": by.unit_system}
    form: PlacesForm | EvenPlacesForm
    if "every_m" in request.POST:
        form = EvenPlacesForm(request.POST, **name)
    else:
        form = PlacesForm(request.POST, cards=seen.cards, **name)

    def place() -> bool:
        said = form.places(seen.cards) if isinstance(form, EvenPlacesForm) else form.places()
        return card_services.place_cards(scan, by=by, places=said)

    if form.carries_out(place):
        if form.outcome:
            messages.success(request, f"Places of the cards of scan {scan.number} saved.")
        return redirect(_section(scan))
    key = "even_form" if isinstance(form, EvenPlacesForm) else "places_form"
    return _shown_again(request, scan, key, form)


@login_required
@require_POST
def card_confirm(request: HttpRequest, scan_id: Any) -> HttpResponse:
    """Say that the outlines shown are the cards, or which are none."""
    scan = get_object_or_404(card_scans_of(request.user), pk=scan_id)
    by = rules.allow(rules.may_test, request.user)
    number = _number(request.POST.get("run", ""))
    run = scan.runs.filter(number=number).first()
    if run is None:
        messages.error(request, "Look at the outlines of the scan first, then confirm them.")
        return redirect(_section(scan))
    form = ConfirmForm(
        request.POST,
        cards=seen_cards(run, scan, None),
        system=by.unit_system,
        auto_id=f"id_scan{scan.number}_%s",
    )

    def confirm() -> Any:
        return card_services.confirm_cards(run, by=by, not_cards=form.not_cards())

    if form.carries_out(confirm):
        messages.success(request, f"Outlines of scan {scan.number} confirmed.")
        return redirect(_section(scan))
    return _shown_again(request, scan, "confirm_form", form)


@login_required
@require_POST
def card_again(request: HttpRequest, scan_id: Any) -> HttpResponse:
    """Measure a scan again; what is there stays beside it."""
    scan = get_object_or_404(card_scans_of(request.user), pk=scan_id)
    by = rules.allow(rules.may_test, request.user)
    form = MeasureForm(
        request.POST, system=by.unit_system, auto_id=f"id_scan{scan.number}_%s_again"
    )
    if form.carries_out(lambda: card_services.measure_again(scan, by=by, settings=form.settings())):
        return redirect(_section(scan))
    return _shown_again(request, scan, "again_form", form)


def _number(asked: str) -> int | None:
    """Return the number of a measurement that was asked for; None where it can be none."""
    return int(asked) if asked.isdecimal() and len(asked) < 7 else None


def _section(scan: CardScan) -> str:
    return reverse("cards", args=[scan.test_id]) + f"#scan-{scan.number}"


def _shown_again(request: HttpRequest, scan: CardScan, key: str, form: SpokenForm) -> HttpResponse:
    context = sheet(request, scan.test, scan_id=scan.pk, **{key: form})
    return render(request, "fleet/cards.html", context)


@login_required
@require_safe
def card_scan_file(request: HttpRequest, scan_id: Any) -> HttpResponse:
    """Hand out the raw file of a scan, byte for byte as it came in."""
    scan = get_object_or_404(card_scans_of(request.user), pk=scan_id)
    try:
        data = storage.fetch(scan.raw_file.digest)
    except storage.KeptFileError as error:
        messages.error(request, str(error))
        return redirect("cards", scan.test_id)
    name = content_disposition_header(as_attachment=True, filename=scan.raw_file.name)
    return HttpResponse(
        data, content_type="application/octet-stream", headers={"Content-Disposition": name or ""}
    )


@login_required
@require_safe
def card(request: HttpRequest, scan_id: Any, number: int) -> HttpResponse:
    """Show one card: its picture with the stains found, and its figures."""
    run, entry = _measured(request, scan_id, number)
    if not entry:
        raise Http404
    try:
        context = one_card(run, entry, request.user.unit_system)
    except storage.KeptFileError as error:
        messages.error(request, str(error))
        return redirect("cards", run.scan.test_id)
    return render(request, "fleet/card.html", context)


@login_required
@require_safe
def card_picture(request: HttpRequest, scan_id: Any, number: int) -> HttpResponse:
    """Hand out the small picture of a card, or with 0 that of the whole scan.

    With ?stains the stains found are drawn over it, for browsers without script.
    """
    run, entry = _measured(request, scan_id, number)
    data = _kept(entry["picture"] if entry else run.preview_digest)
    if entry and "stains" in request.GET:
        data = outlined(data, _stains(run, entry))
    return HttpResponse(data, content_type="image/jpeg", headers=_caching(request))


@login_required
@require_safe
def card_stains(request: HttpRequest, scan_id: Any, number: int) -> HttpResponse:
    """Hand out the stains of a card as columns, in pixels of the picture shown."""
    run, entry = _measured(request, scan_id, number)
    if not entry:
        raise Http404
    return JsonResponse(_stains(run, entry), headers=_caching(request))


def _measured(request: HttpRequest, scan_id: Any, number: int) -> tuple[CardRun, dict[str, Any]]:
    """Return the measurement asked for by ?run, or the newest, and what it has of a card."""
    scan = get_object_or_404(card_scans_of(request.user), pk=scan_id)
    asked = _number(request.GET.get("run", ""))
    runs = scan.runs.all() if asked is None else scan.runs.filter(number=asked)
    run = runs.first()
    if run is None:
        raise Http404
    run.scan = scan
    if number == 0:
        return run, {}
    entry = next((one for one in run.cards if one["number"] == number), None)
    if entry is None:
        raise Http404
    return run, entry


def _stains(run: CardRun, entry: dict[str, Any]) -> dict[str, Any]:
    try:
        return stains_of(run, entry)
    except storage.KeptFileError as error:
        raise Http404 from error


def _kept(digest: str) -> bytes:
    try:
        return storage.fetch(digest)
    except storage.KeptFileError as error:
        raise Http404 from error


def _caching(request: HttpRequest) -> dict[str, str]:
    """What one measurement gave never changes; the newest one may be another next time."""
    return {"Cache-Control": KEPT_BY_BROWSER if "run" in request.GET else "private, no-cache"}


urlpatterns = [
    path("tests/<uuid:test_id>/cards/", cards, name="cards"),
    path("scans/<uuid:scan_id>/places/", card_places, name="card-places"),
    path("scans/<uuid:scan_id>/confirm/", card_confirm, name="card-confirm"),
    path("scans/<uuid:scan_id>/measure/", card_again, name="card-again"),
    path("scans/<uuid:scan_id>/file/", card_scan_file, name="card-scan-file"),
    path("scans/<uuid:scan_id>/cards/<int:number>/", card, name="card"),
    path("scans/<uuid:scan_id>/pictures/<int:number>/", card_picture, name="card-picture"),
    path("scans/<uuid:scan_id>/stains/<int:number>.json", card_stains, name="card-stains"),
]
