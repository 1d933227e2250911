"""What running one notebook may take, and how it is said when it takes more."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass

TIME_LIMIT = 900.0
_BYTES = 10**9


@dataclass(frozen=True)
class Limits:
    """``seconds`` for the whole notebook; ``memory_gb`` (10^9 bytes) for its process, or None.

    ``fresh_kernel`` asks for a kernel started for this notebook alone, in place of a fork of the
    warmed process.
    """

    seconds: float = TIME_LIMIT
    memory_gb: float | None = None
    fresh_kernel: bool = False


USUAL = Limits()


class RunEnded(RuntimeError):
    """A notebook that did not come to its end, in words a partner can read."""


def out_of_time(limits: Limits) -> RunEnded:
    """Say that the time limit was reached."""
    return RunEnded(f"it took longer than the time limit of {limits.seconds:g} s and was stopped")


def died(status: int, cell: int) -> RunEnded:
    """Say how a process ended: ``status`` as ``subprocess`` gives it, ``cell`` counted from 1."""
    if status == -9:
        how = "ran out of memory or was killed (signal 9)"
    elif status < 0:
        how = f"its process was ended by signal {-status}"
    else:
        how = f"its process left with status {status}"
    return RunEnded(f"{how} in cell {cell}")


def limit_memory(gigabytes: float) -> None:
    """Let this process take at most about so many 10^9 bytes; more raises ``MemoryError``.

    The system limits what is reserved, of which allocators take much more than they use. So what
    is reserved and not used when this is called does not count (Linux), and it is best called
    when the imports are done. Systems without such limits are left as they are.
    """
    try:
        import resource
    except ImportError:
        return
    linux = sys.platform == "linux"
    kind = resource.RLIMIT_DATA if linux else resource.RLIMIT_AS
    most = int(gigabytes * _BYTES) + (_reserved() if linux else 0)
    hard = resource.getrlimit(kind)[1]
    if hard != resource.RLIM_INFINITY:
        most = min(most, hard)
    resource.setrlimit(kind, (most, hard))


def _reserved() -> int:
    """Bytes of data reserved and not in use, from Linux's own count of pages."""
    with open("/proc/self/statm", encoding="ascii") as file:
        pages = [int(n) for n in file.read().split()]
    return max(pages[5] - pages[1], 0) * os.sysconf("SC_PAGE_SIZE")


def limit_kernel(gigabytes: float) -> None:
    """Limit a kernel's memory before its first cell: once what a report imports is there."""
    from repair_horizon.reports.engine.rehearsing import rehearse

    rehearse()
    limit_memory(gigabytes)
