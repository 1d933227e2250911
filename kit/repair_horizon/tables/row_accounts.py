"""What became of every row: used, set aside with a reason, or held for review."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

USED, SET_ASIDE, HELD = "used", "set aside", "held for review"
COLUMNS = ("table", "line", "row_id", "status", "reason", "column", "found", "allowed")


@dataclass(frozen=True, eq=False)
class Ledger:
    """The rows read per table, and one line for each row that was not used.

    ``read`` maps a table to the rows its file had; ``exceptions`` has the columns ``COLUMNS``,
    one row per row not used (the first reason that applied; further faults of the same row are
    joined into its text).
    """

    read: dict[str, int]
    exceptions: pd.DataFrame

    def counts(self) -> pd.DataFrame:
        """Return rows read, used, set aside and held, per table; they add up by construction."""
        by = self.exceptions.groupby(["table", "status"]).size()
        rows = []
        for table, read in self.read.items():
            aside, held = (int(by.get((table, s), 0)) for s in (SET_ASIDE, HELD))
            rows.append((table, read, read - aside - held, aside, held))
        return pd.DataFrame(rows, columns=["table", "read", "used", "set_aside", "held"])

    def reasons(self) -> pd.DataFrame:
        """Return how many rows each reason took, per table, the most frequent first."""
        by = self.exceptions.groupby(["table", "status", "reason"], sort=False)
        table = by.size().rename("rows").reset_index()
        return table.sort_values(["rows", "table", "reason"], ascending=[False, True, True])

    def adding(self, exceptions: Sequence[pd.DataFrame]) -> Ledger:
        """Return a ledger with more rows not used."""
        parts = [p for p in (self.exceptions, *exceptions) if len(p)]
        whole = pd.concat(parts, ignore_index=True) if parts else self.exceptions
        return Ledger(self.read, whole)

    def held_share(self) -> float:
        """Return the share of all rows read that wait for review."""
        read = sum(self.read.values())
        return float((self.exceptions["status"] == HELD).sum() / read) if read else 0.0


def no_exceptions() -> pd.DataFrame:
    """Return an empty table of exceptions."""
    return pd.DataFrame({c: pd.Series(dtype="int64" if c == "line" else "str") for c in COLUMNS})


def exception_rows(table: str, rows: pd.DataFrame, status: str, reason: str) -> pd.DataFrame:
    """Turn typed rows that are not used into lines of the ledger.

    ``table``: name of the table; ``rows``: the rows, with ``line`` and ``row_id``; ``status``,
    ``reason``: what became of them and why.
    """
    out = pd.DataFrame({"table": table, "line": rows["line"], "row_id": rows["row_id"]})
    return out.assign(status=status, reason=reason, column="", found="", allowed="").reset_index(
        drop=True
    )
