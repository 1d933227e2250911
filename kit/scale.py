"""One map over families: a loop, or local processes. Results come in the order they finish."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from typing import TypeVar

T = TypeVar("T")


def each_family(
    work: Callable[[str], T], families: Sequence[str], workers: int = 1
) -> Iterator[tuple[str, T | BaseException]]:
    """Run ``work`` for every family.

    Parameters
    ----------
    work
        A function of the family's identifier; for several workers it must be picklable.
    families
        Identifiers.
    workers
        Processes; with one, everything runs here.

    Yields
    ------
    tuple
        The family, and its result or what it raised; one family's failure stops no other.
    """
    if workers <= 1:
        for family in families:
            yield family, _guarded(work, family)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=workers, mp_context=context) as pool:
        running: dict[Future[T], str] = {pool.submit(work, f): f for f in families}
        for done in as_completed(running):
            error = done.exception()
            yield running[done], error if error is not None else done.result()


def _guarded(work: Callable[[str], T], family: str) -> T | BaseException:
    try:
        return work(family)
    except Exception as error:  # one family's failure must not stop the others
        return error
