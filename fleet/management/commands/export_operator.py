"""``manage.py export_operator OPERATOR OUT.zip``: all records of one operator in one file."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any
from uuid import UUID

from fleet import tenancy
from fleet.exchange.gather import ForeignRowError, UnderWayError
from fleet.management.command_line import FileCommand
from fleet.models import Operator
from fleet.services.exports import write_export
from fleet.storage import KeptFileError
from patterns.errors import InputError


class Command(FileCommand):
    """Write everything of one operator to a new ZIP."""

    help = (
        "Write all records, raw files and papers of one operator, with a manifest of digests, to "
        "a new ZIP. Exit status 0: written; 2: nothing was written, and why."
    )
    name = "export_operator"

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Name the operator and the file."""
        parser.add_argument("operator", metavar="OPERATOR", help="its name or its id")
        parser.add_argument("out", metavar="OUT.zip", help="the file to write; not there yet")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write the file and say what is in it."""
        path = Path(options["out"])
        try:
            with tenancy.everyone():
                operator = operator_named(options["operator"])
                _check_place(path)
                packed = write_export(operator, path)
        except UnderWayError:
            self.stop(
                [
                    f"{operator}: work for this operator is under way; wait until its jobs have "
                    "ended, then ask again"
                ]
            )
        except OSError as error:
            self.stop([f"{path}: it cannot be written ({error.strerror}); name another place"])
        except (InputError, ForeignRowError, KeptFileError) as error:
            self.stop([error])
        self.say(f"{path}: all records of {operator}")
        self.say(f"  {packed.rows} records, {packed.files} files, {path.stat().st_size} bytes")
        if packed.absent:
            self.say(f"  {packed.absent} files that records name are absent; the manifest says why")


def operator_named(name: str) -> Operator:
    """Return the operator of this id or name, in any case. Raises InputError."""
    try:
        found = Operator.objects.filter(pk=UUID(name)).first()
    except ValueError:
        found = Operator.objects.filter(name__iexact=" ".join(name.split())).first()
    if found is None:
        known = ", ".join(Operator.objects.values_list("name", flat=True)[:5]) or "none"
        raise InputError(
            name, "there is no such operator", f"give its name or id (some here: {known})"
        )
    operator: Operator = found
    return operator


def _check_place(path: Path) -> None:
    if path.exists():
        raise InputError(str(path), "there is such a file already", "name a new one")
    if not path.parent.is_dir():
        raise InputError(str(path), "there is no such folder", "make the folder first")
