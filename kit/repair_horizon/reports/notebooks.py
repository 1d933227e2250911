"""One family's page: its notebook run by papermill in the kernel kept, judged, written.

``kept-kernel`` is an entry of ``papermill.engines`` (``engine``): papermill injects the parameters
and keeps its record as with its own engine, nbclient runs the cells, but the kernel outlives the
notebook. Before each notebook it is put back to its first state (``kernel_state``), so that the
output is a fresh kernel's; it is replaced when it dies, runs out of time, or cannot be put back.
What it has imported and read (``logs.workspace``) is what makes the next page cheap.
"""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import json
import os
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
import papermill
from jupyter_core.utils import run_sync
from nbclient.exceptions import CellTimeoutError, DeadKernelError
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import Engine, NotebookExecutionManager, papermill_engines

from repair_horizon.files.writing import said_in_a_cell, write_text, writing
from repair_horizon.reports.html import PAGE_VARIABLE
from repair_horizon.reports.made_from import (
    DONE,
    FAILED,
    NEVER,
    PAGE,
    Stamp,
    keep_stamp,
    template_notebook,
)
from repair_horizon.reports.page import page_html, page_parts

ENGINE = "kept-kernel"  # its entry in papermill.engines, see ``engine``
TIME_LIMIT = 900.0
_START_SECONDS = 180.0
# Level 50 silences notices of kernel start and stop (what fails in a cell comes back as an
# exception); several kernels must not share one history file.
_WORDS = ("--log-level=50", "--HistoryManager.enabled=False")
_STATE = "__import__('repair_horizon.reports.kernel_state', fromlist=['prepare'])"


@dataclass(frozen=True)
class Limits:
    """``seconds`` for the whole notebook; ``memory_gb`` (10^9 bytes) for its kernel, or None.

    ``fresh_kernel`` asks for a kernel started for this notebook alone, by papermill's own engine.
    """

    seconds: float = TIME_LIMIT
    memory_gb: float | None = None
    fresh_kernel: bool = False


USUAL = Limits()
_ALONE = Limits(fresh_kernel=True)


class RunEnded(RuntimeError):
    """A notebook that did not come to its end, in words a partner can read."""


def died(status: int | None, cell: int) -> RunEnded:
    """Say how a kernel ended: ``status`` as ``subprocess`` gives it, ``cell`` counted from 1."""
    if status is None or status == -9:
        how = "ran out of memory or was killed (signal 9)"
    elif status < 0:
        how = f"its kernel was ended by signal {-status}"
    else:
        how = f"its kernel left with status {status}"
    return RunEnded(f"{how} in cell {cell}")


def execute(notebook: Path, parameters: dict[str, str], limits: Limits = _ALONE) -> Any:
    """Run a template with a cell tagged ``parameters``; the outcome is the same either way.

    ``parameters`` are plain strings, since papermill turns most other kinds into text without a
    word. Raises ``RunEnded`` if the kernel ended before the cells did: killed, lost, or out of
    time; ``RuntimeError`` if any cell did not run, whatever papermill's own record says.
    """
    # As a node, not a path: papermill reads braces in a path as a template.
    source = nbformat.read(str(notebook), as_version=4)  # type: ignore[no-untyped-call]
    kept = {"engine_name": ENGINE, "limits": limits}
    try:
        with _as_page():
            executed = papermill.execute_notebook(
                source,
                None,
                parameters=parameters,
                kernel_name="python3",
                language="python",
                progress_bar=False,
                **(_fresh(limits) if limits.fresh_kernel else kept),
            )
    except CellTimeoutError:
        said = f"it took longer than the time limit of {limits.seconds:g} s and was stopped"
        raise RunEnded(said) from None
    except DeadKernelError:
        raise RunEnded("its kernel died: it ran out of memory or was killed") from None
    _judge(executed)
    for cell in executed.cells:
        if cell.cell_type == "code":
            cell.outputs = _joined_streams(cell.outputs)
    return executed


class KeptKernelEngine(Engine):  # type: ignore[misc]
    """See the module."""

    @classmethod
    def execute_managed_notebook(
        cls, nb_man: NotebookExecutionManager, kernel_name: str, **options: Any
    ) -> None:
        """Run every cell, filling in outputs, counts and papermill's statuses.

        Of the ``options`` ``limits`` is the kit's own.
        """
        limits: Limits = options.get("limits") or USUAL
        client = PapermillNotebookClient(
            nb_man, kernel_name=kernel_name, timeout_func=_time_left(limits)
        )
        with _lent(client, limits) as kernel:
            try:
                client.execute(cleanup_kc=False)
            except DeadKernelError:
                raise died(kernel.status(), _cells_begun(nb_man)) from None


papermill_engines.register(ENGINE, KeptKernelEngine)


