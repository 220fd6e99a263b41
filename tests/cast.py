"""The cast of the tests: who owns, who belongs, who must see nothing."""

from __future__ import annotations

import datetime
import io
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from django.utils import timezone
from PIL import Image

from fixtures.cards import CardPlan, draw_bed, draw_card
from fleet import jobs, tenancy
from fleet.models import (
    Aircraft,
    AnalysisRun,
    Approval,
    CardScan,
    Jurisdiction,
    Operator,
    Person,
    Role,
    SetUp,
    Test,
    TourProposal,
    Visit,
)
from fleet.services import aircraft as aircraft_services
from fleet.services import analyses, approvals, people, plans, visits, wishes
from fleet.services import cards as card_services
from fleet.services import passes as pass_services
from fleet.services import tests as test_services

PASSWORD = "wide-open-spaces-42"
FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"


@dataclass(frozen=True, slots=True)
class Cast:
    """Staff and an analyst; an operator with an owner and a pilot; another operator's owner; a
    checker of the state where both operators are at home.
    """

    staff: Person
    analyst: Person
    operator: Operator
    owner: Person
    pilot: Person
    other_operator: Operator
    outsider: Person
    checker: Person
    state: Jurisdiction

    @property
    def everybody(self) -> dict[str, Person]:
        return {
            "staff": self.staff,
            "analyst": self.analyst,
            "owner": self.owner,
            "pilot": self.pilot,
            "outsider": self.outsider,
            "checker": self.checker,
        }


def make_cast() -> Cast:
    """Make the people and operators that every test knows."""
    with tenancy.everyone():
        state = Jurisdiction.objects.create(name="Calloway")
        ours = people.add_operator(
            by=None, name="Redgrass Aerial", base="Tamber Flat", jurisdiction=state
        )
        theirs = people.add_operator(
            by=None, name="Other Creek Spraying", base="Other Creek", jurisdiction=state
        )
        return Cast(
            staff=_person("Sela Office", "staff@association.example", Role.STAFF),
            analyst=_person("Anik String", "analyst@association.example", Role.ANALYST),
            operator=ours,
            owner=_person("Orla Owner", "owner@redgrass.example", Role.OWNER, ours),
            pilot=_person("Pim Pilot", "pilot@redgrass.example", Role.PILOT, ours),
            other_operator=theirs,
            outsider=_person("Otto Outsider", "owner@othercreek.example", Role.OWNER, theirs),
            checker=people.add_person(
                by=None,
                email="checker@calloway.example",
                name="Ches Checker",
                role=Role.CHECKER,
                jurisdiction=state,
                password=PASSWORD,
            ),
            state=state,
        )


def _person(name: str, email: str, role: Role, operator: Operator | None = None) -> Person:
    return people.add_person(
        by=None, email=email, name=name, role=role, operator=operator, password=PASSWORD
    )


def make_aircraft(cast: Cast, operator: Operator | None = None, number: int = 1) -> Aircraft:
    """Add an aircraft with a registration that cannot exist."""
    operator = operator or cast.operator
    return aircraft_services.add_aircraft(
        by=cast.staff,
        operator=operator,
        registration=f"XX-{operator.name[0]}{number:02d}",
        make="Invented",
        model="Sower 400",
        kind="fixed_wing",
        span_m=15.0,
    )


def nozzles(count: int = 40, boom_width_m: float = 10.5) -> list[dict[str, Any]]:
    """Evenly spaced nozzles."""
    return [
        {"place_m": float(place), "type": "flat fan", "size": "4010", "deflection_deg": 10.0}
        for place in np.linspace(-boom_width_m / 2, boom_width_m / 2, count).round(3)
    ]


def make_setup(cast: Cast, aircraft: Aircraft, **changes: Any) -> SetUp:
    """Record a set-up; `changes` replace the usual values."""
    values: dict[str, Any] = {
        "purpose": "Main season work",
        "boom_width_m": 10.5,
        "nozzles": nozzles(),
        "pressure_kpa": 276.0,
        "airspeed_m_s": 62.0,
        "release_height_m": 3.0,
        "rate_l_per_ha": 28.0,
        "manner": "back_and_forth",
    }
    return aircraft_services.record_setup(by=cast.staff, aircraft=aircraft, **{**values, **changes})


def make_visit(cast: Cast, day: datetime.date = datetime.date(2026, 4, 14)) -> Visit:
    """Plan a clinic."""
    return visits.plan_visit(
        by=cast.analyst,
        kind="clinic",
        place="Tamber Flat airstrip",
        starts_on=day,
        ends_on=day,
        analyst=cast.analyst,
    )


def make_test(cast: Cast, setup: SetUp, visit: Visit | None = None, **conditions: Any) -> Test:
    """Start a test with plausible conditions."""
    visit = visit or make_visit(cast)
    values: dict[str, Any] = {
        "line_heading_deg": 180.0,
        "wind_speed_m_s": 2.5,
        "wind_from_deg": 190.0,
        "wind_height_m": 2.5,
        "temperature_c": 18.0,
        "humidity_percent": 55.0,
        "file_unit": "ft",
    }
    return test_services.start_test(
        by=cast.analyst,
        visit=visit,
        setup=setup,
        flown_on=visit.starts_on,
        **{**values, **conditions},
    )


