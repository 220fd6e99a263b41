"""Fill an empty database with the cast and with records in every state that pages can show.

Run as `python -m tests.browser.play` on the data folder of a service that has not started yet, so
that no worker takes its jobs; gets the folder ready as the service does, and prints the keys of
what it made as JSON.
"""

from __future__ import annotations

import datetime
import json
import sys
from typing import Any

from deploy import prepare


def play() -> dict[str, str]:
    """Make the records through the services; return the keys by name."""
    from django.conf import settings
    from django.utils import timezone

    from fleet import jobs, tenancy
    from fleet.models import Job
    from fleet.services import aircraft, analyses, approvals, cards, papers, passes
    from tests import cast as made

    settings.JOB_HINT = "tests.browser.play.need_no_hint"
    today = timezone.localdate()
    people = made.make_cast()
    with tenancy.everyone():
        visit = made.make_visit(people, today)

        # Approved, superseded, with a report; one pass aborted, one left out by the analyst.
        first = made.make_aircraft(people)
        setup = made.make_setup(people, first)
        test = made.make_test(people, setup, visit)
        files = [(f"pass{n}.csv", made.trace_file(seed=n)) for n in range(1, 5)]
        added = passes.add_passes(test, by=people.analyst, files=files)
        passes.add_aborted_pass(test, by=people.analyst, reason="A bird crossed the line.")
        flight_pass = added[-1].flight_pass
        assert flight_pass is not None
        passes.overrule(
            flight_pass, by=people.analyst, overrule="leave_out", reason="Flown beside the line."
        )
        analysis = made.make_analysis(people, test)
        superseded = made.make_approval(people, analysis)
        approval = made.make_approval(people, analysis, note="Edges a line apart.")
        report = papers.request_report(analysis, by=people.owner)
        jobs.run(report.pk)

        # Cards measured twice, one of them left out.
        scan = made.make_cards(people, test)
        cards.place_cards(scan, by=people.analyst, places={2: (0.0, "Stepped on.")})
        again = cards.measure_again(
            scan, by=people.analyst, settings=cards.CardSettings(spread="none")
        )
        jobs.run(again.pk)

        # Withdrawn; then a set-up that was changed.
        second = made.make_aircraft(people, number=2)
        other = made.make_analysis(
            people, made.make_tested(people, made.make_setup(people, second))
        )
        withdrawn = made.make_approval(people, other)
        approvals.withdraw(withdrawn, by=people.analyst, reason="The reader was out of order.")
        third = made.make_aircraft(people, number=3)
        before = made.make_setup(people, third)
        made.make_approval(people, made.make_analysis(people, made.make_tested(people, before)))
        made.make_setup(people, third, pressure_kpa=310.0)

        # Without a set-up; out of service; without passes; not analysed; failed; under way.
        made.make_aircraft(people, number=4)
        retired = made.make_aircraft(people, number=5)
        aircraft.change_aircraft(retired, by=people.staff, retired_on=today)
        sixth = made.make_aircraft(people, number=6)
        fresh = made.make_test(people, made.make_setup(people, sixth), visit)
        waiting = made.make_tested(people, made.make_setup(people, sixth, purpose="Edges"))
        failed_test = made.make_test(people, made.make_setup(people, sixth, purpose="Fungi"), visit)
        quiet = "\n".join(["position_ft,reading", *(f"{x},{40 + x % 2}" for x in range(131))])
        passes.add_passes(failed_test, by=people.analyst, files=[("quiet.csv", quiet.encode())])
        failed = analyses.request_analysis(failed_test, by=people.analyst)
        jobs.run(failed.pk)
        running_test = made.make_tested(people, made.make_setup(people, sixth, purpose="Seed"))
        running = analyses.request_analysis(running_test, by=people.analyst)
        # Cards not placed yet, and a scan that is cut short.
        files = [("bed.png", made.card_file(7, cards=2)), ("cut.png", made.card_file(9)[:-4000])]
        for one in cards.add_scans(failed_test, by=people.analyst, files=files):
            assert one.job is not None, one.error
            jobs.run(one.job.pk)
        rule, waiver = play_rules(people, second, third)
        on_the_day, later, gift = play_clinics(people, [first, third, sixth])
        # In the hands of a worker that has an hour for it.
        Job.objects.filter(pk=running.pk).update(
            state="running",
            share=0.4,
            words="Reading pass 2 of 3",
            lease_until=timezone.now() + datetime.timedelta(hours=1),
        )
        failed.refresh_from_db()
        assert failed.state == "failed", failed.state
        return {
            name: str(record.pk)
            for name, record in {
                "operator": people.operator,
                "plan": made.make_proposal(people, first).plan,
                "visit": visit,
                "clinic_of_today": on_the_day,
                "clinic_to_come": later,
                "gift": gift,
                "filing": play_filing(people, test),
                "service": play_service(people, first),
                "jurisdiction": people.state,
                "rule": rule,
                "waiver": waiver,
                "aircraft": first,
                "changed_aircraft": third,
                "retired_aircraft": retired,
                "setup": setup,
                "changed_setup": before,
                "test": test,
                "test_without_passes": fresh,
                "test_not_analysed": waiting,
                "test_failed": failed_test,
                "test_running": running_test,
                "pass": flight_pass,
                "scan": scan,
                "analysis": analysis,
                "other_analysis": other,
                "approval": approval,
                "superseded": superseded,
                "withdrawn": withdrawn,
                "failed_job": failed,
                "running_job": running,
            }.items()
        } | {
            "card": "1",
            **play_members(people),
            "stop": play_reminders(people, today),
            **play_webhook(people),
            **play_papers(people, report),
        }


