"""Sheets of a workbook."""

from __future__ import annotations

import datetime
import html
import io
import re
import zipfile
from typing import Any

from python_calamine import CalamineError, CalamineWorkbook, SheetVisibleEnum

from repair_horizon.imports.archives import check_workbook, column_number
from repair_horizon.imports.raw_rows import Inference, RawRow, RawTable
from repair_horizon.imports.typed_files import value_text
from repair_horizon.tables.faults import Fault, LogFault


def workbook_rows(content: bytes, sheet: str, skip: int, about: tuple[int, str]) -> RawTable:
    """Read one sheet.

    Parameters
    ----------
    content
        The .xlsx file.
    sheet
        Name of the sheet; may be empty if only one has cells.
    skip
        Rows above the header.
    about
        Largest unpacked size in bytes, and the file name printed in faults.

    Raises
    ------
    LogFault
        If it is no workbook, too large, or the sheet is not there or not named.
    """
    limit, file = about
    check_workbook(content, limit, file)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        names = [sheet] if sheet in book.sheet_names else list(book.sheet_names)
        grids = {n: book.get_sheet_by_name(n).to_python(skip_empty_area=False) for n in names}
    except (CalamineError, ValueError, OSError, OverflowError) as error:
        raise LogFault([Fault(file, None, "", str(error), "a workbook (.xlsx)")]) from None
    name, how = _only_sheet({n: g for n, g in grids.items() if g}, sheet, (list(grids), file))
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


def _only_sheet(
    filled: dict[str, Any], sheet: str, about: tuple[list[str], str]
) -> tuple[str, str]:
    names, file = about
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
