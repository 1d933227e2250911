"""What running one notebook may take, and how it is said when it takes more."""

from __future__ import annotations

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
    """Let this process take at most so many 10^9 bytes of memory; more raises ``MemoryError``.

    Data segments are counted where the system counts them (Linux), since the address space also
    holds libraries that take no memory. Systems without such limits are left as they are.
    """
    try:
        import resource
    except ImportError:
        return
    kind = resource.RLIMIT_DATA if sys.platform == "linux" else resource.RLIMIT_AS
    most = int(gigabytes * _BYTES)
    hard = resource.getrlimit(kind)[1]
    if hard != resource.RLIM_INFINITY:
        most = min(most, hard)
    resource.setrlimit(kind, (most, hard))
