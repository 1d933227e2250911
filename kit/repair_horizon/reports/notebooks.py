"""One family's page: its notebook executed by papermill, judged, exported, written."""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import papermill

from repair_horizon.files.writing import said_in_a_cell, write_text, writing
from repair_horizon.reports.kernel import USUAL, Limits, RunEnded, execute
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
