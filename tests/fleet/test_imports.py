"""Importing members and fleet: looked at, then all or nothing; twice changes nothing."""

from __future__ import annotations

import datetime
import threading
from uuid import UUID

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.urls import reverse
from django.utils import timezone

from fleet import jobs, storage, tables, tenancy
from fleet.importing import read
from fleet.models import (
    Aircraft,
    AuditRow,
    Job,
    Membership,
    Operator,
    Person,
    Season,
    SheetImport,
)
from fleet.queries.import_plan import Plan, rows_shown
from fleet.queries.imports import plan
from fleet.queries.members import import_under_way
from fleet.queries.whose import aircraft_of
from fleet.services import aircraft as aircraft_services
from fleet.services import imports, people
from fleet.services import season as season_services
from fleet.web.lists import fleet_table, members_table
from tests.cast import Cast, make_aircraft, make_cast
from tests.fleet.importing.sheets import csv_of, row, xlsx_of
from tests.fleet.web.asking import signed_in, words_of

pytestmark = [pytest.mark.django_db]

NO_AIRCRAFT = dict.fromkeys(("registration", "make", "model", "kind", "span_ft"), "")


@pytest.fixture
def season(cast: Cast, everyone: None) -> Season:
    return make_season(cast)


def make_season(cast: Cast) -> Season:
    return season_services.add_season(
        by=cast.staff,
        name="2026",
        starts_on=datetime.date(2026, 1, 1),
        ends_on=datetime.date(2026, 12, 31),
    )


def bring(cast: Cast, data: bytes, season: Season | None = None) -> SheetImport:
    """Bring a file, and have it read."""
    sheet = imports.bring(by=cast.staff, name="members.csv", data=data, for_season=season)
    return worked(sheet)


def worked(sheet: SheetImport) -> SheetImport:
    """Do what is waiting to be done with a file, as a worker does."""
    job = import_under_way(sheet)
    assert job is not None
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    sheet.refresh_from_db()
    return sheet


def plan_of(cast: Cast, data: bytes, season: Season | None = None) -> Plan:
    return plan(cast.staff, read(data), season)


def carry_out(cast: Cast, sheet: SheetImport) -> SheetImport:
    imports.ask_apply(sheet, by=cast.staff, seen=sheet.plan["mark"])
    return worked(sheet)


def apply(cast: Cast, data: bytes, season: Season | None = None) -> SheetImport:
    sheet = carry_out(cast, bring(cast, data, season))
    assert (sheet.state, sheet.trouble) == ("applied", "")
    return sheet


def faults(plan: Plan) -> list[str]:
    return [str(fault) for fault in plan.faults]


# --- what is brought


def test_new_operator_with_membership_and_two_aircraft(cast: Cast, season: Season):
    rows = [
        row(),
        row(registration="xx-l02", model="Rotor 5", kind="helicopter", span_ft="31.7", base=""),
    ]
    sheet = bring(cast, csv_of(rows), season)
    assert sheet.tally["aircraft"] == {"added": 2, "changed": 0, "same": 0}
    assert not Operator.objects.filter(name="Long Draw Air").exists()  # only looked at
    apply(cast, csv_of(rows), season)
    operator = Operator.objects.get(name="Long Draw Air")
    assert (operator.base, operator.jurisdiction) == ("Long Draw", cast.state)
    assert (operator.base_latitude_deg, operator.base_longitude_deg) == (38.5, -99.25)
    fleet = {one.registration: one for one in operator.aircraft.all()}
    assert fleet["XX-L01"].span_m == pytest.approx(49.2 * 0.3048)
    assert fleet["XX-L02"].kind == "helicopter"
    member = Membership.objects.get(operator=operator)
    assert (member.kind, member.joined_on) == ("full", datetime.date(2026, 2, 3))
    deeds = AuditRow.objects.filter(operator=operator).values_list("deed", flat=True)
    assert sorted(deeds) == ["aircraft_added", "aircraft_added", "member_joined", "operator_added"]


