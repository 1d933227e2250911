"""Read a log file into typed columns, naming every value that cannot be read.

A file whose frame is broken (missing column, unknown column, wrong number of fields, not UTF-8)
is refused whole, with all such faults. A single unreadable value holds back only its own row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.files.sizes import check_size
from repair_horizon.logs.log_text import csv_text, numbered_text, recurs
from repair_horizon.tables.columns import KINDS, Column, read_column
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import Table
from repair_horizon.tables.row_accounts import COLUMNS, HELD, no_exceptions

OWN_COLUMN = "x_"


@dataclass(frozen=True, eq=False)
class TableRead:
    """One file read: typed rows that passed, rows read, and the rows held back.

    ``held`` says what was wrong with them; ``unread`` is what of them could be read (None: none).
    """

    rows: pd.DataFrame
    read: int
    held: pd.DataFrame
    unread: pd.DataFrame | None = None


def find_file(folder: Path, table: Table) -> Path | None:
    """Return the table's file in a workspace: CSV, or Parquet (also a partitioned folder).

    A link is followed, wherever it leads: whoever may set one in the workspace may as well copy
    the file into it. Nothing is written through one (see ``logs.appending``).

    Raises ``LogFault`` if the log is there in more than one form.
    """
    paths = [folder / n for n in (f"{table.name}.csv", f"{table.name}.parquet", table.name)]
    there = [p for p in paths if p.is_file() or (p.is_dir() and any(p.glob("**/*.parquet")))]
    for path in paths[:2]:
        if path not in there and path.exists():
            raise LogFault([Fault(path.name, None, "", "no file (a folder or a pipe)", "a file")])
    if len(there) > 1:
        found = " and ".join(p.name + "/" * p.is_dir() for p in there)
        allowed = "one of them, since the rows of the others would not be read"
        raise LogFault([Fault(found, None, "", "the same log more than once", allowed)])
    if not there and (folder / upcoming(table.name)).is_dir():
        return folder / upcoming(table.name)  # `partition` was killed before it named the folder
    return there[0] if there else None


def upcoming(name: str) -> str:
    """Name of a log's folder while the old log is put aside (``logs.partitions``)."""
    return f".{name}.next"


def empty_rows(table: Table) -> pd.DataFrame:
    """Return the typed frame of a table that has no file."""
    index = pd.RangeIndex(0)
    columns = {c.name: _absent(c, index) for c in table.columns}
    columns |= {"line": pd.Series(dtype="int64"), "row_id": pd.Series(dtype="str")}
    return pd.DataFrame(columns)


def read_table(path: Path, table: Table) -> TableRead:
    """Read one log.

    Parameters
    ----------
    path
        CSV file (UTF-8, RFC 4180) or Parquet file; for folders see ``logs.partitions``.
    table
        Its declaration.

    Returns
    -------
    TableRead
        Typed rows with two more columns: ``line`` in the file and ``row_id`` (the key, or the
        line where the table has none).

    Raises
    ------
    LogFault
        If the file's frame is broken, or it is far larger than the memory.
    """
    return typed(path.name, table, text_of(path, table))


def text_of(path: Path, table: Table) -> pd.DataFrame:
    """Read one log as the text it is, with ``line``; see ``read_table`` for what is refused."""
    check_size(path)
    text = csv_text(path) if path.suffix == ".csv" else numbered_text(path)
    check_frame(path.name, table, list(text.columns.drop("line")))
    return text


def plain_text(path: Path, table: Table) -> pd.DataFrame:
    """Read the fields of one log as they stand, every column text."""
    text = text_of(path, table).drop(columns="line")
    return text.astype("str")


def check_frame(file: str, table: Table, found: list[str]) -> None:
    """Refuse missing columns and names that are neither declared nor one's own."""
    known = [c.name for c in table.columns]
    faults = [
        Fault(file, 1, name, "no such column", f"a column named {name}")
        for name in table.required
        if name not in found
    ]
    faults += [
        Fault(file, 1, name, name, f"{', '.join(known)}, or a name beginning {OWN_COLUMN}")
        for name in found
        if name not in known and not name.startswith(OWN_COLUMN)
    ]
    if faults:
        raise LogFault(faults)


