"""Commands that look ahead, or back: forecast, report, backtest."""

from __future__ import annotations

import sys
from argparse import Namespace
from dataclasses import replace
from pathlib import Path
from typing import Any

from repair_horizon.commands.by_family import price_curves
from repair_horizon.commands.printing import (
    BACKTEST,
    day_of,
    hands_of,
    out_file,
    read,
    within,
    write_csv,
)
from repair_horizon.scale import check_shared
from repair_horizon.tables.months import month_number


def forecast(options: Namespace) -> int:
    """Write a price forecast."""
    from repair_horizon.estimation.calibration import calibrated_table, read_calibration
    from repair_horizon.estimation.deflation import deflated, read_index
    from repair_horizon.estimation.price_table import price_forecast

    within("--months", options.months, 1, 120)
    within("--level", options.level, 0.01, 0.99)
    out = out_file(options)
    logs, _ = read(options.workspace, options.as_of)
    if options.price_index:
        logs = deflated(logs, read_index(options.price_index), logs.newest_day)
    keys = [k for k in options.by.split(",") if k]
    curves = price_curves(logs, hands_of(options))
    calibration = read_calibration(Path(options.workspace) / BACKTEST)
    now = int(month_number([logs.newest_day])[0])
    table = price_forecast(logs, curves, options.months, options.level, keys)
    table = calibrated_table(table, calibration, now)
    write_csv(table, out)
    unsaid = table.loc[table["reason"] != "", "reason"].value_counts()
    print(f"{len(table)} rows for {table['model_id'].nunique()} models: {options.out}")
    print(calibration.words)
    if options.price_index:
        print(f"amounts in the money of {logs.newest_day:%Y-%m-%d}, by {options.price_index}")
    for reason, n in unsaid.items():
        print(f"  {n} rows: {reason}")
    return 0


def report(options: Namespace) -> int:
    """Write the month's report."""
    hands = hands_of(options)
    within("--time-limit", options.time_limit, 1, 86_400)
    if options.memory_limit is not None:
        within("--memory-limit", options.memory_limit, 0.5, 4096)
    asked = {
        "families": options.family,
        "as_of": day_of(options.as_of),
        "workers": hands.workers,
        "cluster": hands.cluster,
        "again": options.again,
        "time_limit": options.time_limit,
        "memory_limit": options.memory_limit,
        "fresh_kernels": options.fresh_kernels,
    }
    if hands.cluster is not None:
        check_shared(hands.cluster, Path(options.workspace))
    return write_pages(Path(options.workspace), options.month, asked)


def write_pages(workspace: Path, month: str, asked: dict[str, Any]) -> int:
    """Write a month's pages; ``asked`` has what a ``reports.month.Order`` may name."""
    from repair_horizon.reports.month import Order, write_month

    order = Order(**asked)
    result = write_month(workspace, month, order=order, progress=_progress)
    print(f"\nOpen {result.index} in a browser.")
    print(f"Thresholds: {result.folder / 'thresholds.csv'}")
    for family in result.families:
        if family.family_id in result.failed:
            print(f"failed: {family.family_id}: {family.reason}", file=sys.stderr)
    return 1 if result.failed else 0


def _progress(family: str, status: str, seconds: float) -> None:
    took = "" if status == "kept" else f" ({seconds:.0f} s)"
    print(f"  {family}: {status}{took}", flush=True)


def backtest(options: Namespace) -> int:
    """Test the forecasts and the bids on the past, and keep what that says about band widths."""
    from repair_horizon.backtest.running import run_backtest

    within("--every", options.every, 1, 24)
    folder = Path(options.workspace) / BACKTEST
    hands = replace(hands_of(options), progress=_step)
    run = run_backtest(options.workspace, folder, options.every, hands)
    for title, table in run.printable().items():
        print(f"\n{title}")
        print(table.to_string(index=False, na_rep=""))
    print(f"\nEvery figure: {folder}")
    return 0


def _step(what: str, done: int, of: int) -> None:
    print(f"  {what}: {done} of {of}", flush=True)
