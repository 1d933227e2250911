"""One import at a time into a table: a lock file beside it, and what a dead owner left behind."""

from __future__ import annotations

import os
import socket
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from kit.logs.faults import Fault, LogFault

_PAUSE = 0.05
_UNSIGNED_SECONDS = 30.0


@contextmanager
def locked(workspace: Path, table: str, patience: float = 60.0) -> Iterator[None]:
    """Hold the lock of one table of a workspace.

    The lock is a file created only if it is not there (O_EXCL). It names its owner; a lock whose
    owner no longer runs on this machine is removed, under a second lock, so that two imports
    waiting for it cannot both take it.

    Parameters
    ----------
    workspace
        The folder.
    table
        Name of the table.
    patience
        Seconds to wait for another import before giving up.

    Raises
    ------
    LogFault
        If another import does not end in time, or the folder cannot be written.
    """
    path = workspace / f".{table}.lock"
    token = f"{socket.gethostname()} {os.getpid()} {uuid.uuid4().hex}"
    until = time.monotonic() + patience
    while not _create(path, token):
        if time.monotonic() > until:
            found = _owner(path) or "an unsigned lock"
            allowed = "no other import at work; if none is, delete this file"
            raise LogFault([Fault(path.name, None, "", found, allowed)])
        if _stale(path):
            _break(path)
        else:
            time.sleep(_PAUSE)
    try:
        yield
    finally:
        with suppress(FileNotFoundError):
            path.unlink()


def _create(path: Path, token: str) -> bool:
    try:
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
    except FileExistsError:
        return False
    except OSError as error:
        found = error.strerror or str(error)
        allowed = "a folder that can be written"
        raise LogFault([Fault(path.parent.name, None, "", found, allowed)]) from None
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(token)
    return True


def _owner(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError:
        return ""


def _stale(path: Path) -> bool:
    """Tell whether a lock's owner ran here and is gone; a lock without owner becomes so by age."""
    host, _, rest = _owner(path).partition(" ")
    number = rest.partition(" ")[0]
    if number.isdigit():
        return host == socket.gethostname() and not _runs(int(number))
    try:
        return time.time() - path.stat().st_mtime > _UNSIGNED_SECONDS
    except OSError:
        return False


def _runs(number: int) -> bool:
    if os.name == "nt":  # there, signal 0 would not ask but act
        return True
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _break(path: Path) -> None:
    """Remove a stale lock; only the holder of the second lock may, after looking again."""
    second = path.with_name(path.name + ".breaking")
    if not _create(second, ""):
        time.sleep(_PAUSE)
        with suppress(OSError):
            if time.time() - second.stat().st_mtime > _UNSIGNED_SECONDS:
                second.unlink()
        return
    try:
        if _stale(path):
            with suppress(FileNotFoundError):
                path.unlink()
    finally:
        with suppress(FileNotFoundError):
            second.unlink()
