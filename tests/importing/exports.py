"""Small exports by hand, their mapping, and what is looked at afterwards."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path

from repair_horizon.imports import ImportResult

MAPPING = """
[columns]
sale_date = "Day"
gross_amount = "Price"
model_id = "Item"
[constants]
currency = "EUR"
[key]
columns = ["No"]
prefix = "shop-"
"""
HEADER = "No;Day;Price;Item;Buyer\n"
Run = Callable[..., ImportResult]
ROWS = [f"{i};2025-01-{i:02d};{i}.50;m1;A" for i in range(1, 21)]
GRID: list[list[object]] = [
    ["No", "Day", "Price", "Item", "Buyer"],
    [1, '<c r="AT" s="1"><v>45750</v></c>', 1234.5, "m1", "Ann"],
    [2, "2025-04-04", 1.234, "m1", "Bob"],
]


def lines(*rows: str) -> str:
    return HEADER + "".join(r + "\n" for r in rows)


def stored(workspace: Path, table: str = "sales") -> list[dict[str, str]]:
    with open(workspace / f"{table}.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def adds_up(result: ImportResult) -> bool:
    parts = result.added + result.already_there + result.set_aside + result.held
    return result.rows_in_file == parts == result.added + len(result.ledger)


def workbook(rows: Sequence[Sequence[object]], sheets: Sequence[str] = ("Data",)) -> bytes:
    """Make a small workbook: text inline, numbers as numbers, cells given as XML left alone."""
    cells = []
    for i, row in enumerate(rows, 1):
        body = ""
        for j, value in enumerate(row):
            at = f"{chr(65 + j)}{i}"
            if isinstance(value, str) and value.startswith("<c "):
                body += value.replace("AT", at)
            elif isinstance(value, str):
                body += f'<c r="{at}" t="inlineStr"><is><t>{value}</t></is></c>'
            else:
                body += f'<c r="{at}"><v>{value}</v></c>'
        cells.append(f'<row r="{i}">{body}</row>')
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    pkg = "http://schemas.openxmlformats.org/package/2006/relationships"
    names = list(enumerate(sheets, 1))
    part = f'<worksheet xmlns="{main}"><sheetData>{"".join(cells)}</sheetData></worksheet>'
    tabs = "".join(f'<sheet name="{n}" sheetId="{i}" r:id="r{i}"/>' for i, n in names)
    links = "".join(
        f'<Relationship Id="r{i}" Type="{rel}/worksheet" Target="worksheets/s{i}.xml"/>'
        for i, _ in names
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{pkg}"><Relationship Id="r1" Type="{rel}/officeDocument" '
            'Target="xl/workbook.xml"/></Relationships>',
        )
        book.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets>{tabs}</sheets></workbook>',
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{pkg}">{links}<Relationship Id="rs" Type="{rel}/styles" '
            'Target="styles.xml"/></Relationships>',
        )
        book.writestr(
            "xl/styles.xml",
            f'<styleSheet xmlns="{main}"><cellXfs count="4"><xf numFmtId="0"/><xf numFmtId="14"/>'
            '<xf numFmtId="21"/><xf numFmtId="46"/></cellXfs></styleSheet>',
        )
        for i, _ in names:
            book.writestr(f"xl/worksheets/s{i}.xml", part)
    return out.getvalue()
