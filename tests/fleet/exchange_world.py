"""Two operators who meet on a clinic, with one of every record, for tests of exports."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from django.utils import timezone

from fleet import jobs, storage
from fleet.models import (
    Filing,
    Gift,
    Invitation,
    Operator,
    Paper,
    PaperSlip,
    PaperVoid,
    Person,
    ReminderChoice,
    Requirement,
    Season,
    ServiceRecord,
    Test,
    Visit,
    VisitWish,
    Waiver,
    WorksUnder,
)
from fleet.queries.paper_batches import Wanted
from fleet.services import (
    approvals,
    clinics,
    feeds,
    filings,
    gifts,
    hooks,
    papers,
    passes,
    visits,
)
from fleet.services import requirements as rule_services
from fleet.services import season as season_services
from fleet.services.requirements import today_in
from reports.kinds import MAKERS
from reports.paper import Draft
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_cards,
    make_cast,
    make_setup,
    make_test,
    trace_file,
)

DAY = datetime.date(2026, 4, 14)
SECRET_TOKEN = "the-token-of-a-link"
# Everything that must not go out with our operator's export holds this word.
THEIRS = "Zanzaroo"


def plain(slip: PaperSlip) -> Draft:
    """The plainest paper there is, quickly set."""
    words = f"<!DOCTYPE html><html lang='en'><title>{slip.name}</title><p>{slip.name}</p></html>"
    return Draft(f"Statement {slip.name}", {}, slip.created_at, lambda foot: [words])


def make_world(patch: pytest.MonkeyPatch) -> Cast:
    """Make both operators' records; returns the cast. Every secret there can be is there."""
    patch.setitem(MAKERS, "fleet_statement", plain)  # type: ignore[arg-type]
    cast = make_cast()
    Operator.objects.filter(pk=cast.other_operator.pk).update(name=f"{THEIRS} Spraying")
    Person.objects.filter(pk=cast.outsider.pk).update(name=f"Otto {THEIRS}")
    cast.other_operator.refresh_from_db()
    season = season_services.add_season(
        by=cast.staff,
        name="2026",
        starts_on=datetime.date(2026, 1, 1),
        ends_on=datetime.date(2026, 12, 31),
    )
    clinic = visits.plan_visit(
        by=cast.analyst,
        kind="clinic",
        place="Tamber Flat airstrip",
        starts_on=DAY,
        ends_on=DAY,
        analyst=cast.analyst,
        note=f"{THEIRS} comes first.",
    )
    gifts.record_supply(by=cast.analyst, visit=clinic, what="dye", amount=40.0)
    Gift.objects.create(
        season=season,
        giver=f"Field Days of {THEIRS}",
        kind="hours",
        amount=6.0,
        unit="h",
        given_on=DAY,
        recorded_by=cast.staff,
    )
    theirs = _life(cast, cast.other_operator, cast.outsider, clinic, season, f"{THEIRS}-pass")
    ours = _life(cast, cast.operator, cast.owner, clinic, season, "pass")
    _results(cast, ours)
    _papers(cast, season, theirs, ours)
    return cast


def _life(
    cast: Cast, operator: Operator, owner: Person, clinic: Visit, season: Season, name: str
) -> Test:
    """What both operators have alike; the bytes of the first pass are the same for both."""
    aircraft = make_aircraft(cast, operator)
    setup = make_setup(cast, aircraft, note=f"Of {operator}")
    test = make_test(cast, setup, clinic)
    files = [(f"{name}{number}.csv", trace_file(seed=number)) for number in (1, 2, 3)]
    assert not any(one.error for one in passes.add_passes(test, by=cast.analyst, files=files))
    season_services.join(by=cast.staff, operator=operator, season=season, kind="full")
    to_come = timezone.localdate() + datetime.timedelta(days=20)
    private = visits.plan_visit(
        by=cast.analyst,
        kind="private",
        place=f"At {operator}",
        starts_on=to_come,
        ends_on=to_come,
        analyst=cast.analyst,
        host=operator,
        note=f"Gate code of {operator}",
    )
    clinics.sign_up(by=cast.staff, visit=private, aircraft=aircraft)
    Invitation.objects.create(
        operator=operator,
        email=f"new@{name}.example",
        name="Nia New",
        role="pilot",
        token_digest=storage.digest_of(f"{SECRET_TOKEN}{name}".encode()),
        expires_at=timezone.now() + datetime.timedelta(days=14),
        invited_by=owner,
    )
    ReminderChoice.objects.create(person=owner, unwanted=["visit"])
    hooks.add_webhook(
        by=owner,
        operator=operator,
        address="https://hooks.redgrass.example/in",
        events=["paper.issued"],
    )
    feeds.renew_calendar(owner)
    _ruled(cast, test)
    first = ServiceRecord.objects.create(
        operator=operator,
        aircraft=aircraft,
        jurisdiction=cast.state,
        lists=["invented"],
        served_on=DAY,
        values={"crop": f"Oats of {operator}", "rate": 28.0},
        recorded_by=owner,
    )
    ServiceRecord.objects.create(
        operator=operator,
        aircraft=aircraft,
        jurisdiction=cast.state,
        lists=["invented"],
        served_on=DAY,
        values={"crop": f"Barley of {operator}", "note": "½ “half” \u2028 line"},
        corrects=first,
        reason="Mistyped",
        recorded_by=owner,
    )
    return test