@pytest.mark.parametrize("make", [csv_of, xlsx_of], ids=["csv", "xlsx"])
def test_the_same_file_twice_changes_nothing(cast: Cast, season: Season, make):
    data = make([row(), row(registration="XX-L02"), row(operator="Alone Air", **NO_AIRCRAFT)])
    apply(cast, data, season)
    before = AuditRow.objects.exclude(subject_kind="sheetimport").count()
    again = bring(cast, data, season)
    assert {row["state"] for row in again.plan["rows"]} == {"same"}
    with pytest.raises(ValidationError, match="There is nothing to do"):
        carry_out(cast, again)
    assert AuditRow.objects.exclude(subject_kind="sheetimport").count() == before
    assert Operator.objects.filter(name="Alone Air").count() == 1


def test_changes_say_old_and_new(cast: Cast, season: Season):
    apply(cast, csv_of([row()]), season)
    changed = plan_of(
        cast,
        csv_of([row(base="Long Draw North", phone="", model="Sower 500", membership_kind="guest")]),
        season,
    )
    told = {
        (step.what, one.field): (one.old, one.new)
        for step in changed.steps
        for one in step.differences
    }
    assert told == {
        ("operator", "base"): ("Long Draw", "Long Draw North"),  # an empty phone says nothing
        ("member", "kind"): ("full", "guest"),
        ("aircraft", "model"): ("Sower 400", "Sower 500"),
    }


def test_fleet_as_exported_changes_nothing(cast: Cast, everyone: None):
    """Round trip, in both units and both kinds of file; among them names that look like formulas,
    an aircraft out of service, and one that was sold and flies for another operator.
    """
    make_aircraft(cast)
    people.change_operator(
        cast.operator,
        by=cast.staff,
        base="=Tamber; Flat",
        phone="+1 555 0100",
        base_latitude_deg=38.123456,
        base_longitude_deg=-99.7,
    )
    sold = make_aircraft(cast, number=2)
    aircraft_services.change_aircraft(
        sold, by=cast.staff, retired_on=datetime.date(2026, 3, 1), span_m=17.123
    )
    aircraft_services.add_aircraft(
        by=cast.staff, operator=cast.other_operator, registration=sold.registration, make="",
        model="Älter 'n' Wide", kind="helicopter", span_m=10.05,
    )  # fmt: skip
    people.change_operator(cast.operator, by=cast.staff, base_latitude_deg=38.12346)
    for system in ("us", "metric"):
        cast.staff.unit_system = system
        rows = aircraft_of(cast.staff).select_related("operator__jurisdiction")
        table = fleet_table(cast.staff, rows)
        table = tables.Table(table.title, table.columns, list(table.rows))
        for data in (tables.as_csv(table), tables.as_xlsx(table)):
            plan = plan_of(cast, data)
            assert faults(plan) == []
            assert plan.steps == []
            assert plan.tally["aircraft"]["same"] == 3


def test_members_as_exported_change_nothing(cast: Cast, season: Season):
    one = season_services.join(by=cast.staff, operator=cast.operator, season=season, kind="guest")
    season_services.lapse(one, by=cast.staff, lapsed_on=season.ends_on)
    season_services.join(by=cast.staff, operator=cast.other_operator, season=season, kind="full")
    from fleet.queries.members import members_with_fleet

    table = members_table(season, members_with_fleet(cast.staff, season))
    plan = plan_of(cast, tables.as_csv(table), season)
    assert (faults(plan), plan.steps) == ([], [])
    assert plan.tally["member"]["same"] == 2


# --- what is refused, with its place and the remedy


