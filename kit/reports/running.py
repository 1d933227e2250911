"""One family's page: its notebook executed by papermill, judged, exported, written."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
import papermill

import kit
from kit.reports.pages import PageWords, page_html
from kit.reports.writing import write_text

DONE, FAILED = "done", "failed"
_TIMEOUT_SECONDS = 1800
# Level 50 silences notices of kernel start and stop (what fails in a cell comes back as an
# exception); several kernels must not share one history file.
_KERNEL = ["--log-level=50", "--HistoryManager.enabled=False"]


@dataclass(frozen=True)
class FamilyTask:
    """What one family's notebook is run with."""

    family_id: str
    slug: str
    title: str
    invented: str
    folder: Path
    parameters: dict[str, str]


@dataclass(frozen=True)
class FamilyRun:
    """What became of it; ``messages`` is what its cells wrote to the error stream."""

    family_id: str
    slug: str
    status: str
    seconds: float
    reason: str = ""
    messages: str = ""


def template_notebook() -> Path:
    """Return the family report's notebook: beside the package when installed, else the tree's."""
    package = Path(kit.__file__).resolve().parent
    for folder in (package / "notebooks", package.parent / "notebooks"):
        if (folder / "family_report.ipynb").is_file():
            return folder / "family_report.ipynb"
    raise FileNotFoundError("family_report.ipynb is missing from the installation")


def run_family(task: FamilyTask, notebook: Path | None = None) -> FamilyRun:
    """Execute, export and write one family's page; a failure is returned, not raised.

    An old page of the family is removed first, so that no failed family shows last time's.
    """
    start = time.monotonic()
    page = task.folder / f"{task.slug}.html"
    try:
        page.unlink(missing_ok=True)
        shutil.rmtree(task.folder / "tables" / task.slug, ignore_errors=True)
        executed = execute(notebook or template_notebook(), task.parameters)
        write_text(page, page_html(executed, PageWords(task.title, task.invented)))
    except Exception as error:
        return FamilyRun(task.family_id, task.slug, FAILED, _since(start), _reason(error))
    messages = error_stream(executed)
    return FamilyRun(task.family_id, task.slug, DONE, _since(start), messages=messages)


def _since(start: float) -> float:
    return time.monotonic() - start


def _reason(error: Exception) -> str:
    """Say a failure in the words of the cell that failed, without its traceback."""
    if isinstance(error, papermill.PapermillExecutionError):
        said = str(error.evalue).strip() or str(error.ename)
        return said if error.ename == "LogFault" else f"{error.ename}: {said}"
    first = (str(error).strip().splitlines() or [""])[0]
    return f"{type(error).__name__}: {first}"


def execute(notebook: Path, parameters: dict[str, str]) -> Any:
    """Run a notebook in a fresh kernel of this interpreter.

    Parameters
    ----------
    notebook
        The template, with a cell tagged ``parameters``.
    parameters
        Plain strings, since papermill turns most other kinds into text without a word.

    Returns
    -------
    NotebookNode
        The executed notebook.

    Raises
    ------
    RuntimeError
        If any code cell did not run, whatever papermill's own record says.
    """
    with tempfile.TemporaryDirectory(prefix="report-") as place, _package_importable():
        # Papermill reads braces in a path as a template, so it only sees these two.
        source, target = Path(place) / "template.ipynb", Path(place) / "executed.ipynb"
        shutil.copyfile(notebook, source)
        papermill.execute_notebook(
            str(source),
            str(target),
            parameters=parameters,
            kernel_name="python3",
            language="python",
            progress_bar=False,
            execution_timeout=_TIMEOUT_SECONDS,
            extra_arguments=list(_KERNEL),
            request_save_on_cell_execute=False,
        )
        executed = nbformat.read(str(target), as_version=4)  # type: ignore[no-untyped-call]
    cells = [c for c in executed.cells if c.cell_type == "code" and c.source.strip()]
    left = [i for i, c in enumerate(cells, 1) if not c.get("execution_count")]
    if left:
        raise RuntimeError(f"{len(left)} of {len(cells)} cells did not run, the first is {left[0]}")
    return executed


@contextmanager
def _package_importable() -> Iterator[None]:
    """Let kernels import the package they were started from, installed or not."""
    before = os.environ.get("PYTHONPATH")
    root = str(Path(kit.__file__).resolve().parent.parent)
    os.environ["PYTHONPATH"] = os.pathsep.join([root, *([before] if before else [])])
    try:
        yield
    finally:
        if before is None:
            os.environ.pop("PYTHONPATH", None)
        else:
            os.environ["PYTHONPATH"] = before


def error_stream(executed: Any) -> str:
    """Return what the cells wrote to the error stream: warnings belong in the run's record."""
    outputs = [o for c in executed.cells for o in c.get("outputs", [])]
    return "".join(o["text"] for o in outputs if o.get("name") == "stderr").strip()


def interpreter() -> str:
    """Return the Python version, as it stands in the run's record."""
    return ".".join(str(n) for n in sys.version_info[:3])
