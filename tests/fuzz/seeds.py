"""Inputs to start from: the demo business cut small, and mappings with what they read."""

from __future__ import annotations

import gzip
import io
import tomllib
from pathlib import Path

import pandas as pd
from repair_horizon.tables.dictionary import starter_settings
from repair_horizon.tables.inputs import TABLES

from .targets import ASKED, ENDINGS, NAMES, SPLIT

_DEMO = Path(__file__).parent.parent.parent / "data" / "demo"
_ROWS = 4
_MAPPING = """
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
_WIDE = """
encoding = "cp1252"
hash = ["Unit"]
[columns]
quote_date = "Year"
supplier_id = "Unit"
[constants]
model_id = "m"
quality_class = "pulled"
currency = "EUR"
[unpivot]
columns = ["BAT", "DA"]
name_to = "part_code"
value_to = "unit_price"
[formats.unit_price]
scale = 100
decimal = ","
[formats.quote_date]
date = "year"
fill = "07-01"
[key]
columns = ["part_code", "Year"]
"""
_RULES = """
skip_rows = 1
separator = ";"
timezone = "Europe/Berlin"
totals = ["total"]
[values.grade]
"very good" = "A"
"*" = "*"
[[set_aside]]
column = "Item"
contains = ["lot"]
reason = "a bundle"
[filter]
column = "sale_date"
lowest = "2024-01-01"
reason = "too old"
"""
_EXPORT = (
    "No;Day;Price;Item;Buyer\n1;13/01/2025;1.234,50 €;m1;Ann\n2;03/04/2025;-9,50;lot;Bob\n"
    '3;31.02.2025;3.5E+14;"m\n2";C\n\n;;;;\nTotal;;9,50;;\n'
)
_MAIN = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_SHEET = (
    b"<worksheet " + _MAIN + b"><sheetData>"
    b'<row r="1"><c r="A1" t="inlineStr"><is><t>No</t></is></c><c r="B1" t="s"><v>0</v></c>'
    b'<c r="C1" t="s"><v>1</v></c><c r="D1" t="str"><v>Item</v></c></row>'
    b'<row r="2"><c r="A2"><v>1</v></c><c r="B2" s="1"><v>45750</v></c><c r="C2"><v>9.5</v></c>'
    b'<c r="D2" t="s"><v>2</v></c></row>'
    b'<row r="3"><c r="A3"><v>2</v></c><c r="B3" t="d"><v>2025-01-02</v></c>'
    b'<c r="C3" t="e"><v>#N/A</v></c><c r="D3" t="b"><v>1</v></c></row>'
    b'<row r="4"><c r="A4" s="2"><v>0.5</v></c><c r="B4" s="1"><v>-1</v></c>'
    b'<c r="C4" s="3"><v>1e300</v></c></row></sheetData></worksheet>'
)
_TEXTS = (
    b"<sst " + _MAIN + b"><si><t>Day</t></si><si><r><t>Price</t></r></si><si><t>m1</t></si></sst>"
)
_STYLES = (
    b"<styleSheet " + _MAIN + b'><cellXfs count="4"><xf numFmtId="0"/><xf numFmtId="14"/>'
    b'<xf numFmtId="46"/><xf numFmtId="22"/></cellXfs></styleSheet>'
)
_WORDS = (
    *("model_id", "family_id", "sale_id", "refund", "partial_refund", "asking", "sold"),
    *("2024-02-29", "2023-02-29", "0001-01-01", "9999-12-31", "1e400", "nan", "inf", "-inf"),
    *("3.5E+14", "999999999999999", "-0", "EUR", "€", "US $", "1.234,56", "1’234.50", "x_note"),
    *("\0", "\ufeff", "\x85", "\u2028", "\x0b", "\x0c", "\x1c", "\r", '""', "\\ud800", "line"),
    *("[by_class.laptop.sale]", "[[channels]]", "[columns]", "[unpivot]", "[key]", "[filter]"),
    *("skip_rows = ", "scale = ", "hash = ", "fill = ", "0xffffffffffffffff", "{a={a={a=1}}}"),
)


_ANSWERS = (
    b"answer_id,month,model_id,listed_fault,listing_id,answer,amount,note\n"
    b'a1,2026-11,velloria-fold-3,dead_inner_display,L1,other_bid,180.00,"seller, in a hurry"\n'
)


_PASTED = (
    b"Hello,\n> 2026-11 | m1 | display_dead | L0501 | other_bid | 95 | too worn\n"
    b"2026-11 | m1 | no_power | | agree | | \n2026-11|m1\n"
)
_UNITS = (
    "--class=phone; --fault=display dead; --launch=2024-09; --launch-price=900",
    "--class=laptop; --fault=no power; --launch=2023-01; --asking=90; --resale=300",
    "--class=phone; --fault=x; --launch=2024-09; --launch-price=900; --part=DA=40+5@0.02; "
    "--state=display=0.7,DA,1.5,0.9; --state=board=0.3; --grade=B=1,0.85",
    "--class=watch; --fault=battery worn; --launch-price=200; --as-is=20; --hours=1",
    "--class=console; --fault=no power; --monthly-fall=0.03; --success=0.8; --resale=9",
)


def _asked(*words: str) -> bytes:
    """Options as the target reads them: the option's number, then its text."""
    split = [word.partition("=") for word in words]
    return "\n".join(chr(ASKED.index(o) + 64) + v for o, _, v in split).encode()


