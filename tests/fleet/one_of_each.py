"""A world with one of each record, all of one operator: for tests that walk every address."""

from __future__ import annotations

import datetime
from types import SimpleNamespace
from typing import Any

from django.utils import timezone

from fleet import jobs, storage, tenancy
from fleet.models import (
    Aircraft,
    Filing,
    Gift,
    Invitation,
    OperatorExport,
    Person,
    ReminderChoice,
    Season,
    ServiceRecord,
)
from fleet.queries.paper_batches import Wanted
from fleet.services import (
    clinics,
    exports,
    feeds,
    filings,
    gifts,
    hooks,
    imports,
    invitations,
    papers,
    passes,
    service_records,
)
from fleet.services import requirements as rule_services
from fleet.services import season as season_services
from fleet.services.reminder_letters import stop_token
from tests.cast import (
    Cast,
    make_aircraft,
    make_analysis,
    make_approval,
    make_cards,
    make_proposal,
    make_tested,
    make_visit,
)


def make_one_of_each(cast: Cast) -> dict[str, Any]:
    """Make one of each record, all of them our operator's; return them by name."""
    with tenancy.everyone():
        test = make_tested(cast)
        scan = make_cards(cast, test, cards=1)
        analysis = make_analysis(cast, test)
        approval = make_approval(cast, analysis)
        passes.add_aborted_pass(test, by=cast.analyst, reason="Bird")
        job = papers.request_report(analysis, by=cast.owner)
        jobs.run(job.pk)
        job.refresh_from_db()
        season = season_services.add_season(
            by=cast.staff,
            name="2026",
            starts_on=datetime.date(2026, 1, 1),
            ends_on=datetime.date(2026, 12, 31),
        )
        sheet = b"operator,base\nNew Reach Air,New Reach\n"
        return {
            **signed_up(cast, season),
            "season": season,
            "membership": season_services.join(
                by=cast.staff, operator=cast.operator, season=season, kind="full"
            ),
            **invited(cast),
            **ruled(cast, approval.aircraft),
            **filed(cast, test),
            "service": served(cast, approval.aircraft),
            "import": imports.bring(by=cast.staff, name="members.csv", data=sheet),
            **planned(cast, approval.aircraft),
            "operator": cast.operator,
            "export": exported(cast),
            "person": cast.owner,
            "stop": reminder_link(cast.owner),
            "aircraft": approval.aircraft,
            "setup": approval.setup,
            "visit": test.visit,
            "test": test,
            "pass": test.passes.first(),
            "scan": scan,
            "measurement": scan.runs.get(),
            "job": job,
            "analysis": analysis,
            "approval": approval,
            "paper": job.paper,
            "slip": job.paper.slip,
            "code": job.paper.slip.code,
            "batch": papers.ask_batch(
                season,
                by=cast.staff,
                kinds=["fleet_statement"],
                wanted=[Wanted("fleet_statement", cast.operator)],
            ),
            **fed(cast),
            "further": {"number": 1, "signed": job.paper.signed},
        }


def planned(cast: Cast, aircraft: Any) -> dict[str, Any]:
    """A wish, a plan that it is in, and a proposal of tours."""
    proposal = make_proposal(cast, aircraft)
    wish = aircraft.wishes.get()
    return {"plan": proposal.plan, "proposal": proposal, "wish": wish}


def fed(cast: Cast) -> dict[str, Any]:
    """A webhook that was told something, and the secret of a calendar."""
    hook = hooks.add_webhook(
        by=cast.owner,
        operator=cast.operator,
        address="https://hooks.redgrass.example/in",
        events=["approval.granted"],
    )
    return {
        "webhook": hook,
        "calendar": SimpleNamespace(pk=feeds.renew_calendar(cast.owner)),
    }


