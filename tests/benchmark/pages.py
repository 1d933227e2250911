"""What a month's pages cost: ``python -m tests.benchmark.pages [cost|workers|size] [--quick]``.

Three measurements in one run, as ratios, so that the machine and what else it does drop out as
far as they can:

- cost: one family page (notebook, export, file) against papermill and HTML export of an empty
  notebook that only has the same imports, in a cold kernel: run by papermill as it comes, and with
  the kernel killed once its cells are through, as the kit does (asked to leave, ipykernel 7.4 sits
  out 2.5 s in many a run). All are asked of a process that has papermill loaded, and alternate,
  family by family. By the clock and by processor time (theirs and their processes'); the clock is
  what is asked for, but on a busy machine it favours the kernel, whose start mostly waits. The
  kept kernel's one start, reading of the logs included, is counted in where the month's pages are
  summed. What belongs to the whole shop (charges, effects, fits) is kept on disk from a run
  before; the same where nothing is, beside it.
- workers: 20 families on 2 processes against the same 20 one after the other, whole commands from
  their start to the index.
- size: the largest family page, without the drawing script that all pages share.

The data are the demo's, which are invented; the 20 families are its eight and copies of them.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import nbformat
import pandas as pd
import papermill
import psutil
from repair_horizon.files.writing import write_text
from repair_horizon.logs import read_logs
from repair_horizon.reports import notebooks
from repair_horizon.reports.made_from import template_notebook
from repair_horizon.reports.month import Order, write_month
from repair_horizon.reports.notebooks import FamilyTask, Limits, execute, run_family, stop_kernels
from repair_horizon.reports.page import page_html, page_parts

DEMO = Path(__file__).parent.parent.parent / "data" / "demo"
MONTH, LAST_DAY = "2026-11", "2026-11-30"
MOST_COST, MOST_SHARE, MOST_BYTES = 0.5, 0.6, 400_000
COPIED = ("catalogue", "sales", "part_quotes", "maker_quotes", "fault_states", "repairs")
Seconds = tuple[float, float]
KEYS = {"sales": "sale_id", "part_quotes": "quote_id", "repairs": "job_id"}


def empty_notebook(folder: Path) -> Path:
    """Write a notebook with the template's parameters and imports, and nothing else."""
    template = nbformat.read(str(template_notebook()), as_version=4)
    code = [c.source for c in template.cells if c.cell_type == "code"]
    lines = [line for source in code for line in source.splitlines()]
    imports = [line for line in lines if line.startswith(("import ", "from "))]
    cells = [nbformat.v4.new_code_cell(s) for s in (code[0], "\n".join(imports))]
    cells[0].metadata["tags"] = ["parameters"]
    language = {"language_info": {"name": "python"}}
    made = nbformat.v4.new_notebook(cells=cells, metadata=language)
    nbformat.write(made, str(folder / "empty.ipynb"))
    return folder / "empty.ipynb"


