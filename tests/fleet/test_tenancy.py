"""Denied by default; inside a scope only the scope's rows."""

from __future__ import annotations

import pytest

from fleet import tenancy
from fleet.models import Aircraft, AuditRow, Job, Operator, SetUp, Test
from fleet.queries import whose
from tests.cast import Cast, make_aircraft, make_setup, make_test, make_visit

pytestmark = [pytest.mark.django_db, pytest.mark.service]


@pytest.mark.parametrize("model", [Operator, Aircraft, SetUp, Test, Job, AuditRow])
@pytest.mark.parametrize("ask", ["all", "exists", "count", "first"])
def test_without_scope_everything_raises(cast: Cast, model: type, ask: str):
    with pytest.raises(tenancy.NoScopeError, match="open a scope first"):
        getattr(model.objects, ask)()


def test_scope_of_operator_shows_own_rows_only(cast: Cast):
    with tenancy.everyone():
        ours, theirs = make_aircraft(cast), make_aircraft(cast, cast.other_operator)
    with tenancy.only(cast.operator.pk):
        assert list(Aircraft.objects.all()) == [ours]
        assert list(Operator.objects.all()) == [cast.operator]
        assert not Aircraft.objects.filter(pk=theirs.pk).exists()


def test_scope_is_closed_again_after_an_error(cast: Cast):
    with pytest.raises(ZeroDivisionError), tenancy.everyone():
        _ = 1 / 0
    assert tenancy.current() is None


def test_scope_of_person(cast: Cast):
    assert tenancy.scope_of(cast.staff).everyone
    assert tenancy.scope_of(cast.analyst).everyone
    assert tenancy.scope_of(cast.pilot).operator_ids == {cast.operator.pk}
    assert tenancy.scope_of(None) == tenancy.NOBODY
    cast.staff.is_active = False
    assert tenancy.scope_of(cast.staff) == tenancy.NOBODY


def test_queries_filter_explicitly_even_in_a_wide_scope(cast: Cast):
    """The seat-belt taken off: every query still gives an operator's people their own only."""
    with tenancy.everyone():
        for operator in (cast.operator, cast.other_operator):
            setup = make_setup(cast, make_aircraft(cast, operator))
            make_test(cast, setup, make_visit(cast))
        for query in (whose.aircraft_of, whose.setups_of, whose.tests_of, whose.operators_of):
            assert query(cast.analyst).count() == 2
            assert query(cast.owner).count() == 1
        assert whose.visits_of(cast.owner).count() == 1
        assert whose.visits_of(cast.owner).get().test_count == 1
        assert whose.audit_of(cast.owner).count() == 0


def test_counts_of_a_shared_clinic_leak_nothing(cast: Cast):
    with tenancy.everyone():
        clinic = make_visit(cast)
        for operator in (cast.operator, cast.other_operator):
            make_test(cast, make_setup(cast, make_aircraft(cast, operator)), clinic)
        assert whose.visits_of(cast.owner).get().test_count == 1
        assert whose.visits_of(cast.staff).get().test_count == 2
