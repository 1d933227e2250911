"""What each command does: read, call the library, write a CSV, print the short of it.

Stages are imported inside the commands, so that ``check`` never loads statsmodels or plotly.
"""

from __future__ import annotations

import os
import sys
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from kit.logs import Fault, LogFault, Logs, Settings, read_logs, read_settings
from kit.logs.months import month_number, month_word, parse_month

if TYPE_CHECKING:
    from kit.decisions.economics import Economics

DEMO_MONTH = "2026-11"
BACKTEST = "backtest"


def demo(options: Namespace) -> int:
    """Write the demo business, run its month, and say where to look."""
    from kit.logs.demo import write_demo

    folder = Path(options.folder)
    if folder.exists() and any(folder.iterdir()) and not (folder / "settings.toml").exists():
        raise LogFault([Fault(str(folder), None, "", "a folder with other files", "a new folder")])
    write_demo(folder)
    print(f"An invented business, written to {folder}/ (brands, people and prices are made up).")
    return _write_month(folder, DEMO_MONTH, None, (None, max(1, options.workers)))


def init(options: Namespace) -> int:
    """Write empty logs and a commented settings.toml."""
    from kit.logs.dictionary import write_starter

    written = write_starter(Path(options.workspace))
    for path in written:
        print(f"written: {path}")
    print("Fill catalogue.csv and sales.csv first; data/README.md explains every column.")
    return 0


def bring_in(options: Namespace) -> int:
    """Import a foreign export by a declared mapping."""
    from kit.logs.importing import import_file

    result = import_file(
        Path(options.file),
        Path(options.workspace),
        options.table,
        Path(options.mapping),
        preview=options.preview,
    )
    print(result.summary().to_string(index=False))
    if result.review is not None:
        print(f"\nRows not added, with their reasons: {result.review}")
    return 0


def check(options: Namespace) -> int:
    """Print the row ledger and every fault; fail if too many rows are held."""
    logs, settings = _read(options.workspace)
    print(logs.ledger.counts().to_string(index=False))
    for _, row in logs.ledger.exceptions.iterrows():
        if row["column"]:
            fault = Fault(
                f"{row['table']}.csv", row["line"], row["column"], row["found"], row["allowed"]
            )
            print(fault)
    print()
    print(logs.ledger.reasons().to_string(index=False))
    share, limit = logs.ledger.held_share(), settings.limits.held_share
    print(f"\n{share:.1%} of the rows wait for review (limit {limit:.1%}).")
    return 1 if share > limit else 0


def forecast(options: Namespace) -> int:
    """Write a price forecast."""
    from kit.estimation.calibration import calibrated_table, read_calibration
    from kit.estimation.depreciation import fit_prices
    from kit.estimation.price_table import price_forecast

    _within("--months", options.months, 1, 120)
    _within("--level", options.level, 0.01, 0.99)
    logs, _ = _read(options.workspace, options.as_of)
    keys = [k for k in options.by.split(",") if k]
    curves = {f: fit_prices(logs, f) for f in logs.families}
    calibration = read_calibration(Path(options.workspace) / BACKTEST)
    now = int(month_number([logs.newest_day])[0])
    table = price_forecast(logs, curves, options.months, options.level, keys)
    table = calibrated_table(table, calibration, now)
    _write_csv(table, Path(options.out))
    unsaid = table.loc[table["reason"] != "", "reason"].value_counts()
    print(f"{len(table)} rows for {table['model_id'].nunique()} models: {options.out}")
    print(calibration.words)
    for reason, n in unsaid.items():
        print(f"  {n} rows: {reason}")
    return 0


def report(options: Namespace) -> int:
    """Write the month's report."""
    _within("--workers", options.workers, 1, 64)
    run = (options.family, options.workers)
    return _write_month(Path(options.workspace), options.month, options.as_of, run)


def _write_month(
    workspace: Path, month: str, as_of: str | None, run: tuple[list[str] | None, int]
) -> int:
    from kit.reports.month import Order, write_month

    families, workers = run
    order = Order(families=families, as_of=as_of, workers=workers)
    result = write_month(workspace, month, order=order, progress=_progress)
    print(f"\nOpen {result.index} in a browser.")
    print(f"Thresholds: {result.folder / 'thresholds.csv'}")
    for family in result.families:
        if family.family_id in result.failed:
            print(f"failed: {family.family_id}: {family.reason}", file=sys.stderr)
    return 1 if result.failed else 0


