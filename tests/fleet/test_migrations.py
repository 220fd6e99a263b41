"""Jurisdictions that were typed as text become records, and text again on the way back."""

from __future__ import annotations

import pytest
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from fleet import tenancy

TYPED = {
    "Ash Air": "Calloway",
    "Birch Air": "  calloway ",
    "Cedar Air": "CALLOWAY",
    "Dogwood Air": "New  Tamber",
    "Elm Air": "new tamber",
    "Fir Air": "",
    "Gum Air": "   ",
}


def migrated_to(name: str):
    """Migrate the app to a state and return the models as they were then."""
    executor = MigrationExecutor(connection)
    executor.migrate([("fleet", name)])
    return MigrationExecutor(connection).loader.project_state([("fleet", name)]).apps


@pytest.fixture
def newest(settings):
    """Whatever happens, the other tests find the database as it should be.

    It was made from the models (`tests.conftest`): what stands there is what the newest makes.
    """
    settings.MIGRATION_MODULES = {}
    MigrationExecutor(connection).migrate(
        MigrationExecutor(connection).loader.graph.leaf_nodes(), fake=True
    )
    executor = MigrationExecutor(connection)
    [leaf] = executor.loader.graph.leaf_nodes("fleet")
    yield leaf[1]
    MigrationExecutor(connection).migrate([leaf])


@pytest.mark.django_db(transaction=True)
def test_spellings_become_one_jurisdiction_and_go_back(newest: str):
    with tenancy.everyone():
        before = migrated_to("0004_cards_confirmed")
        for name, text in TYPED.items():
            before.get_model("fleet", "Operator").objects.create(
                name=name, base="Somewhere", jurisdiction=text
            )

        after = migrated_to("0007_season_sealed")
        operators = after.get_model("fleet", "Operator").objects.select_related("jurisdiction")
        names = {o.name: o.jurisdiction and o.jurisdiction.name for o in operators}
        assert names == {
            "Ash Air": "Calloway", "Birch Air": "Calloway", "Cedar Air": "Calloway",
            "Dogwood Air": "New Tamber", "Elm Air": "New Tamber", "Fir Air": None, "Gum Air": None,
        }  # fmt: skip
        found = after.get_model("fleet", "Jurisdiction").objects
        assert sorted(found.values_list("name", flat=True)) == ["Calloway", "New Tamber"]
        assert set(found.values_list("time_zone", flat=True)) == {"America/Chicago"}
        with connection.cursor() as cursor:
            columns = connection.introspection.get_table_description(cursor, "fleet_operator")
        assert "jurisdiction_text" not in {column.name for column in columns}

        back = migrated_to("0004_cards_confirmed")
        operators = back.get_model("fleet", "Operator").objects
        texts = dict(operators.values_list("name", "jurisdiction"))
        assert texts == {name: said or "" for name, said in names.items()}

        again = migrated_to(newest)
        operators = again.get_model("fleet", "Operator").objects.select_related("jurisdiction")
        assert {o.name: o.jurisdiction and o.jurisdiction.name for o in operators} == names
