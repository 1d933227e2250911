"""Sheets of a workbook."""

from __future__ import annotations

import datetime
import io
from typing import Any

from python_calamine import CalamineError, CalamineWorkbook

from repair_horizon.imports.archives import check_workbook
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
    grid = grids[name]
    if len(grid) <= skip:
        raise LogFault([Fault(file, None, name, f"{len(grid)} rows", "a header and records")])
    rows = [_row(i, values) for i, values in enumerate(grid[skip:], skip + 1)]
    known = Inference("sheet", name, how)
    return RawTable(list(rows[0].cells), rows[0].line, rows[1:], (known,))


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
