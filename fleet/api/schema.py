"""How the API describes itself (OpenAPI 3)."""

from __future__ import annotations

from typing import Any

from drf_spectacular.authentication import SessionScheme
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.openapi import AutoSchema

from fleet import tenancy
from fleet.api.problems import MEDIA_TYPE, TITLES
from fleet.api.serializers.base import Problem

ABOUT = """

**Signing in.** `POST /api/v1/sign-in/` answers with a token; send it with every request as
`Authorization: Bearer TOKEN`. It is good until somebody signs out with it.

**Units.** SI always, whatever units you read on pages: the name of a value carries its unit
(`swath_m`, `airspeed_m_s`, `rate_l_per_ha`, `dv50_um`). Moments are ISO 8601 with their zone.

**Lists.** `limit` (1 to 200, usually 50), `offset`, `order` (`-` before a name turns it round)
and the filters named at each list. A filter that does not exist is an error.

**Background work.** Analyses, measurements of cards, reports and tours answer 202 with a job; ask
for the job at its `Location` until `has_ended`, then follow `analysis`, `card_measurement`,
`paper` or `proposal`, or read `reason`. Scans of cards answer with a job each.

**Problems.** Anything that is not a success is `application/problem+json` (RFC 9457): `detail` is
a sentence; `errors` has sentences by the place of the value. What is not yours is not found.

**Caution.** An approved swath is a test finding for one aircraft as it was equipped and flown. It
is never permission to spray: the label, the law and the weather of the day decide.
"""


class ScopedSessionScheme(SessionScheme):
    """The pages' own sign-in."""

    target_class = "fleet.api.authentication.ScopedSessionAuthentication"


class ApiSchema(AutoSchema):
    """Adds to every operation the problem answers it may give."""

    def get_operation_id(self) -> str:
        """Return a name that programs can use as it is."""
        return super().get_operation_id().replace(".", "_")

    def _get_response_bodies(self, direction: Any = "response") -> dict[str, Any]:
        bodies: dict[str, Any] = super()._get_response_bodies(direction)
        problems = {str(status): TITLES[status] for status in self._problems()}
        for status, words in {**problems, "default": "Any other problem"}.items():
            if status not in bodies:
                body = self._get_response_for_code(Problem, status, [MEDIA_TYPE])
                bodies[status] = {**body, "description": words}
        return dict(sorted(bodies.items()))

    def _problems(self) -> list[int]:
        public = not self.view.permission_classes
        writes = self.method not in ("GET", "HEAD")
        found = [] if public else [401]
        if writes or self._is_list_view() or getattr(self.view, "takes_query", False):
            found.append(400)
        if (writes or getattr(self.view, "restricted", False)) and not public:
            found.append(403)
        if "{" in self.path:
            found.append(404)
        if writes:
            found += [413, 415]
        if getattr(self.view, "throttle_classes", None):
            found.append(429)
        return found


class ApiGenerator(SchemaGenerator):
    """Describes the API inside nobody's scope: it needs models and no rows."""

    def get_schema(self, request: Any = None, public: bool = False) -> Any:
        """Return the schema as plain data."""
        with tenancy.scope(tenancy.NOBODY):
            schema = super().get_schema(request, public)
        schema["info"]["description"] += ABOUT
        return schema
