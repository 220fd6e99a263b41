"""Who may do what: one small predicate per deed.

What is not yours answers 404 and never reaches a predicate; what is yours but not allowed
answers 403. `allow` turns a predicate's no into that 403.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.core.exceptions import PermissionDenied

from fleet.models import Person


def is_staff(person: Person) -> bool:
    """Association staff."""
    return person.is_staff_member


def is_analyst(person: Person) -> bool:
    """Analyst."""
    return person.is_analyst


def sees_everyone(person: Person) -> bool:
    """Staff and analysts see all operators."""
    return person.sees_everyone


def may_manage_operators(person: Person) -> bool:
    """Add and change operators and the people of an operator."""
    return is_staff(person)


def may_change_fleet(person: Person) -> bool:
    """Add and change aircraft, record set-ups: staff, analysts, and the operator's owner."""
    return sees_everyone(person) or person.role == "owner"


def may_record_setups(person: Person) -> bool:
    """Record set-ups: whoever may change the fleet, and a pilot who was given leave."""
    return may_change_fleet(person) or (person.role == "pilot" and person.may_change_setups)


def may_allow_setups(person: Person) -> bool:
    """Give a pilot leave to record set-ups: staff and the operator's owner."""
    return is_staff(person) or person.role == "owner"


def may_manage_season(person: Person) -> bool:
    """Keep seasons, memberships, imports and gifts: association staff."""
    return is_staff(person)


def may_see_season(person: Person) -> bool:
    """See what a season counted: staff and analysts all of it, an operator's people their part."""
    return sees_everyone(person) or person.operator_id is not None


def may_keep_rules(person: Person) -> bool:
    """Keep jurisdictions and their rules, grant waivers: association staff."""
    return is_staff(person)


def may_check(person: Person) -> bool:
    """Read how aircraft under one's jurisdiction stand with its rules: its checkers."""
    return person.is_checker


def may_invite(person: Person) -> bool:
    """Invite people of an operator: staff, and the operator's owner for their own."""
    return is_staff(person) or person.role == "owner"


def may_sign_up(person: Person) -> bool:
    """Sign an aircraft up for a clinic: staff, analysts, and the operator's owner."""
    return sees_everyone(person) or person.role == "owner"


def may_run_day(person: Person) -> bool:
    """Keep the running order of a visit and what it used: staff and analysts."""
    return sees_everyone(person)


def may_plan_visits(person: Person) -> bool:
    """Plan and change visits."""
    return sees_everyone(person)


def may_test(person: Person) -> bool:
    """Start tests, enter conditions and passes, ask for analyses, overrule a judgement."""
    return is_analyst(person)


def may_approve(person: Person) -> bool:
    """Approve a swath and withdraw an approval. Nobody but an analyst."""
    return is_analyst(person)


def may_issue_papers(person: Person) -> bool:
    """Ask for the report of an analysis. Everybody whose aircraft it is."""
    return person.is_active


def may_keep_webhooks(person: Person) -> bool:
    """Keep webhooks: staff for the association, an owner for the own operator."""
    return is_staff(person) or person.role == "owner"


def may_certify(person: Person) -> bool:
    """Issue certificates, returns and reports of the association, withdraw papers: staff and
    analysts.
    """
    return sees_everyone(person)


def may_file(person: Person) -> bool:
    """Note what was prepared, sent and answered of what must be filed: staff and analysts."""
    return sees_everyone(person)


def may_read_service_records(person: Person) -> bool:
    """Read records of service, which name customers: association staff and the operator's own."""
    return is_staff(person) or person.is_operators


def may_keep_service_records(person: Person) -> bool:
    """Record what was applied, and correct it: the operator's owner and pilots."""
    return person.is_operators


def may_purge(person: Person) -> bool:
    """Remove kept files that nothing holds any longer: association staff."""
    return is_staff(person)


def may_export(person: Person) -> bool:
    """Take out all records of an operator: staff, and the operator's owner."""
    return is_staff(person) or person.role == "owner"


def may_read_audit(person: Person) -> bool:
    """Read the audit trail."""
    return is_staff(person)


def allow(rule: Callable[[Person], bool], person: Any) -> Person:
    """Return the person when the rule says yes; raise PermissionDenied (403) when it says no."""
    if not (isinstance(person, Person) and person.is_active and rule(person)):
        raise PermissionDenied((rule.__doc__ or "Not allowed.").strip())
    return person
