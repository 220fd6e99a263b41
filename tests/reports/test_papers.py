"""Every kind of paper: it keeps the standards, says what is on record, and holds it as data.

The files are held against PDF/A-3a and PDF/UA-1 by a validator of others; what they say, against
the rows; their square codes are read from the printed page, as large as it is and half as large, by
a decoder of others.
"""

from __future__ import annotations

import datetime
import io
import json
import os
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from django.utils import timezone

from fleet import jobs, storage
from fleet.models import (
    Approval,
    Gift,
    Paper,
    Requirement,
    RequirementVersion,
    Season,
    SignUp,
    SupplyUse,
)
from fleet.queries.papers import verdict_on
from fleet.services import aircraft as aircraft_services
from fleet.services import papers
from tests import cast as casting
from tests.cast import Cast
from tests.reports.reading import broken_rules, fonts, scanned, text_of
from tests.reports.setting import check_address

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

LONG_NAME = "Cottonwood Bend and Lower Prairie Flying Applicators Cooperative of Calloway County"


@pytest.fixture(autouse=True)
def _public_address(settings: Any) -> None:
    settings.PUBLIC_ADDRESS = "https://records.calloway-applicators.example"


@pytest.fixture
def approval(cast: Cast) -> Approval:
    return casting.make_approval(cast)


@pytest.fixture
def season(approval: Approval) -> Season:
    flown = approval.analysis.test.flown_on
    return Season.objects.create(
        name="2026",
        starts_on=flown.replace(month=1, day=1),
        ends_on=flown.replace(month=12, day=31),
    )


@pytest.fixture
def rule(cast: Cast) -> Requirement:
    rule = Requirement.objects.create(jurisdiction=cast.state, name="Pattern test of each aircraft")
    RequirementVersion.objects.create(
        requirement=rule,
        number=1,
        effective_from=datetime.date(2020, 1, 1),
        source="Calloway Register 12.4, invented for these tests",
        rhythm="interval",
        interval_months=24,
        minimum_passes=3,
    )
    return rule


def issued(by: Any, kind: str, **about: Any) -> tuple[Paper, bytes, dict[str, Any]]:
    """A paper, its bytes, and its record as read from inside it."""
    job = papers.ask(kind, by=by, **about)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    paper = Paper.objects.select_related("slip__series").get(job=job)
    pdf = storage.fetch(paper.digest)
    with pikepdf.open(io.BytesIO(pdf)) as document:
        inside = document.attachments["record.json"].get_file().read_bytes()
        assert document.Root.Lang == "en"
        assert paper.slip.name in str(document.docinfo.Title)
        assert all("/FontFile2" in one for one in fonts(document))
    assert inside.decode() == paper.record
    assert broken_rules(pdf) == []
    assert scanned(pdf) == scanned(pdf, 0.5) == [check_address(paper)]
    shelf = os.environ.get("SWATHBOOK_ARTEFACTS")
    if shelf:
        (Path(shelf) / f"paper_{kind}_{paper.page_size}.pdf").write_bytes(pdf)
    return paper, pdf, json.loads(inside)["says"]


def test_swath_card_with_more_swaths_than_one_side_holds(cast: Cast, approval: Approval):
    for purpose in ("Edges near water", "Seed", "Narrow strips"):
        setup = casting.make_setup(cast, approval.aircraft, purpose=purpose)
        run = casting.make_analysis(cast, casting.make_tested(cast, setup))
        casting.make_approval(cast, run)
    paper, pdf, says = issued(
        cast.pilot, "swath_card", operator=cast.operator, aircraft=approval.aircraft
    )
    with pikepdf.open(io.BytesIO(pdf)) as document:
        assert len(document.pages) == 2
        box = [float(side) for side in document.pages[0].mediabox]
    assert box[2:] == pytest.approx([297.6, 419.5], abs=0.2)  # ISO 216 A6 in points
    assert len(says["approvals"]) == 4
    text = text_of(pdf)
    assert text.count("Changed since? Test again.") == 4
    assert "A test finding, not permission to spray." in text
    assert paper.valid_until == min(one.valid_until for one in Approval.objects.all())


def test_certificate_has_the_reasons_line_by_line_and_ends_with_them(
    cast: Cast, approval: Approval, rule: Requirement
):
    paper, pdf, says = issued(
        cast.staff,
        "certificate",
        operator=cast.operator,
        aircraft=approval.aircraft,
        requirement=rule,
    )
    text = text_of(pdf)
    for reason in says["reasons"]:
        assert reason in text
    assert "Calloway Register 12.4" in text
    assert "The authority whose rule it is has the last word." in text
    assert paper.valid_until is not None
    assert says["met_until"] == paper.valid_until.isoformat()
    assert verdict_on(paper).state == "valid"
    aircraft_services.change_aircraft(
        approval.aircraft, by=cast.staff, retired_on=timezone.localdate()
    )
    assert verdict_on(Paper.objects.get(pk=paper.pk)).state == "ended"


