"""Exports in Parquet, which names the kind of every column itself."""

from __future__ import annotations

import io
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from kit.logs.faults import Fault, LogFault
from kit.logs.importing.rows import Inference, RawRow, RawTable
from kit.logs.importing.structured import value_text
from kit.logs.importing.unpacking import check_area, too_large

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
