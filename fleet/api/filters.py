"""Filters of the lists. A name that is no filter, or a value that cannot be, is an error."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request

from fleet.api.rows import ended, numbered
from fleet.api.serializers.papers import NUMBER_STATES
from fleet.api.serializers.results import ENDINGS
from fleet.models import (
    AircraftKind,
    GiftKind,
    HookEvent,
    ImportState,
    JobState,
    Manner,
    MembershipKind,
    Overrule,
    PaperKind,
    Role,
    SignUpState,
    Supply,
    VisitKind,
)
from fleet.queries.filings import SETTLED, open_filings

PAGING = ("limit", "offset")


def check_names(request: Request, known: Any) -> None:
    """Refuse query parameters that nobody would look at."""
    known = sorted({*known, *PAGING})
    says = f"There is no such filter here. Known: {', '.join(known)}."
    unknown = [name for name in request.query_params if name not in known]
    if unknown:
        raise ValidationError({name: [says] for name in unknown})


class StrictFilterBackend(filters.DjangoFilterBackend):
    """django-filter, which by itself leaves unknown names unsaid."""

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: Any) -> Any:
        """Return the rows asked for."""
        filterset_class = self.get_filterset_class(view, queryset)
        check_names(request, filterset_class.base_filters if filterset_class else ())
        return super().filter_queryset(request, queryset, view)


@extend_schema_field(OpenApiTypes.BOOL)
class Truth(filters.TypedChoiceFilter):
    """`true` or `false`, and nothing else."""

    def __init__(self, field_name: str | None = None, **options: Any) -> None:
        super().__init__(
            field_name,
            choices=[("true", "yes"), ("false", "no")],
            coerce=lambda text: text == "true",
            **options,
        )


class Day(filters.DateFilter):
    """A date as ISO 8601 writes it, and not as anybody's custom has it."""

    def __init__(self, field_name: str, **options: Any) -> None:
        super().__init__(field_name, input_formats=["%Y-%m-%d"], **options)


class Order(filters.OrderingFilter):
    """`?order=name` or `?order=-name`; rows alike stay in the order of their keys."""

    def filter(self, qs: QuerySet[Any], value: Any) -> QuerySet[Any]:
        """Sort, or leave the usual order."""
        ordered = super().filter(qs, value)
        return ordered.order_by(*ordered.query.order_by, "pk") if value else qs


class OperatorFilter(filters.FilterSet):
    name = filters.CharFilter(lookup_expr="icontains")
    left = Truth("left_on", lookup_expr="isnull", exclude=True)
    order = Order(fields=["name", "base", "created_at"])


class PersonFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    role = filters.ChoiceFilter(choices=Role.choices)
    is_active = Truth()
    order = Order(fields=["name", "email"])


class AircraftFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    registration = filters.CharFilter(lookup_expr="icontains")
    kind = filters.ChoiceFilter(choices=AircraftKind.choices)
    in_service = Truth("retired_on", lookup_expr="isnull")
    order = Order(fields=["registration", "created_at"])


class SetUpFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    aircraft = filters.UUIDFilter("aircraft_id")
    purpose = filters.CharFilter(lookup_expr="icontains")
    manner = filters.ChoiceFilter(choices=Manner.choices)
    order = Order(fields=["number", "created_at"])


class VisitFilter(filters.FilterSet):
    kind = filters.ChoiceFilter(choices=VisitKind.choices)
    analyst = filters.UUIDFilter("analyst_id")
    host = filters.UUIDFilter("host_id")
    from_day = Day("ends_on", lookup_expr="gte", help_text="Not over before.")
    to_day = Day("starts_on", lookup_expr="lte", help_text="Begun by then.")
    order = Order(fields=["starts_on", "place"])


class SignUpFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    aircraft = filters.UUIDFilter("aircraft_id")
    visit = filters.UUIDFilter("visit_id")
    state = filters.ChoiceFilter(choices=SignUpState.choices)
    from_day = Day("visit__ends_on", lookup_expr="gte", help_text="On visits not over before.")
    order = Order(fields=["day", "position", "created_at"])


class SupplyFilter(filters.FilterSet):
    visit = filters.UUIDFilter("visit_id")
    what = filters.ChoiceFilter(choices=Supply.choices)
    order = Order(fields=["created_at"])


class GiftFilter(filters.FilterSet):
    season = filters.UUIDFilter("season_id")
    visit = filters.UUIDFilter("visit_id")
    kind = filters.ChoiceFilter(choices=GiftKind.choices)
    order = Order(fields=["given_on", "giver", "created_at"])


