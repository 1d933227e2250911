"""Files of a month: written whole or not at all, and safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import os
import re
import tempfile
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:  # a worker only runs notebooks and writes, and need not load the estimation
    from kit.reports.family_month import FamilyMonth


def write_text(path: Path, text: str) -> None:
    """Write a file so that a reader sees the old one or the new one, never half of it.

    Line ends are written as they are: the page's content policy holds hashes of its scripts.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode("utf-8", "replace"))
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as CSV: UTF-8, ISO dates, points, lines ended by a line feed."""
    write_text(path, table.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n"))


_FORMULA = tuple("=+-@\t\r")
_FIGURE = re.compile(r"-\d+(\.\d+)?([eE][+-]?\d+)?")


def guarded(text: str) -> str:
    """Mark text that a spreadsheet would run as a formula with a leading apostrophe.

    Figures are left alone; ``-2+3`` is none.
    """
    return f"'{text}" if text[:1] in _FORMULA and not _FIGURE.fullmatch(text) else text


def for_spreadsheet(table: pd.DataFrame) -> pd.DataFrame:
    """Guard every text of a table against being run as a formula; other columns stay."""
    out = table.copy()
    for name in out.columns:
        column = out[name]
        if not pd.api.types.is_numeric_dtype(column) and column.dtype.kind != "M":
            out[name] = column.astype("object").map(
                lambda v: guarded(v) if isinstance(v, str) else v
            )
    return out


def month_columns(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with whole months as YYYY-MM instead of first days."""
    out = table.copy()
    for name in out.columns:
        if name.endswith(("_median", "_lower", "_upper")) and name.startswith(
            ("buy_stop", "repair_stop")
        ):
            out[name] = pd.to_datetime(out[name]).dt.strftime("%Y-%m")
    return out


def save_tables(month: FamilyMonth, folder: str | Path) -> list[str]:
    """Write every table of a family as CSV.

    Parameters
    ----------
    month
        The family's tables.
    folder
        Where to; made if it is not there.

    Returns
    -------
    list of str
        Names of the files, one per table.
    """
    names = []
    for field in fields(month):
        table = getattr(month, field.name)
        if isinstance(table, pd.DataFrame):
            names.append(f"{field.name}.csv")
            write_table(Path(folder) / names[-1], table)
    return names


def read_saved(path: Path) -> pd.DataFrame:
    """Read back a saved table; identifiers and words stay text, months become dates."""
    with path.open(encoding="utf-8", newline="") as file:
        columns = next(csv.reader(file), [])
    words = {c: "str" for c in columns if c in _WORDS}
    table = pd.read_csv(path, dtype=words, keep_default_na=False, na_values=_no_words(columns))
    for name in columns:
        if name.startswith(("buy_stop", "repair_stop")) or name in (
            "month",
            "newest_sale",
            "known_before",
        ):
            table[name] = pd.to_datetime(table[name])
    return table


_WORDS = {
    "family_id",
    "model_id",
    "model_name",
    "listed_fault",
    "binding_limit",
    "confidence",
    "reason",
    "verdict",
    "main_state",
    "unit_id",
    "state",
    "status",
    "advice",
    "next_best",
    "caution",
    "if_cleared",
    "part_code",
    "block",
}


def _no_words(columns: list[str]) -> dict[str, list[str]]:
    return {c: [""] for c in columns if c not in _WORDS}