def trace_file(seed: int = 0, width_ft: float = 75.0, noise: float = 4.0) -> bytes:
    """A trace as a reader writes it: a trapezoid-like pattern with noise on a background."""
    rng = np.random.default_rng(seed)
    position = np.arange(0.0, 130.0 + 1e-9, 0.5)
    from_line = np.abs(position - 65.0)
    shape = np.clip((width_ft / 2 - from_line) / (0.3 * width_ft), 0.0, 1.0)
    scale = 900.0 * (1 + 0.03 * rng.standard_normal())
    reading = 40.0 + scale * shape + noise * rng.standard_normal(position.size)
    lines = ["position_ft,reading"]
    lines += [f"{p:.1f},{r:.2f}" for p, r in zip(position, reading, strict=True)]
    return "\n".join(lines).encode()


def make_proposal(cast: Cast, aircraft: Aircraft) -> TourProposal:
    """Wish for a visit, plan three weeks, and do the worker's work of finding tours at once."""
    today = timezone.localdate()
    people.change_operator(
        aircraft.operator, by=cast.staff, base_latitude_deg=40.2, base_longitude_deg=-98.4
    )
    soon = today + datetime.timedelta(days=10)
    wishes.wish_for(by=cast.staff, aircraft=aircraft, from_on=today, until_on=soon)
    plan = plans.make_plan(
        by=cast.analyst,
        analyst=cast.analyst,
        starts_on=today + datetime.timedelta(days=1),
        ends_on=today + datetime.timedelta(days=21),
        start_place="Tamber Flat",
        start_latitude_deg=40.0,
        start_longitude_deg=-98.0,
    )
    job = plans.request_proposal(plan, by=cast.analyst)
    plans.stop_early(plan, by=cast.analyst)  # one aircraft needs no long search
    jobs.run(job.pk)
    return TourProposal.objects.select_related("plan").get(job=job)


def make_tested(cast: Cast, setup: SetUp | None = None, passes: int = 3) -> Test:
    """Start a test and add passes that agree with one another."""
    setup = setup or make_setup(cast, make_aircraft(cast))
    test = make_test(cast, setup)
    files = [(f"pass{n}.csv", trace_file(seed=n)) for n in range(1, passes + 1)]
    added = pass_services.add_passes(test, by=cast.analyst, files=files)
    assert not any(one.error for one in added), added
    return test


def make_analysis(cast: Cast, test: Test | None = None, **settings: Any) -> AnalysisRun:
    """Ask for an analysis and do the worker's work at once."""
    test = test or make_tested(cast)
    job = analyses.request_analysis(test, by=cast.analyst, settings=analyses.Settings(**settings))
    jobs.run(job.pk)
    return AnalysisRun.objects.get(job=job)


def make_approval(cast: Cast, analysis: AnalysisRun | None = None, **changes: Any) -> Approval:
    """Approve the recommended swath for back-and-forth flying until next year."""
    analysis = analysis or make_analysis(cast)
    values: dict[str, Any] = {
        "swath_m": analysis.back_and_forth_swath_m,
        "manner": "back_and_forth",
        "valid_until": timezone.localdate() + datetime.timedelta(days=300),
    }
    return approvals.approve(analysis, by=cast.analyst, **{**values, **changes})


@lru_cache(maxsize=16)  # half a second a card, and a seed gives the same bytes every time
def card_file(
    seed: int = 1, dpi: float = 600.0, cards: int = 1, kind: str = "PNG", **plan: Any
) -> bytes:
    """A drawn scan: one small card, or several on a bed."""
    usual = {"width_mm": 20.0, "height_mm": 30.0, "dpi": dpi, "cover_percent": 3.0, **plan}
    plans = [CardPlan(**usual, seed=seed + number) for number in range(cards)]
    if cards == 1:
        pixels = draw_card(plans[0]).pixels
    else:
        angles = [float(n % 3 - 1) for n in range(cards)]
        pixels = draw_bed(
            plans, across=3, angles_deg=angles, pitch_mm=(30.0, 40.0), seed=seed
        ).pixels
    out = io.BytesIO()
    quick = {"compress_level": 1} if kind == "PNG" else {}
    Image.fromarray(pixels).save(out, kind, dpi=(dpi, dpi), **quick)
    return out.getvalue()


def make_cards(cast: Cast, test: Test, *, cards: int = 3, seed: int = 1) -> CardScan:
    """Add a scan, do the worker's work at once, and say where the cards lay."""
    data = card_file(seed, cards=cards)
    [added] = card_services.add_scans(test, by=cast.analyst, files=[("bed.png", data)])
    assert added.job, added.error
    jobs.run(added.job.pk)
    assert added.scan is not None
    card_services.confirm_cards(added.scan.runs.get(), by=cast.analyst)
    places = {number: (3.0 * number - 3.0 * (cards + 1) / 2, "") for number in range(1, cards + 1)}
    card_services.place_cards(added.scan, by=cast.analyst, places=places)
    return added.scan
