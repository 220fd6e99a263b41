"""Filters of the records of service."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters

from fleet.api.filters import Day, Order, Truth
from fleet.models import Season
from fleet.queries.service_records import holding, in_season, standing


class ServiceRecordFilter(filters.FilterSet):
    operator = filters.UUIDFilter("operator_id")
    aircraft = filters.UUIDFilter("aircraft_id")
    jurisdiction = filters.UUIDFilter("jurisdiction_id")
    season = filters.UUIDFilter(method="only_season")
    from_day = Day("served_on", lookup_expr="gte")
    to_day = Day("served_on", lookup_expr="lte")
    stands = Truth(method="only_standing")
    words = filters.CharFilter(method="only_holding")
    order = Order(fields=["served_on", "created_at"])

    def only_season(self, rows: QuerySet[Any], name: str, value: Any) -> QuerySet[Any]:
        """Keep the days of a season."""
        season = Season.objects.filter(pk=value).first()
        return in_season(rows, season) if season else rows.none()

    def only_standing(self, rows: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        """Keep those that hold, or those that do not."""
        return standing(rows) if value else rows.exclude(pk__in=standing(rows).values("pk"))

    def only_holding(self, rows: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        """Keep those that tell of each of these words."""
        return holding(rows, value)