@dataclass(frozen=True, eq=False)
class _Kernel:
    """A kernel with its manager and client, and the environment it was started with."""

    manager: Any
    client: Any
    environment: dict[str, str]

    def status(self) -> int | None:
        """Return how the process ended, None where that cannot be told."""
        process = getattr(self.manager.provisioner, "process", None)
        return None if process is None else process.poll()

    def stop(self) -> None:
        with contextlib.suppress(Exception):  # it is on its way out, however far it got
            self.client.stop_channels()
        with contextlib.suppress(Exception):
            run_sync(self.manager.shutdown_kernel)(now=True)


# Kernels by process and thread: a client's sockets belong to one event loop.
_kept: dict[tuple[int, int], _Kernel] = {}


@contextmanager
def _lent(client: Any, limits: Limits) -> Iterator[_Kernel]:
    """Give a notebook's client the kept kernel, as good as new; started if there is none.

    A notebook stopped in its midst (time, Ctrl-C, a dead kernel) takes the kernel along, so that
    nothing runs on unseen.
    """
    place = os.getpid(), threading.get_ident()
    kernel = _kept.pop(place, None)
    if kernel is not None and _prepare(kernel, limits):
        kernel.stop()
        kernel = None
    if kernel is None:
        kernel = _started(client)
        why = _prepare(kernel, limits)
        if why:
            kernel.stop()
            raise RunEnded(f"the kernel that pages are made in did not start: {why}")
    client.km, client.kc = kernel.manager, kernel.client
    try:
        yield kernel
    except BaseException:
        kernel.stop()
        raise
    _kept[place] = kernel


def _started(client: Any) -> _Kernel:
    client.extra_arguments = list(_WORDS)
    try:
        client.km = client.create_kernel_manager()
        client.start_new_kernel()
        client.start_new_kernel_client()
    except RuntimeError as error:
        said = str(error).strip().splitlines() or [""]
        raise RunEnded(f"the kernel that pages are made in did not start: {said[-1]}") from error
    return _Kernel(client.km, client.kc, dict(os.environ))


def _prepare(kernel: _Kernel, limits: Limits) -> str:
    """Put a kernel back to its first state; say why if that could not be done."""
    if kernel.status() is not None:
        return "it ended"
    then, now = kernel.environment, dict(os.environ)
    changed = {n: now.get(n) for n in {*then, *now} if then.get(n) != now.get(n)}
    given = json.dumps([os.getcwd(), changed, limits.memory_gb])
    code = f"{_STATE}.prepare(*__import__('json').loads({given!r}))"
    return run_sync(_fault)(kernel, code)


async def _fault(kernel: _Kernel, code: str) -> str:
    """Run a line in a kernel unseen, and say what was wrong, if anything."""
    sent = kernel.client.execute(code, silent=True, store_history=False)
    until = time.monotonic() + _START_SECONDS
    while time.monotonic() < until and kernel.status() is None:
        with contextlib.suppress(Exception):  # nothing yet
            reply = await asyncio.wait_for(kernel.client.get_shell_msg(timeout=1), 2)
            if reply["parent_header"].get("msg_id") == sent:
                content = reply["content"]
                return "" if content["status"] == "ok" else str(content.get("evalue") or "error")
    return "it ended" if kernel.status() is not None else "it gave no answer"


def stop_kernels() -> None:
    """End this process's kept kernels."""
    for place in [p for p in _kept if p[0] == os.getpid()]:
        _kept.pop(place).stop()


atexit.register(stop_kernels)


def _time_left(limits: Limits) -> Any:
    """Return what nbclient asks before every cell: the seconds left of the whole notebook's."""
    until = time.monotonic() + limits.seconds
    return lambda cell: max(1, int(until - time.monotonic()))


def _cells_begun(nb_man: NotebookExecutionManager) -> int:
    states = [c.metadata.get("papermill", {}).get("status") for c in nb_man.nb.cells]
    return sum(s != "pending" for s in states)


def _fresh(limits: Limits) -> dict[str, Any]:
    """Papermill's options for a kernel of its own."""
    words = list(_WORDS)
    if limits.memory_gb is not None:
        words.append(f"--IPKernelApp.exec_lines={_STATE}.limit_kernel({limits.memory_gb})")
    # Killed once its cells are through: asked to leave, every other one waits to be told again.
    return {
        "extra_arguments": words,
        "timeout_func": _time_left(limits),
        "shutdown_kernel": "immediate",
    }


def _judge(executed: Any) -> None:
    cells = [c for c in executed.cells if c.cell_type == "code" and c.source.strip()]
    left = [
        i
        for i, c in enumerate(cells, 1)
        if not c.get("execution_count") or c.metadata["papermill"]["status"] != "completed"
    ]
    if left:
        raise RuntimeError(f"{len(left)} of {len(cells)} cells did not run, the first is {left[0]}")