def _ruled(cast: Cast, test: Test) -> None:
    aircraft = test.setup.aircraft
    rule = rule_services.add_requirement(
        by=cast.staff,
        jurisdiction=cast.state,
        name=f"Pattern test {Requirement.objects.count()}",
        effective_from=today_in(cast.state),
        source="Invented for tests.",
        rhythm="once",
        retention_years=3,
    )
    elsewhere = rule_services.add_jurisdiction(by=cast.staff, name=f"State of {test.operator}")
    WorksUnder.objects.create(
        operator=test.operator, aircraft=aircraft, jurisdiction=elsewhere, from_on=DAY
    )
    Waiver.objects.create(
        operator=test.operator,
        aircraft=aircraft,
        requirement=rule,
        from_on=DAY,
        until_on=DAY,
        reason=f"Engine of {test.operator} out",
        granted_by=cast.staff,
    )
    VisitWish.objects.create(
        operator=test.operator, aircraft=aircraft, from_on=DAY, until_on=DAY, wished_by=cast.staff
    )
    filing = Filing.objects.create(
        operator=test.operator,
        jurisdiction=cast.state,
        version=rule.versions.get(),
        aircraft=aircraft,
        test=test,
        what="Certificate",
        reason=f"invented:{test.pk}",
        counted_from=timezone.now() - datetime.timedelta(days=30),
    )
    usual: dict[str, Any] = {"by": cast.staff, "happened_on": timezone.localdate(), "words": "Said"}
    filings.prepare(filing, **usual)
    filings.send(filing, **usual)
    answer = filings.Answer("answer.txt", f"Sent back to {test.operator}".encode())
    filings.reject(filing, **usual, file=answer)


def _results(cast: Cast, test: Test) -> None:
    """Cards, an analysis that could not be made and one that was, and approvals of ours alone."""
    make_cards(cast, test, cards=1)
    without = make_test(cast, make_setup(cast, test.setup.aircraft, purpose="Edges"), test.visit)
    passes.add_aborted_pass(without, by=cast.analyst, reason="Rain")
    analysis = make_analysis(cast, test)
    first = make_approval(cast, analysis)
    second = make_approval(cast, analysis, note="Again")
    assert second.supersedes == first
    approvals.withdraw(second, by=cast.analyst, reason="Boom bent")


def _papers(cast: Cast, season: Season, theirs: Test, ours: Test) -> None:
    """Papers of both in one batch and one series: theirs first and last, ours between."""
    wanted = [Wanted("fleet_statement", one.operator) for one in (theirs, ours)]
    batch = papers.ask_batch(season, by=cast.staff, kinds=["fleet_statement"], wanted=wanted)
    for slip in batch.slips.order_by("number"):
        _issue(slip)
    ours_first = Paper.objects.get(operator=ours.operator)
    reissued = PaperSlip.objects.get(
        pk=papers.reissue(ours_first, by=cast.staff, reason="Spelling").subject_id
    )
    second = _issue(reissued)
    papers.withdraw_paper(second, by=cast.staff, reason="Wrong again")
    given_up = PaperSlip.objects.get(
        pk=papers.ask("swath_card", by=cast.staff, operator=ours.operator,
                      aircraft=ours.setup.aircraft).subject_id
    )  # fmt: skip
    jobs.Job.objects.filter(subject_id=given_up.pk).update(state="failed", reason="No swath")
    PaperVoid.objects.create(
        operator=ours.operator, slip=given_up, reason="No swath", given_up_by=cast.staff
    )
    papers.ask("fleet_statement", by=cast.outsider, operator=theirs.operator)


def _issue(slip: PaperSlip) -> Paper:
    job = jobs.Job.objects.get(kind="paper", subject_id=slip.pk)
    jobs.run(job.pk)
    return Paper.objects.get(slip=slip)
