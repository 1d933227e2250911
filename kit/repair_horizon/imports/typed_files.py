"""Exports that name the kind of every value themselves: JSON lines, and what Parquet shares.

Exports in Parquet, which names the kind of every column itself.
"""

from __future__ import annotations

import datetime
import io
import json
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from repair_horizon.imports.archives import MAX_COLUMNS, check_area, too_large
from repair_horizon.imports.mapping import ImportMapping
from repair_horizon.imports.raw_rows import Inference, RawRow, RawTable
from repair_horizon.tables.faults import Fault, LogFault


class _Number(str):
    """A JSON number, kept as it is written."""


def json_rows(text: str, mapping: ImportMapping, file: str) -> RawTable:
    """Read one JSON object per line; a line that is none becomes a row with a problem.

    Raises
    ------
    LogFault
        If no line holds an object, or the objects name more than 1,000 columns.
    """
    found: list[tuple[int, dict[str, Any] | str]] = []
    names: dict[str, None] = {}
    for line, part in enumerate(text.split("\n"), 1):
        if line <= mapping.skip_rows:
            continue
        if not part.strip():
            found.append((line, {}))
            continue
        record = _object(part)
        found.append((line, record))
        names |= dict.fromkeys(record) if isinstance(record, dict) else {}
        if len(names) > MAX_COLUMNS:
            allowed = f"at most {MAX_COLUMNS} columns"
            raise LogFault([Fault(file, line, "", f"{len(names)} columns", allowed)])
    if found and found[-1][1] == {}:
        found.pop()
    if not names:
        raise LogFault([Fault(file, None, "", "no object", "one JSON object per line")])
    header = list(names)
    rows = [_json_row(line, got, (header, mapping.needed)) for line, got in found]
    return RawTable(header, 1, rows)


def _object(part: str) -> dict[str, Any] | str:
    try:
        got = json.loads(
            part,
            parse_float=_Number,
            parse_int=_Number,
            parse_constant=_no_constant,
            object_pairs_hook=_once_each,
        )
        json.dumps(got, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        return "half a character (a lone surrogate)"
    except (ValueError, RecursionError) as error:
        return f"not a JSON object: {error}"
    return got if isinstance(got, dict) else "not a JSON object"


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no number")


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    got = dict(pairs)
    if len(got) != len(pairs):
        raise ValueError("a name stands twice")
    return got


def _json_row(line: int, got: dict[str, Any] | str, names: tuple[list[str], list[str]]) -> RawRow:
    """Print one object's values; ``names`` are every column met and those wanted."""
    if isinstance(got, str):
        return RawRow(line, [], (), got)
    header, needed = names
    nested = [n for n in needed if isinstance(got.get(n), dict | list)]
    if nested:
        return RawRow(line, [], (), f"a nested value in {nested[0]}, allowed: a single value")
    cells, exact = [], []
    for name in header:
        value = got.get(name)
        exact.append(isinstance(value, _Number))
        if value is None or isinstance(value, dict | list):
            cells.append("")
        elif isinstance(value, bool):
            cells.append("yes" if value else "no")
        else:
            cells.append(str(value).strip())
    return RawRow(line, cells, exact)


def value_text(value: Any) -> str:
    """Print a typed value as our logs write it."""
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        # Spreadsheets keep 15 digits; a longer identifier is cut short, and must look so.
        return str(int(value)) if abs(value) < 1e15 else f"{value:e}"
    return value.isoformat(" ") if isinstance(value, datetime.datetime) else str(value).strip()


_SINGLE = (
    *(pa.types.is_string, pa.types.is_large_string, pa.types.is_boolean, pa.types.is_integer),
    *(pa.types.is_floating, pa.types.is_decimal, pa.types.is_date, pa.types.is_timestamp),
    pa.types.is_null,
)
# What the reader and Python's own dates raise for damaged files and values beyond their range.
_DAMAGE = (pa.ArrowException, OSError, OverflowError, UnicodeDecodeError, ValueError)


def parquet_rows(content: bytes, needed: list[str], about: tuple[int, str]) -> RawTable:
    """Read the wanted columns of a Parquet file; ``about`` is (largest size, file name).

    Raises
    ------
    LogFault
        If it is not Parquet, unpacks to more than the limits, or a wanted column holds other
        than single texts, numbers, dates, times or yes and no.
    """
    file = about[1]
    try:
        parquet = pq.ParquetFile(io.BytesIO(content))
        header = list(parquet.schema_arrow.names)
        _check(parquet, needed, about)
        if any(header.count(n) != 1 for n in needed):
            return RawTable(header, 1, [])
        parquet = pq.ParquetFile(io.BytesIO(content), read_dictionary=needed)
        table = parquet.read(list(dict.fromkeys(needed)))
        columns = {n: _texts(table.column(n), about) for n in table.column_names}
    except LogFault:
        raise
    except _DAMAGE as error:
        found = (str(error).splitlines() or [""])[0]
        raise LogFault([Fault(file, None, "", found, "a whole Parquet file")]) from None
    rows = [
        RawRow(i + 2, [columns[n][0][i] for n in columns], [columns[n][1] for n in columns])
        for i in range(table.num_rows)
    ]
    names = ", ".join(n for n in header if n not in columns)
    known = Inference("columns left out", names, "the mapping does not name them")
    return RawTable(list(columns), 1, rows, (known,) if names else ())


def _check(parquet: Any, needed: list[str], about: tuple[int, str]) -> None:
    """Refuse what is too large by its own account, or not made of single values."""
    limit, file = about
    meta = parquet.metadata
    check_area(meta.num_rows, meta.num_columns, file)
    if sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups)) > limit:
        raise too_large(file, limit)
    faults = [
        Fault(file, None, field.name, str(field.type), "texts, numbers, dates or yes and no")
        for field in parquet.schema_arrow
        if field.name in needed and not any(check(_plain(field.type)) for check in _SINGLE)
    ]
    if faults:
        raise LogFault(faults)


def _plain(kind: Any) -> Any:
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def _texts(column: Any, about: tuple[int, str]) -> tuple[list[str], bool]:
    """Values of a column as text, and whether no convention applies to them."""
    kind = _plain(column.type)
    if kind != column.type:
        # A text repeated by its number may be short in the file and gigabytes once written out.
        sizes = [_written_out(c) for c in column.chunks]
        if sum(sizes) > about[0]:
            raise too_large(about[1], about[0])
        column = column.cast(kind)
    exact = not (pa.types.is_string(kind) or pa.types.is_large_string(kind))
    exact = exact and not pa.types.is_boolean(kind)
    return [value_text(v) for v in column.to_pylist()], exact


def _written_out(chunk: Any) -> int:
    """Bytes of a column of numbered texts once each number is replaced by its text."""
    kind = chunk.dictionary.type
    if not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        return 0
    lengths = pc.binary_length(chunk.dictionary)
    return int(pc.sum(lengths.take(chunk.indices)).as_py() or 0)
