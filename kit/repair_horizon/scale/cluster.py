"""Families by the workers of a dask.distributed cluster, on this machine or on others.

``distributed`` is imported inside the functions: it is an extra, and nothing else needs it. A
machine takes part if it runs this very kit, with the same sources and the same versions of what it
computes with; the functions that tell so are also run on the workers.
"""

from __future__ import annotations

import logging
import re
import secrets
import time
import uuid
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar

from repair_horizon.files.keeping import interpreter, program_stamp, versions
from repair_horizon.scale.workers import TRIES, FamilyLost, one_thread
from repair_horizon.tables.faults import Fault, LogFault

A = TypeVar("A")
T = TypeVar("T")

_ADDRESS = re.compile(r"(tcp|tls)://.+:\d{1,5}")
_CONNECT_SECONDS = 10
# How long no worker may be there before what is left is given up: a nanny starts a worker that
# died again within seconds.
PATIENCE_SECONDS = 60.0
_LOOK_SECONDS, _PAUSE_SECONDS = 2.0, 0.2
_FETCH_SECONDS, _GATHER_SECONDS = 300.0, 10.0
_DIED = "every worker it was given to died"
_FORSAKEN = object()  # nobody is left of those a family may be done by: it is given anew


def on_cluster(
    work: Callable[[A], T], families: Sequence[str], given: Callable[[str], A], address: str
) -> Iterator[tuple[str, T | BaseException]]:
    """Run ``work`` for every family on a cluster; see ``each_given``.

    The scheduler gives the family of a worker that died to another one; a family whose workers
    die again and again (``distributed.scheduler.allowed-failures`` times more than once) is
    given up, so that it cannot take the whole cluster with it.
    """
    with _connected(address) as client:
        _check_workers(client, address)
        task = partial(_in_one_thread, work)

        def submitted(family: str, workers: set[str]) -> Any:
            return _submitted(client, task, given(family), workers)

        yield from _as_they_finish(client, submitted, families)


def _submitted(client: Any, task: Callable[[A], T], item: A, workers: set[str]) -> Any:
    with warnings.catch_warnings():
        # A family's rows travel with its task. Sent ahead of it, as the warning advises, they
        # would be lost with the worker they were sent to.
        warnings.filterwarnings("ignore", message="Sending large graph")
        key = f"family-{uuid.uuid4().hex}"
        return client.submit(task, item, key=key, pure=False, workers=sorted(workers))


def _in_one_thread(work: Callable[[A], T], item: A) -> T:
    with one_thread():
        return work(item)


def _same_kit(client: Any, workers: list[str]) -> set[str]:
    """Addresses of those workers that run this very kit."""
    found = client.run(fingerprint, workers=workers, on_error="return") if workers else {}
    return {worker for worker, theirs in found.items() if theirs == fingerprint()}


def _library() -> Any:
    """Return dask.distributed, or say which extra brings it."""
    try:
        import distributed
    except ImportError:
        found = "dask.distributed is not installed"
        allowed = 'it installed: pip install "repair-horizon[cluster]"'
        raise LogFault([Fault("--cluster", None, "", found, allowed)]) from None
    return distributed


