"""Exports that name the kind of their values themselves: JSON lines, Parquet, and workbooks."""

from __future__ import annotations

import datetime
import html
import io
import json
import re
import zipfile
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from python_calamine import CalamineError, CalamineWorkbook, SheetVisibleEnum

from repair_horizon.imports.mapping import ImportMapping
from repair_horizon.imports.raw_rows import (
    MAX_COLUMNS,
    Inference,
    RawRow,
    RawTable,
    check_area,
    check_workbook,
    column_number,
    too_large,
)
from repair_horizon.tables.faults import Fault, LogFault


class _Number(str):
    """A JSON number, kept as it is written."""


def json_rows(text: str, mapping: ImportMapping, file: str) -> RawTable:
    """Read one JSON object per line; a line that is none becomes a row with a problem.

    Raises ``LogFault`` if no line holds an object, or the objects name more than 1,000 columns.
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
    rows = [_json_row(line, got, header, mapping.needed) for line, got in found]
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


def _json_row(line: int, got: dict[str, Any] | str, header: list[str], needed: list[str]) -> RawRow:
    """Print one object's values; ``header`` are all columns met, ``needed`` those wanted."""
    if isinstance(got, str):
        return RawRow(line, [], (), got)
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


def parquet_rows(content: bytes, needed: list[str], limit: int, file: str) -> RawTable:
    """Read the wanted columns of a Parquet file of at most ``limit`` bytes, unpacked.

    Raises ``LogFault`` if it is not Parquet, unpacks to more than the limits, or a wanted column
    holds other than single texts, numbers, dates, times or yes and no.
    """
    try:
        parquet = pq.ParquetFile(io.BytesIO(content))
        header = list(parquet.schema_arrow.names)
        _check(parquet, needed, limit, file)
        if any(header.count(n) != 1 for n in needed):
            return RawTable(header, 1, [])
        parquet = pq.ParquetFile(io.BytesIO(content), read_dictionary=needed)
        table = parquet.read(list(dict.fromkeys(needed)))
        columns = {n: _texts(table.column(n), limit, file) for n in table.column_names}
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


def _check(parquet: Any, needed: list[str], limit: int, file: str) -> None:
    """Refuse what is too large by its own account, or not made of single values."""
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


def _texts(column: Any, limit: int, file: str) -> tuple[list[str], bool]:
    """Values of a column as text, and whether no convention applies to them."""
    kind = _plain(column.type)
    if kind != column.type:
        # A text repeated by its number may be short in the file and gigabytes once written out.
        sizes = [_written_out(c) for c in column.chunks]
        if sum(sizes) > limit:
            raise too_large(file, limit)
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


def opened_workbook(
    content: bytes, limit: int, file: str, only: str = ""
) -> tuple[CalamineWorkbook, dict[str, list[Any]]]:
    """Open a workbook: the cells of its sheets by name, of one alone if it is there."""
    check_workbook(content, limit, file)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        names = [only] if only in book.sheet_names else list(book.sheet_names)
        cells = {n: book.get_sheet_by_name(n).to_python(skip_empty_area=False) for n in names}
    except (CalamineError, ValueError, OSError, OverflowError) as error:
        raise LogFault([Fault(file, None, "", str(error), "a workbook (.xlsx)")]) from None
    return book, cells


def workbook_rows(content: bytes, sheet: str, skip: int, limit: int, file: str) -> RawTable:
    """Read one sheet.

    Parameters
    ----------
    content
        The .xlsx file.
    sheet
        Name of the sheet; may be empty if only one has cells.
    skip
        Rows above the header.
    limit
        Largest unpacked size, bytes.
    file
        Its name, printed in faults.

    Raises
    ------
    LogFault
        If it is no workbook, too large, or the sheet is not there or not named.
    """
    book, grids = opened_workbook(content, limit, file, sheet)
    name, how = _only_sheet({n: g for n, g in grids.items() if g}, sheet, list(grids), file)
    grid = _with_errors(content, grids[name], name)
    if len(grid) <= skip:
        raise LogFault([Fault(file, None, name, f"{len(grid)} rows", "a header and records")])
    rows = [_row(i, values) for i, values in enumerate(grid[skip:], skip + 1)]
    known = (Inference("sheet", name, how), *_hidden(content, book, name))
    return RawTable(list(rows[0].cells), rows[0].line, rows[1:], known)


