"""Read a log file into typed columns, naming every value that cannot be read.

A file whose frame is broken (missing column, unknown column, wrong number of fields, not UTF-8)
is refused whole, with all such faults. A single unreadable value holds back only its own row.

Before that a file is text, every field as it stands with the line its record starts on. CSV is read
at once where nothing about its frame is in doubt, else record by record; Parquet is printed as the
CSV of it would be, so that one set of rules reads both.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from pyarrow import csv as arrow_csv

from repair_horizon.files.writing import check_size
from repair_horizon.tables.arrays import Bools, Ints
from repair_horizon.tables.columns import KINDS, Column, arrow_text, read_column
from repair_horizon.tables.faults import COLUMNS, HELD, Fault, LogFault, no_exceptions
from repair_horizon.tables.inputs import Table

PLACE = "line"
_WIDEST = 1000
_SAMPLE, _LOOKED_AT, _BLOCK = 2000, 1 << 20, 1 << 22
_QUOTE, _COMMA, _FEED, _RETURN = (np.uint8(c) for c in b'",\n\r')
_HEADER = re.compile(rb"[^\r\n][^\n]*")
# Only these end a line; a text may hold U+2028 and the like, which str.splitlines() would cut at.
_LINE_END = re.compile(r"\r\n|\n|\r")


def csv_text(path: Path) -> pd.DataFrame:
    """Read every field as text, with the line each record starts on.

    A file without any doubt about its frame is read at once. Every other is walked record by
    record, which names each fault and takes 3.3 times as long to a typed table (100,000 sales).
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        found = error.strerror or str(error)
        raise LogFault([Fault(path.name, None, "", found, "a file that can be read")]) from None
    header = _HEADER.search(raw)  # the first line that is not empty
    width = header[0].count(b",") + 1 if header else 1
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


def read_at_once(content: bytes) -> pd.DataFrame | None:
    """Read every field as text, with the line each record starts on, if nothing is in doubt.

    Returns one column per column of the file (categorical where the same words recur) and ``line``;
    None where the file is not UTF-8, holds a NUL byte, an empty line or a line break in a field, is
    not as wide everywhere as its header, names no or the same column twice, or sets quotes or
    carriage returns where a careful writer would not.
    """
    feeds = content.count(b"\n") + (not content.endswith(b"\n"))
    returns = content.count(b"\r")
    if b"\0" in content or (returns and returns != content.count(b"\r\n")):
        return None
    if b'"' in content and not _quotes_sound(content):
        return None
    try:
        header = content[: content.find(b"\n") + 1 or None].decode("utf-8-sig")
        names = next(csv.reader([header]), [])
    except (UnicodeDecodeError, csv.Error):
        return None
    if not names or len(set(names)) < len(names) or not all(n.strip() for n in names):
        return None
    first = _fields(content[: content.rfind(b"\n", 0, _LOOKED_AT) + 1], names, ())
    often = [n for n in names if first is not None and recurs(first.column(n).to_pandas())]
    table = _fields(content, names, often)
    # A record takes a line or more: where there are as many lines as records, it takes one.
    if table is None or table.num_rows + 1 != feeds or PLACE in names:
        return None
    columns = {}
    for name in names:  # one after the other, so that no more than one is held twice
        columns[name] = _as_pandas(table.column(0))
        table = table.remove_column(0)
    return pd.DataFrame(columns, copy=False).assign(line=np.arange(2, feeds + 1))


def _quotes_sound(content: bytes) -> bool:
    """Whether every quote opens or closes a whole field, or is doubled inside one."""
    raw = np.frombuffer(content.removeprefix(codecs.BOM_UTF8), dtype=np.uint8)
    blocks = range(0, len(raw), _BLOCK)
    quotes = np.concatenate([np.flatnonzero(raw[i : i + _BLOCK] == _QUOTE) + i for i in blocks])
    if len(quotes) % 2:
        return False
    opening, closing = quotes[0::2], quotes[1::2]
    before = np.where(opening > 0, raw[opening - 1], _FEED)
    doubled = np.append(False, opening[1:] == closing[:-1] + 1)
    after = np.where(closing + 1 < len(raw), raw[np.minimum(closing + 1, len(raw) - 1)], _FEED)
    return bool(
        np.all(doubled | np.isin(before, (_COMMA, _FEED)))
        and np.all(np.isin(after, (_COMMA, _FEED, _RETURN, _QUOTE)))
    )