def clocks() -> Seconds:
    """Return the clock, and the processor time of this process and those it started."""
    used = [resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    kept = [psutil.Process(k.manager.provisioner.pid).cpu_times() for k in notebooks._kept.values()]
    theirs = sum(t.user + t.system for t in kept)
    return time.perf_counter(), sum(u.ru_utime + u.ru_stime for u in used) + theirs


def since(start: Seconds) -> Seconds:
    """Return the time gone by on both clocks."""
    now = clocks()
    return now[0] - start[0], now[1] - start[1]


def empty_page(notebook: Path, folder: Path, *, as_it_comes: bool = False) -> Seconds:
    """Time of papermill and export for the empty notebook, in a kernel of its own."""
    start, given = clocks(), {"workspace": str(DEMO)}
    if as_it_comes:
        quiet = {"progress_bar": False, "extra_arguments": ["--log-level=50"]}
        executed = papermill.execute_notebook(
            str(notebook), None, given, kernel_name="python3", **quiet
        )
    else:
        executed = execute(notebook, given, Limits(fresh_kernel=True))
    write_text(folder / "empty.html", page_html(page_parts(executed, "empty")))
    return since(start)


def family_page(family: str, folder: Path, draws: str = "", shop: Path = DEMO) -> Seconds:
    """Time of a family's page, tables and file included."""
    given = {
        "workspace": str(shop),
        "family_id": family,
        "month": MONTH,
        "as_of": LAST_DAY,
        "draws": draws,
        "out_folder": str(folder / "tables" / family),
    }
    start = clocks()
    run = run_family(FamilyTask(family, family, family, "", folder, given))
    if run.status != "done":
        raise RuntimeError(run.reason)
    return since(start)


def cost(rounds: int) -> None:
    """Print what a family page costs, in empty cold notebooks."""
    families = read_logs(DEMO).families
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        empty = empty_notebook(folder)
        empty_page(empty, folder)  # the exporter is made once
        shop = folder / "shop"
        shutil.copytree(DEMO, shop)
        (shop / "out").mkdir()  # where what belongs to the whole shop is kept
        cold = [family_page(family, folder, shop=shop) for family in families]
        start_up = started(families[0], folder, shop)
        pages: dict[str, list[Seconds]] = {f: [] for f in families}
        kinds = ("as papermill runs them", "their kernels killed")
        empties: dict[str, dict[str, list[Seconds]]] = {
            kind: {f: [] for f in families} for kind in kinds
        }
        for _ in range(rounds):
            for family in families:
                pages[family].append(family_page(family, folder, shop=shop))
                for kind, took in empties.items():
                    alone = empty_page(empty, folder, as_it_comes=kind == kinds[0])
                    took[family].append(alone)
    for kind, bare in empties.items():
        print(f"\na page in empty cold notebooks, {kind}, {rounds} rounds of {len(families)}:")
        for clock, name in enumerate(("by the clock", "by processor time")):
            whole, each = (sum(total(t, clock) for t in d.values()) for d in (pages, bare))
            usual = {f: total(pages[f], clock) / (each / len(families)) for f in families}
            print(f"  {name}: " + ", ".join(f"{f} {r:.2f}" for f, r in usual.items()))
            say(f"  {name}, median family", median(usual.values()), MOST_COST)
            say(f"  {name}, dearest family", max(usual.values()), MOST_COST)
            say(f"  {name}, all pages", whole / each, MOST_COST)
            with_start = (whole + rounds * start_up[clock]) / each
            say(f"  {name}, all pages with the one start-up", with_start, MOST_COST)
            first = rounds * sum(t[clock] for t in cold) / each
            print(f"  {name}, the same where nothing is kept yet: {first:.2f}")


def total(took: list[Seconds], clock: int) -> float:
    """Sum on one clock."""
    return sum(t[clock] for t in took)


def started(family: str, folder: Path, shop: Path) -> Seconds:
    """Time the first page takes beyond a second: the kernel's start, imports, the logs read."""
    stop_kernels()
    first, second = (family_page(family, folder, shop=shop) for _ in range(2))
    return first[0] - second[0], first[1] - second[1]


def say(what: str, ratio: float, most: float) -> None:
    """Print a ratio beside its target."""
    print(
        f"{what}: {ratio:.2f} (target: at most {most:g}, {'met' if ratio <= most else 'not met'})"
    )


def many_families(folder: Path, count: int) -> None:
    """Write the demo with copies of its families under new names, until there are ``count``."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    families = read_logs(DEMO).families
    tables = {n: pd.read_csv(DEMO / f"{n}.csv", dtype=str, keep_default_na=False) for n in COPIED}
    models = tables["catalogue"].set_index("model_id")["family_id"]
    parts = {n: [t] for n, t in tables.items()}
    for number in range(count - len(families)):
        family = families[number % len(families)]
        mark = f"_copy{number}"
        for name, table in tables.items():
            own = table["family_id"] if "family_id" in table else table["model_id"].map(models)
            parts[name].append(renamed(table[own == family], mark, KEYS.get(name)))
    for name, table in parts.items():
        pd.concat(table).to_csv(folder / f"{name}.csv", index=False)


def renamed(rows: pd.DataFrame, mark: str, key: str | None) -> pd.DataFrame:
    """Give rows of a copied family identifiers of their own."""
    known = [c for c in (key, "family_id", "model_id", "unit_id", "refers_to_sale_id") if c in rows]
    return rows.assign(**{c: rows[c].where(rows[c] == "", rows[c] + mark) for c in known})


def workers(count: int) -> None:
    """Print how much of the sequential time two processes need, as whole commands."""
    took = {}
    with tempfile.TemporaryDirectory() as place:
        many_families(Path(place), count)
        for hands in (1, 2):
            command = ["report", "--month", MONTH, "--workspace", place, "--again"]
            start = time.perf_counter()
            subprocess.run(
                [sys.executable, "-c", _CLI, *command, "--workers", str(hands)],
                check=True,
                stdout=subprocess.DEVNULL,
            )
            took[hands] = time.perf_counter() - start
    say(f"{count} families on 2 processes, of the sequential time", took[2] / took[1], MOST_SHARE)


_CLI = "import sys; from repair_horizon.cli import main; sys.exit(main())"


def size() -> None:
    """Print the bytes of the largest page of the demo's month."""
    with tempfile.TemporaryDirectory() as place:
        run = write_month(DEMO, MONTH, order=Order(out=place))
        sizes = {p.name: p.stat().st_size for p in run.folder.glob("*.html")}
    largest = max(sizes, key=lambda name: sizes[name])
    met = "met" if sizes[largest] <= MOST_BYTES else "not met"
    words = f"target: at most {MOST_BYTES / 1000:.0f}, {met}"
    print(f"largest page: {largest}, {sizes[largest] / 1000:.0f} kB ({words})")


def main(words: list[str]) -> None:
    """Measure what is asked for, or all three."""
    quick = "--quick" in words
    asked = [w for w in words if not w.startswith("-")] or ["cost", "workers", "size"]
    if "cost" in asked:
        cost(1 if quick else 3)
    if "workers" in asked:
        workers(8 if quick else 20)
    if "size" in asked:
        size()


if __name__ == "__main__":
    main(sys.argv[1:])