@contextmanager
def _connected(address: str) -> Iterator[Any]:
    library = _library()
    if not _ADDRESS.fullmatch(address):
        allowed = "a scheduler's address such as tcp://192.168.1.10:8786"
        raise LogFault([Fault("--cluster", None, "", address, allowed)])
    try:
        with warnings.catch_warnings():
            # It would compare versions of dask's own packages; all that matters to results is
            # compared by _check_workers, as a message instead of a warning.
            warnings.filterwarnings("ignore", message="[\\s\\S]*Mismatched versions")
            client = library.Client(address, timeout=_CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError) as error:  # TimeoutError is an OSError
        allowed = f"the address of a scheduler that answers within {_CONNECT_SECONDS} s"
        raise LogFault([Fault("--cluster", None, "", address, allowed)]) from error
    with _quiet():
        try:
            yield client
        finally:
            client.close()


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library's own notices, tracebacks among them, off the screen: we say it once."""
    names = [n for n in logging.root.manager.loggerDict if n.startswith("distributed")]
    before = {n: logging.getLogger(n).level for n in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


def _check_workers(client: Any, address: str) -> None:
    """Refuse a cluster with no worker, or with workers whose results could differ.

    Raises
    ------
    LogFault
        Naming every worker that runs another version, cannot load the kit, or has threads (a
        family's page is made by a process of its own, which threads would share).
    """
    threads = client.nthreads()
    if not threads:
        allowed = "a scheduler with workers: start some with `dask worker`"
        raise LogFault([Fault("--cluster", None, "", f"{address} without workers", allowed)])
    faults = []
    for worker, theirs in client.run(fingerprint, on_error="return").items():
        if not isinstance(theirs, dict):
            faults.append(Fault(f"worker {worker}", None, "", str(theirs), "this kit, installed"))
        elif told := differences(theirs):
            allowed = f"the versions of this machine; there: {told}"
            faults.append(Fault(f"worker {worker}", None, "", "another version", allowed))
    faults += [
        Fault(f"worker {worker}", None, "", f"{n} threads", "one: start it with --nthreads 1")
        for worker, n in threads.items()
        if n != 1
    ]
    if faults:
        raise LogFault(faults)


def _as_they_finish(
    client: Any, submitted: Callable[[str, set[str]], Any], families: Sequence[str]
) -> Iterator[tuple[str, Any]]:
    """Keep as many families under way as there are workers, and yield each when it is done.

    No more than that, since the scheduler blames a death on all that waits at the worker, and
    would in the end give up families that had nothing to do with it. Each goes to workers that
    were looked at only: one that joined since may have another kit, or none.
    """
    waiting, seen = deque((f, TRIES) for f in families), time.monotonic()
    under_way: dict[Any, tuple[str, int, set[str]]] = {}
    same_kit: dict[str, bool] = {}
    while under_way or waiting:
        there = _there(client, same_kit)
        if there:
            seen = time.monotonic()
        elif there is None or time.monotonic() - seen > PATIENCE_SECONDS:
            break
        while waiting and len(under_way) < len(there):
            family, tries = waiting.popleft()
            under_way[submitted(family, there)] = family, tries, there
        given_to = {future: workers for future, (_, _, workers) in under_way.items()}
        for future, outcome in _ended(client, given_to, there):
            family, tries, _ = under_way.pop(future)
            if outcome is not _FORSAKEN:
                yield family, outcome
            elif tries > 1:
                waiting.append((family, tries - 1))
            else:
                yield family, FamilyLost(_DIED)
    left = [family for family, _, _ in under_way.values()] + [family for family, _ in waiting]
    for family in left:
        yield family, FamilyLost("the cluster had no scheduler or no worker any more")


def _ended(
    client: Any, given_to: dict[Any, set[str]], there: set[str]
) -> Iterator[tuple[Any, Any]]:
    """What ended meanwhile and how, ``_FORSAKEN`` if nobody is left to do it."""
    done = _done(client, list(given_to))
    for future, workers in given_to.items():
        if future in done:
            yield future, _outcome(client, future, workers)
        elif there and not there & workers:
            yield future, _FORSAKEN
        else:
            continue
        future.release()


def _there(client: Any, same_kit: dict[str, bool]) -> set[str] | None:
    """Workers of this very kit; None without a scheduler, who is not waited for.

    ``same_kit`` holds what was found of workers looked at before; new ones are added.
    """
    if client.status != "running":
        return None
    try:
        there = set(client.nthreads())
        new = sorted(there - set(same_kit))
        good = _same_kit(client, new)
    except OSError:
        return None
    same_kit |= {worker: worker in good for worker in new}
    return {worker for worker in there if same_kit[worker]}


def _done(client: Any, futures: list[Any]) -> set[Any]:
    """Wait a little for one of the futures, or for a worker if there are none."""
    library = _library()
    if not futures:
        time.sleep(_PAUSE_SECONDS)
        return set()
    try:
        with client.as_current():  # wait() asks for the client in charge
            found = library.wait(futures, _LOOK_SECONDS, return_when="FIRST_COMPLETED")
    except TimeoutError:
        return set()
    except library.CancelledError:
        return {f for f in futures if f.done()}
    done: set[Any] = found.done
    return done


def _outcome(client: Any, future: Any, given_to: set[str]) -> Any:
    """What came of a family; ``_FORSAKEN`` if it went with the last worker it may be done by.

    A result stays with its worker until it is fetched. The scheduler would have it worked out
    again, but by none that was not looked at.
    """
    library, end = _library(), time.monotonic() + _FETCH_SECONDS
    while True:
        try:
            error = future.exception(timeout=_GATHER_SECONDS)
            if isinstance(error, library.KilledWorker):
                return FamilyLost(_DIED)
            return error if error is not None else future.result(timeout=_GATHER_SECONDS)
        except (library.CancelledError, OSError) as lost:  # TimeoutError is an OSError
            if _left_alone(client, given_to):
                return _FORSAKEN
            if not isinstance(lost, TimeoutError) or time.monotonic() > end:
                return FamilyLost(f"its result was lost with its worker ({type(lost).__name__})")


def _left_alone(client: Any, given_to: set[str]) -> bool:
    """Whether a scheduler is there and none of some workers."""
    try:
        return client.status == "running" and not given_to & set(client.nthreads())
    except OSError:
        return False


def check_shared(address: str, folder: Path) -> None:
    """Make sure that every worker sees a folder of this machine under the same path.

    Parameters
    ----------
    folder
        Where reports are read from and written to; it must exist.

    Raises
    ------
    LogFault
        Naming the workers that do not.
    """
    token, path = secrets.token_hex(16), folder.resolve() / f".cluster-{secrets.token_hex(8)}"
    with _connected(address) as client:
        _check_workers(client, address)
        path.write_text(token, encoding="ascii")
        try:
            seen = client.run(sees, str(path), token, on_error="return")
        finally:
            path.unlink()
    allowed = "the same folder under the same path on every machine (a shared folder)"
    faults = [
        Fault(f"worker {worker}", None, "", f"{folder.resolve()} is not this one", allowed)
        for worker, yes in seen.items()
        if yes is not True
    ]
    if faults:
        raise LogFault(faults)


_COMPUTES_WITH = ("numpy", "scipy", "pandas", "pyarrow", "statsmodels")


@lru_cache(maxsize=1)
def fingerprint() -> dict[str, str]:
    """Return what must be equal everywhere for equal results, name to version or hash."""
    found = versions(("repair-horizon", *_COMPUTES_WITH))
    return {"python": interpreter(), "kit's own files": _sources(), **found}


def _sources() -> str:
    """Hash of the kit's own files: two checkouts may bear the same version and differ."""
    # The pages' notebooks lie inside an installed package, and beside it in a checkout.
    beside = sorted(Path(__file__).resolve().parents[3].glob("notebooks/*.ipynb"))
    return program_stamp(f"{p.name}\0{p.read_text(encoding='utf-8')}" for p in beside)[:12]


def differences(theirs: dict[str, str]) -> str:
    """Say what differs from here, in words; '' if nothing does."""
    mine = fingerprint()
    odd = [n for n in mine if mine[n] != theirs.get(n)]
    return ", ".join(f"{n} {theirs.get(n, 'missing')} (here {mine[n]})" for n in odd)


def sees(path: str, token: str) -> bool:
    """Whether a file can be read here and holds a token."""
    try:
        return Path(path).read_text(encoding="ascii") == token
    except (OSError, ValueError):
        return False