def play_papers(people: Any, report: Any) -> dict[str, str]:
    """A report that was issued, and a batch that waits."""
    from fleet.models import Paper, Season
    from fleet.queries.paper_batches import Wanted
    from fleet.services import papers

    slip = Paper.objects.get(job=report).slip
    assert slip is not None
    season = Season.objects.order_by("-starts_on").first()
    wanted = [Wanted("fleet_statement", one) for one in (people.operator, people.other_operator)]
    batch = papers.ask_batch(season, by=people.staff, kinds=["fleet_statement"], wanted=wanted)
    return {
        "code": slip.code,
        "slip": str(slip.pk),
        "slip_waiting": str(batch.slips.order_by("number")[0].pk),
        "batch": str(batch.pk),
    }


def play_webhook(people: Any) -> dict[str, str]:
    """A webhook of the owner's with a call that was not taken and waits for its next attempt."""
    from django.utils import timezone

    from fleet.models import HookCall
    from fleet.services import hooks

    hook = hooks.add_webhook(
        by=people.owner,
        operator=people.operator,
        address="https://hooks.redgrass.example/from/the/association/of/applicators",
        events=["approval.granted", "approval.ended", "paper.issued"],
    )
    now = timezone.now()
    for number, more in enumerate(({"taken_at": now, "status": 204}, {"next_at": now})):
        HookCall.objects.create(
            webhook=hook,
            operator=hook.operator,
            event="paper.issued",
            reason=f"issued:{number}",
            payload="{}",
            attempts=number + 1,
            trouble="It answered 503 Service Unavailable." if number else "",
            **more,
        )
    return {"webhook": str(hook.pk)}


def play_filing(people: Any, test: Any) -> Any:
    """A filing that was sent back, and is late."""
    from django.utils import timezone

    from fleet.models import Filing
    from fleet.services import filings

    filing = Filing.objects.create(
        operator=test.operator,
        jurisdiction=people.state,
        aircraft=test.setup.aircraft,
        test=test,
        what="Certificate of test",
        reason="invented",
        counted_from=timezone.now() - datetime.timedelta(days=30),
        due_at=timezone.now() - datetime.timedelta(days=9),
    )
    usual = {"by": people.staff, "happened_on": timezone.localdate()}
    filings.prepare(filing, **usual, words="The form of the state")
    filings.send(filing, **usual)
    file = filings.Answer("answer.txt", b"The serial number is missing")
    filings.reject(filing, **usual, words="The serial number is missing.", file=file)
    return filing


