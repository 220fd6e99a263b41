"""All records of an operator: asked for on a page, made by a worker, fetched, gone later."""

from __future__ import annotations

import datetime
import io
import zipfile
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet import jobs, storage, tenancy
from fleet.models import AuditRow, Job, OperatorExport
from fleet.services import analyses, exports
from tests.cast import Cast, make_aircraft, make_setup, make_tested
from tests.fleet.web.asking import HTMX, signed_in, words_of

pytestmark = [pytest.mark.service, pytest.mark.django_db]


@pytest.fixture
def fleet(cast: Cast, everyone: None) -> None:
    make_setup(cast, make_aircraft(cast))


def made(cast: Cast) -> OperatorExport:
    job = exports.ask_export(cast.operator, by=cast.owner)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    return OperatorExport.objects.get(job=job)


def page_of(client: Client, cast: Cast, name: str = "operator-export", **more: Any) -> Any:
    return client.get(reverse(name, args=[cast.operator.pk]), **more)


def test_road_of_an_export(cast: Cast, fleet: None):
    owner = signed_in(cast.owner)
    address = reverse("operator-export", args=[cast.operator.pk])
    assert address in page_of(owner, cast, "operator").content.decode()
    assert page_of(owner, cast, "operator-export-file").status_code == 404
    assert owner.post(address).status_code == 302
    assert "Waiting for a free worker" in words_of(page_of(owner, cast))
    owner.post(address)  # pressed twice
    [job] = Job.objects.filter(kind="export")
    assert owner.get(reverse("job", args=[job.pk])).url == address
    jobs.run(job.pk)
    answer = page_of(owner, cast, **HTMX)
    assert answer.status_code == 286  # htmx: stop asking
    assert "Ready" in words_of(answer)
    file = page_of(owner, cast, "operator-export-file")
    data = b"".join(file.streaming_content)
    export = OperatorExport.objects.get()
    assert (len(data), storage.digest_of(data)) == (export.size, export.digest)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert len(archive.read("records/aircraft.jsonl").splitlines()) == 1
    deeds = AuditRow.objects.filter(deed__contains="export").order_by("created_at", "id")
    assert [(row.deed, row.person_name) for row in deeds] == [
        ("export_asked", "Orla Owner"),
        ("export_made", "Worker"),
        ("export_fetched", "Orla Owner"),
    ]


def test_waits_for_other_work(cast: Cast, everyone: None):
    """Half an analysis is not exported: the job rests, and that is no attempt."""
    test = make_tested(cast)
    under_way = analyses.request_analysis(test, by=cast.analyst, settings=analyses.Settings())
    job = exports.ask_export(cast.operator, by=cast.staff)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.attempts, job.words) == ("queued", 0, exports.WAITING)
    jobs.run(under_way.pk)
    Job.objects.filter(pk=job.pk).update(lease_until=None)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == "done"


def test_expires(cast: Cast, fleet: None):
    export = made(cast)
    assert exports.drop_expired() == 0
    long_ago = timezone.now() - datetime.timedelta(days=15)
    # A sealed row is not changed; another one stands for it.
    older = OperatorExport(
        operator=cast.operator,
        job=Job.objects.create(kind="export", operator=cast.operator, subject_id=cast.operator.pk),
        digest=storage.keep(b"Older"),
        size=5,
        rows=1,
        files=0,
        asked_by=cast.owner,
        created_at=long_ago,
    )
    older.save_base(raw=True, force_insert=True)
    with pytest.raises(ValidationError, match="no longer kept"):
        exports.fetch_export(older, by=cast.owner)
    assert exports.drop_expired() == 1
    assert exports.drop_expired() == 0
    with pytest.raises(storage.RemovedFileError, match="removed after 14 days"):
        storage.fetch(older.digest)
    assert storage.size_of(export.digest) == export.size


def test_who_may(cast: Cast, fleet: None):
    for person in (cast.analyst, cast.pilot, cast.checker):
        with pytest.raises(PermissionDenied):
            exports.ask_export(cast.operator, by=person)
    assert "Export all records" not in words_of(page_of(signed_in(cast.pilot), cast, "operator"))
    assert page_of(signed_in(cast.outsider), cast).status_code == 404


def test_foreign_row_is_told(cast: Cast, everyone: None):
    """Records that point at another operator's are a fault: nothing goes out."""
    theirs = make_setup(cast, make_aircraft(cast, cast.other_operator))
    setup = make_setup(cast, make_aircraft(cast))
    with tenancy.everyone():
        row = type(setup)(
            operator=cast.operator,
            aircraft=theirs.aircraft,
            purpose="Odd",
            purpose_key="odd",
            number=1,
            boom_width_m=10.0,
            pressure_kpa=200.0,
            airspeed_m_s=60.0,
            release_height_m=3.0,
            rate_l_per_ha=28.0,
            manner="one_way",
        )
        row.save(force_insert=True)
    job = exports.ask_export(cast.operator, by=cast.staff)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == "failed"
    assert "refers to the aircraft" in job.reason
    assert "Could not be done" in words_of(page_of(signed_in(cast.owner), cast))
