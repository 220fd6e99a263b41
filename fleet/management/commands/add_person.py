"""Give the first people access, before there is anybody who could do it on a page."""

from __future__ import annotations

import getpass
from argparse import ArgumentParser
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from fleet import tenancy
from fleet.models import Role, UnitSystem
from fleet.services import people


class Command(BaseCommand):
    """`manage.py add_person EMAIL NAME --role staff`; asks for the password."""

    help = "Give association staff or an analyst access; operators' people are added on pages."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Name who is added."""
        parser.add_argument("email")
        parser.add_argument("name")
        parser.add_argument("--role", choices=[Role.STAFF, Role.ANALYST], default=Role.STAFF)
        parser.add_argument("--units", choices=UnitSystem.values, default=UnitSystem.US)

    def handle(self, *args: Any, **options: Any) -> None:
        """Ask for the password twice and add the person."""
        password = getpass.getpass("Password: ")
        if getpass.getpass("Once more: ") != password:
            raise CommandError("The two passwords differ; nobody was added.")
        try:
            with tenancy.everyone():
                person = people.add_person(
                    by=None,
                    email=options["email"],
                    name=options["name"],
                    role=options["role"],
                    password=password,
                    unit_system=options["units"],
                )
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        self.stdout.write(f"{person.name} can sign in as {person.email}.")