class TestFilter(filters.FilterSet):
    __test__ = False

    operator = filters.UUIDFilter("operator_id")
    aircraft = filters.UUIDFilter("setup__aircraft_id")
    setup = filters.UUIDFilter("setup_id")
    visit = filters.UUIDFilter("visit_id")
    flown_from = Day("flown_on", lookup_expr="gte")
    flown_to = Day("flown_on", lookup_expr="lte")
    order = Order(fields=["flown_on", "created_at"])


class PassFilter(filters.FilterSet):
    test = filters.UUIDFilter("test_id")
    aborted = Truth("raw_file", lookup_expr="isnull")
    overrule = filters.ChoiceFilter(choices=Overrule.choices)
    order = Order(fields=["number", "created_at"])


class AnalysisFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    test = filters.UUIDFilter("test_id")
    setup = filters.UUIDFilter("test__setup_id")
    aircraft = filters.UUIDFilter("test__setup__aircraft_id")
    order = Order(fields=["number", "created_at"])


class ApprovalFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    aircraft = filters.UUIDFilter("aircraft_id")
    setup = filters.UUIDFilter("setup_id")
    analysis = filters.UUIDFilter("analysis_id")
    manner = filters.ChoiceFilter(choices=Manner.choices)
    in_force = Truth(method="only_in_force")
    state = filters.ChoiceFilter(choices=[(one, one) for one in ENDINGS])
    valid_before = Day("valid_until", lookup_expr="lt")
    order = Order(fields=["created_at", "valid_until", "swath_m"])

    def only_in_force(self, rows: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        """Keep what stands today, or the rest."""
        return rows.filter(state="in_force") if value else rows.exclude(state="in_force")


class PaperFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    analysis = filters.UUIDFilter("analysis_id")
    approval = filters.UUIDFilter("approval_id")
    kind = filters.ChoiceFilter(choices=PaperKind.choices)
    number = filters.CharFilter(method="only_number")
    valid_before = Day("valid_until", lookup_expr="lt")
    order = Order(fields=["created_at"])

    def only_number(self, rows: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        """Keep the paper with this number, as it stands on it."""
        return rows.filter(numbered(value, "slip__"))


class PaperNumberFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    batch = filters.UUIDFilter("batch_id")
    kind = filters.ChoiceFilter(choices=PaperKind.choices)
    state = filters.ChoiceFilter(choices=[(one, one) for one in NUMBER_STATES])
    aircraft = filters.UUIDFilter("aircraft_id")
    season = filters.UUIDFilter("season_id")
    visit = filters.UUIDFilter("visit_id")
    number = filters.CharFilter(method="only_number")
    order = Order(fields=["created_at"])

    def only_number(self, rows: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        """Keep this number, as it stands on the paper."""
        return rows.filter(numbered(value))


class PaperBatchFilter(filters.FilterSet):
    season = filters.UUIDFilter("season_id")
    order = Order(fields=["created_at"])


class OperatorExportFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    order = Order(fields=["created_at"])


class WebhookFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    stopped = Truth("stopped_at", lookup_expr="isnull", exclude=True)
    order = Order(fields=["created_at"])


class HookCallFilter(filters.FilterSet):
    webhook = filters.UUIDFilter("webhook_id")
    event = filters.ChoiceFilter(choices=HookEvent.choices)
    taken = Truth("taken_at", lookup_expr="isnull", exclude=True)
    given_up = Truth("given_up_at", lookup_expr="isnull", exclude=True)
    order = Order(fields=["created_at"])


class CardScanFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    test = filters.UUIDFilter("test_id")
    setup = filters.UUIDFilter("test__setup_id")
    aircraft = filters.UUIDFilter("test__setup__aircraft_id")
    flight_pass = filters.UUIDFilter("flight_pass_id")
    measured = Truth("measurement", lookup_expr="isnull", exclude=True)
    awaits_confirmation = Truth()
    order = Order(fields=["number", "created_at"])


class CardMeasurementFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    scan = filters.UUIDFilter("scan_id")
    test = filters.UUIDFilter("scan__test_id")
    setup = filters.UUIDFilter("scan__test__setup_id")
    aircraft = filters.UUIDFilter("scan__test__setup__aircraft_id")
    method_version = filters.CharFilter()
    order = Order(fields=["number", "created_at"])


class JurisdictionFilter(filters.FilterSet):
    name = filters.CharFilter(lookup_expr="icontains")
    order = Order(fields=["name", "created_at"])


class RequirementFilter(filters.FilterSet):
    jurisdiction = filters.UUIDFilter("jurisdiction_id")
    name = filters.CharFilter(lookup_expr="icontains")
    ended = Truth("ended_on", lookup_expr="isnull", exclude=True)
    order = Order(fields=["name", "created_at"])


class WaiverFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    aircraft = filters.UUIDFilter("aircraft_id")
    requirement = filters.UUIDFilter("requirement_id")
    until_from = Day("until_on", lookup_expr="gte")
    ended = Truth("ended_on", lookup_expr="isnull", exclude=True)
    order = Order(fields=["from_on", "until_on", "created_at"])


class UnderFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    aircraft = filters.UUIDFilter("aircraft_id")
    jurisdiction = filters.UUIDFilter("jurisdiction_id")
    order = Order(fields=["from_on", "created_at"])


class PlanFilter(filters.FilterSet):
    analyst = filters.UUIDFilter("analyst_id")
    order = Order(fields=["starts_on", "created_at"])


class ProposalFilter(filters.FilterSet):
    plan = filters.UUIDFilter("plan_id")
    order = Order(fields=["number", "created_at"])


class WishFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    aircraft = filters.UUIDFilter("aircraft_id")
    settled = Truth("settled_on", lookup_expr="isnull", exclude=True)
    order = Order(fields=["from_on", "until_on", "created_at"])


class JobFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    kind = filters.ChoiceFilter(
        choices=[
            ("analysis", "Analysis"),
            ("cards", "Cards"),
            ("paper", "Paper"),
            ("bundle", "Bundle"),
            ("export", "Export"),
            ("hook", "Webhook"),
            ("plan", "Plan"),
            ("reminders", "Reminders of a day"),
            ("reminder_mail", "One reminder"),
            ("place_mail", "Letter about a place"),
            ("sheet_look", "Reading a spreadsheet"),
            ("sheet_apply", "Carrying out a spreadsheet"),
        ]
    )
    state = filters.ChoiceFilter(choices=JobState.choices)
    subject_id = filters.UUIDFilter()
    has_ended = Truth(method="only_ended")
    order = Order(fields=["created_at", "ended_at"])

    def only_ended(self, rows: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        """Keep jobs that have ended, or those that have not."""
        return rows.filter(ended(value))


class SeasonFilter(filters.FilterSet):
    name = filters.CharFilter(lookup_expr="icontains")
    on = filters.DateFilter(method="only_on", input_formats=["%Y-%m-%d"], help_text="Has this day.")
    order = Order(fields=["starts_on", "name"])

    def only_on(self, rows: QuerySet[Any], name: str, value: Any) -> QuerySet[Any]:
        """Keep the season that a day lies in."""
        return rows.filter(starts_on__lte=value, ends_on__gte=value)


class MembershipFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    season = filters.UUIDFilter("season_id")
    kind = filters.ChoiceFilter(choices=MembershipKind.choices)
    lapsed = Truth("lapsed_on", lookup_expr="isnull", exclude=True)
    order = Order(fields=["joined_on", "operator__name"])


class InvitationFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    accepted = Truth("accepted_at", lookup_expr="isnull", exclude=True)
    withdrawn = Truth("withdrawn_at", lookup_expr="isnull", exclude=True)
    order = Order(fields=["created_at", "expires_at"])


class ImportFilter(filters.FilterSet):
    state = filters.ChoiceFilter(choices=ImportState.choices)
    season = filters.UUIDFilter("season_id")
    order = Order(fields=["created_at"])


class AuditFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    person = filters.UUIDFilter("person_id")
    deed = filters.CharFilter()
    subject_kind = filters.CharFilter()
    subject_id = filters.UUIDFilter()
    since = filters.IsoDateTimeFilter("created_at", lookup_expr="gte")
    until = filters.IsoDateTimeFilter("created_at", lookup_expr="lt")
    order = Order(fields=["created_at"])


class ReminderFilter(filters.FilterSet):
    person = filters.UUIDFilter("person_id")
    operator = filters.UUIDFilter("person__operator_id")
    from_day = Day("day", lookup_expr="gte")
    to_day = Day("day", lookup_expr="lte")
    order = Order(fields=["created_at"])


class FilingFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    jurisdiction = filters.UUIDFilter("jurisdiction_id")
    aircraft = filters.UUIDFilter("aircraft_id")
    test = filters.UUIDFilter("test_id")
    is_settled = Truth(method="only_settled")
    due_before = filters.IsoDateTimeFilter("due_at", lookup_expr="lt")
    order = Order(fields=["due_at", "created_at"])

    def only_settled(self, rows: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        """Keep those that are settled, or those that are not."""
        return rows.filter(last_step__in=SETTLED) if value else open_filings(rows)


class PurgeFilter(filters.FilterSet):
    order = Order(fields=["created_at"])
