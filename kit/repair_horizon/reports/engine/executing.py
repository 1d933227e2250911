"""A notebook run by papermill, in a fork or in a kernel of its own, and judged by its cells."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import nbformat
import papermill

import repair_horizon
from repair_horizon.reports.engine import forked
from repair_horizon.reports.engine.limits import Limits
from repair_horizon.reports.engine.warmed import can_fork

# Level 50 silences notices of kernel start and stop (what fails in a cell comes back as an
# exception); several kernels must not share one history file.
_KERNEL = ["--log-level=50", "--HistoryManager.enabled=False"]
_ALONE = Limits(fresh_kernel=True)


def execute(notebook: Path, parameters: dict[str, str], limits: Limits = _ALONE) -> Any:
    """Run a notebook.

    Parameters
    ----------
    notebook
        The template, with a cell tagged ``parameters``.
    parameters
        Plain strings, since papermill turns most other kinds into text without a word.
    limits
        Time, memory, and whether a kernel of its own is wanted; without one it runs in a fork of
        the warmed process, where there are forks.

    Returns
    -------
    NotebookNode
        The executed notebook, the same either way.

    Raises
    ------
    RuntimeError
        If any code cell did not run, whatever papermill's own record says.
    """
    # As a node, not a path: papermill reads braces in a path as a template.
    source = nbformat.read(str(notebook), as_version=4)  # type: ignore[no-untyped-call]
    fork = can_fork() and not limits.fresh_kernel
    forking = {"engine_name": forked.NAME, "limits": limits}
    forking["workspace"] = parameters.get("workspace", "")
    how = forking if fork else _kernel_options(limits)
    with _package_importable():
        executed = papermill.execute_notebook(
            source,
            None,
            parameters=parameters,
            kernel_name="python3",
            language="python",
            progress_bar=False,
            **how,
        )
    _judge(executed)
    for cell in executed.cells:
        if cell.cell_type == "code":
            cell.outputs = _joined_streams(cell.outputs)
    return executed


def _kernel_options(limits: Limits) -> dict[str, Any]:
    """Papermill's options for a kernel; the time left is asked for before every cell."""
    until, words = time.monotonic() + limits.seconds, list(_KERNEL)
    if limits.memory_gb is not None:
        start = "__import__('repair_horizon.reports.engine.limits', fromlist=['limits'])"
        words.append(f"--IPKernelApp.exec_lines={start}.limit_kernel({limits.memory_gb})")
    return {
        "extra_arguments": words,
        "timeout_func": lambda cell: max(1, int(until - time.monotonic())),
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
def _package_importable() -> Iterator[None]:
    """Let kernels import the package they were started from, installed or not."""
    before = os.environ.get("PYTHONPATH")
    root = str(Path(repair_horizon.__file__).resolve().parent.parent)
    os.environ["PYTHONPATH"] = os.pathsep.join([root, *([before] if before else [])])
    try:
        yield
    finally:
        if before is None:
            os.environ.pop("PYTHONPATH", None)
        else:
            os.environ["PYTHONPATH"] = before
