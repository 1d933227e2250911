"""The tables of a family's month, kept beside its page and read back."""

from __future__ import annotations

import csv
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:  # a worker only runs notebooks and writes, and need not load the estimation
    from repair_horizon.reports.family import FamilyMonth


from repair_horizon.files.writing import unguarded, write_table


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
    table = unguarded(table)
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
