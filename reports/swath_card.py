"""The swath card for the cab: on A6, the swaths approved for one aircraft, in big figures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from fleet.jobs import JobRefused
from fleet.measures import show
from fleet.models import Aircraft, PaperSlip
from fleet.queries.records import approval_record
from fleet.queries.standing import Standing, standings
from reports.answer import day
from reports.paper import Draft, Foot, page

# As many swaths as a card holds in figures that are read at arm's length.
MOST_ON_A_CARD: Final = 2
NOTHING_APPROVED: Final = (
    "No swath is approved for {aircraft} now, so there is no card to make. {why}"
)


@dataclass(frozen=True, slots=True)
class Line:
    """One approved swath as it stands on the card."""

    purpose: str
    figure: str
    manner: str
    until: str
    setup: str


def draft(slip: PaperSlip) -> Draft:
    """Return the card of the slip's aircraft. Raises JobRefused where nothing is approved."""
    assert slip.aircraft is not None
    return drafted(slip.aircraft, standings(slip.asked_by, aircraft=[slip.aircraft]), slip)


def drafted(aircraft: Aircraft, found: list[Standing], slip: PaperSlip) -> Draft:
    """Return the card from how an aircraft stands for each purpose, the widest swath first."""
    approvals = [one.approval for one in found if one.in_force and one.approval]
    if not approvals:
        why = " ".join(one.why for one in found)
        raise JobRefused(NOTHING_APPROVED.format(aircraft=aircraft, why=why))
    approvals.sort(key=lambda one: -one.swath_m)
    lines = tuple(_line(one, slip.unit_system) for one in approvals)
    cards = [lines[i : i + MOST_ON_A_CARD] for i in range(0, len(lines), MOST_ON_A_CARD)]

    def html(foot: Foot) -> Iterator[str]:
        yield page(
            "reports/swath_card.html",
            foot,
            size="105mm 148mm",
            aircraft=aircraft,
            cards=cards,
            spacing="few" if len(lines) == 1 else "",
        )

    return Draft(
        title=f"Swath card {aircraft}",
        record={
            "aircraft": {"id": str(aircraft.pk), "registration": aircraft.registration},
            "operator": {"id": str(aircraft.operator_id), "name": aircraft.operator.name},
            "approvals": [approval_record(one) for one in approvals],
            "rests_on": [str(one.pk) for one in approvals],
        },
        stated_at=max(one.created_at for one in approvals),
        html=html,
        valid_until=min(one.valid_until for one in approvals),
    )


def _line(approval: Any, system: str) -> Line:
    setup = approval.setup
    return Line(
        purpose=setup.purpose,
        figure=show(approval.swath_m, "swath", system),
        manner=approval.get_manner_display(),
        until=f"Valid until {day(approval.valid_until)}",
        setup=(
            f"Revision {setup.number}: {len(setup.nozzles)} nozzles, "
            f"{show(setup.pressure_kpa, 'pressure', system)}, "
            f"{show(setup.airspeed_m_s, 'airspeed', system)}, "
            f"{show(setup.release_height_m, 'height', system)} high"
        ),
    )