def play_service(people: Any, aircraft: Any) -> Any:
    """A record of service, which the state asks for by both lists; return what corrected it."""
    from fleet.record_lists import book
    from fleet.services import requirements, service_records
    from tests.fleet.test_service_records import full

    requirements.change_jurisdiction(people.state, by=people.staff, record_lists=list(book().lists))
    one = service_records.record_service(
        by=people.pilot, jurisdiction=people.state, aircraft=aircraft, values=full()
    )
    right = {**full(), "site": "Barley"}
    return service_records.correct_service_record(
        one, by=people.pilot, reason="It was barley.", values=right, aircraft=aircraft
    )


def play_rules(people: Any, waived: Any, elsewhere_too: Any) -> tuple[Any, Any]:
    """A rule in two versions, a waiver, work under another state; return rule and waiver."""
    from fleet.services import requirements

    today = requirements.today_in(people.state)
    says: dict[str, Any] = {
        "rhythm": "interval",
        "interval_months": 12,
        "minimum_passes": 3,
        "retest": {"nozzle_count": True, "pressure_percent": 10},
        "limits": {"wind_speed_m_s": 4.4704},
        "papers": ["Test report"],
    }
    rule = requirements.add_requirement(
        by=people.staff,
        jurisdiction=people.state,
        name="Pattern test every year",
        effective_from=datetime.date(2024, 1, 1),
        source="Invented letter of 2 December 2023.",
        **says,
    )
    requirements.record_version(
        rule,
        by=people.staff,
        effective_from=today + datetime.timedelta(days=60),
        source="Invented letter of today.",
        **{**says, "minimum_passes": 4},
    )
    waiver = requirements.grant_waiver(
        by=people.staff,
        aircraft=waived,
        requirement=rule,
        from_on=today,
        until_on=today + datetime.timedelta(days=30),
        reason="Engine out for overhaul.",
    )
    elsewhere = requirements.add_jurisdiction(
        by=people.staff, name="Lower Calloway", time_zone="America/Denver"
    )
    requirements.put_under(
        by=people.staff, aircraft=elsewhere_too, jurisdiction=elsewhere, from_on=today
    )
    return rule, waiver


def play_reminders(people: Any, day: datetime.date) -> str:
    """The letters of the day, one of them refused; return the owner's link to stop them."""
    from fleet import jobs
    from fleet.models import Job, ReminderChoice
    from fleet.queries.reminder_log import key_of_day, key_of_letter
    from fleet.services import post, reminders
    from fleet.services.reminder_letters import stop_token

    reminders.send_digests(day)
    jobs.run(key_of_day(day))
    refused = Job.objects.filter(pk=key_of_letter(day, people.pilot.pk))
    refused.update(state="failed", reason=post.REFUSED.format(says="550 No such user here"))
    for key in Job.objects.filter(kind="reminder_mail", state="queued").values_list(
        "pk", flat=True
    ):
        jobs.run(key)
    return stop_token(ReminderChoice.objects.get_or_create(person=people.owner)[0])


