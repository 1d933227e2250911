"""What commands have in common: reading their words, and showing and writing tables."""

from __future__ import annotations

import json
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.files.writing import write_table
from repair_horizon.logs import Fault, LogFault, Logs, Settings, read_logs, read_settings
from repair_horizon.scale import Hands
from repair_horizon.tables.inputs import TABLES
from repair_horizon.tables.ledger import LEDGER
from repair_horizon.tables.months import month_number, month_word, parse_month

if TYPE_CHECKING:
    from repair_horizon.shop import Shop

BACKTEST = "backtest"


def read(workspace: str, as_of: str | None = None) -> tuple[Logs, Settings]:
    """Read a workspace, up to a day if one is given."""
    day = day_of(as_of)
    logs = read_logs(workspace)
    return (logs.as_of(day) if day else logs), read_settings(workspace)


def opened(options: Namespace) -> Shop:
    """Open the shop a command is about, up to a day if one is given."""
    from repair_horizon.shop import open_shop

    return open_shop(options.workspace, day_of(options.as_of))


def day_of(text: str | None) -> str | None:
    """Check a day given as YYYY-MM-DD."""
    if text is not None and pd.isna(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")):
        raise LogFault([Fault("--as-of", None, "", text, "a date YYYY-MM-DD")])
    return text


def month_of(text: str | None, logs: Logs) -> int:
    """Number of the month given, else of the one after the newest data."""
    return parse_month(text) if text else int(month_number([logs.newest_day])[0]) + 1


def within(option: str, value: float, lowest: float, highest: float) -> None:
    """Refuse a number outside its limits."""
    if not lowest <= value <= highest:
        raise LogFault([Fault(option, None, "", str(value), f"from {lowest:g} to {highest:g}")])


def hands_of(options: Namespace) -> Hands:
    """Who does the work: ``--workers`` processes, or the cluster at ``--cluster``."""
    within("--workers", options.workers, 1, 64)
    return Hands(options.workers, options.cluster)


def out_file(options: Namespace) -> Path:
    """Return the file of ``--out``, which must not be one that the kit reads.

    Raises
    ------
    LogFault
        If it is a folder, a log, the settings or another file of the workspace's own, or an input
        named on the same line; links are followed to see it.
    """
    path = Path(options.out)
    if path.is_dir():
        raise LogFault([Fault("--out", None, "", options.out, "a file, not a folder")])
    place, workspace = path.resolve(), Path(options.workspace).resolve()
    own = {"settings.toml", "import_salt", f"{LEDGER.name}.csv"}
    own |= {f"{n}{e}" for n in TABLES for e in (".csv", ".parquet")}
    reads = [getattr(options, n, None) for n in ("price_index", "listings")]
    taken = place.parent == workspace and place.name.lower() in own
    taken |= any(place.is_relative_to(workspace / n) for n in (*TABLES, "review"))
    taken |= any(file is not None and place == Path(file).resolve() for file in reads)
    # The same file under another name, such as a link of the system's.
    there = [workspace / n for n in own] if path.exists() else []
    taken |= any(p.exists() and p.samefile(path) for p in there)
    if taken:
        allowed = "a file of its own: this one is read, not written"
        raise LogFault([Fault("--out", None, "", options.out, allowed)])
    return path


def month_folder(workspace: str, month: int) -> Path:
    """Folder a month's tables go to."""
    return Path(workspace) / "out" / month_word(month)


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table whole or not at all."""
    write_table(path, table)


def show(table: pd.DataFrame, path: Path, columns: list[str] | None = None) -> None:
    """Write a table and print it, or some of its columns; amounts to cents, long texts cut."""
    amounts = table.select_dtypes("float").columns
    table = table.assign(**{c: table[c].round(2) for c in amounts})
    write_csv(table, path)
    shown = table[columns or list(table)]
    print(shown.to_string(index=False, na_rep="", max_rows=60, max_colwidth=44))
    print(f"\n{len(table)} rows: {path}")


def give_json(answer: dict[str, Any]) -> None:
    """Print an answer as JSON; tables as lists of rows, what is missing as null."""
    print(json.dumps({k: _plain(v) for k, v in answer.items()}, ensure_ascii=False, indent=1))


def _plain(value: Any) -> Any:
    if isinstance(value, pd.DataFrame):
        return json.loads(value.to_json(orient="records", date_format="iso", date_unit="s"))
    if isinstance(value, float) and value != value:
        return None
    return value
