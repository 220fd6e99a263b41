"""What the commands that read files share: complaints in one line, files, numbers, output."""

import sys
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, NoReturn

from django.core.management.base import BaseCommand, CommandError

from patterns.errors import InputError


class FileCommand(BaseCommand):
    """A command that stops with exit status 2 and one line for each thing that is amiss."""

    name = ""
    requires_system_checks: list[str] = []

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> Any:
        """Make a parser whose complaint is one line, as every other complaint here."""
        parser = super().create_parser(prog_name, subcommand, **kwargs)
        parser.error = self._complain  # type: ignore[method-assign]
        return parser

    def say(self, text: str) -> None:
        """Print; a file name may hold what the terminal cannot show."""
        encoding = getattr(self.stdout, "encoding", None) or "utf-8"
        self.stdout.write(text.encode(encoding, "backslashreplace").decode(encoding))

    def stop(self, problems: Iterable[object]) -> NoReturn:
        """Print every problem in a line, each once, and end."""
        for problem in dict.fromkeys(map(str, problems)):
            self.stderr.write(" ".join(problem.split()))
        sys.exit(2)

    def _complain(self, message: str) -> NoReturn:
        line = f"{self.name}: {message}; see {self.name} --help"
        if not getattr(self, "_called_from_command_line", False):
            raise CommandError(line, returncode=2)
        self.stop([line])


@dataclass(frozen=True, slots=True)
class FileKind:
    """The files a command reads, in words for its complaints."""

    one: str
    themselves: str
    content: str
    smaller: str
    most_mib: int


def bytes_of(name: str, kind: FileKind) -> bytes:
    """Read a file.

    Raises
    ------
    InputError
        For what is no file, or cannot or shall not be read; named by the file.
    """
    path = Path(name)
    try:
        if path.is_dir():
            raise InputError(name, "this is a folder", f"give {kind.themselves}")
        if not path.exists():
            raise InputError(name, "there is no such file", f"give the path of {kind.one}")
        if not path.is_file():
            raise InputError(
                name, "this is no regular file", f"save {kind.content} to a file first"
            )
        if path.stat().st_size > kind.most_mib * 1024 * 1024:
            raise InputError(
                name, f"the file is larger than {kind.most_mib} MiB", f"give {kind.smaller}"
            )
        return path.read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        problem = getattr(error, "strerror", None) or "the name is not a path"
        raise InputError(
            name, f"it cannot be read ({problem})", "give a file that you may read"
        ) from error


def resolved(name: str) -> Path:
    """Return the path that tells whether two names mean one file."""
    try:
        return Path(name).resolve()
    except (OSError, ValueError, RuntimeError):
        return Path(name)  # told as unreadable later, by its own name


def number(option: str, text: str, form: str) -> Decimal:
    """Read a number.

    Raises
    ------
    InputError
        Where it is none; named by the option.
    """
    try:
        value = Decimal(str(text).strip())
    except InvalidOperation:
        value = Decimal("nan")
    if not value.is_finite() or abs(value) > Decimal("1e9"):
        raise InputError(option, f"'{text}' is not a number", f"give {form}")
    return value
