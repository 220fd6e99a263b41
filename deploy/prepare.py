"""Get the data folder ready to serve: migrate, collect static files, load the demo season once.

Run by `deploy.supervise` in a process of its own, so that the supervisor stays small; safe to run
by hand: `python -m deploy.prepare [--demo]`. What is up to date already costs no time.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import django
from django.conf import settings
from django.contrib.auth import get_user_model
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command

from deploy import figures

COLLECTED = "whitenoise.storage.CompressedManifestStaticFilesStorage"
UNUSED = ["rest_framework"]  # the files of its browsable pages, which are switched off


def migrate() -> None:
    """Bring the database up to date."""
    call_command("migrate", interactive=False, verbosity=0)


def _sources() -> Iterator[str]:
    for finder in get_finders():
        for path, storage in finder.list(UNUSED):
            found = Path(storage.path(path)).stat()
            yield f"{path} {found.st_size} {found.st_mtime_ns}"


def collect_static_files() -> None:
    """Copy, name by digest and compress the static files, when one has changed since."""
    stamp = Path(settings.STATIC_ROOT) / "sources.digest"
    digest = hashlib.sha256("\n".join(sorted(_sources())).encode()).hexdigest()
    if stamp.exists() and stamp.read_text() == digest:
        return
    # The settings choose the plain storage as long as nothing was collected.
    settings.STORAGES["staticfiles"] = {"BACKEND": COLLECTED}
    call_command(
        "collectstatic", interactive=False, clear=True, verbosity=0, ignore_patterns=UNUSED
    )
    stamp.write_text(digest)


def load_demo() -> None:
    """Load the demo season, unless somebody is in the database already."""
    if not get_user_model().objects.exists():
        print("Loading the demo season (once) …", flush=True)  # noqa: T201 - for who waits for it
        call_command("load_demo")


def note_sign_ins(path: Path) -> None:
    """Write down who can sign in to the demo, for the supervisor to print; none without a demo."""
    from fixtures.load import is_loaded, sign_ins  # noqa: PLC0415 -- needs django.setup()

    known = sign_ins() if is_loaded() else []
    lines = [f"  {role:<8} {email:<34} password {password}" for role, email, password in known]
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def main(arguments: list[str]) -> None:
    """Do what is asked, in the order in which one needs the other."""
    parser = argparse.ArgumentParser(prog="python -m deploy.prepare", description=__doc__)
    parser.add_argument("--demo", action="store_true", help="load the demo season, once")
    parser.add_argument("--sign-ins", type=Path, help="write the demo's sign-ins to this file")
    options = parser.parse_args(arguments)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    django.setup()
    migrate()
    collect_static_files()
    if options.demo:
        load_demo()
    figures.refresh()
    if options.sign_ins:
        note_sign_ins(options.sign_ins)


if __name__ == "__main__":
    main(sys.argv[1:])
