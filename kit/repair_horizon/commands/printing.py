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
from repair_horizon.tables.months import month_number, month_word, parse_month

if TYPE_CHECKING:
    from repair_horizon.shop import Shop

BACKTEST = "backtest"


def read(workspace: str, as_of: str | None = None) -> tuple[Logs, Settings]:
    """Read a workspace, up to a day if one is given."""
    logs = read_logs(workspace)
    day = day_of(as_of)
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
