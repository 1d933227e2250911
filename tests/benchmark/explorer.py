"""What each control of the explorer costs, on the demo: ``python -m tests.benchmark.explorer``.

The cells of ``notebooks/explore.ipynb`` run in a kernel, as in JupyterLab, on a copy of the demo
that ``repair-horizon explore`` would open. Then every control is moved there and back a few times.
Printed are, by control, the median and the longest of a move in seconds on the clock and of the
processor, and the ratio of the processor's median to ``import pandas, statsmodels.api`` in the
same run, out of which the machine and its load drop. A move should be answered in half a second.
The map's moves are worked out ahead while nobody asks; ``--cold`` does not wait for that.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient

from .commands import DEMO, IMPORTS, run

NOTEBOOK = Path(__file__).parent.parent.parent / "notebooks" / "explore.ipynb"

MOVED = '''
import statistics, time, json

def values_of(name, control):
    """Two values to go to and back, a different one each time where there is a choice."""
    if hasattr(control, "options"):
        every = [o[1] if isinstance(o, tuple) else o for o in control.options]
        if isinstance(control.value, tuple):
            return [tuple(every[:2]), tuple(every[2:4]), tuple(every)]
        now = control.value
        return [v for v in every if v != now][:3] + [now]
    if isinstance(control.value, bool):
        return [not control.value, control.value]
    if name == "failures":
        return [2.0, 0.5, 1.0]
    if name in ("most", "price"):
        return [80.0, 150.0, 0.0]
    if name == "part_money":
        return [40.0, 90.0, 0.0]
    return [control.value + 10, control.value + 20, control.value]

def moved(name, control, rounds):
    took = []
    for _ in range(rounds):
        for value in values_of(name, control):
            if value == control.value:
                continue
            clock, used = time.perf_counter(), time.process_time()
            control.value = value
            took.append((time.perf_counter() - clock, time.process_time() - used))
    return took

told = {}
for name in ("one", "other"):
    told["two families: " + name] = moved(name, getattr(pair, name), ROUNDS)
for name in ("families", "fault", "most", "bought", "part", "dearer"):
    told["map: " + name] = moved(name, getattr(models, name), ROUNDS)
    models.dearer.value = 10 if name == "bought" else models.dearer.value
models.dearer.value, models.part.value = 0, "display"
for name, control in {**panel.choice, **panel.sliders}.items():
    if name == "part_money":
        panel.sliders["part_code"].value = panel.sliders["part_code"].options[1][1]
    if not control.disabled:
        told["listing: " + name] = moved(name, control, ROUNDS)
    if name == "family":
        panel.choice["family"].value = family_id
    panel.back.click()
print(json.dumps(told))
'''


def main() -> None:
    """Measure and print."""
    words = argparse.ArgumentParser(description="What each control of the explorer costs.")
    words.add_argument("--rounds", type=int, default=3)
    words.add_argument("--workspace", type=Path, default=DEMO)
    words.add_argument("--cold", action="store_true", help="move before all is worked out ahead")
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        shop = Path(folder) / "demo"
        shutil.copytree(asked.workspace, shop)
        unit = statistics.median(run(["-c", IMPORTS], shop)[0] for _ in range(3))
        book = nbformat.read(NOTEBOOK, as_version=4)
        for cell in book.cells:
            if "parameters" in cell.metadata.get("tags", []):
                cell.source += f"\nworkspace = {str(shop)!r}"
        client = NotebookClient(book, timeout=600, kernel_name="python3")
        with client.setup_kernel():
            start = time.perf_counter()
            for i, cell in enumerate(book.cells):
                client.execute_cell(cell, i)
            print(f"all cells: {time.perf_counter() - start:.1f} s", flush=True)
            if not asked.cold:
                wait = nbformat.v4.new_code_cell("await models._waiting")
                start = time.perf_counter()
                client.execute_cell(wait, 0)
                print(f"worked out ahead in: {time.perf_counter() - start:.1f} s", flush=True)
            cell = nbformat.v4.new_code_cell(f"ROUNDS = {asked.rounds}\n{MOVED}")
            client.execute_cell(cell, 0)
    said = "".join(o.get("text", "") for o in cell.outputs if o.get("name") == "stdout")
    told: dict[str, Any] = json.loads(said.strip().splitlines()[-1])
    print(f"unit {unit:.2f} s of the processor; load {os.getloadavg()[0]:.1f}")
    print(f"{'control':24s} moves  clock median, longest  processor median, longest  ratio")
    for name, took in told.items():
        clock, used = ([t[i] for t in took] for i in (0, 1))
        middle, most = statistics.median(used), max(used)
        print(
            f"{name:24s} {len(took):5d}  {statistics.median(clock):6.2f} {max(clock):6.2f}"
            f"  {middle:10.2f} {most:6.2f}  {middle / unit:12.2f}"
        )


if __name__ == "__main__":
    main()
