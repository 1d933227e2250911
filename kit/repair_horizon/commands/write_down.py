"""Commands about the logs: demo, init, import, check."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from repair_horizon.commands.look import write_pages
from repair_horizon.commands.printing import read
from repair_horizon.logs import Fault, LogFault

DEMO_MONTH = "2026-11"


def demo(options: Namespace) -> int:
    """Write the demo business, run its month, and say where to look."""
    from repair_horizon.demo import write_demo

    folder = Path(options.folder)
    if folder.exists() and any(folder.iterdir()) and not (folder / "settings.toml").exists():
        raise LogFault([Fault(str(folder), None, "", "a folder with other files", "a new folder")])
    write_demo(folder)
    print(f"An invented business, written to {folder}/ (brands, people and prices are made up).")
    return write_pages(folder, DEMO_MONTH, {"workers": max(1, options.workers)})


def init(options: Namespace) -> int:
    """Write empty logs and a commented settings.toml."""
    from repair_horizon.tables.dictionary import write_starter

    written = write_starter(Path(options.workspace))
    for path in written:
        print(f"written: {path}")
    print("Fill catalogue.csv and sales.csv first; data/README.md explains every column.")
    return 0


def bring_in(options: Namespace) -> int:
    """Import a foreign export by a declared mapping."""
    from repair_horizon.imports import import_file

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


def partition(options: Namespace) -> int:
    """Write a log as Parquet partitioned by family, and move the old one aside."""
    from repair_horizon.logs.partitioning import partition as write_partitions

    done = write_partitions(options.workspace, options.table)
    for family, rows in done.rows.items():
        print(f"  {family or 'models the catalogue does not name'}: {rows} rows")
    print(f"{sum(done.rows.values())} rows written: {done.folder}/")
    print(f"The log as it was: {done.before}")
    return 0


def check(options: Namespace) -> int:
    """Print the row ledger and every fault; fail if too many rows are held."""
    logs, settings = read(options.workspace)
    print(logs.ledger.counts().to_string(index=False))
    for _, row in logs.ledger.exceptions.iterrows():
        if row["column"]:
            print(Fault(*row[["file", "line", "column", "found", "allowed"]]))
    print()
    print(logs.ledger.reasons().to_string(index=False))
    share, limit = logs.ledger.held_share(), settings.limits.held_share
    print(f"\n{share:.1%} of the rows wait for review (limit {limit:.1%}).")
    return 1 if share > limit else 0