_ERROR = re.compile(
    rb"""<(?:\w+:)?c\b(?=[^>]*\st\s*=\s*["']e["'])[^>]*\sr\s*=\s*["']([A-Z]{1,3})(\d{1,7})["'][^>]*>"""
    rb"""(?:\s|<(?:\w+:)?f\b[^>]*>[^<]*</(?:\w+:)?f>|<(?:\w+:)?f\b[^>]*/>)*"""
    rb"""<(?:\w+:)?v[^>]*>([^<]{1,20})<"""
)
_SHEET = re.compile(r"<(?:\w+:)?sheet\b[^>]*>")
_LINKED = re.compile(r"<(?:\w+:)?Relationship\b[^>]*>")


def _with_errors(content: bytes, grid: list[Any], name: str) -> list[Any]:
    """Write the error a cell shows (#N/A, #REF!) where the reader of workbooks leaves it empty."""
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        found = _ERROR.findall(parts.read(_part_of(parts, name))) if grid else []
    for letters, row, error in found:
        line, column = int(row) - 1, column_number(letters) - 1
        if line < len(grid) and column < len(grid[line]) and grid[line][column] in ("", None):
            grid[line][column] = error.decode("ascii", "replace")
    return grid


def _part_of(parts: zipfile.ZipFile, name: str) -> str:
    """Find the part of a workbook that holds a sheet; the first where nothing says so."""
    pages = [p for p in parts.namelist() if "worksheets/" in p and p.endswith(".xml")]
    try:
        book = parts.read("xl/workbook.xml").decode("utf-8")
        links = parts.read("xl/_rels/workbook.xml.rels").decode("utf-8")
    except (KeyError, UnicodeDecodeError):
        return pages[0]
    sheets = {html.unescape(_said(s, "name")): _said(s, r"\w+:id") for s in _SHEET.findall(book)}
    targets = {_said(r, "Id"): _said(r, "Target") for r in _LINKED.findall(links)}
    target = targets.get(sheets.get(name, ""), "").rpartition("/")[2]
    return next((p for p in pages if target and p.endswith("/" + target)), pages[0])


def _said(tag: str, attribute: str) -> str:
    found = re.search(rf"""\s{attribute}\s*=\s*["']([^"']*)["']""", tag)
    return found[1] if found else ""


_HIDDEN_ROW = re.compile(rb"""<(?:\w+:)?row\b[^>]*\shidden\s*=\s*["'](?:1|true)["'][^>]*>""")


def _hidden(content: bytes, book: CalamineWorkbook, name: str) -> list[Inference]:
    """Tell what a reader of the workbook does not see: hidden sheets, and hidden rows."""
    sheets = [s.name for s in book.sheets_metadata if s.visible != SheetVisibleEnum.Visible]
    told = [Inference("hidden sheets", ", ".join(sheets), "told")] if sheets else []
    if name in sheets:
        told.append(Inference("sheet", name, "hidden in the workbook, and read all the same"))
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        pages = [p for p in parts.namelist() if "worksheets/" in p and p.endswith(".xml")]
        hidden = sum(len(_HIDDEN_ROW.findall(parts.read(p))) for p in pages)
    if hidden:
        told.append(Inference("hidden rows", str(hidden), "read like all others"))
    return told


def _only_sheet(filled: dict[str, Any], sheet: str, names: list[str], file: str) -> tuple[str, str]:
    if sheet and sheet not in names:
        raise LogFault([Fault(file, None, "sheet", sheet, "one of " + ", ".join(names))])
    if sheet in filled:
        return sheet, "declared"
    if len(filled) != 1:
        found = f"{len(filled)} sheets with cells: " + ", ".join(filled)
        raise LogFault([Fault(file, None, "sheet", found, "a sheet declared in the mapping")])
    return next(iter(filled)), "the only sheet with cells"


def _row(line: int, values: list[Any]) -> RawRow:
    exact = [not isinstance(v, str | bool | datetime.timedelta) for v in values]
    return RawRow(line, [value_text(v) for v in values], exact)