def _joined_streams(outputs: list[Any]) -> list[Any]:
    """Join what a stream wrote between two outputs: how a kernel cuts it depends on the clock."""
    out: list[Any] = []
    block: dict[str, Any] = {}
    for output in [*outputs, None]:
        if output is not None and output["output_type"] == "stream":
            if output["name"] in block:
                block[output["name"]]["text"] += output["text"]
            else:
                block[output["name"]] = output
            continue
        out += [block[name] for name in sorted(block, reverse=True)]  # stdout, stderr
        block = {}
        if output is not None:
            out.append(output)
    return out


@contextmanager
def _as_page() -> Iterator[None]:
    """Let kernels import the package they were started from, and keep charts as data."""
    before = {name: os.environ.get(name) for name in ("PYTHONPATH", PAGE_VARIABLE)}
    root = str(Path(__file__).resolve().parent.parent.parent)
    path = before["PYTHONPATH"]
    os.environ["PYTHONPATH"] = os.pathsep.join([root, *([path] if path else [])])
    os.environ[PAGE_VARIABLE] = "1"
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


_OUT_OF_MEMORY = {"MemoryError", "_ArrayMemoryError", "ArrowMemoryError"}


@dataclass(frozen=True)
class FamilyTask:
    """What one family's notebook is run with; ``stamp`` tells its inputs from others.

    ``models`` tells roughly how long it will take.
    """

    family_id: str
    slug: str
    title: str
    invented: str
    folder: Path
    parameters: dict[str, str]
    limits: Limits = USUAL
    stamp: Stamp = NEVER
    models: int = 0


@dataclass(frozen=True)
class FamilyRun:
    """What became of it.

    ``messages`` is what its cells wrote to the error stream, ``inputs`` the hash of what it was
    made from.
    """

    family_id: str
    slug: str
    status: str
    seconds: float
    reason: str = ""
    messages: str = ""
    inputs: str = ""


def run_named(tasks: dict[str, FamilyTask], family_id: str) -> FamilyRun:
    """Run one of several tasks; it stands here so that a worker loads no more than it needs."""
    return run_family(tasks[family_id])


def run_family(task: FamilyTask, notebook: Path | None = None) -> FamilyRun:
    """Execute, export and write one family's page; a failure is returned, not raised.

    An old page of the family is removed first, so that no failed family shows last time's.

    Raises ``OSError`` if nothing can be written there, which the other families would meet as well.
    """
    start = time.monotonic()
    page, tables = task.folder / f"{task.slug}.html", task.folder / "tables" / task.slug
    with writing(task.folder):
        page.unlink(missing_ok=True)
        if tables.is_symlink():  # rmtree leaves a link, and tables would be written where it leads
            tables.unlink()
        shutil.rmtree(tables, ignore_errors=True)
        _try_writing(task)
    try:
        executed = execute(notebook or template_notebook(), task.parameters, task.limits)
        parts = page_parts(executed, task.title, task.invented)
        html = page_html(parts)
    except Exception as error:
        shutil.rmtree(tables, ignore_errors=True)
        full = said_in_a_cell(_said(error), task.folder)
        if full is not None:
            raise full from error
        reason = _reason(error, task.limits)
        return FamilyRun(task.family_id, task.slug, FAILED, _since(start), reason)
    messages, inputs = error_stream(executed), task.stamp.inputs
    with writing(task.folder):
        write_text(page, html)
        parts.save(tables / PAGE)
        keep_stamp(task.folder, task.slug, task.stamp, messages)
    return FamilyRun(task.family_id, task.slug, DONE, _since(start), "", messages, inputs)


def _try_writing(task: FamilyTask) -> None:
    """Meet a full or closed folder before the work and not after it."""
    trial = task.folder / f".{task.slug}.trial"
    try:
        write_text(trial, "x" * 4096)
    finally:
        trial.unlink(missing_ok=True)


def _since(start: float) -> float:
    return time.monotonic() - start


def _said(error: Exception) -> str:
    return str(getattr(error, "evalue", "")) or str(error)


def _reason(error: Exception, limits: Limits) -> str:
    """Say a failure in the words of the cell that failed, without its traceback."""
    if isinstance(error, RunEnded):
        return str(error)
    if isinstance(error, papermill.PapermillExecutionError):
        said = str(error.evalue).strip() or str(error.ename)
        if error.ename in _OUT_OF_MEMORY:
            of = f" (limit {limits.memory_gb:g} GB)" if limits.memory_gb else ""
            return f"ran out of memory{of}: {said}"
        return said if error.ename == "LogFault" else f"{error.ename}: {said}"
    first = (str(error).strip().splitlines() or [""])[0]
    return f"{type(error).__name__}: {first}"


def error_stream(executed: Any) -> str:
    """Return what the cells wrote to the error stream: warnings belong in the run's record."""
    outputs = [o for c in executed.cells for o in c.get("outputs", [])]
    return "".join(o["text"] for o in outputs if o.get("name") == "stderr").strip()
