"""Read a log file into typed columns, naming every value that cannot be read.

A file whose frame is broken (missing column, unknown column, wrong number of fields, not UTF-8)
is refused whole, with all such faults. A single unreadable value holds back only its own row.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from repair_horizon.files.sizes import check_size
from repair_horizon.logs.csv_frame import read_at_once
from repair_horizon.logs.parquet_text import parquet_text
from repair_horizon.tables.columns import KINDS, Column, read_column
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import Table
from repair_horizon.tables.row_accounts import HELD, no_exceptions

OWN_COLUMN = "x_"
_PLACE = "line"
_WIDEST = 1000
_SAMPLE = 2000
# Only these end a line; a text may hold U+2028 and the like, which str.splitlines() would cut at.
_LINE_END = re.compile(r"\r\n|\n|\r")


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
    the file into it. Nothing is written through one (see ``importing.storing``).

    Raises
    ------
    LogFault
        If the log is there in more than one form.
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
    check_size(path)
    text = _csv_text(path) if path.suffix == ".csv" else _parquet_text(path)
    check_frame(path.name, table, list(text.columns.drop("line")))
    return typed(path.name, table, text)


def _csv_text(path: Path) -> pd.DataFrame:
    """Read every field as text, with the line each record starts on."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        found = error.strerror or str(error)
        raise LogFault([Fault(path.name, None, "", found, "a file that can be read")]) from None
    width = raw.lstrip(b"\r\n").partition(b"\n")[0].count(b",") + 1
    if width > _WIDEST:
        found, allowed = f"{width} columns", f"at most {_WIDEST} columns"
        raise LogFault([Fault(path.name, 1, "", found, allowed)])
    at_once = read_at_once(raw)
    if at_once is not None:
        return at_once
    try:
        content = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = f"byte 0x{error.object[error.start]:02x} at offset {error.start}"
        raise LogFault([Fault(path.name, None, "", found, "UTF-8")]) from None
    if "\0" in content:
        raise LogFault([Fault(path.name, None, "", "a NUL byte", "text")])
    try:
        starts = _record_lines(path.name, content)
        frame = pd.read_csv(io.StringIO(content), dtype=str, na_filter=False)
    except (csv.Error, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise LogFault([Fault(path.name, None, "", str(error), "a header and records")]) from None
    if len(frame) != len(starts):  # the two readers differ over lines of blanks in one column
        found, allowed = f"{len(starts)} or {len(frame)} records", "records without blank lines"
        raise LogFault([Fault(path.name, None, "", found, allowed)])
    return frame.assign(line=starts)


def _record_lines(file: str, content: str) -> list[int]:
    """Line on which each record starts, once every record is as wide as the header.

    Quoted fields may hold commas and line breaks, so only a file without quotes can be judged
    by counting commas; the others are walked record by record.
    """
    header = next((r for r in csv.reader(io.StringIO(content, newline="")) if r), [])
    twice = sorted({n for n in header if header.count(n) > 1})
    faults = [Fault(file, 1, n, "named twice", "each column once") for n in twice]
    faults += [_taken(file)] * (_PLACE in header)
    starts, last = [], 0
    if '"' in content:
        reader = csv.reader(io.StringIO(content, newline=""))
        records = ((reader.line_num, len(record)) for record in reader)
    else:
        lines = _LINE_END.split(content)
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


def _taken(file: str) -> Fault:
    allowed = "another name: the kit numbers the lines under this one"
    return Fault(file, 1, _PLACE, "a column of this name", allowed)


def _parquet_text(path: Path) -> pd.DataFrame:
    """Read Parquet as the text the CSV would have, so that one set of rules holds."""
    text = parquet_text(path)
    if _PLACE in text:
        raise LogFault([_taken(path.name)])
    return text.assign(line=range(2, len(text) + 2))


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
    line = text["line"].astype("int64")
    columns: dict[str, pd.Series] = {}
    faults: list[pd.DataFrame] = []
    for column in table.columns:
        if column.name not in text:
            columns[column.name] = _absent(column, line.index)
            continue
        columns[column.name], bad = _read_words(column, text[column.name])
        if bad.any():
            faults.append(_faults_of(column, line[bad], text.loc[bad, column.name].str.strip()))
    faults += _swallowed(text)
    rows = pd.DataFrame(columns, copy=False)
    rows["line"] = line
    rows["row_id"] = rows[table.key] if table.key else "line " + line.astype(str)
    if not faults:
        return TableRead(rows, len(rows), no_exceptions())
    held = _one_line_each(table.name, rows, pd.concat(faults))
    out = rows["line"].isin(held["line"])
    return TableRead(rows[~out], len(rows), held, rows[out])


def _read_words(column: Column, text: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Type a column of text; where the same words recur, each is typed once."""
    recur = len(text) > _SAMPLE and text.iloc[:_SAMPLE].nunique() <= _SAMPLE / 2
    if not recur:
        return read_column(column, text.str.strip())
    code, words = pd.factorize(text)
    values, bad = read_column(column, pd.Series(words, dtype="str").str.strip())
    return values.take(code).set_axis(text.index), bad.take(code).set_axis(text.index)


def _absent(column: Column, index: pd.Index) -> pd.Series:
    """Return a column nobody gave: empty texts, or no figures and no days."""
    dtype = KINDS[column.kind].dtype
    return pd.Series("" if dtype == "str" else None, index=index, dtype=dtype)


def _swallowed(text: pd.DataFrame) -> list[pd.DataFrame]:
    """Name fields that hold lines shaped like records: a quote mark nobody closed took them in."""
    line = text["line"].to_numpy()
    several = np.append(np.diff(line) > 1, True) if len(line) else np.zeros(0, dtype=bool)
    names, found = text.columns.drop("line"), []
    rows = text[several]
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