def _progress(family: str, status: str, seconds: float) -> None:
    print(f"  {family}: {status} ({seconds:.0f} s)", flush=True)


def bids(options: Namespace) -> int:
    """Score open listings."""
    from kit.decisions.candidates import families_of, open_listings, score
    from kit.logs.reading import read_table
    from kit.logs.tables import LISTINGS

    logs, settings = _read(options.workspace, options.as_of)
    month = _month(options.month, logs)
    listings = logs.tables["listings"]
    if options.listings:
        given = read_table(Path(options.listings), LISTINGS)
        listings = given.rows[given.rows["model_id"].isin(logs.tables["catalogue"]["model_id"])]
        print(f"{given.read} listings read, {given.read - len(listings)} not usable")
    wanted = open_listings(listings, logs.newest_day)
    economics = _economics(logs, settings, month, list(families_of(wanted, logs)))
    table = score(wanted, logs, economics)
    return _told(table, _out(options.workspace, month) / "bids.csv")


def stock(options: Namespace) -> int:
    """Advise on every unit owned."""
    from kit.decisions.candidates import families_of
    from kit.decisions.shelf import shelf

    logs, settings = _read(options.workspace, options.as_of)
    month = _month(options.month, logs)
    families = list(families_of(logs.tables["stock"], logs))
    table = shelf(logs, _economics(logs, settings, month, families))
    return _told(table, _out(options.workspace, month) / "stock.csv")


def backtest(options: Namespace) -> int:
    """Test the forecasts and the bids on the past, and keep what that says about band widths."""
    from kit.backtest.running import run_backtest

    _within("--every", options.every, 1, 24)
    folder = Path(options.workspace) / BACKTEST
    run = run_backtest(options.workspace, folder, options.every, _step)
    for title, table in run.printable().items():
        print(f"\n{title}")
        print(table.to_string(index=False, na_rep=""))
    print(f"\nEvery figure: {folder}")
    return 0


def _step(what: str, done: int, of: int) -> None:
    print(f"  {what}: {done} of {of}", flush=True)


def _economics(logs: Logs, settings: Settings, month: int, families: list[str]) -> Economics:
    from kit.decisions.economics import unit_economics
    from kit.estimation.calibration import calibrated_outlook, read_calibration
    from kit.estimation.estimates import Estimates, fit_family
    from kit.estimation.forecast import forecast as draw_outlook

    estimates = Estimates(
        logs.currency, logs.newest_day, {f: fit_family(logs, f) for f in families}
    )
    outlook = draw_outlook(estimates, 3, settings.seed, settings.draws, month)
    factor = read_calibration(logs.folder / BACKTEST).factor
    return unit_economics(calibrated_outlook(outlook, factor), settings)


def _read(workspace: str, as_of: str | None = None) -> tuple[Logs, Settings]:
    logs = read_logs(workspace)
    day = _day(as_of)
    return (logs.as_of(day) if day else logs), read_settings(workspace)


def _day(text: str | None) -> str | None:
    if text is None:
        return None
    if pd.isna(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")):
        raise LogFault([Fault("--as-of", None, "", text, "a date YYYY-MM-DD")])
    return text


def _month(text: str | None, logs: Logs) -> int:
    return parse_month(text) if text else int(month_number([logs.newest_day])[0]) + 1


def _within(option: str, value: float, lowest: float, highest: float) -> None:
    if not lowest <= value <= highest:
        raise LogFault([Fault(option, None, "", str(value), f"from {lowest:g} to {highest:g}")])


def _out(workspace: str, month: int) -> Path:
    return Path(workspace) / "out" / month_word(month)


def _write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    table.to_csv(part, index=False, lineterminator="\n")
    os.replace(part, path)


def _told(table: pd.DataFrame, path: Path) -> int:
    amounts = table.select_dtypes("float").columns
    table = table.assign(**{c: table[c].round(2) for c in amounts})
    _write_csv(table, path)
    print(table.to_string(index=False, na_rep="", max_rows=60))
    print(f"\n{len(table)} rows: {path}")
    return 0