def _fields(content: bytes, names: Sequence[str], often: Collection[str]) -> Any:
    """Every field as text, a pyarrow table; None where the bytes are no text or no such table."""
    text, coded = pa.large_string(), pa.dictionary(pa.int32(), pa.large_string())
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(content),
            arrow_csv.ReadOptions(use_threads=False, block_size=_BLOCK),
            arrow_csv.ParseOptions(newlines_in_values=b'"' in content),
            arrow_csv.ConvertOptions(
                column_types={n: coded if n in often else text for n in names},
                strings_can_be_null=False,
            ),
        )
        found = table.column_names
    except (pa.ArrowInvalid, UnicodeDecodeError):  # it takes a name of any bytes until asked for
        return None
    return table if found == list(names) else None


def _as_pandas(column: Any) -> Any:
    """One column of text for pandas, categorical where it came with its words."""
    if not pa.types.is_dictionary(column.type):
        return pd.array(column.combine_chunks(), dtype="str")
    coded = column.unify_dictionaries().combine_chunks()
    words = pd.Index(coded.dictionary, dtype="str")
    return pd.Categorical.from_codes(coded.indices.to_numpy(), words)


def recurs(text: pd.Series) -> bool:
    """Whether the same words recur, so that each is better typed once."""
    return len(text) > _SAMPLE and text.iloc[:_SAMPLE].nunique() <= _SAMPLE / 2


def _record_lines(file: str, content: str) -> list[int]:
    """Line on which each record starts, once every record is as wide as the header.

    Quoted fields may hold commas and line breaks, so only a file without quotes can be judged
    by counting commas; the others are walked record by record.
    """
    header = next((r for r in csv.reader(io.StringIO(content, newline="")) if r), [])
    twice = sorted({n for n in header if header.count(n) > 1})
    faults = [Fault(file, 1, n, "named twice", "each column once") for n in twice]
    faults += [_taken(file)] * (PLACE in header)
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
    return Fault(file, 1, PLACE, "a column of this name", allowed)


def numbered_text(path: Path) -> pd.DataFrame:
    """Read Parquet as the text the CSV would have, so that one set of rules holds."""
    text = parquet_text(path)
    if PLACE in text:
        raise LogFault([_taken(path.name)])
    return text.assign(line=range(2, len(text) + 2))


# What the Parquet reader raises for damaged files, and dates beyond those pandas knows.
_NO_PARQUET = (ValueError, OSError, OverflowError, NotImplementedError, TypeError, KeyError)


def parquet_text(path: Path) -> pd.DataFrame:
    """Read every value of a Parquet file as text.

    Raises ``LogFault`` if it is no whole Parquet file, unpacks to far more than the memory, or
    holds texts or days nobody could print.
    """
    try:
        file = pq.ParquetFile(path)
        groups = range(file.metadata.num_row_groups)
        check_size(path, sum(file.metadata.row_group(i).total_byte_size for i in groups))
        table = file.read()
        table.validate(full=True)  # a text may be no UTF-8, and would fail when it is looked at
        return printed(table.to_pandas())
    except LogFault:
        raise
    except _NO_PARQUET as error:
        found = (str(error).splitlines() or [""])[0]
        raise LogFault([Fault(path.name, None, "", found, "a whole Parquet file")]) from None


def printed(frame: pd.DataFrame) -> pd.DataFrame:
    """Print typed values as text the way the CSV has them, missing ones empty."""
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
    return out


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
    the file into it. Nothing is written through one (see ``logs.adding``).

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
    """Name of a log's folder while the old log is put aside (``partitioning``)."""
    return f".{name}.next"


