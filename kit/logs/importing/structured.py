"""Exports that name the kind of every value themselves: JSON lines and Parquet."""

from __future__ import annotations

import io
import json
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from kit.logs.faults import Fault, LogFault
from kit.logs.importing.mapping import ImportMapping
from kit.logs.importing.rows import Inference, RawRow, RawTable
from kit.logs.importing.unpacking import MAX_COLUMNS, check_area


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
    return RawTable(header, 1, [_json_row(line, got, header) for line, got in found])


def _object(part: str) -> dict[str, Any] | str:
    try:
        got = json.loads(
            part,
            parse_float=_Number,
            parse_int=_Number,
            parse_constant=_no_constant,
            object_pairs_hook=_once_each,
        )
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


def _json_row(line: int, got: dict[str, Any] | str, header: list[str]) -> RawRow:
    if isinstance(got, str):
        return RawRow(line, [], (), got)
    cells, exact = [], []
    for name in header:
        value = got.get(name)
        exact.append(isinstance(value, _Number))
        if value is None:
            cells.append("")
        elif isinstance(value, bool):
            cells.append("yes" if value else "no")
        elif isinstance(value, str):
            cells.append(str(value).strip())
        else:
            cells.append(json.dumps(value, ensure_ascii=False))
    return RawRow(line, cells, exact)


def parquet_rows(content: bytes, needed: list[str], about: tuple[int, str]) -> RawTable:
    """Read the wanted columns of a Parquet file; ``about`` is (largest size, file name).

    Raises
    ------
    LogFault
        If it is not Parquet or unpacks to more than the limits.
    """
    limit, file = about
    try:
        parquet = pq.ParquetFile(io.BytesIO(content))
        meta = parquet.metadata
        check_area(meta.num_rows, meta.num_columns, file)
        size = sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups))
        if size > limit:
            allowed = f"at most {limit / 1e6:g} MB unpacked (max_megabytes in the mapping)"
            raise LogFault([Fault(file, None, "", f"{size / 1e6:g} MB", allowed)])
        header = list(parquet.schema_arrow.names)
        if not set(needed) <= set(header):
            return RawTable(header, 1, [])
        table = parquet.read(list(dict.fromkeys(needed)))
    except (pa.ArrowException, OSError) as error:
        found = str(error).splitlines()[0]
        raise LogFault([Fault(file, None, "", found, "a Parquet file")]) from None
    columns = {n: _texts(table.column(n)) for n in table.column_names}
    rows = [
        RawRow(i + 2, [columns[n][0][i] for n in columns], [columns[n][1] for n in columns])
        for i in range(table.num_rows)
    ]
    names = ", ".join(n for n in header if n not in columns)
    known = Inference("columns left out", names, "the mapping does not name them")
    return RawTable(list(columns), 1, rows, (known,) if names else ())


def _texts(column: Any) -> tuple[list[str], bool]:
    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    exact = not (pa.types.is_string(kind) or pa.types.is_large_string(kind))
    exact = exact and not pa.types.is_boolean(kind)
    return [value_text(v) for v in column.to_pylist()], exact


def value_text(value: Any) -> str:
    """Print a typed value as our logs write it."""
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        # Spreadsheets keep 15 digits; a longer identifier is cut short, and must look so.
        return str(int(value)) if abs(value) < 1e15 else f"{value:e}"
    return value.isoformat(" ") if hasattr(value, "hour") else str(value).strip()