def typed(file: str, table: Table, text: pd.DataFrame) -> TableRead:
    """Type a table of text with a ``line`` column; rows with unreadable values are held."""
    line = text["line"].to_numpy(dtype="int64")
    read: dict[str, _Words] = {}
    faults: list[pd.DataFrame] = []
    for column in table.columns:
        if column.name not in text:
            continue
        got = read[column.name] = _read_words(column, text[column.name])
        bad = got.bad if got.code is None else got.bad[got.code]
        if bad.any():
            faults.append(_faults_of(column, line[bad], text.loc[bad, column.name]))
    faults += _swallowed(text)
    if not faults:
        return TableRead(_rows(table, read, line, None), len(line), no_exceptions())
    said = pd.concat(faults)
    out = np.isin(line, said["line"])
    unread = _rows(table, read, line, np.flatnonzero(out))
    held = _one_line_each(table.name, unread, said)
    return TableRead(_rows(table, read, line, np.flatnonzero(~out)), len(line), held, unread)


@dataclass(frozen=True, eq=False)
class _Words:
    """A column read: its values and which are at fault, one a row or, with ``code``, one a word."""

    values: Any
    bad: npt.NDArray[np.bool_]
    code: npt.NDArray[np.integer] | None = None

    def at(self, places: npt.NDArray[np.int64] | None) -> Any:
        """Return the values of some rows (all if None)."""
        if self.code is not None:
            return self.values.take(self.code if places is None else self.code[places])
        return self.values if places is None else self.values.take(places)


def _read_words(column: Column, text: pd.Series) -> _Words:
    """Type a column of text; where the same words recur, each is typed once."""
    code = None
    if isinstance(text.dtype, pd.CategoricalDtype):
        code, text = text.cat.codes.to_numpy(), pd.Series(text.cat.categories, dtype="str")
    elif recurs(text):
        code, words = pd.factorize(text)
        text = pd.Series(words, dtype="str")
    values, bad = read_column(column, text.str.strip())
    return _Words(values.array, bad.to_numpy(dtype=bool), code)


def _rows(
    table: Table,
    read: Mapping[str, _Words],
    line: npt.NDArray[np.int64],
    places: npt.NDArray[np.int64] | None,
) -> pd.DataFrame:
    """Put some rows (all if ``places`` is None) of the columns read together."""
    line = line if places is None else line[places]
    index = pd.RangeIndex(len(line))
    columns = {
        c.name: read[c.name].at(places) if c.name in read else _absent(c, index)
        for c in table.columns
    }
    rows = pd.DataFrame({**columns, "line": line}, index=index, copy=False)
    rows["row_id"] = rows[table.key] if table.key else "line " + rows["line"].astype("str")
    return rows


def _absent(column: Column, index: pd.Index) -> pd.Series:
    """Return a column nobody gave: empty texts, or no figures and no days."""
    dtype = KINDS[column.kind].dtype
    return pd.Series("" if dtype == "str" else None, index=index, dtype=dtype)


def _swallowed(text: pd.DataFrame) -> list[pd.DataFrame]:
    """Name fields that hold lines shaped like records: a quote mark nobody closed took them in."""
    line = text["line"].to_numpy()
    several = np.append(np.diff(line) > 1, True) if len(line) else np.zeros(0, dtype=bool)
    names, found = text.columns.drop("line"), []
    rows = text.iloc[np.flatnonzero(several)]
    for at, record in zip(rows["line"], rows[names].itertuples(index=False), strict=True):
        for name, field in zip(names, record, strict=True):
            lines = lines_like_records(str(field), ",", len(names))
            if lines:
                said = f"{len(lines)} lines like records: {lines[0]}"
                found.append((at, name, said, "a quote mark that is closed in its own record"))
    columns = ["line", "column", "found", "allowed"]
    return [pd.DataFrame(found, columns=columns)] if found else []


def lines_like_records(field: str, separator: str, width: int) -> list[str]:
    """Return the lines of a field, but for its first, with as many signs as a record has."""
    if "\n" not in field and "\r" not in field:
        return []
    return [t for t in field.splitlines()[1:] if t.count(separator) >= max(2, (width - 1) // 2)]


def _faults_of(column: Column, line: npt.NDArray[np.int64], text: pd.Series) -> pd.DataFrame:
    found = text.astype("str").str.strip().to_numpy()
    return pd.DataFrame(
        {"line": line, "column": column.name, "found": found, "allowed": column.allowed}
    )


def _one_line_each(table: str, rows: pd.DataFrame, faults: pd.DataFrame) -> pd.DataFrame:
    """Join the faults of a row, so that each row stands in the ledger once."""
    again = faults["line"].duplicated(keep=False)
    joined = faults[again].groupby("line", as_index=False).agg("; ".join)
    one_each = pd.concat([faults[~again], joined]).sort_values("line", ignore_index=True)
    row_id = rows.set_index("line")["row_id"].reindex(one_each["line"]).to_numpy()
    return one_each.assign(table=table, row_id=row_id, status=HELD, reason="unreadable value")[
        list(COLUMNS)
    ]
