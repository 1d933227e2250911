"""What became of every record of an import, and what was proved on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.logs.importing.merging import THERE
from kit.logs.importing.rows import Inference
from kit.logs.importing.sources import Source
from kit.logs.ledger import COLUMNS, HELD, SET_ASIDE
from kit.logs.tables import Table

ADDED = "added"


@dataclass(frozen=True, eq=False)
class ImportResult:
    """The end of an import.

    Attributes
    ----------
    file, table
        Name of the export and of our table.
    rows_in_file
        Records read. Where the mapping unpivots columns, each cell of them is a record.
    rows
        The rows added (or, in a preview, that would be), in our columns, as text.
    ledger
        One line per record not added, with the columns of ``kit.logs.ledger.COLUMNS``; its
        status is "already there", "set aside" or "held for review".
    inferred
        What is known about the file and how: declared, or proved by which value.
    preview
        Whether nothing was written.
    review
        The file that lists the records held or set aside, if there are any and it was written.
    """

    file: str
    table: str
    rows_in_file: int
    rows: pd.DataFrame
    ledger: pd.DataFrame
    inferred: tuple[Inference, ...]
    preview: bool
    review: Path | None = None

    @property
    def added(self) -> int:
        """Rows added."""
        return len(self.rows)

    @property
    def already_there(self) -> int:
        """Records the workspace, or an earlier line of the file, holds already."""
        return self._count(THERE)

    @property
    def set_aside(self) -> int:
        """Records set aside with a reason."""
        return self._count(SET_ASIDE)

    @property
    def held(self) -> int:
        """Records held for review."""
        return self._count(HELD)

    def _count(self, status: str) -> int:
        return int((self.ledger["status"] == status).sum())

    def reasons(self) -> pd.DataFrame:
        """Return how many records each reason took, the most frequent first."""
        table = self.ledger.groupby(["status", "reason"]).size().rename("rows").reset_index()
        return table.sort_values(["rows", "reason"], ascending=[False, True], ignore_index=True)

    def summary(self) -> pd.DataFrame:
        """Return the counts and everything inferred, as columns what, value, how."""
        counts = {
            "rows in file": self.rows_in_file,
            "would be added" if self.preview else ADDED: self.added,
            THERE: self.already_there,
            SET_ASIDE: self.set_aside,
            HELD: self.held,
        }
        lines = [(what, str(n), "counted") for what, n in counts.items()]
        lines += [
            (f"- {reason}", str(n), status)
            for status, reason, n in self.reasons().itertuples(index=False, name=None)
        ]
        lines += [(i.what, i.value, i.how) for i in self.inferred]
        return pd.DataFrame(lines, columns=["what", "value", "how"])


def one_status_each(notes: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Give every record that is not added one line.

    The first reason to set a record aside wins; else everything that holds it is joined.
    """
    said = pd.concat([n for n in notes if len(n)] or list(notes), ignore_index=True)
    aside = said[said["status"] != HELD].drop_duplicates("row")
    held = said[(said["status"] == HELD) & ~said["row"].isin(aside["row"])]
    if held.empty:
        return aside.sort_values("row", ignore_index=True)
    words = {c: (c, _joined) for c in ("reason", "column", "found", "allowed")}
    held = held.groupby("row", as_index=False).agg(**words).assign(status=HELD)
    return pd.concat([aside, held], ignore_index=True).sort_values("row", ignore_index=True)


def _joined(words: pd.Series) -> str:
    return "; ".join(dict.fromkeys(str(w) for w in words if str(w)))


def ledger_of(notes: pd.DataFrame, source: Source, keys: pd.Series, table: Table) -> pd.DataFrame:
    """Turn one line per record into lines of the ledger.

    Parameters
    ----------
    notes
        One note per record not added.
    source
        The records.
    keys
        Their keys, as far as they are known.
    table
        The table they were meant for.
    """
    line = notes["row"].map(source.line).astype("int64")
    key = keys.reindex(notes["row"], fill_value="").set_axis(notes.index).astype("str")
    row_id = key.where(key != "", "line " + line.astype("str"))
    out = notes.assign(table=table.name, line=line, row_id=row_id)
    return out[list(COLUMNS)].astype({c: "str" for c in COLUMNS if c != "line"})
