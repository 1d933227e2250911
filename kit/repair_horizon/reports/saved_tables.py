"""The tables of a family's month, kept beside its page; ``read_saved`` reads one back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from repair_horizon.files.writing import write_table
from repair_horizon.tables.outputs import OUTPUTS

if TYPE_CHECKING:  # a worker only runs notebooks and writes, and need not load the estimation
    from repair_horizon.reports.family import FamilyMonth


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
    for name, table in month.tables.items():
        write_table(Path(folder) / f"{name}.csv", OUTPUTS[name].written(table))
    return [f"{name}.csv" for name in month.tables]


def read_saved(folder: Path, name: str) -> pd.DataFrame:
    """Read back a table of a family's folder, typed as it is declared."""
    return OUTPUTS[name].read(folder / f"{name}.csv")
