"""A thousand times the data: ``python -m tests.benchmark.scale [read|fit|project|slope]``.

Every measurement runs in a process of its own, so that its peak memory is its own. Speeds are
ratios within one run. Processor time (user and system) decides, since it does not depend on what
else the machine does; ratios of wall time are printed beside it. BLAS runs on one thread.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from repair_horizon.logs.reading import empty_rows, typed
from repair_horizon.logs.workspace import Logs, read_logs
from repair_horizon.tables.columns import KINDS
from repair_horizon.tables.faults import Ledger, no_exceptions
from repair_horizon.tables.inputs import SALES, TABLES
from repair_horizon.tables.settings import read_settings

from .scale_simulator import FAMILIES, MODELS, Extent, catalogue, sales, write_workspace

ROOT = Path(__file__).parents[2]
MONTHS, DRAWS = 24, 1000
READ_ROWS = 1_000_000
READ_CPU, READ_MEMORY, FIT_CPU, PROJECT_MB, SLOPE = 1.2, 1.6, 1.0, 2000.0, 1.05
Measured = dict[str, Any]


@contextmanager
def clock(into: Measured, name: str) -> Iterator[None]:
    """Add processor and wall seconds spent inside to ``into[name]``."""
    cpu, wall = time.process_time(), time.perf_counter()
    yield
    before = into.get(name, (0.0, 0.0))
    spent = time.process_time() - cpu, time.perf_counter() - wall
    into[name] = (before[0] + spent[0], before[1] + spent[1])


def peak_mb() -> float:
    """Peak memory of this program so far.

    Where Linux tells it: getrusage also counts what the process held before it became this
    program, that is its parent's memory.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(s for s in status.read_text().splitlines() if s.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def bare(folder: Path) -> Measured:
    """Pandas alone: every column of sales.csv typed as declared, nothing checked."""
    kinds = {c.name: KINDS[c.kind].dtype for c in SALES.columns}
    texts = {"yes_no": "str", "currency": "str"}
    kinds |= {c.name: texts[c.kind] for c in SALES.columns if c.kind in texts}
    days = [n for n, dtype in kinds.items() if dtype.startswith("datetime")]
    # What cannot be a number stands in this column only; pandas would stop at the first.
    doubtful = "gross_amount"
    wanted = {n: t for n, t in kinds.items() if n not in days and n != doubtful}
    out: Measured = {"imported": peak_mb()}
    with clock(out, "time"):
        frame = pd.read_csv(folder / "sales.csv", dtype=wanted, parse_dates=days)
        frame[doubtful] = pd.to_numeric(frame[doubtful], errors="coerce")
        for day in days:
            frame[day] = pd.to_datetime(frame[day], format="%Y-%m-%d", errors="coerce")
    return out | {"peak": peak_mb(), "rows": len(frame)}


def read(folder: Path) -> Measured:
    """Read and check the whole workspace: typed rows, ledger, money converted."""
    out: Measured = {"imported": peak_mb()}
    with clock(out, "time"):
        logs = read_logs(folder)
    counts = logs.ledger.counts().set_index("table").loc["sales"]
    return out | {"peak": peak_mb(), "rows": int(counts["read"]), "used": int(counts["used"])}


def fit(folder: Path) -> Measured:
    """Fit every family jointly, and each of its models alone by formula; one after the other."""
    import statsmodels.formula.api as smf  # the rival; loaded before anything is timed
    from repair_horizon.estimation.device_prices import PriceCurves, fit_prices

    logs = read_logs(folder)
    out: Measured = {"joint": (0.0, 0.0), "ols": (0.0, 0.0), "ols_enough": (0.0, 0.0)}
    out |= {"models": len(logs.tables["catalogue"]), "ols_models": 0, "ols_enough_models": 0}
    for family in logs.families:
        with clock(out, "joint"):
            found = fit_prices(logs, family)
        if not isinstance(found, PriceCurves):
            continue
        with clock(out, "ols"):
            rows = ols_rows(logs.family(family))
        for _, own in rows.groupby("model_id", sort=False):
            _ols(smf.ols, own, out)
    return out


def ols_rows(family: Logs) -> pd.DataFrame:
    """Working prices of a family with the covariates of the joint model."""
    from repair_horizon.estimation.price_rows import working_prices

    own = working_prices(family.tables["sales"])
    known = family.tables["catalogue"].set_index("model_id")
    about = known.loc[own["model_id"]].set_index(own.index)
    return own.assign(
        y=np.log(own["amount"] / about["launch_amount"]),
        age=(own["sale_date"] - about["launch_date"]).dt.days / 365.25,
        doubled=np.log2((own["storage_gb"] / about["storage_gb"]).fillna(1.0)),
    )


