"""One map over families: a loop, processes of this machine, or a dask cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from repair_horizon.scale.cluster import check_shared, on_cluster
from repair_horizon.scale.workers import ALONE, FamilyLost, Hands, in_processes, one_thread

A = TypeVar("A")
T = TypeVar("T")


def each_family(
    work: Callable[[str], T],
    families: Sequence[str],
    workers: int = 1,
    cluster: str | None = None,
) -> Iterator[tuple[str, T | BaseException]]:
    """Run ``work`` for every family.

    Parameters
    ----------
    work
        A function of the family's identifier; for several workers it must be picklable.
    workers
        Processes of this machine; with one, everything runs here.
    cluster
        Address of a dask scheduler, whose workers then do it.

    Yields
    ------
    tuple
        The family, and its result or what it raised; one family's failure stops no other. A
        family whose process dies is tried again elsewhere, then given up as ``FamilyLost``.

    Raises
    ------
    LogFault
        If there is no such cluster, or its workers do not run this very kit.
    """
    return each_given(work, families, str, Hands(workers, cluster))


def each_given(
    work: Callable[[A], T], families: Sequence[str], given: Callable[[str], A], hands: Hands = ALONE
) -> Iterator[tuple[str, T | BaseException]]:
    """Run ``work`` on what is given for every family, such as its part of the logs.

    Parameters
    ----------
    work
        A picklable function of one thing.
    given
        What to work on for a family; called here, when its turn comes, so that a worker is sent
        its own family's rows only.
    hands
        Who does it.

    Yields
    ------
    tuple
        As in ``each_family``.
    """
    if hands.cluster is not None:
        yield from on_cluster(work, families, given, hands.cluster)
    elif hands.alone:
        for family in families:
            yield family, _guarded(work, given, family)
    else:
        yield from in_processes(work, families, given, hands.workers)


def _guarded(work: Callable[[A], T], given: Callable[[str], A], family: str) -> T | BaseException:
    try:
        return work(given(family))
    except Exception as error:  # one family's failure must not stop the others
        return error


def all_of(
    work: Callable[[A], T], families: Sequence[str], given: Callable[[str], A], hands: Hands = ALONE
) -> dict[str, T]:
    """Run ``work`` for every family as ``each_given`` does, and want every result.

    Returns
    -------
    dict
        Family to result, in the order of ``families``.

    Raises
    ------
    Exception
        What the first family that failed raised, the first in the order of ``families``.
    """
    found: dict[str, T | BaseException] = {}
    for family, result in each_given(work, families, given, hands):
        found[family] = result
        if hands.progress:
            hands.progress(family, len(found), len(families))
        if hands.alone and isinstance(result, BaseException):
            raise result
    out: dict[str, T] = {}
    for family in families:
        result = found[family]
        if isinstance(result, BaseException):
            raise result
        out[family] = result
    return out


__all__ = [
    "ALONE",
    "FamilyLost",
    "Hands",
    "all_of",
    "check_shared",
    "each_family",
    "each_given",
    "one_thread",
]
