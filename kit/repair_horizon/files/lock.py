"""One import at a time into a table: a lock file beside it, and what a dead owner left behind.

The lock is a link that leads nowhere and whose text names the owner: a link is there with its text
or not at all, so that whoever is killed while taking a lock leaves none without a name. Where a
folder takes no links the lock is a file, which a kill may leave empty; that one counts as left
behind after half a minute.
"""

from __future__ import annotations

import os
import socket
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from repair_horizon.tables.faults import Fault, LogFault

try:
    import fcntl
except ImportError:  # Windows has none
    fcntl = None  # type: ignore[assignment]

_PAUSE = 0.05
_UNSIGNED_SECONDS = 30.0


@contextmanager
def locked(workspace: Path, table: str, patience: float = 60.0) -> Iterator[None]:
    """Hold the lock of one table of a workspace.

    The lock is created only if it is not there. It names its owner; a lock whose owner no longer
    runs on this machine is removed, under a second lock, so that two imports waiting for it
    cannot both take it.

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
        os.symlink(token, path)
        return True
    except FileExistsError:
        return False
    except (OSError, NotImplementedError):  # no links here; whether files, is told below
        return _create_file(path, token)


def _create_file(path: Path, token: str) -> bool:
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
        return os.readlink(path) if path.is_symlink() else path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ""


def _stale(path: Path) -> bool:
    """Tell whether a lock's owner ran here and is gone; a lock without owner becomes so by age."""
    host, _, rest = _owner(path).partition(" ")
    number = rest.partition(" ")[0]
    if number.isdigit():
        return host == socket.gethostname() and not _runs(int(number))
    return _age(path) > _UNSIGNED_SECONDS


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
    with _alone(path) as allowed:
        if allowed and _stale(path):
            with suppress(FileNotFoundError):
                path.unlink()


@contextmanager
def _alone(path: Path) -> Iterator[bool]:
    """Hold the second lock: the system's own on the folder, which no kill leaves behind."""
    handle = _folder_held(path.parent)
    if handle is not None:
        try:
            yield True
        finally:
            os.close(handle)
        return
    second = path.with_name(path.name + ".breaking")
    got = _create_file(second, "")
    try:
        yield got
    finally:
        if got or _age(second) > _UNSIGNED_SECONDS:
            with suppress(OSError):
                second.unlink()
        else:
            time.sleep(_PAUSE)


def _folder_held(folder: Path) -> int | None:
    """Handle of the folder while nobody else has it so; None where the system has no such locks."""
    if fcntl is None:
        return None
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
    except OSError:
        os.close(handle)
        return None
    return handle


def _age(path: Path) -> float:
    try:
        return time.time() - path.stat().st_mtime
    except OSError:
        return 0.0
