"""Everything of one operator out, and in again. The form is this project's own; the bytes of ZIP
are held against the standard library, digests against FIPS 180-4 by way of `sha256sum`'s like.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import threading
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import connection, transaction
from django.test import override_settings
from django.utils import timezone
from rest_framework.authtoken.models import Token

from fleet import signing, storage, tenancy
from fleet.exchange.gather import one_moment
from fleet.exchange.pack import pack
from fleet.exchange.tables import FIELDS_LEFT_OUT, FILES, LEFT_OUT, SHARED, own_path, tables
from fleet.models import (
    CalendarFeed,
    Operator,
    Paper,
    Person,
    Season,
    Visit,
    VisitWish,
    Webhook,
)
from fleet.paper_codes import ForgedCodeError, verify
from fleet.queries.checking import agrees, by_digest
from fleet.services import people
from fleet.services import requirements as rule_services
from fleet.services.requirements import today_in
from tests.cast import Cast, make_aircraft, make_setup, make_test
from tests.fleet.exchange_world import THEIRS, make_world
from tests.fleet.hostile_exports import BROKEN, SPOILT, draft_of, refused_by_database

pytestmark = [pytest.mark.service, pytest.mark.django_db]


@contextmanager
def instance(folder: Path) -> Iterator[None]:
    """Kept files and keys of an instance of its own."""
    kept = {
        "default": {
            "BACKEND": "django.core.files.storage.FileSystemStorage",
            "OPTIONS": {"location": str(folder / "kept")},
        },
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }
    with override_settings(STORAGES=kept, PAPER_KEYS=str(folder / "keys")), tenancy.everyone():
        yield


@dataclass(frozen=True)
class Made:
    """An export, and what was on record where it was made."""

    path: Path
    folder: Path
    operator_id: str
    theirs: list[str]
    secrets: list[str]
    removed: str

    def records(self) -> dict[str, bytes]:
        return records_of(self.path)


def records_of(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        names = [name for name in archive.namelist() if name.startswith("records/")]
        return {name: archive.read(name) for name in names}


def export(operator: Operator, path: Path) -> Path:
    pack(operator, path, by="Tests", at=timezone.now(), tell=lambda share, words: None)
    return path


@pytest.fixture(scope="module")
def made(
    tmp_path_factory: pytest.TempPathFactory, django_db_setup: None, django_db_blocker: Any
) -> Made:
    """The export of our operator; the database is as empty afterwards as it was before."""
    folder = tmp_path_factory.mktemp("old")
    with (
        pytest.MonkeyPatch.context() as patch,
        django_db_blocker.unblock(),
        instance(folder),
        transaction.atomic(),
    ):
        cast = make_world(patch)
        raw = apps.get_model("fleet", "RawFile").objects.filter(operator=cast.operator)[2]
        storage.remove(raw.digest, f"Raw file {THEIRS}.csv: removed on 1 May 2026 by Sela, held.")
        path = export(cast.operator, folder / "out.zip")
        found = Made(
            path,
            folder,
            str(cast.operator.pk),
            list(_theirs(cast.other_operator)),
            list(_secrets()),
            raw.digest,
        )
        transaction.set_rollback(True)
    return found


def _theirs(other: Operator) -> Iterator[str]:
    """Yield everything by which a row of the other operator can be known."""
    for model in apps.get_app_config("fleet").get_models():
        path = own_path(model)
        if path is None:
            continue
        for row in model._default_manager.filter(**{path: other.pk}):
            yield str(row.pk)
            yield row.pk.hex
    yield from ("XX-Z01", "XX-O01", "othercreek", THEIRS)


def _secrets() -> Iterator[str]:
    for person in Person.objects.all():
        yield person.password
        yield Token.objects.create(user=person).key
    yield from Webhook.objects.values_list("secret", flat=True)
    yield from CalendarFeed.objects.values_list("secret_digest", flat=True)
    for one in apps.get_model("fleet", "Invitation").objects.all():
        yield one.token_digest


# --- What goes along ------------------------------------------------------------------------------


def test_no_model_is_forgotten():
    exported = {table.model for table in tables()}
    for model in apps.get_models():
        name = model._meta.label
        if model in LEFT_OUT:
            assert model not in exported, f"{name} is exported and left out"
            assert LEFT_OUT[model].endswith("."), f"{name} is left out without a reason"
        elif model._meta.app_label == "fleet":
            assert model in exported, (
                f"Say in exchange.tables whether {name} goes along, or why not"
            )
        else:  # accounts of other apps: sessions, tokens, permissions, kinds of content
            assert model._meta.app_label in ("auth", "contenttypes", "sessions", "authtoken"), name
    below = {model for model in apps.get_models() if own_path(model)}
    assert below - set(LEFT_OUT) <= exported
    assert set(SHARED) <= exported


def test_no_digest_or_secret_is_forgotten():
    """A field that names kept bytes must be among FILES, one that opens something left out."""
    no_files = {
        "analysisrun": {"inputs_digest", "document_digest"},
        "cardrun": {"document_digest"},
        "cardconfirmation": {"outlines_digest"},
        "paper": {"record_digest"},
    }
    for table in tables():
        for field in table.fields:
            assert not {"secret", "token", "password"} & set(field.name.split("_")), field
            if "digest" in field.name and field.name not in no_files.get(table.name, ()):
                assert table.model in FILES, field
    assert {"password", "last_login"} == set(FIELDS_LEFT_OUT[Person])


def test_every_kind_of_record_is_in_the_test(made: Made):
    empty = [name for name, lines in made.records().items() if not lines]
    assert not empty


def test_manifest_tells_the_truth(made: Made):
    with zipfile.ZipFile(made.path) as archive:
        assert archive.testzip() is None
        manifest = json.loads(archive.read("manifest.json"))
        assert manifest["operator"]["id"] == made.operator_id
        listed = {one["path"]: one for one in manifest["files"]}
        assert set(listed) == set(archive.namelist()) - {"manifest.json", "manifest.sig"}
        for name, one in listed.items():
            data = archive.read(name)
            assert (len(data), hashlib.sha256(data).hexdigest()) == (one["size"], one["sha256"])
        for name, count in manifest["rows"].items():
            assert archive.read(f"records/{name}.jsonl").count(b"\n") == count
        # Every paper is a PDF, every other file lies under its digest.
        for name in archive.namelist():
            if name.startswith("papers/"):
                assert archive.read(name).startswith(b"%PDF-")
    assert {model._meta.model_name for model in LEFT_OUT} == set(manifest["left_out"])


def test_removed_file_is_told(made: Made):
    with zipfile.ZipFile(made.path) as archive:
        [absent] = json.loads(archive.read("manifest.json"))["absent"]
        assert f"files/{made.removed}" not in archive.namelist()
    assert (absent["state"], absent["sha256"]) == ("removed", made.removed)
    assert absent["words"] == "Raw file pass3.csv: removed on 1 May 2026 by Sela, held."


def test_nothing_of_another_operator_and_no_secret(made: Made):
    everything = bytearray(made.path.name.encode())
    with zipfile.ZipFile(made.path) as archive:
        for name in archive.namelist():
            everything += name.encode() + archive.read(name)
    assert len(made.theirs) > 40
    for word in (*made.theirs, *made.secrets):
        assert word.encode() not in everything, word
    series = [json.loads(line) for line in made.records()["records/paperseries.jsonl"].splitlines()]
    # Of the four statements the second and third are ours: how many there were is not told.
    assert {one["last_number"] for one in series if one["kind"] == "fleet_statement"} == {3}
    assert b"Anik String" in everything  # who tested is part of the record
    assert b"analyst@association.example" not in everything


def test_rules_of_former_homes_come_along(cast: Cast, everyone: None, tmp_path: Path):
    """Else a file would be held here and free to go there (`queries.retention`)."""
    moved = rule_services.add_jurisdiction(by=cast.staff, name="Elsewhere")
    rule_services.add_jurisdiction(by=cast.staff, name="Nowhere near")
    rule_services.add_requirement(
        by=cast.staff,
        jurisdiction=cast.state,
        name="Pattern test",
        effective_from=today_in(cast.state),
        source="Invented for tests.",
        rhythm="once",
        retention_years=3,
    )
    people.change_operator(cast.operator, by=cast.staff, jurisdiction=moved)
    found = records_of(export(cast.operator, tmp_path / "out.zip"))
    names = {json.loads(line)["name"] for line in found["records/jurisdiction.jsonl"].splitlines()}
    assert names == {"Calloway", "Elsewhere"}
    assert found["records/requirementversion.jsonl"].count(b"\n") == 1


def test_what_hangs_on_others_is_covered(cast: Cast, everyone: None, tmp_path: Path):
    """Where a record of ours names people of others or their visit, it says no more than it must.

    No page makes such records; data from elsewhere might.
    """
    test = make_test(cast, make_setup(cast, make_aircraft(cast)))
    Visit.objects.filter(pk=test.visit_id).update(
        kind="private", host=cast.other_operator, note="Gate code"
    )
    VisitWish.objects.create(
        operator=cast.operator,
        aircraft=test.setup.aircraft,
        from_on="2026-04-01",
        until_on="2026-04-30",
        wished_by=cast.outsider,
    )
    found = records_of(export(cast.operator, tmp_path / "out.zip"))
    [visit] = map(json.loads, found["records/visit.jsonl"].splitlines())
    assert (visit["kind"], visit["host"], visit["note"]) == ("clinic", None, "")
    people = {
        one["id"]: one
        for one in map(json.loads, found["records/person_elsewhere.jsonl"].splitlines())
    }
    assert people[str(cast.outsider.pk)] == {
        "id": str(cast.outsider.pk),
        "name": "Somebody of another operator",
        "role": "staff",
    }


# --- Out and in again -----------------------------------------------------------------------------


def run_import(path: Path, *more: str) -> str:
    out = io.StringIO()
    call_command("import_operator", str(path), *more, stdout=out)
    return out.getvalue()


def test_round_trip(made: Made, tmp_path: Path):
    with instance(tmp_path):
        said = run_import(made.path)
        connection.check_constraints()
        operator = Operator.objects.get()
        assert str(operator.pk) == made.operator_id
        again = export(operator, tmp_path / "again.zip")
        assert records_of(again) == made.records()
        kept = [kept_in(path) for path in (made.path, again)]
        assert kept[0] == kept[1]
        with pytest.raises(storage.RemovedFileError, match=r"pass3.csv: removed on 1 May 2026"):
            storage.fetch(made.removed)
        _papers_still_checked()
        assert not any(one.has_usable_password() for one in Person.objects.all())
        staff = Person.objects.get(name="Sela Office")
        assert (staff.is_active, staff.email) == (False, f"{staff.pk}@elsewhere.invalid")
    assert "Nobody can sign in yet" in said


def _papers_still_checked() -> None:
    """The old service's key counts here, and a check knows what became of each paper."""
    withdrawn = Paper.objects.get(withdrawal__isnull=False)
    superseded = withdrawn.supersedes
    assert superseded is not None
    for paper, state in ((withdrawn, "withdrawn"), (superseded, "superseded")):
        statement = verify(paper.signed, signing.public_keys().values())
        found = by_digest(storage.digest_of(storage.fetch(paper.digest)))
        assert found is not None
        assert agrees(statement, found)
        assert found.verdict is not None
        assert found.verdict.state == state
    own = signing.name_of(signing.signing_key().public_key())
    with pytest.raises(ForgedCodeError):
        verify(withdrawn.signed, [signing.public_keys()[own]])


