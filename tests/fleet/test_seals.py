"""Write-once tables are refused by the database itself, whoever asks."""

import pytest
from django.db import DatabaseError, connection, transaction

from fleet import seals, tenancy
from fleet.models import AuditRow, SealedError, SetUp
from tests.cast import Cast, make_aircraft, make_setup

pytestmark = [pytest.mark.django_db, pytest.mark.service]


def test_sealed_tables_all_of_design():
    # Set-up revisions, analyses, approvals, issued papers, audit rows, and what they stand on.
    assert set(seals.sealed_tables()) == {
        "fleet_setup",
        "fleet_cardrun",
        "fleet_cardconfirmation",
        "fleet_cardstogether",
        "fleet_rawfile",
        "fleet_analysisrun",
        "fleet_approval",
        "fleet_withdrawal",
        "fleet_paper",
        "fleet_auditrow",
        "fleet_requirementversion",
        "fleet_tourproposal",
        "fleet_remindermail",
        "fleet_reminded",
        "fleet_paperslip",
        "fleet_paperwithdrawal",
        "fleet_papervoid",
        "fleet_paperbundle",
        "fleet_filingstep",
        "fleet_purge",
        "fleet_servicerecord",
        "fleet_operatorexport",
    }


@pytest.mark.parametrize(
    "sql", ["UPDATE fleet_setup SET note = 'better'", "DELETE FROM fleet_setup"]
)
def test_raw_sql_refused(cast: Cast, sql: str):
    with tenancy.everyone():
        make_setup(cast, make_aircraft(cast))
    with (
        pytest.raises(DatabaseError, match="fleet_setup are write-once"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(sql)


def test_queryset_refused(cast: Cast, everyone: None):
    make_setup(cast, make_aircraft(cast))
    with pytest.raises(DatabaseError, match="write-once"), transaction.atomic():
        SetUp.objects.update(note="better")
    with pytest.raises(DatabaseError, match="write-once"), transaction.atomic():
        AuditRow.objects.all().delete()


def test_model_refuses_politely(cast: Cast, everyone: None):
    setup = make_setup(cast, make_aircraft(cast))
    with pytest.raises(SealedError, match="write-once; make a new one"):
        setup.save()
    with pytest.raises(SealedError, match="write-once and stay"):
        setup.delete()


def test_reseal_puts_back_what_a_rebuild_lost(cast: Cast, everyone: None):
    make_setup(cast, make_aircraft(cast))
    seals.unseal(connection, "fleet_setup")
    seals.reseal(sender=None, using="default")
    with pytest.raises(DatabaseError, match="write-once"), transaction.atomic():
        SetUp.objects.update(note="better")


@pytest.mark.django_db(transaction=True)
def test_flush_between_tests_leaves_seals_on(everyone: None):
    # Runs after a transactional teardown at the latest; the seals must be on at the start.
    for table in seals.sealed_tables():
        with connection.cursor() as cursor:
            if connection.vendor == "sqlite":
                cursor.execute(
                    "SELECT count(*) FROM sqlite_master WHERE type='trigger' AND tbl_name=%s",
                    [table],
                )
                assert cursor.fetchone() == (2,)
            else:
                cursor.execute(
                    "SELECT count(*) FROM pg_trigger WHERE tgrelid=%s::regclass "
                    "AND NOT tgisinternal",
                    [table],
                )
                assert cursor.fetchone() == (2,)
