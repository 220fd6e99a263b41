"""Jobs and the audit trail."""

from __future__ import annotations

from typing import Any

from rest_framework.request import Request
from rest_framework.response import Response

from fleet import rules
from fleet.api.filters import AuditFilter, JobFilter
from fleet.api.rows import light_jobs_of
from fleet.api.serializers.work import AuditOut, JobOut
from fleet.api.views.base import ListRows, OneRow
from fleet.models import AuditRow, Job
from fleet.queries.whose import audit_of


class JobList(ListRows):
    """Jobs of the background."""

    model = Job
    rows_of = staticmethod(light_jobs_of)
    serializer_class = JobOut
    filterset_class = JobFilter


class JobDetail(OneRow):
    """One job: how far it is, and what came of it. Ask again until `has_ended`."""

    model = Job
    rows_of = staticmethod(light_jobs_of)
    serializer_class = JobOut


class AuditList(ListRows):
    """Who did what, newest first (staff)."""

    model = AuditRow
    rows_of = staticmethod(audit_of)
    serializer_class = AuditOut
    filterset_class = AuditFilter
    restricted = True

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rules.allow(rules.may_read_audit, request.user)
        return super().get(request, *args, **kwargs)