def kept_in(path: Path) -> dict[str, bytes]:
    """The kept files of an export, and what it tells of the absent ones."""
    with zipfile.ZipFile(path) as archive:
        found = {n: archive.read(n) for n in archive.namelist() if n.startswith(("files/", "pap"))}
        absent = json.loads(archive.read("manifest.json"))["absent"]
    return {**found, "absent": json.dumps(absent).encode()}


# --- What is refused ------------------------------------------------------------------------------


def refused(path: Path, folder: Path, *more: str) -> str:
    """What is said of an archive that must be refused; nothing may have been written."""
    err = io.StringIO()
    with instance(folder):
        with pytest.raises(SystemExit) as ended:
            call_command("import_operator", str(path), *more, stdout=io.StringIO(), stderr=err)
        assert ended.value.code == 2
        for table in tables():
            assert not table.model._default_manager.exists()
    assert not (folder / "keys").exists()
    said = err.getvalue()
    assert said.count("\n") == 1, said
    return said


@pytest.mark.parametrize("spoil", SPOILT, ids=lambda one: one.__name__)
def test_spoilt_archive(made: Made, tmp_path: Path, spoil: Any):
    path = tmp_path / "spoilt.zip"
    draft = draft_of(made.path)
    spoil(draft)
    draft.write(path)
    said = refused(path, tmp_path)
    assert re.search(SPOILT[spoil], said), said
    if spoil is not refused_by_database:  # files that came first are harmless, and of use to nobody
        assert not (tmp_path / "kept").exists()


