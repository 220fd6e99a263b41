"""Passes and their raw files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Max

from fleet import audit, rules, storage
from fleet.models import FlightPass, Overrule, Person, RawFile, Test
from fleet.queries.traces import read_options
from fleet.services.base import change, checked, refuse
from patterns.errors import PatternError
from patterns.tracefile import read_trace

DIFFERING = (
    "heading_deg",
    "airspeed_m_s",
    "release_height_m",
    "wind_speed_m_s",
    "wind_from_deg",
    "flown_at",
    "read_at",
)


@dataclass(frozen=True, slots=True)
class Added:
    """What became of one file: a pass, or the reason why there is none."""

    name: str
    flight_pass: FlightPass | None
    error: str = ""


def add_passes(test: Test, *, by: Person, files: Sequence[tuple[str, bytes]]) -> list[Added]:
    """Add one pass for each file. Each file stands for itself: a bad one hinders no other."""
    rules.allow(rules.may_test, by)
    return [_add_pass(test, by, name, data) for name, data in files]


def _add_pass(test: Test, by: Person, name: str, data: bytes) -> Added:
    name = name.replace("\\", "/").rsplit("/", 1)[-1][:255] or "unnamed"
    try:
        _check_file(test, name, data)
    except PatternError as error:
        return Added(name, None, str(error))
    # The bytes go first: a kept file without a row is harmless, a row without its file is not.
    digest = storage.keep(data)
    with transaction.atomic():
        number = _next_number(test)
        twin = test.passes.filter(raw_file__digest=digest).first()
        if twin is not None:
            return Added(name, None, f"{name}: the same file is pass {twin.number} already.")
        raw_file = RawFile(
            operator=test.operator, name=name, digest=digest, size=len(data), accepted_by=by
        )
        raw_file.save(force_insert=True)
        flight_pass = FlightPass(
            operator=test.operator, test=test, number=number, raw_file=raw_file
        )
        flight_pass.save(force_insert=True)
        audit.record(
            "pass_added",
            flight_pass,
            by=by,
            operator=test.operator,
            after={"number": number, "file": name, "digest": digest},
        )
    return Added(name, flight_pass)


def _check_file(test: Test, name: str, data: bytes) -> None:
    limit = settings.UPLOAD_LIMIT_BYTES
    if len(data) > limit:
        raise PatternError(
            f"{name}: the file has {len(data) / 1e6:.1f} MB; at most {limit / 1e6:.0f} MB."
        )
    read_trace(data, source=name, options=read_options(test))


def _next_number(test: Test) -> int:
    Test.objects.select_for_update().get(pk=test.pk)  # one number each
    return (test.passes.aggregate(last=Max("number"))["last"] or 0) + 1


@transaction.atomic
def add_aborted_pass(test: Test, *, by: Person, reason: str) -> FlightPass:
    """Record that a pass was flown and broken off."""
    rules.allow(rules.may_test, by)
    if not reason.strip():
        refuse({"aborted_reason": ["Say why the pass was broken off."]})
    flight_pass = FlightPass(
        operator=test.operator, test=test, number=_next_number(test), aborted_reason=reason.strip()
    )
    checked(flight_pass)
    flight_pass.save(force_insert=True)
    audit.record(
        "pass_added",
        flight_pass,
        by=by,
        operator=test.operator,
        after=audit.values(flight_pass, ("number", "aborted_reason")),
    )
    return flight_pass


@transaction.atomic
def change_pass(flight_pass: FlightPass, *, by: Person, **changes: Any) -> bool:
    """Enter what differed from the test on this pass. False when nothing differs."""
    rules.allow(rules.may_test, by)
    return change(
        flight_pass,
        deed="pass_changed",
        by=by,
        operator=flight_pass.operator,
        changes=changes,
        allowed=DIFFERING,
    )


@transaction.atomic
def overrule(flight_pass: FlightPass, *, by: Person, overrule: str, reason: str) -> bool:
    """Use a suspect pass all the same, leave a good one out, or (overrule "") take that back."""
    rules.allow(rules.may_test, by)
    reason = reason.strip() if overrule else ""
    if overrule and not reason:
        refuse({"overrule_reason": ["Say why; it stands beside the pass in every report."]})
    if overrule and overrule not in Overrule.values:
        refuse({"overrule": [f"Must be one of {', '.join(Overrule.values)}, or empty."]})
    if overrule and flight_pass.raw_file_id is None:
        refuse({"overrule": ["This pass was broken off and has no readings."]})
    return change(
        flight_pass,
        deed="pass_overruled",
        by=by,
        operator=flight_pass.operator,
        changes={"overrule": overrule, "overrule_reason": reason},
        allowed=("overrule", "overrule_reason"),
    )