def ruled(cast: Cast, aircraft: Aircraft) -> dict[str, Any]:
    """A rule of the home jurisdiction, a waiver of it, and work under another one."""
    today = rule_services.today_in(cast.state)
    rule = rule_services.add_requirement(
        by=cast.staff,
        jurisdiction=cast.state,
        name="Pattern test",
        effective_from=today,
        source="Invented for tests.",
        rhythm="once",
    )
    elsewhere = rule_services.add_jurisdiction(by=cast.staff, name="Elsewhere")
    return {
        "jurisdiction": cast.state,
        "rule": rule,
        "waiver": rule_services.grant_waiver(
            by=cast.staff,
            aircraft=aircraft,
            requirement=rule,
            from_on=today,
            until_on=today,
            reason="Engine out",
        ),
        "under": rule_services.put_under(
            by=cast.staff, aircraft=aircraft, jurisdiction=elsewhere, from_on=today
        ),
    }


def filed(cast: Cast, test: Any) -> dict[str, Any]:
    """A filing that was sent back, with what came."""
    filing = Filing.objects.create(
        operator=cast.operator,
        jurisdiction=cast.state,
        aircraft=test.setup.aircraft,
        test=test,
        what="Certificate",
        reason="invented",
        counted_from=timezone.now() - datetime.timedelta(days=30),
    )
    usual = {"by": cast.staff, "happened_on": timezone.localdate(), "words": "Said"}
    filings.prepare(filing, **usual)
    filings.send(filing, **usual)
    file = filings.Answer("answer.txt", b"Sent back")
    return {"filing": filing, "answer": filings.reject(filing, **usual, file=file)}


def served(cast: Cast, aircraft: Aircraft) -> ServiceRecord:
    """A record of service, which the state asks for."""
    asked = ["14-cfr-137.71"]
    rule_services.change_jurisdiction(cast.state, by=cast.staff, record_lists=asked)
    pilot = {"name": "Pim Pilot", "address": "Base", "certificate": "0", "met_on": "2020-01-01"}
    return service_records.record_service(
        by=cast.pilot,
        jurisdiction=cast.state,
        aircraft=aircraft,
        values={
            "served_on": str(rule_services.today_in(cast.state)),
            "customer_name": "Wren Hollow Farm",
            "customer_address": "Road 9",
            "materials": [{"name": "Water", "amount": {"number": 40, "unit": "gal"}}],
            "pilots": [pilot],
        },
    )


def invited(cast: Cast) -> dict[str, Any]:
    """An open invitation, and the token of its link."""
    token = "the-token-of-a-link"
    invitation = Invitation.objects.create(
        operator=cast.operator,
        email="new@redgrass.example",
        name="Nia New",
        role="pilot",
        token_digest=invitations.digest_of(token),
        expires_at=timezone.now() + datetime.timedelta(days=14),
        invited_by=cast.owner,
    )
    return {"invitation": invitation, "token": SimpleNamespace(pk=token)}


def signed_up(cast: Cast, season: Season) -> dict[str, Any]:
    """A place on a visit, something it used up, and a gift."""
    visit = make_visit(cast, timezone.localdate())
    aircraft = make_aircraft(cast, number=7)
    return {
        "sign_up": clinics.sign_up(by=cast.staff, visit=visit, aircraft=aircraft),
        "supply": gifts.record_supply(by=cast.analyst, visit=visit, what="dye", amount=40.0),
        "gift": Gift.objects.create(
            season=season,
            giver="Field Days of Calloway",
            kind="hours",
            amount=6.0,
            unit="h",
            given_on=season.starts_on,
            recorded_by=cast.staff,
        ),
    }


def exported(cast: Cast) -> OperatorExport:
    """An export whose file is there."""
    job = exports.ask_export(cast.operator, by=cast.owner)
    jobs.Job.objects.filter(pk=job.pk).update(state="done")
    digest = storage.keep(b"What stands for an archive.")
    return OperatorExport.objects.create(
        operator=cast.operator,
        job=job,
        digest=digest,
        size=27,
        rows=1,
        files=0,
        asked_by=cast.owner,
    )


def reminder_link(person: Person) -> SimpleNamespace:
    """What stands in the address of the link that stops a person's reminders."""
    return SimpleNamespace(pk=stop_token(ReminderChoice.objects.create(person=person)))
