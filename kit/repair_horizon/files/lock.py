"""One writer at a time into a table: the system's own lock on a file beside it.

The system lets go of it when its holder ends, however that ends, so a killed import is no obstacle
to the next one. The file itself, ``.TABLE.lock``, stays and is empty: taking it away would let two
wait for two files of one name.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from repair_horizon.tables.faults import Fault, LogFault

_PAUSE = 0.02


@contextmanager
def locked(workspace: Path, table: str, patience: float = 60.0) -> Iterator[None]:
    """Hold the lock of one table of a workspace.

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
    with suppress(OSError):
        if path.is_symlink():  # the lock of an import of before, or somebody's trap
            path.unlink()
    lock = FileLock(path, timeout=patience, poll_interval=_PAUSE, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        found, allowed = "held by another import", "no other at work: run it again once that ends"
        raise LogFault([Fault(path.name, None, "", found, allowed)]) from None
    except OSError as error:
        found, allowed = error.strerror or str(error), "a folder that can be written"
        raise LogFault([Fault(workspace.name, None, "", found, allowed)]) from None
    try:
        yield
    finally:
        lock.release()
