"""The analyst's field sheet: for a day without a screen, with what is known printed in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fleet.measures import show, unit_of
from fleet.models import Aircraft, PaperSlip
from fleet.queries.clinics import sign_ups_of
from fleet.queries.standing import Standing, standings
from reports.paper import Draft, Foot, page

PASSES = 6
BLANK_SHEETS = 2


@dataclass(frozen=True, slots=True)
class Known:
    """What is printed in for one aircraft and purpose; all empty on a blank sheet."""

    registration: str = ""
    aircraft: str = ""
    operator: str = ""
    purpose: str = ""
    revision: str = ""
    nozzles: str = ""
    boom: str = ""
    pressure: str = ""
    airspeed: str = ""
    height: str = ""
    rate: str = ""
    last: str = ""


def draft(slip: PaperSlip) -> Draft:
    """Return a sheet for each set-up that is to be flown, and two blank ones."""
    visit = slip.visit
    assert visit is not None
    fleet = [slip.aircraft] if slip.aircraft else _signed_up(slip)
    found = standings(slip.asked_by, aircraft=fleet) if fleet else []
    order = {one.pk: place for place, one in enumerate(fleet)}
    found.sort(key=lambda one: order[one.aircraft.pk])
    sheets = [_known(one, slip.unit_system) for one in found] + [Known()] * BLANK_SHEETS
    units = {
        name: unit_of(quantity, slip.unit_system)
        for name, quantity in (
            ("wind", "wind"),
            ("height", "height"),
            ("airspeed", "airspeed"),
            ("temperature", "temperature"),
            ("pressure", "pressure"),
        )
    }

    def html(foot: Foot) -> Iterator[str]:
        yield page(
            "reports/field_sheet.html",
            foot,
            size=slip.page_size,
            visit=visit,
            sheets=sheets,
            passes=range(1, PASSES + 1),
            units=units,
        )

    return Draft(
        title=f"Field sheet {visit}",
        record={
            "visit": {"id": str(visit.pk), "name": str(visit)},
            "sheets": [
                {"aircraft": one.aircraft.registration, "setup": str(one.setup or "")}
                for one in found
            ],
        },
        stated_at=slip.created_at,
        html=html,
    )


def _signed_up(slip: PaperSlip) -> list[Aircraft]:
    """The aircraft that have a place, in their order."""
    rows = sign_ups_of(slip.asked_by).filter(visit=slip.visit, state="placed")
    return [row.aircraft for row in rows.order_by("day", "position")]


def _known(one: Standing, system: str) -> Known:
    aircraft, setup = one.aircraft, one.setup
    known = {
        "registration": aircraft.registration,
        "aircraft": f"{aircraft.make} {aircraft.model}".strip(),
        "operator": aircraft.operator.name,
        "last": one.why,
    }
    if setup is None:
        return Known(**known)
    kinds = sorted({f"{nozzle['type']} {nozzle['size']}" for nozzle in setup.nozzles})
    return Known(
        **known,
        purpose=setup.purpose,
        revision=str(setup.number),
        nozzles=f"{len(setup.nozzles)}: {', '.join(kinds)}",
        boom=show(setup.boom_width_m, "length", system),
        pressure=show(setup.pressure_kpa, "pressure", system),
        airspeed=show(setup.airspeed_m_s, "airspeed", system),
        height=show(setup.release_height_m, "height", system),
        rate=show(setup.rate_l_per_ha, "rate", system),
    )