def _ols(ols: Callable[..., Any], own: pd.DataFrame, out: Measured) -> None:
    """One model by itself; a trait that does not vary in it is left out, as it must be."""
    traits = [t for t in ("grade", "channel", "price_type") if own[t].nunique() > 1]
    formula = " + ".join(["y ~ age", *(f"C({t})" for t in traits)])
    formula += " + doubled" if own["doubled"].nunique() > 1 else ""
    spent: Measured = {}
    with warnings.catch_warnings(), clock(spent, "ols"):
        warnings.simplefilter("ignore")  # as many traits as sales: pseudo-inverse, no errors
        found = ols(formula, own).fit()
    names = ("ols", "ols_enough") if found.df_resid > 0 else ("ols",)
    for name in names:
        out[name] = tuple(a + b for a, b in zip(out[name], spent["ols"], strict=True))
        out[f"{name}_models"] += 1


def project(folder: Path) -> Measured:
    """Draw and cost every model with every fault, family after family, keeping the means."""
    from repair_horizon.decisions.unit.economics import Economics
    from repair_horizon.decisions.unit.outcomes import UnitEconomics
    from repair_horizon.estimation.forecast import Estimates, fit_family, forecast

    logs, settings = read_logs(folder), read_settings(folder)
    out: Measured = {"read": peak_mb(), "units": 0, "silent": 0, "sum": 0.0}
    for family in logs.families:
        with clock(out, "time"):
            known = Estimates(logs.currency, logs.newest_day, {family: fit_family(logs, family)})
            outlook = forecast(known, MONTHS, settings.seed, DRAWS)
            for unit in Economics(outlook, settings).units(family):
                if not isinstance(unit, UnitEconomics):
                    out["silent"] += 1
                    continue
                assert unit.value.shape == (DRAWS, MONTHS)
                out["units"] += 1
                out["sum"] += float(unit.value.mean())
    return out | {"peak": peak_mb()}


def slope(folder: Path, extent: Extent) -> Measured:
    """Fit families one after the other from rows made in memory; the making is not timed."""
    from repair_horizon.estimation.device_prices import fit_prices

    out: Measured = {"joint": (0.0, 0.0)}
    models = catalogue(extent)
    each = extent.rows // extent.families
    for i, (family, own) in enumerate(models.groupby("family_id", sort=False)):
        logs = invented_logs(folder, own, sales(own, each, seed=i + 1, clean=True))
        with clock(out, "joint"):
            fit_prices(logs, str(family))
    return out | {"rows": each * extent.families, "peak": peak_mb()}


def invented_logs(folder: Path, models: pd.DataFrame, text: pd.DataFrame) -> Logs:
    """Logs of one family as ``read_logs`` would return them, without a file."""
    tables = {name: empty_rows(table) for name, table in TABLES.items()}
    for name, rows in (("catalogue", models), ("sales", text)):
        numbered = rows.reset_index(drop=True).astype("str").assign(line=range(2, len(rows) + 2))
        tables[name] = typed(f"{name}.csv", TABLES[name], numbered).rows
    tables["catalogue"]["launch_amount"] = tables["catalogue"]["launch_price"]
    tables["sales"]["amount"] = tables["sales"]["gross_amount"]
    return Logs(folder, "EUR", ("A", "B", "C", "D"), tables, Ledger({}, no_exceptions()))


def alone(kind: str, folder: Path, extent: Extent) -> Measured:
    """Run one measurement in a process of its own."""
    size = [str(n) for n in (extent.rows, extent.families, extent.models)]
    order = [sys.executable, "-m", "tests.benchmark.scale", "--one", kind, str(folder), *size]
    done = subprocess.run(order, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{kind}: {done.stderr}")
    measured: Measured = json.loads(done.stdout.splitlines()[-1])
    return measured


def one(kind: str, folder: Path, extent: Extent) -> Measured:
    """Run one measurement here."""
    if kind == "slope":
        return slope(folder, extent)
    return {"bare": bare, "read": read, "fit": fit, "project": project}[kind](folder)


def growth(sizes: list[int], times: list[float]) -> float:
    """Slope of log time on log rows, least squares."""
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])


def said(name: str, value: float, target: float | None = None) -> None:
    """Print one figure, and whether it is met where there is a target."""
    verdict = "" if target is None else f" (at most {target:g}: {_met(value <= target)})"
    print(f"  {name:<66}{value:9.2f}{verdict}", flush=True)


def _met(met: bool) -> str:
    return "met" if met else "NOT MET"