def test_no_certificate_where_the_rule_is_not_met(cast: Cast, rule: Requirement):
    setup = casting.make_setup(cast, casting.make_aircraft(cast))
    job = papers.ask(
        "certificate",
        by=cast.staff,
        operator=cast.operator,
        aircraft=setup.aircraft,
        requirement=rule,
    )
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == "failed"
    assert "does not meet Calloway: Pattern test of each aircraft now" in job.reason


def test_season_return_counts_every_aircraft_under_the_rules(
    cast: Cast, approval: Approval, rule: Requirement, season: Season
):
    casting.make_setup(cast, casting.make_aircraft(cast, cast.other_operator))
    _, pdf, says = issued(
        cast.staff, "season_return", jurisdiction=cast.state, season=season, page_size="a4"
    )
    assert [(one["aircraft"], one["state"]) for one in says["duties"]] == [
        ("XX-O01", "overdue"),
        ("XX-R01", "met"),
    ]
    assert "1 of 2" in text_of(pdf)


def test_fleet_statement_of_a_long_fleet_with_a_long_name(cast: Cast, approval: Approval):
    type(cast.operator).objects.filter(pk=cast.operator.pk).update(name=LONG_NAME)
    cast.operator.refresh_from_db()
    for number in range(2, 40):
        casting.make_aircraft(cast, number=number)
    _, pdf, says = issued(cast.owner, "fleet_statement", operator=cast.operator)
    assert (says["aircraft_in_service"], says["aircraft_with_an_approved_swath"]) == (39, 1)
    with pikepdf.open(io.BytesIO(pdf)) as document:
        assert len(document.pages) >= 2
    assert LONG_NAME in text_of(pdf)


def test_visit_summary_with_supplies_and_gifts(cast: Cast, approval: Approval, season: Season):
    visit = approval.analysis.test.visit
    SupplyUse.objects.create(
        visit=visit, what="string", amount=320.0, unit="m", recorded_by=cast.analyst
    )
    _gift(cast, season, visit)
    _, pdf, says = issued(cast.analyst, "visit_summary", visit=visit)
    text = text_of(pdf)
    assert "1 of 1" in text
    assert says["used"] == [["String", 320.0, "m"]]
    assert says["given"] == [["Hours of work", 6.0, "h"]]
    assert says["tests"][0]["approval"]["id"] == str(approval.pk)


def _gift(cast: Cast, season: Season, visit: Any = None) -> Gift:
    return Gift.objects.create(
        season=season,
        visit=visit,
        giver="Tamber Flat Co-op",
        kind="hours",
        amount=6.0,
        unit="h",
        given_on=season.starts_on,
        recorded_by=cast.staff,
    )


def test_participation_says_of_how_many(cast: Cast, approval: Approval, season: Season):
    from fleet.models import Membership

    for operator in (cast.operator, cast.other_operator):
        Membership.objects.create(
            operator=operator, season=season, kind="full", joined_on=season.starts_on
        )
    _, pdf, says = issued(cast.staff, "participation", season=season)
    text = text_of(pdf)
    assert "1 of 2" in text
    assert says["seasons"][-1]["members_part"] == 1
    assert says["seasons"][-1]["members"] == 2


def test_thanks_add_up_what_was_given(cast: Cast, approval: Approval, season: Season):
    _gift(cast, season, approval.analysis.test.visit)
    _gift(cast, season)
    _, pdf, says = issued(cast.staff, "thanks", season=season, giver="Tamber Flat Co-op")
    assert "12 h" in text_of(pdf)
    assert [one["amount"] for one in says["gifts"]] == [6.0, 6.0]
    job = papers.ask("thanks", by=cast.staff, season=season, giver="Nobody")
    jobs.run(job.pk)
    job.refresh_from_db()
    assert "Nothing is on record that Nobody gave" in job.reason


def test_field_sheet_prints_what_is_known_and_leaves_the_rest(cast: Cast, approval: Approval):
    visit = casting.make_visit(cast)
    SignUp.objects.create(
        operator=cast.operator,
        visit=visit,
        aircraft=approval.aircraft,
        state="placed",
        day=visit.starts_on,
        position=1,
        signed_up_by=cast.owner,
    )
    _, pdf, says = issued(cast.analyst, "field_sheet", visit=visit)
    with pikepdf.open(io.BytesIO(pdf)) as document:
        assert len(document.pages) == 3  # one known, two blank; the code fits below the last
    text = text_of(pdf)
    assert "40: flat fan 4010" in text
    assert [one["aircraft"] for one in says["sheets"]] == ["XX-R01"]