@pytest.mark.parametrize("spoil", BROKEN, ids=lambda one: one.__name__)
def test_broken_file(made: Made, tmp_path: Path, spoil: Any):
    path = tmp_path / "broken.zip"
    path.write_bytes(spoil(made.path.read_bytes()))
    said = refused(path, tmp_path)
    assert re.search(BROKEN[spoil], said), said
    assert not (tmp_path / "kept").exists()


def test_spoilt_only_where_it_is_meant(made: Made, tmp_path: Path):
    """An archive taken apart and put together again is taken: the others fail for what is wrong."""
    path = tmp_path / "same.zip"
    draft = draft_of(made.path)
    draft.forge()
    draft.write(path)
    with instance(tmp_path):
        said = run_import(path, "--check")
        assert "Nothing was written." in said
        assert not Operator.objects.exists()
    assert not (tmp_path / "kept").exists()


def test_other_key(made: Made, tmp_path: Path):
    """An archive signed anew by somebody else is refused against the keys that are published."""
    keys = tmp_path / "published.pem"
    with zipfile.ZipFile(made.path) as archive:
        keys.write_bytes(archive.read("keys.pem"))
    with instance(tmp_path / "new"):
        said = run_import(made.path, "--check", "--key", str(keys))
        assert "which is one of those given" in said
    forged = tmp_path / "forged.zip"
    draft = draft_of(made.path)
    draft.forge()
    draft.write(forged)
    said = refused(forged, tmp_path / "newer", "--key", str(keys))
    assert "it is not the signature of any of the keys given" in said


