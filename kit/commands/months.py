"""Commands that look ahead, or back: forecast, report, backtest."""

from __future__ import annotations

import sys
from argparse import Namespace
from pathlib import Path

from kit.commands.words import BACKTEST, day_of, read, within, write_csv
from kit.logs.months import month_number


def forecast(options: Namespace) -> int:
    """Write a price forecast."""
    from kit.estimation.calibration import calibrated_table, read_calibration
    from kit.estimation.depreciation import fit_prices
    from kit.estimation.price_table import price_forecast

    within("--months", options.months, 1, 120)
    within("--level", options.level, 0.01, 0.99)
    logs, _ = read(options.workspace, options.as_of)
    keys = [k for k in options.by.split(",") if k]
    curves = {f: fit_prices(logs, f) for f in logs.families}
    calibration = read_calibration(Path(options.workspace) / BACKTEST)
    now = int(month_number([logs.newest_day])[0])
    table = price_forecast(logs, curves, options.months, options.level, keys)
    table = calibrated_table(table, calibration, now)
    write_csv(table, Path(options.out))
    unsaid = table.loc[table["reason"] != "", "reason"].value_counts()
    print(f"{len(table)} rows for {table['model_id'].nunique()} models: {options.out}")
    print(calibration.words)
    for reason, n in unsaid.items():
        print(f"  {n} rows: {reason}")
    return 0


def report(options: Namespace) -> int:
    """Write the month's report."""
    within("--workers", options.workers, 1, 64)
    run = (options.family, options.workers)
    return write_pages(Path(options.workspace), options.month, options.as_of, run)


def write_pages(
    workspace: Path, month: str, as_of: str | None, run: tuple[list[str] | None, int]
) -> int:
    """Write a month's pages; ``run`` is (families or None for all, workers)."""
    from kit.reports.month import Order, write_month

    families, workers = run
    order = Order(families=families, as_of=day_of(as_of), workers=workers)
    result = write_month(workspace, month, order=order, progress=_progress)
    print(f"\nOpen {result.index} in a browser.")
    print(f"Thresholds: {result.folder / 'thresholds.csv'}")
    for family in result.families:
        if family.family_id in result.failed:
            print(f"failed: {family.family_id}: {family.reason}", file=sys.stderr)
    return 1 if result.failed else 0


def _progress(family: str, status: str, seconds: float) -> None:
    print(f"  {family}: {status} ({seconds:.0f} s)", flush=True)


def backtest(options: Namespace) -> int:
    """Test the forecasts and the bids on the past, and keep what that says about band widths."""
    from kit.backtest.running import run_backtest

    within("--every", options.every, 1, 24)
    folder = Path(options.workspace) / BACKTEST
    run = run_backtest(options.workspace, folder, options.every, _step)
    for title, table in run.printable().items():
        print(f"\n{title}")
        print(table.to_string(index=False, na_rep=""))
    print(f"\nEvery figure: {folder}")
    return 0


def _step(what: str, done: int, of: int) -> None:
    print(f"  {what}: {done} of {of}", flush=True)