class Bench:
    """The four parts, on workspaces written once each."""

    def __init__(self, folder: Path, sizes: list[int], top: int, repeats: int) -> None:
        self.folder, self.sizes, self.top, self.repeats = folder, sizes, top, repeats

    def workspace(self, rows: int) -> tuple[Path, Extent]:
        """Write a workspace where it is not there yet."""
        extent, folder = Extent(rows), self.folder / str(rows)
        return folder if folder.exists() else write_workspace(folder, extent), extent

    def read(self) -> None:
        """Reading and checking against the bare read of the same file, medians of repeats."""
        print("Reading and checking against a bare pandas typed read of the same file")
        cpu = []
        for rows in self.sizes:
            place = self.workspace(rows)
            pairs = [(alone("bare", *place), alone("read", *place)) for _ in range(self.repeats)]
            cpu.append(median(ours["time"][0] for _, ours in pairs))
            judged = rows == READ_ROWS
            for i, name in enumerate(("processor", "wall")):
                ratio = median(ours["time"][i] / its["time"][i] for its, ours in pairs)
                said(f"{rows:,} sales: {name} time", ratio, READ_CPU if judged and not i else None)
        if judged:
            its, ours = pairs[-1]
            grown = [m["peak"] - m["imported"] for m in (its, ours)]
            said(f"{rows:,} sales: peak memory above imports", grown[1] / grown[0], READ_MEMORY)
            said(f"{rows:,} sales: peak memory in all", ours["peak"] / its["peak"], READ_MEMORY)
            said(f"{rows:,} sales: share of rows used", ours["used"] / ours["rows"])
        said("growth of reading time with rows (log-log)", growth(self.sizes, cpu))

    def fit(self) -> None:
        """The joint fit against a loop of formula OLS over the models."""
        print(
            "Joint fit of every family against a loop of statsmodels formula OLS per model\n"
            "  with the same covariates. OLS runs on every model that has a sale, by\n"
            "  pseudo-inverse where traits outnumber sales, and says nothing of the others;\n"
            "  the joint fit is for all. 'Enough sales' leaves OLS only the models with more\n"
            "  sales than columns."
        )
        for rows in self.sizes:
            got = alone("fit", *self.workspace(rows))
            joint, ols, enough = got["joint"], got["ols"], got["ols_enough"]
            told = f"{rows:,} sales, {got['ols_models']} of {got['models']} models by OLS"
            said(f"{told}: processor time", joint[0] / ols[0], FIT_CPU)
            said(f"{told}: wall time", joint[1] / ols[1])
            if enough[0]:
                n = got["ols_enough_models"]
                said(f"  the same, {n} models with enough sales", joint[0] / enough[0])

    def project(self) -> None:
        """Peak memory of all projections, the logs beside them."""
        print(f"Projections, {MONTHS} months x {DRAWS:,} draws, family after family")
        rows = max(self.sizes)
        got = alone("project", *self.workspace(rows))
        told = f"{got['units']:,} models x faults from {rows:,} sales: peak MB"
        said(told, got["peak"], PROJECT_MB)
        said("  of which reading the logs, MB", got["read"])
        said("  processor milliseconds per model and fault", 1000 * got["time"][0] / got["units"])
        said("  models x faults that cannot be said", got["silent"])

    def slope(self) -> None:
        """Growth of the fit's time with rows, and what 100,000 models would take."""
        print("Growth of the joint fit's time with rows, the same models throughout")
        sizes = [r for r in (10_000, 100_000, 1_000_000, 5_000_000) if r <= self.top]
        times = []
        for rows in sizes:
            got = alone("slope", self.folder, Extent(rows))
            times.append(got["joint"][0])
            said(f"{rows:,} sales: times the time of {sizes[0]:,}", times[-1] / times[0])
        said("slope of log time on log rows", growth(sizes, times), SLOPE)
        last = [np.log(times[-1] / times[-2]) / np.log(sizes[-1] / sizes[-2])]
        said("  between the last two sizes", float(last[0]))
        hours, families = 100_000 / MODELS * times[-1] / 3600, 100_000 * FAMILIES // MODELS
        print(
            f"  100,000 models, extrapolated: {families:,} families of the size measured, each\n"
            f"  with as many sales ({sizes[-1] * 100_000 // MODELS:,} in all), take 50 times the\n"
            f"  time of the largest size: {hours:.1f} processor hours here. Assumed: families do\n"
            "  not grow (the time grows with the cube of a family's models and months), and are\n"
            "  fitted one at a time from logs partitioned by family, so that memory stays one\n"
            "  family's."
        )


def main() -> None:
    """Run the parts asked for, or all."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmark.scale")
    parser.add_argument("part", nargs="*", help="read, fit, project, slope; all if none")
    parser.add_argument("--quick", action="store_true", help="a tenth of the rows, once")
    parser.add_argument("--one", nargs=5, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        kind, folder, *size = asked.one
        print(json.dumps(one(kind, Path(folder), Extent(*map(int, size)))))
        return
    sizes = [1_000, 10_000, 100_000] + ([] if asked.quick else [1_000_000])
    top, repeats = (1_000_000, 1) if asked.quick else (5_000_000, 3)
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), sizes, top, repeats)
        for part in asked.part or ("read", "fit", "project", "slope"):
            getattr(bench, part)()


if __name__ == "__main__":
    main()