# --- Into what is not empty; as of one moment; by name --------------------------------------------


def test_only_into_an_empty_instance(made: Made, tmp_path: Path, cast: Cast):
    err = io.StringIO()
    with instance(tmp_path), pytest.raises(SystemExit):
        call_command("import_operator", str(made.path), stdout=io.StringIO(), stderr=err)
    assert "it is not empty, it has 2 operators, 6 people and 6 other records" in err.getvalue()
    assert "set SWATHBOOK_DATA to a new folder" in err.getvalue()
    with instance(tmp_path):
        said = run_import(made.path, "--check")
    assert "This instance would not take it in" in said
    assert not (tmp_path / "kept").exists()


def test_export_command(cast: Cast, tmp_path: Path):
    out, err, path = io.StringIO(), io.StringIO(), tmp_path / "out.zip"
    with instance(tmp_path):
        call_command("export_operator", "redgrass aerial", str(path), stdout=out, stderr=err)
        assert "all records of Redgrass Aerial" in out.getvalue()
        for operator, place, wanted in (
            ("Redgrass Aerial", path, "there is such a file already; name a new one"),
            ("Nobody", tmp_path / "b.zip", "there is no such operator; give its name or id"),
            (str(cast.operator.pk), tmp_path / "no" / "b.zip", "there is no such folder"),
        ):
            with pytest.raises(SystemExit):
                call_command("export_operator", operator, str(place), stdout=out, stderr=err)
            assert wanted in err.getvalue()
    assert sorted(one.name for one in tmp_path.iterdir() if one.is_file()) == ["out.zip"]


@pytest.mark.django_db(transaction=True)
def test_read_as_of_one_moment(everyone: None):
    """What others write meanwhile is not seen, and nobody waits for the reading."""

    def add() -> None:
        try:
            Season.objects.create(name="2026", starts_on="2026-01-01", ends_on="2026-12-31")
        finally:
            connection.close()

    with one_moment():
        assert Season.objects.count() == 0
        other = threading.Thread(target=add)
        other.start()
        other.join()
        assert Season.objects.count() == 0
    assert Season.objects.count() == 1
