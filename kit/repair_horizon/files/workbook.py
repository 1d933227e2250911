"""A table as an XLSX workbook in which text stays text."""

from __future__ import annotations

import io
from datetime import datetime

import pandas as pd
import xlsxwriter


def workbook(table: pd.DataFrame) -> bytes:
    """Write a table as XLSX: text stays text, whatever it looks like, and figures are figures.

    Parameters
    ----------
    table
        Entries as text, as read from a CSV.
    """
    out = io.BytesIO()
    plain = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(out, {**plain, "strings_to_numbers": False}) as book:
        # The same table always gives the same bytes, and no hour of work is told.
        book.set_properties({"created": datetime(1980, 1, 1)})
        sheet = book.add_worksheet("thresholds")
        sheet.freeze_panes(1, 0)
        for at, name in enumerate(table.columns):
            figures = pd.to_numeric(table[name], errors="coerce")
            numeric = bool((figures.notna() | (table[name] == "")).all()) and not name.endswith(
                "_id"
            )
            sheet.write_string(0, at, str(name))
            for row, (text, figure) in enumerate(zip(table[name], figures, strict=True), 1):
                if numeric and text != "":
                    sheet.write_number(row, at, float(figure))
                else:
                    sheet.write_string(row, at, text)
    return out.getvalue()