def write_seeds(folder: Path) -> None:
    """Write a folder of seeds per target, and the dictionary of words in ``words.txt``."""
    logs = {n: _head(_DEMO / f"{n}.csv") for n in TABLES if n != "answers"}
    logs["answers"] = _ANSWERS
    settings = (_DEMO / "settings.toml").read_bytes()
    seeds = {
        "log": [bytes([i]) + logs[n] for i, n in enumerate(NAMES)],
        "workspace": [bytes([i]) + logs[n] for i, n in enumerate(NAMES)],
        "catalogue": [logs["catalogue"], logs["catalogue"].replace(b"\n", b"\r\n")],
        "settings": [settings, _uncommented(starter_settings()).encode()],
        "import": [*_imports(), *_own_exports(logs)],
        "workbook": [SPLIT.join((_SHEET, _TEXTS, _STYLES))],
        "answers": [_ANSWERS, _PASTED],
        "ask": [_asked(*words.split("; ")) for words in _UNITS],
    }
    for target, inputs in seeds.items():
        place = folder / target
        place.mkdir(parents=True, exist_ok=True)
        for i, data in enumerate(inputs):
            (place / f"seed-{i}").write_bytes(data)
    words = "".join(f'"{_escaped(w)}"\n' for w in _WORDS)
    (folder / "words.txt").write_text(words, encoding="ascii")


def _escaped(word: str) -> str:
    """A word as the fuzzer's dictionary wants it: every byte in hexadecimal."""
    return "".join(f"\\x{b:02x}" for b in word.encode())


def _head(path: Path) -> bytes:
    return b"".join(path.read_bytes().splitlines(keepends=True)[: _ROWS + 1])


def _uncommented(text: str) -> str:
    """The starter's settings with every line switched on, as far as it stays TOML."""
    # A setting without a default shows dots for its value: it stays a comment.
    lines = [
        t.removeprefix("# ") if " = " in t and " = ..." not in t else t
        for t in text.splitlines()[2:]
    ]
    whole = "\n".join(lines) + "\n"
    tomllib.loads(whole)
    return whole


def _imports() -> list[bytes]:
    rows = pd.DataFrame(
        {"No": ["1", "2"], "Day": ["2025-01-02", "x"], "Price": [1.5, 2.0], "Item": ["m1", "m2"]}
    )
    parquet, book = io.BytesIO(), io.BytesIO()
    rows.to_parquet(parquet)
    rows.to_excel(book, index=False, engine="xlsxwriter")
    objects = rows.to_json(orient="records", lines=True)
    wide = 'Year,BAT,DA,Unit\n2020,"0,5",1,356938035643809\n2021,,"2,5",3.5E+14\n'
    exports = (
        ("sales", ".csv", _MAPPING, _EXPORT.encode()),
        ("sales", ".csv", _RULES + _MAPPING, b"Report\n" + _EXPORT.encode()),
        ("part_quotes", ".tsv", _WIDE, wide.encode("cp1252")),
        ("sales", ".jsonl", _MAPPING, objects.encode()),
        ("sales", ".parquet", _MAPPING, parquet.getvalue()),
        ("sales", ".xlsx", _MAPPING, book.getvalue()),
        ("sales", ".csv.gz", _MAPPING, gzip.compress(_EXPORT.encode(), mtime=0)),
        ("sales", ".csv", 'encoding = "utf-16"\n' + _MAPPING, _EXPORT.encode("utf-16")),
    )
    return [
        bytes([NAMES.index(table), ENDINGS.index(ending)]) + mapping.encode() + SPLIT + content
        for table, ending, mapping, content in exports
    ]


def _own_exports(logs: dict[str, bytes]) -> list[bytes]:
    """Each of our own logs as the export, mapped column by column."""
    out = []
    for i, content in enumerate(logs.values()):
        header = content.partition(b"\n")[0].decode().split(",")
        mapping = "[columns]\n" + "".join(f'{c} = "{c}"\n' for c in header)
        out.append(bytes([i, 0]) + mapping.encode() + SPLIT + content)
    return out
