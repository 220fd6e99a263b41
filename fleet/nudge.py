"""One byte from whoever saved a job to the worker beside it: look at the rows now.

The embedded worker has no broker to listen to, so it listens to a datagram socket in the data
folder. A nudge that gets lost costs a second at most: the worker looks by itself as well.
"""

from __future__ import annotations

import hashlib
import logging
import os
import socket
import stat
from pathlib import Path
from uuid import UUID

from django.conf import settings

logger = logging.getLogger(__name__)

# The kernel keeps 108 bytes for the path of a unix socket; a few are for the draft's longer name.
LONGEST_PATH_BYTES = 100
# Not `tempfile.gettempdir()`: both sides must come to the same path, whatever their TMPDIR says.
SHORT_FOLDER = Path("/tmp")  # noqa: S108 -- the folder made in it is checked to be ours alone


class UnsafeFolderError(RuntimeError):
    """The folder for the socket belongs to somebody else, or others may write to it."""


def address() -> Path:
    """Return where the socket lies: in the data folder, or in a short place if that is deep."""
    wanted = Path(settings.WORKER_NUDGE_SOCKET)
    if len(os.fsencode(wanted)) <= LONGEST_PATH_BYTES:
        return wanted
    digest = hashlib.sha256(os.fsencode(wanted)).hexdigest()[:24]
    return _own_folder() / f"{digest}.sock"


def _own_folder() -> Path:
    return SHORT_FOLDER / f"swathbook-{os.getuid()}"


def send_hint(job_id: UUID) -> None:
    """Send the byte without ever waiting; the worker looks at all rows, whichever job it is.

    That nobody listens is no error: the worker may be about to start. A full socket is none
    either: the worker has nudges enough.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        sender.setblocking(False)
        try:
            sender.sendto(b"!", os.fspath(address()))
        except BlockingIOError:
            pass
        except OSError as trouble:
            logger.info("No worker was nudged for job %s (%s).", job_id, trouble)


def listen() -> socket.socket | None:
    """Return a socket that hears the nudges, or None when another living worker hears them."""
    place = address()
    if place.parent == _own_folder():
        _make_own_folder()
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.setblocking(False)
    try:
        if _somebody_listens(place):
            listener.close()
            return None
        place.unlink(missing_ok=True)
        # A draft first, then a rename: at no moment is there a socket that others may write to.
        draft = place.with_name(f"{place.name[:8]}{os.getpid()}")
        listener.bind(os.fspath(draft))
        draft.chmod(0o600)
        draft.replace(place)
    except OSError:
        listener.close()
        raise
    return listener


def _somebody_listens(place: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(os.fspath(place))
        except OSError:
            return False
    return True


def _make_own_folder() -> None:
    folder = _own_folder()
    folder.mkdir(mode=0o700, exist_ok=True)
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise UnsafeFolderError(f"{folder} must be a folder that only its owner may enter.")
