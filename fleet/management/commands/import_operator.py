"""``manage.py import_operator FILE.zip``: take an operator's export into an empty instance."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any, Final

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from fleet import signing, tenancy
from fleet.exchange import storing
from fleet.exchange.opening import Archive, keys_in, opened
from fleet.exchange.reading import check_rows
from fleet.management.command_line import FileCommand, FileKind, bytes_of
from fleet.services.exports import take_in
from patterns.errors import InputError

KEYS: Final = FileKind(
    one="the published keys",
    themselves="a file of keys",
    content="the keys",
    smaller="only the published keys",
    most_mib=1,
)
NOT_TRUSTED: Final = (
    "signed by the key {name}, which came in the file itself: that shows it is whole, not where it "
    "is from. With --key and the keys that the old service publishes (/check/keys.pem) it is held "
    "against those."
)
AFTER: Final = """\
Next:
  Nobody can sign in yet: passwords are not exported. Give the first person access with
    manage.py add_person EMAIL NAME
  and the operator's people new passwords with
    manage.py changepassword EMAIL
  Invitations that were open must be sent again; webhooks and calendar addresses made anew."""
PAPERS: Final = """\
  The old service's public keys ({keys}) are published here as well, so that codes on its papers go
  on being checked. A check here tells how a paper stood when the export was made, and what happens
  here from now on; what the old service withdraws or replaces later it does not know. The square
  codes on those papers lead to {made_on}."""


class Command(FileCommand):
    """Check an export, and take it in."""

    help = (
        "Take the export of an operator into an empty instance, all or nothing. Everything is "
        "checked before anything is written. Exit status 0: done; 2: nothing was written, and why."
    )
    name = "import_operator"

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Name the file."""
        parser.add_argument("file", metavar="FILE.zip", help="an export of one operator")
        parser.add_argument(
            "--check", action="store_true", help="look at everything and write nothing"
        )
        parser.add_argument(
            "--key",
            metavar="KEYS",
            help="file of published public keys (PEM), one of which must have signed the export",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Check, take in, say what to do next."""
        try:
            trusted = _trusted(options["key"])
            with tenancy.everyone(), opened(_file(options["file"]), trusted) as archive:
                if not options["check"]:
                    storing.refuse_occupied()
                check_rows(archive)
                self._tell(archive, trusted is not None)
                if options["check"]:
                    self._tell_room()
                else:
                    self._take_in(archive)
        except InputError as error:
            self.stop([error])

    def _tell(self, archive: Archive, is_trusted: bool) -> None:
        name = signing.name_of(archive.signed_by)
        self.say(f"All records of {archive.operator_name}, made {archive.made_at:%Y-%m-%d %H:%M}")
        self.say(f"  {sum(archive.rows.values())} records, {len(archive.files)} files, all whole")
        self.say(f"  SHA-256 of all: {archive.digest}")
        if is_trusted:
            self.say(f"  signed by the key {name}, which is one of those given")
        else:
            self.say(f"  {NOT_TRUSTED.format(name=name)}")
        for one in archive.absent:
            self.say(f"  {one.path} is absent ({one.state}): {one.words}")

    def _tell_room(self) -> None:
        there = storing.occupied()
        if there:
            self.say(f"This instance would not take it in: it has {there}.")
        self.say("Nothing was written.")

    def _take_in(self, archive: Archive) -> None:
        taken = take_in(archive)
        self.say(f"{taken.operator} is here: {taken.rows} records, {taken.files} files.")
        self.say(AFTER)
        if taken.keys:
            self.say(PAPERS.format(keys=", ".join(taken.keys), made_on=archive.made_on))


def _file(name: str) -> Path:
    path = Path(name)
    if not path.is_file():
        raise InputError(name, "there is no such file", "give an export of an operator")
    return path


def _trusted(name: str | None) -> list[Ed25519PublicKey] | None:
    return None if name is None else list(keys_in(name, bytes_of(name, KEYS)))
