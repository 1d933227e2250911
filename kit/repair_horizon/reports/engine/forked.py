"""Papermill's engine ``forked``: cells run in a fork of the warmed process.

Papermill injects parameters and keeps its record as with its own engine, and nbclient, which
reads a kernel's messages for that one, reads the fork's here, so that a notebook comes out the
same either way.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import Engine, NotebookExecutionManager, papermill_engines

from repair_horizon.reports.engine.limits import Limits, RunEnded, died
from repair_horizon.reports.engine.warmed import warmed

NAME = "forked"


class ForkedEngine(Engine):  # type: ignore[misc]
    """See the module."""

    @classmethod
    def execute_managed_notebook(
        cls, nb_man: NotebookExecutionManager, kernel_name: str, **options: Any
    ) -> None:
        """Run every cell, filling in outputs, counts and papermill's statuses.

        Parameters
        ----------
        nb_man
            Papermill's record of the notebook.
        kernel_name
            Not used: there is no kernel.
        options
            Papermill's; ``limits`` and ``workspace`` are the kit's own.

        Raises
        ------
        RunEnded
            If the fork ended before its cells did: killed, lost, or out of time.
        """
        limits: Limits = options.get("limits") or Limits()
        jobs = [
            {
                "source": c.source,
                "may_fail": "raises-exception" in c.metadata.get("tags", []),
            }
            for c in nb_man.nb.cells
            if _runs(c)
        ]
        with warmed() as process:
            nb_man.nb.metadata["language_info"] = process.language_info
            client = PapermillNotebookClient(nb_man)
            client.reset_execution_trackers()
            messages = process.run(jobs, limits, str(options.get("workspace", "")))
            _run_cells(nb_man, client, messages)
            for _ in messages:  # the fork's end, so that the next notebook finds it gone
                pass


def _runs(cell: Any) -> bool:
    return cell.cell_type == "code" and bool(cell.source.strip())


def _run_cells(
    nb_man: NotebookExecutionManager, client: Any, messages: Iterator[tuple[str, Any]]
) -> None:
    for index, cell in enumerate(nb_man.nb.cells):
        nb_man.cell_start(cell, index)
        going_on = True
        try:
            if _runs(cell):
                going_on = _run_cell((client, cell, index), messages)
        except RunEnded:
            going_on = False
            raise
        finally:
            if not going_on:
                nb_man.cell_exception(cell, cell_index=index)
            nb_man.cell_complete(cell, cell_index=index)
        if not going_on:
            return


def _run_cell(place: tuple[Any, Any, int], messages: Iterator[tuple[str, Any]]) -> bool:
    """Give one cell the messages it caused; say whether the next may run."""
    client, cell, index = place
    cell.outputs = []
    client.clear_before_next_output = False
    for kind, content in messages:
        if kind == "ended":
            raise died(content["status"], index + 1)
        if kind == "broke":
            next(messages, None)  # its end
            raise RunEnded(f"the cells could not be run: {content['reason']}")
        if kind == "cell_end":
            cell.execution_count = content["execution_count"]
            return bool(content["ok"] or "raises-exception" in cell.metadata.get("tags", []))
        if kind != "cell_start":
            message = {"msg_type": kind, "content": content, "parent_header": {"msg_id": ""}}
            client.process_message({**message, "header": {"msg_type": kind}}, cell, index)
    raise died(0, index + 1)


papermill_engines.register(NAME, ForkedEngine)