def play_members(people: Any) -> dict[str, str]:
    """Members of two seasons, an open link, one that was withdrawn, and three spreadsheets."""
    from fleet import jobs
    from fleet.models import Invitation, Season
    from fleet.queries.members import import_under_way
    from fleet.services import imports, invitations, season
    from tests.fleet.importing import sheets

    now = Season.objects.get()
    before = season.add_season(
        by=people.staff,
        name=f"{now.starts_on.year - 1}",
        starts_on=now.starts_on.replace(year=now.starts_on.year - 1),
        ends_on=now.starts_on - datetime.timedelta(days=1),
    )
    for operator, kind in ((people.operator, "full"), (people.other_operator, "associate")):
        season.join(by=people.staff, operator=operator, season=before, kind=kind)
    membership = season.join(
        by=people.staff, operator=people.operator, season=now, kind="full", note="Hosts a clinic"
    )
    invited = [
        invitations.invite(
            by=people.owner,
            operator=people.operator,
            email=f"{name.lower()}@redgrass.example",
            name=f"{name} New",
            role="pilot",
        ).invitation
        for name in ("Nia", "Noe")
    ]
    invitations.withdraw(invited[1], by=people.owner)
    token = "a-link-of-these-pages"
    Invitation.objects.filter(pk=invited[0].pk).update(token_digest=invitations.digest_of(token))
    good, known = sheets.row(), sheets.row(operator=people.operator.name, base="Tamber")
    brought = {
        name: imports.bring(
            by=people.staff, name=f"{name}.csv", data=sheets.csv_of(rows), for_season=now
        )
        for name, rows in {
            "import_done": [good],
            "import_good": [
                sheets.row(registration="XX-L02", kind="drone"),
                {
                    **known,
                    **dict.fromkeys(("registration", "make", "model", "kind", "span_ft"), ""),
                },
            ],
            "import_wrong": [sheets.row(joined_on="03/04/2026"), sheets.row(span_ft="wide")],
        }.items()
    }
    for sheet in brought.values():
        jobs.run(import_under_way(sheet).pk)
        sheet.refresh_from_db()
    done = brought["import_done"]
    jobs.run(imports.ask_apply(done, by=people.staff, seen=done.plan["mark"]).pk)
    records = {
        "season_now": now,
        "membership": membership,
        "invitation": invited[0],
        "invitation_withdrawn": invited[1],
        **brought,
    }
    return {name: str(record.pk) for name, record in records.items()} | {"link": token}


def play_clinics(people: Any, ours: list[Any]) -> tuple[Any, Any, Any]:
    """A clinic of today with a running order and a waiting list, one to come, and a gift."""
    from django.utils import timezone

    from fleet.models import Aircraft, Season
    from fleet.queries.clinics import sign_ups_of
    from fleet.services import clinics, gifts, season, visits
    from tests import cast as made

    today = timezone.localdate()
    values: dict[str, Any] = {
        "by": people.analyst,
        "kind": "clinic",
        "analyst": people.analyst,
        "first_slot_at": datetime.time(7, 30),
        "slot_minutes": 20,
    }
    on_the_day = visits.plan_visit(
        **values,
        place="Hollow Butte strip",
        starts_on=today,
        ends_on=today,
        aircraft_per_day=5,
        note="Hangar 3. Bring the keys of the pump.",
    )
    without = Aircraft.objects.get(registration="XX-R04")
    theirs = [made.make_aircraft(people, people.other_operator, n) for n in range(1, 4)]
    made.make_setup(people, theirs[0])
    for aircraft, wish in [
        (ours[0], "After the new tips; early, please"),
        (theirs[0], ""),
        (ours[1], "Main season work"),
        (without, ""),
        (theirs[1], ""),
        (theirs[2], ""),
        (ours[2], "Edges"),
    ]:
        clinics.sign_up(by=people.staff, visit=on_the_day, aircraft=aircraft, wish=wish)
    clinics.mark_absent(
        sign_ups_of(people.staff).get(aircraft=theirs[1], visit=on_the_day),
        by=people.analyst,
    )
    gifts.record_supply(by=people.analyst, visit=on_the_day, what="dye", amount=250.0)
    later = visits.plan_visit(
        **values,
        place="Long Draw airfield",
        starts_on=today + datetime.timedelta(days=9),
        ends_on=today + datetime.timedelta(days=10),
        aircraft_per_day=3,
        latitude_deg=41.5,
        longitude_deg=-103.25,
    )
    clinics.sign_up(by=people.owner, visit=later, aircraft=ours[0])
    if not Season.objects.exists():
        season.add_season(
            by=people.staff,
            name=f"{today.year}",
            starts_on=today.replace(month=1, day=1),
            ends_on=today.replace(month=12, day=31),
        )
    gift = gifts.record_gift(
        by=people.staff,
        giver="Field Days of Calloway",
        kind="hours",
        amount=6.0,
        unit="h",
        what="two helpers at the string",
        given_on=today,
        visit=on_the_day,
    )
    return on_the_day, later, gift


def need_no_hint(_job_id: Any) -> None:
    """Stand in for the hint to a worker: there is none yet."""


if __name__ == "__main__":
    prepare.main([])
    json.dump(play(), sys.stdout)
