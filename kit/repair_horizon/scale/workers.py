"""Who does the work, processes of this machine, and one thread of linear algebra each."""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from multiprocessing import connection
from typing import Any, TypeVar

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Hands:
    """Nobody else, so many processes of this machine, or the cluster at an address.

    ``cluster`` is a dask scheduler's address such as ``tcp://192.168.1.10:8786``; where it is
    given, ``workers`` does not count. ``progress`` is called after each family with its name, how
    many are done, and how many there are.
    """

    workers: int = 1
    cluster: str | None = None
    progress: Progress | None = None

    def saying(self, what: str) -> Hands:
        """Return the same hands, whose progress says what is done for each family."""
        told = self.progress
        if told is None:
            return self
        return replace(self, progress=lambda f, done, of: told(f"{what} {f}", done, of))

    @property
    def alone(self) -> bool:
        """Whether everything runs here, one family after the other."""
        return self.cluster is None and self.workers <= 1


ALONE = Hands()


class FamilyLost(RuntimeError):
    """A family without a result, because whatever worked on it died; its text says so."""


@contextmanager
def one_thread() -> Iterator[None]:
    """Limit linear algebra to one thread inside, and leave the process as it was found.

    Also a decorator: ``@one_thread()``. Contexts may stand inside each other.
    """
    # numpy and scipy each bring a library of their own, so what is loaded now decides.
    with _controller("scipy.linalg" in sys.modules).limit(limits=1, user_api="blas"):
        yield


@cache
def _controller(_: bool) -> Any:
    """Find the libraries loaded; it reads the process's map of memory, so once is enough."""
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


A = TypeVar("A")
T = TypeVar("T")

TRIES = 2


def in_processes(
    work: Callable[[A], T], families: Sequence[str], given: Callable[[str], A], workers: int
) -> Iterator[tuple[str, T | BaseException]]:
    """Run ``work`` for every family by spawned processes; see ``each_given``.

    A pool of several processes breaks as a whole when one of them dies, and every family it had
    is lost. So each process is a pool of its own: its death costs the one family it worked on,
    which is tried once more in a fresh process.
    """
    waiting = deque((f, TRIES) for f in families)
    running: dict[Future[T], tuple[str, int, ProcessPoolExecutor]] = {}
    idle: list[ProcessPoolExecutor] = []
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                family, tries = waiting.popleft()
                future, pool = _start(work, given(family), idle)
                running[future] = (family, tries, pool)
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                family, tries, pool = running.pop(future)
                error = future.exception()
                if not isinstance(error, BrokenExecutor):
                    idle.append(pool)
                    yield family, error if error is not None else future.result()
                    continue
                pool.shutdown(wait=False)
                if tries > 1:
                    waiting.append((family, tries - 1))
                else:
                    yield family, FamilyLost(f"its process died, {TRIES} times in a row")
    finally:
        for pool in [*idle, *(pool for _, _, pool in running.values())]:
            pool.shutdown(wait=True, cancel_futures=True)


def _start(
    work: Callable[[A], T], item: A, idle: list[ProcessPoolExecutor]
) -> tuple[Future[T], ProcessPoolExecutor]:
    """Hand work to an idle process, or to a new one if there is none alive."""
    while idle:
        pool = idle.pop()
        try:
            return pool.submit(_by_itself, work, item), pool
        except BrokenExecutor:  # it died while it had nothing to do
            pool.shutdown(wait=False)
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(1, mp_context=context, initializer=end_with_parent)
    return pool.submit(_by_itself, work, item), pool


def end_with_parent() -> None:
    """End this process when the one that started it does, also if that was killed.

    A worker that waits for work would wait for ever: it holds both ends of its own queue.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_wait_and_end, args=(parent.sentinel,), daemon=True).start()


def _wait_and_end(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)


def _by_itself(work: Callable[[A], T], item: A) -> T:
    with one_thread():
        return work(item)
