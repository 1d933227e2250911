"""A log larger than this machine could hold is refused in words, before a byte of it is read."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from repair_horizon.tables.faults import Fault, LogFault

# Reading a log of sales took about ten times its size (measured, 75 MB of CSV). A quarter of the
# memory is far beyond that, so that nothing is refused which swapping might still have carried.
SHARE = 4
# Where the system does not tell its memory: limits then are those of 16 GB.
_UNKNOWN = 16_000_000_000
_GROUP = Path("/sys/fs/cgroup/memory.max")


def memory_bytes() -> int:
    """Return the memory this process may have: the machine's, or its container's if less."""
    found = _UNKNOWN
    with suppress(AttributeError, ValueError, OSError):  # no sysconf on Windows
        found = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    with suppress(ValueError, OSError):  # "max" where there is no limit
        found = min(found, int(_GROUP.read_text(encoding="ascii")))
    return found


def largest_file() -> int:
    """Return the largest file, in bytes, that is read on this machine."""
    return memory_bytes() // SHARE


def check_size(path: Path, size: int | None = None) -> None:
    """Refuse a file far larger than the memory.

    Parameters
    ----------
    path
        The file.
    size
        Its size once unpacked, bytes; its size on the disc if None.

    Raises
    ------
    LogFault
        If it is larger than a quarter of the memory. A file that is not there passes.
    """
    with suppress(OSError):
        size = path.stat().st_size if size is None else size
    limit = largest_file()
    if size is not None and size > limit:
        found = f"{size / 1e9:.3g} GB"
        allowed = (
            f"at most {limit / 1e9:.3g} GB, a quarter of this machine's memory: split an export "
            "and import its pieces; a log, `partition` it on a machine with more memory, and "
            "read by families"
        )
        raise LogFault([Fault(path.name, None, "", found, allowed)])
