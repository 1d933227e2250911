"""Read a log file into typed columns, naming every value that cannot be read.

A file whose frame is broken (missing column, unknown column, wrong number of fields, not UTF-8)
is refused whole, with all such faults. A single unreadable value holds back only its own row.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.logs.columns import KINDS, Column, read_column
from kit.logs.faults import Fault, LogFault
from kit.logs.ledger import HELD, no_exceptions
from kit.logs.tables import Table

OWN_COLUMN = "x_"


@dataclass(frozen=True, eq=False)
class TableRead:
    """One file read: typed rows that passed, rows read, and the rows held back."""

    rows: pd.DataFrame
    read: int
    held: pd.DataFrame


def find_file(folder: Path, table: Table) -> Path | None:
    """Return the table's file in a workspace: CSV, or Parquet (also a partitioned folder)."""
    for name in (f"{table.name}.csv", f"{table.name}.parquet", table.name):
        path = folder / name
        if path.is_file() or (path.is_dir() and any(path.glob("**/*.parquet"))):
            return path
    return None


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
        CSV file (UTF-8, RFC 4180), Parquet file, or folder of Parquet files by family.
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
        If the file's frame is broken.
    """
    text = _csv_text(path) if path.suffix == ".csv" else _parquet_text(path)
    _check_frame(path.name, table, list(text.columns.drop("line")))
    return _typed(path.name, table, text)


def _csv_text(path: Path) -> pd.DataFrame:
    """Read every field as text, with the line each record starts on."""
    try:
        content = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = f"byte 0x{error.object[error.start]:02x} at offset {error.start}"
        raise LogFault([Fault(path.name, None, "", found, "UTF-8")]) from None
    if "\0" in content:
        raise LogFault([Fault(path.name, None, "", "a NUL byte", "text")])
    starts = _record_lines(path.name, content)
    try:
        frame = pd.read_csv(io.StringIO(content), dtype=str, na_filter=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise LogFault([Fault(path.name, None, "", str(error), "a header and records")]) from None
    return frame.assign(line=starts)


def _record_lines(file: str, content: str) -> list[int]:
    """Line on which each record starts, once every record is as wide as the header.

    Quoted fields may hold commas and line breaks, so only a file without quotes can be judged
    by counting commas; the others are walked record by record.
    """
    header = next(csv.reader(io.StringIO(content)), [])
    twice = sorted({n for n in header if header.count(n) > 1})
    faults = [Fault(file, 1, n, "named twice", "each column once") for n in twice]
    starts, last = [], 0
    if '"' in content:
        reader = csv.reader(io.StringIO(content))
        records = ((reader.line_num, len(record)) for record in reader)
    else:
        lines = content.splitlines()
        records = ((i, t.count(",") + 1 if t else 0) for i, t in enumerate(lines, 1))
    for line, width in records:
        if width and width != len(header):
            faults.append(Fault(file, line, "", f"{width} fields", f"{len(header)} fields"))
        if width:
            starts.append(last + 1)
        last = line
    if faults or not starts:
        raise LogFault(faults or [Fault(file, None, "", "an empty file", "a header and records")])
    return starts[1:]


def _parquet_text(path: Path) -> pd.DataFrame:
    """Read Parquet and print every value as the CSV would, so that one set of rules holds."""
    frame = pd.read_parquet(path)
    out = pd.DataFrame(index=range(len(frame)))
    for name in frame.columns:
        values = frame[name].reset_index(drop=True)
        if pd.api.types.is_datetime64_any_dtype(values):
            text = values.dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_float_dtype(values):
            text = values.map(lambda v: format(v, ".12g"))
        else:
            text = values.astype(str)
        out[name] = text.where(values.notna(), "").astype("str")
    return out.assign(line=range(2, len(out) + 2))


def _check_frame(file: str, table: Table, found: list[str]) -> None:
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


def _typed(file: str, table: Table, text: pd.DataFrame) -> TableRead:
    line = text["line"].astype("int64")
    columns: dict[str, pd.Series] = {}
    faults: list[pd.DataFrame] = []
    for column in table.columns:
        if column.name not in text:
            columns[column.name] = _absent(column, line.index)
            continue
        trimmed = text[column.name].str.strip()
        columns[column.name], bad = read_column(column, trimmed)
        if bad.any():
            faults.append(_faults_of(column, line[bad], trimmed[bad]))
    rows = pd.DataFrame(columns)
    rows["line"] = line
    rows["row_id"] = rows[table.key] if table.key else "line " + line.astype(str)
    if not faults:
        return TableRead(rows, len(rows), no_exceptions())
    held = _one_line_each(table.name, rows, pd.concat(faults))
    return TableRead(rows[~rows["line"].isin(held["line"])], len(rows), held)


def _absent(column: Column, index: pd.Index) -> pd.Series:
    empty = pd.Series("", index=index, dtype="str")
    return KINDS[column.kind].read(empty)[0]


def _faults_of(column: Column, line: pd.Series, found: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {"line": line, "column": column.name, "found": found, "allowed": column.allowed}
    )


def _one_line_each(table: str, rows: pd.DataFrame, faults: pd.DataFrame) -> pd.DataFrame:
    """Join the faults of a row, so that each row stands in the ledger once."""
    joined = faults.groupby("line", as_index=False).agg(
        column=("column", "; ".join), found=("found", "; ".join), allowed=("allowed", "; ".join)
    )
    ids = rows.set_index("line")["row_id"]
    joined["row_id"] = joined["line"].map(ids)
    return joined.assign(table=table, status=HELD, reason="unreadable value")[
        ["table", "line", "row_id", "status", "reason", "column", "found", "allowed"]
    ]