def test_registration_of_another_operator_is_no_takeover(cast: Cast, everyone: None):
    theirs = make_aircraft(cast, cast.other_operator)
    data = csv_of([row(registration=theirs.registration, membership_kind="")])
    [fault] = faults(plan_of(cast, data))
    assert fault == (
        "Row 2, registration: XX-O01 is in the fleet of Other Creek Spraying. "
        "Correct it, or take it out of service at Other Creek Spraying first."
    )
    with pytest.raises(ValidationError, match="is in the fleet of Other Creek Spraying"):
        apply(cast, data)
    theirs.refresh_from_db()
    assert theirs.operator == cast.other_operator


NO_MEMBER = {"membership_kind": "", "joined_on": ""}
WRONG = {
    "two homes of one operator": (
        [row(**NO_MEMBER), row(registration="XX-L02", base="Elsewhere", **NO_MEMBER)],
        'Row 3, base: Says "Elsewhere" where row 2 says "Long Draw".',
    ),
    "new operator without a home": (
        [row(base="", **NO_MEMBER)], "Row 2, base: Long Draw Air is new, and its home base",
    ),
    "unknown jurisdiction": (
        [row(jurisdiction="Nowhere", **NO_MEMBER)],
        'Row 2, jurisdiction: No jurisdiction is called "Nowhere". Add it first, or write one '
        "that is on record (Calloway).",
    ),
    "one coordinate": (
        [row(base_longitude="", **NO_MEMBER)],
        "Row 2, base longitude: Is missing beside the other one.",
    ),
    "aircraft twice": (
        [row(**NO_MEMBER), row(**NO_MEMBER)],
        "Row 3, registration: XX-L01 stands in row 2 already. Keep one of the two rows.",
    ),
    "aircraft of two": (
        [row(**NO_MEMBER), row(operator="Second Air", **NO_MEMBER)],
        "Row 3, registration: XX-L01 is given to another operator in row 2.",
    ),
    "new aircraft without a model": (
        [row(model="", **NO_MEMBER)], "Row 2, model: XX-L01 is new, and this is missing.",
    ),
    "new aircraft without a span": (
        [row(span_ft="", **NO_MEMBER)], "Row 2, span_ft: XX-L01 is new, and this is missing.",
    ),
    "particulars without a registration": (
        [row(registration="", **NO_MEMBER)],
        "Row 2, registration: Has particulars of an aircraft, but no registration.",
    ),
    "new and out of service": (
        [row(out_of_service_since="2026-01-05", **NO_MEMBER)],
        "Row 2, out of service since: XX-L01 is not on record, and out of service.",
    ),
    "membership without a season": (
        [row()], "Row 2, membership kind: Says how the operator belongs, and no season was chosen",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_told(cast: Cast, everyone: None, name: str):
    rows, said = WRONG[name]
    found = faults(plan_of(cast, csv_of(rows)))
    assert any(one.startswith(said) for one in found), found
    with pytest.raises(ValidationError):
        apply(cast, csv_of(rows))
    assert not Operator.objects.filter(name="Long Draw Air").exists()


def test_a_day_beyond_the_season_is_told(cast: Cast, season: Season):
    [fault] = faults(plan_of(cast, csv_of([row(joined_on="2027-01-01")]), season))
    assert fault.startswith("Row 2, joined on: 1 January 2027 does not fit: Season 2026 ends on")


def test_an_aircraft_out_of_service_is_not_brought_back_by_a_file(cast: Cast, everyone: None):
    one = make_aircraft(cast)
    aircraft_services.change_aircraft(one, by=cast.staff, retired_on=datetime.date(2026, 3, 3))
    line = row(operator=cast.operator.name, registration=one.registration, **NO_MEMBER)
    [fault] = faults(plan_of(cast, csv_of([line])))
    assert "XX-R01 went out of service on 3 March 2026. Bring it back on its page first" in fault
    away = row(
        operator=cast.operator.name, registration=one.registration,
        out_of_service_since="2026-03-03", **NO_MEMBER,
    )  # fmt: skip
    assert faults(plan_of(cast, csv_of([away]))) == []


def test_who_left_gets_no_aircraft_and_no_membership(cast: Cast, season: Season):
    people.change_operator(cast.operator, by=cast.staff, left_on=datetime.date(2026, 1, 5))
    found = faults(plan_of(cast, csv_of([row(operator=cast.operator.name)]), season))
    assert len(found) == 2
    assert all("eft the association on 5 January 2026" in one for one in found)


# --- all or nothing


def test_nothing_half_done(cast: Cast, season: Season, monkeypatch):
    """The fault comes only at the last step, as when a rule of a service knows more."""

    def failing(one: Aircraft) -> None:
        if one.registration == "XX-L09":
            raise ValidationError({"model": ["Not today."]})

    sheet = bring(cast, csv_of([row(), row(registration="XX-L09")]), season)
    monkeypatch.setattr(Aircraft, "clean", failing)
    carry_out(cast, sheet)
    assert sheet.trouble == "Nothing was changed. Row 3, XX-L09: Not today."
    assert sheet.state == "previewed"
    assert not Operator.objects.filter(name="Long Draw Air").exists()


def test_what_changed_since_it_was_looked_at_is_told_row_by_row(cast: Cast, season: Season):
    apply(cast, csv_of([row(), row(registration="XX-L02")]), season)
    changed = [row(model="Sower 500"), row(registration="XX-L02", model="Sower 500")]
    sheet = bring(cast, csv_of(changed), season)
    imports.ask_apply(sheet, by=cast.staff, seen=sheet.plan["mark"])
    one = Aircraft.objects.get(registration="XX-L02")  # changed while the worker was busy
    aircraft_services.change_aircraft(one, by=cast.staff, model="Sower 450")
    worked(sheet)
    assert sheet.state == "previewed"
    assert "no longer what you looked at" in sheet.trouble
    [moved] = rows_shown(sheet.plan, "moved")
    assert (moved["row"], moved["steps"][-1]["differences"]) == (
        3, [{"field": "model", "old": "Sower 450", "new": "Sower 500"}],
    )  # fmt: skip
    one.refresh_from_db()
    assert one.model == "Sower 450"
    page = words_of(signed_in(cast.staff).get(reverse("import", args=[sheet.pk])))
    assert "1 Otherwise than before" in page
    assert "Row 3 Long Draw Air XX-L02 Aircraft XX-L02: Changed model: Sower 450" in page
    assert carry_out(cast, sheet).state == "applied"  # it was looked at again
    with pytest.raises(ValidationError, match="carried out or thrown away before"):
        imports.discard(sheet, by=cast.staff)


def test_a_row_that_does_not_fit_any_more_says_what_is_wrong(cast: Cast, season: Season):
    sheet = bring(cast, csv_of([row()]), season)
    imports.ask_apply(sheet, by=cast.staff, seen=sheet.plan["mark"])
    theirs = make_aircraft(cast, cast.other_operator)
    aircraft_services.change_aircraft(theirs, by=cast.staff, registration="XX-L01")
    worked(sheet)
    assert "do not fit them any more" in sheet.trouble
    assert not Operator.objects.filter(name="Long Draw Air").exists()
    page = words_of(signed_in(cast.staff).get(reverse("import", args=[sheet.pk])))
    assert "registration: XX-L01 is in the fleet of Other Creek Spraying." in page
    assert "Do all of it" not in page


def test_only_what_was_seen_is_asked_for(cast: Cast, season: Season):
    sheet = bring(cast, csv_of([row()]), season)
    with pytest.raises(ValidationError, match="no longer what you looked at"):
        imports.ask_apply(sheet, by=cast.staff, seen="another")
    job = imports.ask_apply(sheet, by=cast.staff, seen=sheet.plan["mark"])
    assert imports.ask_apply(sheet, by=cast.staff, seen=sheet.plan["mark"]) == job
    with pytest.raises(ValidationError, match="being carried out"):
        imports.discard(sheet, by=cast.staff)


def test_looked_at_again_after_the_records_changed(cast: Cast, season: Season):
    apply(cast, csv_of([row()]), season)
    sheet = bring(cast, csv_of([row(model="Sower 500")]), season)
    one = Aircraft.objects.get(registration="XX-L01")
    aircraft_services.change_aircraft(one, by=cast.staff, model="Sower 500")
    imports.look_again(sheet, by=cast.staff)
    worked(sheet)
    assert [found["state"] for found in sheet.plan["rows"]] == ["same"]
    imports.discard(sheet, by=cast.staff)
    with pytest.raises(ValidationError, match="carried out or thrown away before"):
        imports.look_again(sheet, by=cast.staff)


def test_a_worker_killed_before_the_end_leaves_nothing_and_another_does_it_once(
    cast: Cast, season: Season
):
    """Killed after the work and before its transaction: the row is taken over by the next."""
    sheet = bring(cast, csv_of([row()]), season)
    job = imports.ask_apply(sheet, by=cast.staff, seen=sheet.plan["mark"])
    first = jobs.claim(job.pk)
    assert first is not None
    store = imports.perform_apply(first, jobs.Progress(first))
    Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - datetime.timedelta(hours=1))
    assert not Operator.objects.filter(name="Long Draw Air").exists()
    worked(sheet)
    assert sheet.state == "applied"
    with pytest.raises(jobs.LeaseLostError):  # the first was none that was killed
        jobs._finish(first, store)
    store()  # and even past the fence the file is done already
    assert AuditRow.objects.filter(deed="sheet_applied").count() == 1
    assert Aircraft.objects.filter(registration="XX-L01").count() == 1


def test_who_may_no_longer_manage_carries_nothing_out(cast: Cast, season: Season):
    sheet = bring(cast, csv_of([row()]), season)
    job = imports.ask_apply(sheet, by=cast.staff, seen=sheet.plan["mark"])
    Person.objects.filter(pk=cast.staff.pk).update(role="analyst")
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("failed", imports.NO_LONGER)
    assert not Operator.objects.filter(name="Long Draw Air").exists()


def test_more_than_one_deed_can_do_is_refused(cast: Cast, season: Season, monkeypatch):
    monkeypatch.setattr("fleet.queries.import_plan.MOST_STEPS", 2)
    with pytest.raises(ValidationError, match="add or change 3 records; at most 2 are done"):
        apply(cast, csv_of([row()]), season)
    assert not Operator.objects.filter(name="Long Draw Air").exists()


def test_many_are_done_in_few_queries_and_leave_the_same_trail_as_one_by_one(
    cast: Cast, season: Season, django_assert_max_num_queries
):
    rows = [
        row(operator=f"Draw {n // 2:02d}", registration=f"XX-M{n:02d}", joined_on="")
        for n in range(40)
    ]
    sheet = bring(cast, csv_of(rows), season)
    with django_assert_max_num_queries(80):  # 80 records
        carry_out(cast, sheet)
    later = [{**one, "model": "Sower 9", "base": "Elsewhere"} for one in rows]
    sheet = bring(cast, csv_of(later), season)
    with django_assert_max_num_queries(80):  # 60 records
        carry_out(cast, sheet)
    by_hand = people.add_operator(by=cast.staff, name="By hand", base="Long Draw")
    season_services.join(by=cast.staff, operator=by_hand, season=season, kind="full")
    one = make_aircraft(cast, by_hand, number=99)
    aircraft_services.change_aircraft(one, by=cast.staff, model="Sower 9")
    people.change_operator(by_hand, by=cast.staff, base="Elsewhere")
    assert _trail(Operator.objects.get(name="Draw 00")) == _trail(by_hand)


def _trail(operator: Operator) -> dict[str, tuple[object, ...]]:
    """Which fields each deed about an operator's records names, before and after, and by whom."""
    return {
        one.deed: (sorted(one.before or {}), sorted(one.after or {}), one.person, one.subject_kind)
        for one in AuditRow.objects.filter(operator=operator)
    }


def test_only_staff(cast: Cast, everyone: None):
    for person in (cast.analyst, cast.owner, cast.checker):
        with pytest.raises(PermissionDenied):
            imports.bring(by=person, name="x", data=csv_of([row()]))


def test_file_that_cannot_be_read_says_why(cast: Cast, everyone: None):
    sheet = bring(cast, b"a,b\n1,2\n")
    assert sheet.state == "refused"
    page = words_of(signed_in(cast.staff).get(reverse("import", args=[sheet.pk])))
    assert "No row of headings was found" in page
    assert "Bring it corrected" in page
    with pytest.raises(ValidationError, match="No row of headings was found"):
        imports.ask_apply(sheet, by=cast.staff, seen="")
    with pytest.raises(ValidationError, match="The file is empty"):
        imports.bring(by=cast.staff, name="x.csv", data=b"")


def test_pages_lead_from_the_file_to_the_fleet(cast: Cast, season: Season):
    from django.core.files.uploadedfile import SimpleUploadedFile

    client = signed_in(cast.staff)
    data = csv_of([row(), row(operator=cast.operator.name, base="Tamber", **NO_AIRCRAFT)])
    file = SimpleUploadedFile("members.csv", data)
    answer = client.post(reverse("imports"), {"file": file, "season": season.pk})
    sheet = SheetImport.objects.get()
    assert answer.url == reverse("import", args=[sheet.pk])
    assert storage.fetch(sheet.digest) == data
    assert "Waiting for a free worker" in words_of(client.get(answer.url))
    worked(sheet)
    assert client.get(answer.url, headers={"HX-Request": "true"})["HX-Refresh"] == "true"
    page = words_of(client.get(f"{answer.url}?show=all"))
    assert "base: Tamber Flat → Tamber" in page
    assert "Aircraft XX-L01: New" in page
    seen = client.get(answer.url).context["kept"]["mark"]
    client.post(reverse("import-apply", args=[sheet.pk]), {"seen": seen})
    assert "Waiting for a free worker" in words_of(client.get(answer.url))
    worked(sheet)
    assert Aircraft.objects.filter(registration="XX-L01").exists()
    done = words_of(client.get(answer.url))
    assert "Nothing of the file was left out" in done
    assert "Aircraft XX-L01: New" in done  # row by row, what it changed
    assert client.get(reverse("import-file", args=[sheet.pk])).content == data


def test_template_can_be_filled_in(cast: Cast, everyone: None):
    from fleet.web.import_pages import template

    head = tables.as_csv(template("us")).decode("utf-8-sig").strip().split(",")
    assert head == list(row())


@pytest.mark.django_db(transaction=True)
@pytest.mark.service
def test_of_two_that_carry_out_the_same_one_wins():
    cast = make_cast()
    with tenancy.everyone():
        season = make_season(cast)
        one = bring(cast, csv_of([row()]), season)
        other = bring(cast, csv_of([row()]), season)  # the same rows, brought twice
        asked = [imports.ask_apply(s, by=cast.staff, seen=s.plan["mark"]) for s in (one, other)]

    def work(job_id: UUID) -> None:
        try:
            jobs.run(job_id)
        finally:
            connection.close()

    # Two workers are told of the same job, a third of the same rows.
    threads = [threading.Thread(target=work, args=[j.pk]) for j in (asked[0], *asked)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with tenancy.everyone():
        assert sorted(SheetImport.objects.values_list("state", flat=True)) == [
            "applied",
            "previewed",
        ]
        assert Operator.objects.filter(name="Long Draw Air").count() == 1
        assert Aircraft.objects.filter(registration="XX-L01").count() == 1
        assert set(Job.objects.values_list("state", flat=True)) == {"done"}
