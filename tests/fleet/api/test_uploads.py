"""Trace files: good, broken, mixed, too many, too big. Nothing is half-written."""

from __future__ import annotations

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from fleet import tenancy
from fleet.models import FlightPass, RawFile, Test
from tests.cast import Cast, make_aircraft, make_setup, make_test, trace_file
from tests.fleet.api.client import signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def test(cast: Cast) -> Test:
    with tenancy.everyone():
        return make_test(cast, make_setup(cast, make_aircraft(cast)))


def upload(cast: Cast, test: Test, *files: tuple[str, bytes], part: str = "file"):
    sent = [SimpleUploadedFile(name, data) for name, data in files]
    return signed_in(cast.analyst).post(
        f"/api/v1/tests/{test.pk}/passes/", {part: sent}, format="multipart"
    )


def kept() -> tuple[int, int]:
    with tenancy.everyone():
        return FlightPass.objects.count(), RawFile.objects.count()


def test_all_good(cast: Cast, test: Test):
    answer = upload(cast, test, *((f"p{n}.csv", trace_file(seed=n)) for n in range(5)))
    assert answer.status_code == 201
    assert [one["error"] for one in answer.json()["results"]] == [""] * 5
    assert kept() == (5, 5)


def test_mixed_keeps_the_good_ones_in_the_order_sent(cast: Cast, test: Test):
    answer = upload(
        cast,
        test,
        ("words.csv", b"position_ft,reading\n1,two\n"),
        ("good.csv", trace_file(seed=1)),
        ("empty.csv", b""),
        ("again.csv", trace_file(seed=1)),
        ("fine.csv", trace_file(seed=2)),
    )
    assert answer.status_code == 207
    results = answer.json()["results"]
    assert [one["name"] for one in results] == [
        "words.csv",
        "good.csv",
        "empty.csv",
        "again.csv",
        "fine.csv",
    ]
    assert [one["flight_pass"] and one["flight_pass"]["number"] for one in results] == [
        None,
        1,
        None,
        None,
        2,
    ]
    assert results[3]["error"] == "again.csv: the same file is pass 1 already."
    assert results[0]["error"].startswith("words.csv")
    assert kept() == (2, 2)


def test_all_refused_is_a_problem_with_a_sentence_for_each(cast: Cast, test: Test):
    answer = upload(cast, test, ("a.csv", b"\x00\x01"), ("b.csv", b"one line"))
    assert answer.status_code == 400
    says = answer.json()["errors"]["file"]
    assert [one[:5] for one in says] == ["a.csv", "b.csv"]
    assert kept() == (0, 0)


def test_one_too_big_hinders_no_other(cast: Cast, test: Test, settings):
    settings.UPLOAD_LIMIT_BYTES = 10_000
    answer = upload(cast, test, ("big.csv", b"1" * 60_000), ("good.csv", trace_file(seed=1)))
    assert answer.status_code == 207
    big, good = answer.json()["results"]
    assert big["error"].startswith("big.csv: the file has 0.1 MB; at most")
    assert good["flight_pass"]["file"] == "good.csv"


def test_request_too_big_is_not_read(cast: Cast, test: Test, settings):
    settings.UPLOAD_LIMIT_BYTES = 1_000
    answer = upload(cast, test, *((f"{n}.csv", b"1" * 900) for n in range(12)))
    assert answer.status_code == 413
    assert answer.json()["title"] == "Too large"
    assert "together" in answer.json()["detail"]
    assert kept() == (0, 0)


def test_too_many_files(cast: Cast, test: Test, settings):
    settings.DATA_UPLOAD_MAX_NUMBER_FILES = 2
    answer = upload(cast, test, *((f"{n}.csv", b"1") for n in range(3)))
    assert answer.status_code == 413
    assert answer.json()["detail"] == "At most 2 files at once."
    assert kept() == (0, 0)


def test_nothing_sent(cast: Cast, test: Test):
    answer = upload(cast, test)
    assert answer.json()["errors"] == {"file": ['Send one or more files, as parts named "file".']}


def test_part_of_another_name(cast: Cast, test: Test):
    answer = upload(cast, test, ("good.csv", trace_file()), part="trace")
    assert answer.json()["errors"] == {"trace": ['Name the parts "file".']}
    assert kept() == (0, 0)


def test_part_that_is_no_file(cast: Cast, test: Test):
    answer = signed_in(cast.analyst).post(
        f"/api/v1/tests/{test.pk}/passes/", {"file": "position,reading"}, format="multipart"
    )
    assert answer.status_code == 400
    assert list(answer.json()["errors"]) == ["file"]


def test_body_that_is_no_form(cast: Cast, test: Test):
    client = signed_in(cast.analyst)
    address = f"/api/v1/tests/{test.pk}/passes/"
    assert client.post(address, {"file": "x"}, format="json").status_code == 415
    broken = client.post(address, b"--x", content_type="multipart/form-data")
    assert broken.status_code == 400
    assert "Multipart form parse error" in broken.json()["detail"]


def test_folder_in_a_name_is_dropped(cast: Cast, test: Test):
    answer = upload(cast, test, ("../../etc/pass one.csv", trace_file(seed=1)))
    assert answer.json()["results"][0]["flight_pass"]["file"] == "pass one.csv"


def test_file_is_read_as_the_test_says(cast: Cast, test: Test):
    lines = b"position;reading\n" + b"\n".join(
        line.replace(b",", b";") for line in trace_file(seed=3).splitlines()[1:]
    )
    assert upload(cast, test, ("plain.csv", lines)).status_code == 201
    with tenancy.everyone():
        assert test.file_unit == "ft"
