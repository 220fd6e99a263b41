"""The answers of the measured pages, written by hand in SQL: the least a page could take.

Each statement yields the rows that its page shows; that of the due list yields what the page has to
judge before it can sort, count and cut: every duty of every aircraft in service with its state. It
covers the shapes that the rules of `_season_data` have, not all that a rule can say.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import connection, transaction


def rows_of(statement: str, **values: Any) -> list[tuple[Any, ...]]:
    """Return the rows of a statement."""
    with connection.cursor() as cursor:
        cursor.execute(statement, {name: _adapted(value) for name, value in values.items()})
        return cursor.fetchall()


def _adapted(value: Any) -> Any:
    if connection.vendor != "sqlite":
        return value
    if isinstance(value, UUID):
        return value.hex
    return value.isoformat() if isinstance(value, datetime.date) else value


@dataclass(frozen=True, slots=True)
class Dialect:
    """What the two databases write differently. Days are dates in one and texts in the other."""

    today: str
    day: str
    month_day: str
    months_on: str
    days_on: str
    next_closing: str
    closing: str
    opening: str
    nozzles: str
    least: str
    most: str
    endless: str
    long_ago: str


SQLITE = Dialect(
    today="%(today)s",
    # Rows of the benchmark are written in the daytime of every zone: the day is the same.
    day="substr({}.created_at, 1, 10)",
    month_day="strftime('%%m-%%d', {})",
    months_on="date({}, '+' || {} || ' months')",
    days_on="date({}, '+' || {} || ' days')",
    next_closing="(strftime('%%Y', t.flown_on) + 1 + "
    "(v.first > v.last and strftime('%%m-%%d', t.flown_on) >= v.first)) || '-' || v.last",
    closing="(case when substr({0}, 6) <= v.last then substr({0}, 1, 4) "
    "else substr({0}, 1, 4) + 1 end) || '-' || v.last",
    opening="(substr({0}, 1, 4) - (v.first > v.last)) || '-' || v.first",
    nozzles="json_array_length({}.nozzles)",
    least="min",
    most="max",
    endless="'9999-12-31'",
    long_ago="'0001-01-01'",
)
POSTGRESQL = Dialect(
    today="%(today)s::date",
    day="({}.created_at at time zone j.time_zone)::date",
    month_day="to_char({}, 'MM-DD')",
    months_on="({} + make_interval(months => {}))::date",
    days_on="{} + {}",
    next_closing="((extract(year from t.flown_on)::int + 1 + (v.first > v.last and "
    "to_char(t.flown_on, 'MM-DD') >= v.first)::int) || '-' || v.last)::date",
    closing="((extract(year from {0})::int + (to_char({0}, 'MM-DD') > v.last)::int) "
    "|| '-' || v.last)::date",
    opening="((extract(year from {0})::int - (v.first > v.last)::int) || '-' || v.first)::date",
    nozzles="jsonb_array_length({}.nozzles)",
    least="least",
    most="greatest",
    endless="'9999-12-31'::date",
    long_ago="'0001-01-01'::date",
)


def dialect() -> Dialect:
    """Return that of the database in use."""
    return POSTGRESQL if connection.vendor == "postgresql" else SQLITE


def _number(column: str, key: str) -> str:
    return f"cast({column}->>'{key}' as double precision)"


def duty_rows(today: datetime.date, operator: UUID | None = None) -> list[tuple[Any, ...]]:
    """Return the duties of all aircraft in service, or of an operator's.

    PostgreSQL has no figures about what stands in a `with`, and would go through it row by row.
    """
    if connection.vendor != "postgresql":
        return rows_of(duties_sql(), today=today, operator=operator)
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("set local enable_nestloop = off")
        return rows_of(duties_sql(), today=today, operator=operator)


def duties_sql() -> str:
    """Aircraft, rule and state of every duty."""
    d, number = dialect(), _number
    flown = d.month_day.format("t.flown_on")
    soon = d.days_on.format(d.today, "v.due_soon_days")
    changed = """
        t.number <> t.newest and (t.boom_by > v.boom_m + 1e-6
            or t.pressure_by > v.pressure + 1e-6
            or (v.nozzles is not null and t.nozzles_differ))"""
    good = f"""case v.rhythm when 'interval' then {d.months_on.format("t.flown_on", "v.months")}
            when 'season' then {d.next_closing} else {d.endless} end"""
    closing = d.closing.format("b.bound_from")
    return f"""
    with version as materialized (
        select v.requirement_id, v.effective_from, v.rhythm, v.covers, v.evidence,
            v.interval_months as months, v.season_first as first, v.season_last as last,
            v.due_soon_days, v.minimum_passes, v.number,
            {number("v.retest", "boom_width_m")} as boom_m,
            {number("v.retest", "pressure_percent")} as pressure,
            v.retest->>'nozzle_count' as nozzles,
            {number("v.limits", "wind_speed_m_s")} as wind,
            {number("v.limits", "cv_percent")} as cv,
            lead(v.effective_from) over
                (partition by v.requirement_id order by v.effective_from) as before,
            min(v.effective_from) over (partition by v.requirement_id) as began
        from fleet_requirementversion v),
    now as materialized (select * from version v where v.effective_from <= {d.today}
        and (v.before is null or v.before > {d.today})),
    known as materialized (
        select s.aircraft_id, min(t.flown_on) as first_on
        from fleet_test t join fleet_setup s on s.id = t.setup_id group by s.aircraft_id),
    under as materialized (
        select a.id as aircraft_id, o.jurisdiction_id, {d.long_ago} as since
        from fleet_aircraft a join fleet_operator o on o.id = a.operator_id
        where a.retired_on is null and (%(operator)s is null or a.operator_id = %(operator)s)
        union all
        select w.aircraft_id, w.jurisdiction_id, min(w.from_on)
        from fleet_worksunder w join fleet_aircraft a on a.id = w.aircraft_id
        join fleet_operator o on o.id = a.operator_id
        where w.from_on <= {d.today} and (w.until_on is null or w.until_on >= {d.today})
            and w.jurisdiction_id <> o.jurisdiction_id and a.retired_on is null
            and (%(operator)s is null or a.operator_id = %(operator)s)
        group by w.aircraft_id, w.jurisdiction_id),
    bound as materialized (
        select u.aircraft_id, r.id as requirement_id,
            {d.most}(u.since, n.began,
                {d.least}({d.day.format("a")}, coalesce(k.first_on, {d.endless}))) as bound_from
        from under u join fleet_aircraft a on a.id = u.aircraft_id
        join fleet_jurisdiction j on j.id = u.jurisdiction_id
        join fleet_requirement r on r.jurisdiction_id = u.jurisdiction_id
        join now n on n.requirement_id = r.id
        left join known k on k.aircraft_id = a.id),
    line as materialized (
        select s.id, s.aircraft_id, s.purpose_key, s.number, s.boom_width_m, s.pressure_kpa,
            row_number() over
                (partition by s.aircraft_id, s.purpose_key order by s.number desc) as place
        from fleet_setup s
        where %(operator)s is null or s.operator_id = %(operator)s),
    newest as materialized (select * from line where place = 1),
    standing as materialized (
        select x.test_id, max(p.valid_until) as valid_until, max(p.cv_percent) as cv_percent
        from fleet_approval p join fleet_analysisrun x on x.id = p.analysis_id
        left join fleet_approval l on l.supersedes_id = p.id
        left join fleet_withdrawal w on w.approval_id = p.id
        where l.id is null and w.id is null
            and (%(operator)s is null or p.operator_id = %(operator)s)
        group by x.test_id),
    final as materialized (
        select x.test_id, max(x.number) as number from fleet_analysisrun x
        where %(operator)s is null or x.operator_id = %(operator)s group by x.test_id),
    flown as materialized (
        select s.aircraft_id, s.purpose_key, s.number, n.number as newest, t.flown_on,
            abs(s.boom_width_m - n.boom_width_m) as boom_by,
            abs(s.pressure_kpa - n.pressure_kpa) * 100 / s.pressure_kpa as pressure_by,
            case when s.number = n.number then false else (
                select {d.nozzles.format("o")} from fleet_setup o where o.id = s.id)
                <> (select {d.nozzles.format("o")} from fleet_setup o where o.id = n.id)
                end as nozzles_differ,
            x.accepted_passes, {number("x.inputs->'conditions'", "wind_speed_m_s")} as wind,
            p.valid_until, p.cv_percent
        from line s
        join newest n on n.aircraft_id = s.aircraft_id and n.purpose_key = s.purpose_key
        join fleet_test t on t.setup_id = s.id
        join final f on f.test_id = t.id
        join fleet_analysisrun x on x.test_id = f.test_id and x.number = f.number
        left join standing p on p.test_id = t.id),
    proof as materialized (
        select b.aircraft_id, b.requirement_id, t.purpose_key,
            max(case when {changed} then null
                when j.evidence = 'approval'
                    then {d.least}({good}, t.valid_until)
                else {good} end) as until,
            count(*) as proofs
        from flown t join bound b on b.aircraft_id = t.aircraft_id
        join now v on v.requirement_id = b.requirement_id
        join version j on j.requirement_id = b.requirement_id
            and (j.number = 1 or j.effective_from <= t.flown_on)
            and (j.before is null or t.flown_on < j.before)
        where t.accepted_passes >= j.minimum_passes
            and (j.evidence = 'test' or t.valid_until is not null)
            and (j.wind is null or t.wind <= j.wind)
            and (j.cv is null or t.cv_percent <= j.cv)
            and (j.rhythm <> 'season' or case when j.first <= j.last
                then {flown} between j.first and j.last
                else {flown} >= j.first or {flown} <= j.last end)
        group by b.aircraft_id, b.requirement_id, t.purpose_key),
    part as materialized (
        select b.aircraft_id, b.requirement_id, b.bound_from, n.purpose_key
        from bound b join now v on v.requirement_id = b.requirement_id
        join newest n on n.aircraft_id = b.aircraft_id and v.covers = 'setup'
        union all
        select b.aircraft_id, b.requirement_id, b.bound_from, null
        from bound b join now v on v.requirement_id = b.requirement_id
        where v.covers = 'aircraft'),
    best as materialized (
        select b.aircraft_id, b.requirement_id, b.purpose_key, b.bound_from,
            max(p.until) as until, coalesce(sum(p.proofs), 0) as proofs
        from part b left join proof p on p.aircraft_id = b.aircraft_id
            and p.requirement_id = b.requirement_id
            and (b.purpose_key is null or b.purpose_key = p.purpose_key)
        group by b.aircraft_id, b.requirement_id, b.purpose_key, b.bound_from),
    judged as materialized (
        select b.aircraft_id, b.requirement_id, case
            when b.until >= {d.today} and b.until <= {soon} then 2
            when b.until >= {d.today} then 3
            when b.proofs > 0 or v.rhythm <> 'season' then 1
            when {closing} < {d.today} then 1
            when {d.opening.format(closing)} > {d.today} then 4
            else 2 end as state
        from best b join now v on v.requirement_id = b.requirement_id)
    select b.aircraft_id, b.requirement_id, a.registration, o.name, r.name, case
        when exists (select 1 from fleet_waiver w where w.aircraft_id = b.aircraft_id
            and w.requirement_id = b.requirement_id and w.from_on <= {d.today}
            and w.until_on >= {d.today}
            and (w.ended_on is null or w.ended_on > {d.today}))
            and min(g.state) is not null then 'waived'
        when min(g.state) = 1 then 'overdue'
        when min(g.state) = 2 then 'due_soon'
        when min(g.state) = 3 then 'met'
        else 'not_covered' end as state
    from bound b join fleet_aircraft a on a.id = b.aircraft_id
    join fleet_operator o on o.id = a.operator_id
    join fleet_requirement r on r.id = b.requirement_id
    left join judged g on g.aircraft_id = b.aircraft_id and g.requirement_id = b.requirement_id
    group by b.aircraft_id, b.requirement_id, a.registration, o.name, r.name
    order by state, a.registration, r.name"""


STANDINGS = """
    with newest as materialized (
        select s.*, row_number() over
            (partition by s.aircraft_id, s.purpose_key order by s.number desc) as place
        from fleet_setup s {setups}),
    last as materialized (
        select p.*, s.purpose_key, row_number() over
            (partition by p.aircraft_id, s.purpose_key order by p.created_at desc, p.id desc)
            as place
        from fleet_approval p join fleet_setup s on s.id = p.setup_id
        where not exists (select 1 from fleet_approval l where l.supersedes_id = p.id) {approvals})
    select a.id, a.registration, a.make, a.model, o.name, n.purpose, n.number, n.airspeed_m_s,
        n.release_height_m, n.pressure_kpa, n.rate_l_per_ha, n.boom_width_m, l.id, l.swath_m,
        l.manner, l.valid_until, l.note, q.name, w.reason, case
            when n.id is null then 'no_setup'
            when l.id is null then 'untested'
            when l.setup_id <> n.id then 'changed'
            when w.id is not null then 'withdrawn'
            when l.valid_until < {today} then 'expired'
            when l.valid_until <= {soon} then 'due_soon'
            else 'approved' end as state
    from fleet_aircraft a join fleet_operator o on o.id = a.operator_id
    left join newest n on n.aircraft_id = a.id and n.place = 1
    left join last l on l.aircraft_id = a.id and l.purpose_key = n.purpose_key and l.place = 1
    left join fleet_person q on q.id = l.approved_by_id
    left join fleet_withdrawal w on w.approval_id = l.id
    where a.retired_on is null {aircraft}
    order by coalesce(l.valid_until, {today}), a.registration, n.purpose_key"""


def standings_sql(only: str = "") -> str:
    """Every aircraft and purpose with its state; `only` is "operator" or "aircraft" or none."""
    d = dialect()
    path = {"": "", "operator": "operator_id", "aircraft": "aircraft_id"}[only]
    return STANDINGS.format(
        today=d.today,
        soon=d.days_on.format(d.today, 30 if d is POSTGRESQL else "'30'"),
        setups=f"where s.{path} = %(key)s" if only else "",
        approvals=f"and p.{path} = %(key)s" if only else "",
        aircraft={"": "", "operator": "and a.operator_id = %(key)s"}.get(
            only, "and a.id = %(key)s"
        ),
    )


TESTS_OF_AIRCRAFT = """
    select t.id, t.flown_on, s.purpose, s.number, v.place,
        (select count(*) from fleet_flightpass f where f.test_id = t.id),
        (select count(*) from fleet_analysisrun x where x.test_id = t.id)
    from fleet_test t join fleet_setup s on s.id = t.setup_id
    join fleet_visit v on v.id = t.visit_id
    where s.aircraft_id = %(key)s order by t.flown_on desc, t.id desc limit 50"""
SETUPS_OF_AIRCRAFT = """
    select id, purpose, number, created_at, boom_width_m, pressure_kpa, airspeed_m_s,
        release_height_m, rate_l_per_ha, manner
    from fleet_setup where aircraft_id = %(key)s order by purpose_key, number desc"""
APPROVALS_OF_AIRCRAFT = """
    select p.id, p.created_at, p.swath_m, p.manner, s.purpose, s.number, p.valid_until, q.name
    from fleet_approval p join fleet_setup s on s.id = p.setup_id
    join fleet_person q on q.id = p.approved_by_id
    where p.aircraft_id = %(key)s order by p.created_at desc, p.id desc limit 50"""