def empty_rows(table: Table) -> pd.DataFrame:
    """Return the typed frame of a table that has no file."""
    index = pd.RangeIndex(0)
    columns = {c.name: _absent(c, index) for c in table.columns}
    columns |= {"line": pd.Series(dtype="int64"), "row_id": pd.Series(dtype="str")}
    return pd.DataFrame(columns)


def read_table(path: Path, table: Table, coded: Collection[str] = ()) -> TableRead:
    """Read one log.

    Parameters
    ----------
    path
        CSV file (UTF-8, RFC 4180) or Parquet file; for folders see ``logs.partitions``.
    coded
        Columns of text that are left categorical where their words recur, see ``in_words``.

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
    return typed(path.name, table, text_of(path, table), coded)


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


def typed(file: str, table: Table, text: pd.DataFrame, coded: Collection[str] = ()) -> TableRead:
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
        return TableRead(_rows(table, read, line, None, coded), len(line), no_exceptions())
    said = pd.concat(faults)
    out = np.isin(line, said["line"])
    unread = _rows(table, read, line, np.flatnonzero(out))
    held = _one_line_each(table.name, unread, said)
    sound = _rows(table, read, line, np.flatnonzero(~out), coded)
    return TableRead(sound, len(line), held, unread)


@dataclass(frozen=True, eq=False)
class _Words:
    """A column read: its values and which are at fault, one a row or, with ``code``, one a word."""

    values: Any
    bad: Bools
    code: npt.NDArray[np.integer] | None = None

    def at(self, places: Ints | None, coded: bool = False) -> Any:
        """Return the values of some rows (all if None)."""
        if self.code is None:
            return self.values if places is None else self.values.take(places)
        code = self.code if places is None else self.code[places]
        words = pd.Index(self.values) if coded else None
        if words is None or not words.is_unique:
            return self.values.take(code)
        return pd.Categorical.from_codes(code, words)


def in_words(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows with every categorical column as the text it stands for."""
    text = {
        name: column.cat.categories.array.take(column.cat.codes.to_numpy())
        for name, column in rows.items()
        if isinstance(column.dtype, pd.CategoricalDtype)
    }
    return rows.assign(**text) if text else rows


def _read_words(column: Column, text: pd.Series) -> _Words:
    """Type a column of text; where the same words recur, each is typed once."""
    code, words = None, text.array
    if isinstance(text.dtype, pd.CategoricalDtype):
        code, words = text.cat.codes.to_numpy(), text.cat.categories
    elif recurs(text):
        code, words = pd.factorize(text)
    values, bad = read_column(column, pc.utf8_trim_whitespace(arrow_text(words)))
    return _Words(values, bad, code)


def _rows(
    table: Table,
    read: Mapping[str, _Words],
    line: Ints,
    places: Ints | None,
    coded: Collection[str] = (),
) -> pd.DataFrame:
    """Put some rows (all if ``places`` is None) of the columns read together."""
    line = line if places is None else line[places]
    index = pd.RangeIndex(len(line))
    columns = {
        c.name: read[c.name].at(places, c.name in coded) if c.name in read else _absent(c, index)
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
    names, found, places = text.columns.drop("line"), [], np.flatnonzero(several)
    for name in names:
        for at, field in zip(line[places], text[name].array.take(places), strict=True):
            lines = lines_like_records(str(field), ",", len(names))
            if lines:
                said = f"{len(lines)} lines like records: {lines[0]}"
                found.append((at, name, said, "a quote mark that is closed in its own record"))
    found.sort(key=lambda one: one[0])
    columns = ["line", "column", "found", "allowed"]
    return [pd.DataFrame(found, columns=columns)] if found else []


def lines_like_records(field: str, separator: str, width: int) -> list[str]:
    """Return the lines of a field, but for its first, with as many signs as a record has."""
    if "\n" not in field and "\r" not in field:
        return []
    return [t for t in field.splitlines()[1:] if t.count(separator) >= max(2, (width - 1) // 2)]


def _faults_of(column: Column, line: Ints, text: pd.Series) -> pd.DataFrame:
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
