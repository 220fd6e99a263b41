"""What all tests share: the cast, and a flush that sealed tables allow."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connections
from django.test import TransactionTestCase

from fleet import seals, tenancy
from tests.cast import Cast, make_cast


@pytest.fixture(scope="session")
def django_db_use_migrations() -> bool:
    """Make the tables from the models: the migrations take each process fifteen times as long.

    That they say the same is asked by `makemigrations --check`; they are run by `test_migrations`
    and wherever a test starts the service itself.
    """
    return False


@pytest.fixture(scope="session", autouse=True)
def _flush_lifts_seals() -> Iterator[None]:
    """Emptying the database between transactional tests is the one deed the seals must allow."""
    teardown = TransactionTestCase._fixture_teardown

    def lifted(case: Any) -> None:
        for alias in case._databases_names(include_mirrors=False):
            for table in seals.sealed_tables():
                seals.unseal(connections[alias], table)
        teardown(case)
        for alias in case._databases_names(include_mirrors=False):
            for table in seals.sealed_tables():
                seals.seal(connections[alias], table)

    TransactionTestCase._fixture_teardown = lifted
    yield
    TransactionTestCase._fixture_teardown = teardown


@pytest.fixture
def cast(db: None) -> Cast:
    """The cast on an empty database; open a scope to touch what is below an operator."""
    return make_cast()


@pytest.fixture
def everyone() -> Iterator[None]:
    """The scope of all operators, for tests of what happens inside."""
    with tenancy.everyone():
        yield
