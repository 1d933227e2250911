"""Three years of monthly runs in one process: ``python -m tests.benchmark.soak [--all]``.

A workspace starts with the first year of the demo business (invented) and grows by a month of
rows before each of 36 runs, as the partners would use it. Told at the end:

- memory: what this process and the ones it keeps hold after a run, the last six runs against the
  seventh to the twelfth; the logs themselves grow about fourfold in between.
- consistency from month to month: no family fails, every row read is accounted for, no model and
  fault disappears from the thresholds, and what a month expected of the next one's bids is held
  against the bids then stated.
- the last month run again into another folder: the same thresholds, byte for byte.

Two families by default, all eight with ``--all``.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from repair_horizon.reports.month import Order, write_month

DEMO = Path(__file__).parents[2] / "data" / "demo"
RUNS, LAST, LARGEST_GROWTH = 36, "2026-11", 1.10
DATED = {
    "sales": "sale_date",
    "part_quotes": "quote_date",
    "maker_quotes": "quote_date",
    "repairs": "opened",
    "listings": "end_time",
    "stock": "buy_date",
    "fx_rates": "date",
}
FEW = ("vellfold", "grabvyx_console")


def grow(folder: Path, before: str) -> int:
    """Copy the logs as they stood before a day (YYYY-MM-DD); return the rows."""
    rows = 0
    for name, column in DATED.items():
        table = pd.read_csv(DEMO / f"{name}.csv", dtype=str, keep_default_na=False)
        known = table[table[column].str[:10] < before]
        known.to_csv(folder / f"{name}.csv", index=False)
        rows += len(known)
    return rows


def held_mb() -> float:
    """Resident memory of this process and of those it keeps, in MB."""
    mine = os.getpid()
    children = Path(f"/proc/self/task/{mine}/children").read_text().split()
    total = 0.0
    for pid in (str(mine), *children):
        status = Path(f"/proc/{pid}/status")
        if status.exists():
            lines = status.read_text().splitlines()
            total += sum(int(s.split()[1]) for s in lines if s.startswith("VmRSS")) / 1024
    return total


def run_months(folder: Path, families: tuple[str, ...] | None, runs: int) -> Iterator[dict]:
    """Write one month after the other and tell what each came to."""
    for name in ("catalogue.csv", "fault_states.csv", "settings.toml"):
        shutil.copy(DEMO / name, folder)
    last = pd.Period(LAST, "M")
    for month in (last - i for i in reversed(range(runs))):
        rows = grow(folder, f"{month}-01")
        result = write_month(folder, str(month), order=Order(families=families))
        thresholds = pd.read_csv(result.folder / "thresholds.csv")
        record = json.loads((result.folder / "run.json").read_text(encoding="utf-8"))
        yield {
            "month": str(month),
            "rows": rows,
            "failed": len(result.failed),
            "memory": held_mb(),
            "thresholds": thresholds.set_index(["model_id", "listed_fault"]),
            "record": record,
        }


def expected_and_stated(months: list[dict]) -> pd.DataFrame:
    """Bid expected a month before and bid stated, for every pair of neighbouring months."""
    pairs = []
    for before, after in pairwise(months):
        both = before["thresholds"][["bid_next_month"]].join(after["thresholds"][["max_bid"]])
        pairs.append(both)
    return pd.concat(pairs).dropna()


def main() -> None:
    """Run, print and end."""
    asked = argparse.ArgumentParser(description="36 monthly runs on a growing workspace.")
    asked.add_argument("--all", action="store_true", help="all eight families")
    asked.add_argument("--runs", type=int, default=RUNS)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        months = []
        for told in run_months(folder, None if given.all else FEW, given.runs):
            months.append(told)
            print(f"{told['month']}: {told['rows']} rows, {told['memory']:.0f} MB", flush=True)
        again = write_month(
            folder, LAST, order=Order(families=None if given.all else FEW, out=folder / "again")
        )
        first = (folder / "out" / LAST / "thresholds.csv").read_bytes()
        same = (again.folder / "thresholds.csv").read_bytes() == first
    tell(months, same)


def tell(months: list[dict], same: bool) -> None:
    """Print every figure with what it should be."""
    memory = np.array([m["memory"] for m in months])
    early, late = memory[6:12].mean(), memory[-6:].mean()
    print(f"\nmemory, last six runs / runs 7 to 12        {late / early:.3f}   <= {LARGEST_GROWTH}")
    print(f"families that failed                        {sum(m['failed'] for m in months)}   0")
    lost = [
        key
        for before, after in pairwise(months)
        for key in before["thresholds"].index.difference(after["thresholds"].index)
    ]
    print(f"models and faults that disappeared          {len(lost)}   0")
    pairs = expected_and_stated(months)
    apart = (pairs["max_bid"] - pairs["bid_next_month"]).abs()
    usual = pairs["max_bid"].abs().mean()
    print(f"bids, apart from what the month before said  {apart.mean() / usual:.3f}   of the mean")
    print(f"their rank correlation                      {pairs.corr('spearman').iloc[0, 1]:.3f}")
    print(f"last month again: the same thresholds       {same}   True")


if __name__ == "__main__":
    main()
