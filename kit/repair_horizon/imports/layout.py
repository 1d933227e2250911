"""How an export lies in its file and which columns it has, found before any mapping says so.

Encoding, separator, sheet and the line of the header are looked for; what cannot be proved is a
question for whoever reads the draft, never a silent choice.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from repair_horizon.files.sizes import largest_file
from repair_horizon.imports.mapping import ImportMapping
from repair_horizon.imports.raw_rows import RawRow, RawTable, read_bytes
from repair_horizon.imports.recognise import Match, likeliest_table, matches
from repair_horizon.imports.sources import ending_of
from repair_horizon.imports.text_files import SEPARATORS, check_width, decode, split_rows
from repair_horizon.imports.typed_files import (
    json_rows,
    opened_workbook,
    parquet_rows,
    workbook_rows,
)
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES, Table

_LIMIT = int(ImportMapping().max_megabytes * 1e6)
_LOOKED_AT = 60
"""Lines looked at for the separator and the header."""


@dataclass(frozen=True, eq=False)
class Layout:
    """An export as found.

    Attributes
    ----------
    raw
        Header and rows.
    declares
        What a mapping has to say about the file: encoding, separator, sheet, skip_rows.
    questions
        What was chosen without proof, in words.
    """

    raw: RawTable
    declares: dict[str, object] = field(default_factory=dict)
    questions: tuple[str, ...] = ()


def found_layout(path: Path, sheet: str = "") -> Layout:
    """Return the header and rows of an export, and what a mapping must declare to read it.

    Parameters
    ----------
    path
        CSV, TSV or TXT, XLSX, JSON lines or Parquet; each may be gzipped.
    sheet
        The sheet of a workbook; its longest one if empty.

    Raises
    ------
    LogFault
        If the file is of another kind, broken, too large, or holds no header with rows below it.
    """
    ending = ending_of(path)
    limit = min(_LIMIT, largest_file())
    content = read_bytes(path, limit, text=ending not in (".xlsx", ".parquet"))
    if ending == ".xlsx":
        layout = _workbook(content, limit, path.name, sheet)
    elif ending == ".parquet":
        layout = Layout(parquet_rows(content, _parquet_names(content), limit, path.name))
    elif ending in (".jsonl", ".ndjson"):
        layout = Layout(json_rows(decode(content, "", path.name)[0], ImportMapping(), path.name))
    else:
        layout = _text(content, path.name)
    if not layout.raw.rows:
        raise LogFault([Fault(path.name, None, "", "no rows", "a header with rows below it")])
    return layout


def _parquet_names(content: bytes) -> list[str]:
    try:
        return list(pq.read_schema(io.BytesIO(content)).names)
    except (pa.ArrowException, OSError, ValueError):
        return []  # parquet_rows names what is wrong with the file


def _text(content: bytes, file: str) -> Layout:
    declares: dict[str, object] = {}
    questions = []
    try:
        text, _, _ = decode(content, "", file)
    except LogFault as error:
        if b"\0" in content[:4096]:
            raise
        text, _, _ = decode(content, "cp1252", file)
        declares["encoding"] = "cp1252"
        questions.append(f"The encoding is not proved; cp1252 was taken. {error.faults[0].allowed}")
    lines = io.StringIO(text, newline="").readlines()
    if not any(line.strip() for line in lines):
        raise LogFault([Fault(file, None, "", "an empty file", "a header and records")])
    check_width(lines[:_LOOKED_AT], SEPARATORS, 0, file)
    separator = _separator(lines[:_LOOKED_AT])
    declares["separator"] = separator
    rows = split_rows(lines, separator, 0, file)
    at = _header_at([list(r.cells) for r in rows[:_LOOKED_AT]])
    if at:
        declares["skip_rows"] = rows[at].line - 1
    raw = RawTable(list(rows[at].cells), rows[at].line, rows[at + 1 :])
    return Layout(raw, declares, tuple(questions))


def _separator(lines: Sequence[str]) -> str:
    """Return the sign that splits most lines into the same number of fields, at least two."""
    best, found = (0, 0), ","
    for sign in SEPARATORS:
        try:
            widths = Counter(len(r) for r in csv.reader(lines, delimiter=sign) if len(r) > 1)
        except csv.Error:  # split_rows names what is wrong
            continue
        width, times = widths.most_common(1)[0] if widths else (0, 0)
        if (times, width) > best:
            best, found = (times, width), sign
    return found


def _header_at(rows: Sequence[Sequence[str]]) -> int:
    """Return the first row that is as wide as most and whose cells are names, each once.

    Titles and notes above a header fill one or two cells; its own cells are never numbers.
    """
    filled = [sum(bool(c.strip()) for c in row) for row in rows]
    usual = Counter(n for n in filled if n).most_common(1)
    width = usual[0][0] if usual else 0
    for at, row in enumerate(rows):
        names = [c.strip() for c in row if c.strip()]
        whole = len(names) >= max(1, width - 1) and len(set(names)) == len(names)
        if whole and not any(_numeric(n) for n in names):
            return at
    return next((at for at, n in enumerate(filled) if n), 0)


def _numeric(text: str) -> bool:
    return text.replace(".", "").replace(",", "").replace("-", "").replace("/", "").isdigit()


def _workbook(content: bytes, limit: int, file: str, sheet: str) -> Layout:
    _, sheets = opened_workbook(content, limit, file)
    filled = {name: len(grid) for name, grid in sheets.items() if grid}
    if not filled:
        raise LogFault([Fault(file, None, "", "no cells", "a sheet with a header and records")])
    if sheet and sheet not in filled:
        raise LogFault([Fault(file, None, "sheet", sheet, "one of " + ", ".join(filled))])
    name = sheet or max(filled, key=lambda n: filled[n])
    declares: dict[str, object] = {}
    questions = []
    if len(filled) > 1:
        declares["sheet"] = name
    if len(filled) > 1 and not sheet:
        others = ", ".join(f"{n!r} ({rows} rows)" for n, rows in filled.items() if n != name)
        questions.append(
            f"The longest sheet, {name!r}, was taken; --sheet drafts another: {others}."
        )
    top = workbook_rows(content, name, 0, limit, file)
    first = RawRow(top.header_line, top.header)
    rows = [first, *top.rows]
    at = _header_at([list(r.cells) for r in rows[:_LOOKED_AT]])
    if at:
        declares["skip_rows"] = at
    raw = RawTable(list(rows[at].cells), rows[at].line, rows[at + 1 :])
    return Layout(raw, declares, tuple(questions))


_TOTALS = ("total", "totals", "sum", "summe", "gesamt", "gesamtsumme", "subtotal", "zwischensumme")
SERIAL = re.compile(r"\b(imei|serial|seriennummer|serien nr|sn|s n)\b")


@dataclass(eq=False)
class Sheet:
    """An export column by column, and what has been asked about it so far."""

    file: str
    table: Table
    layout: Layout
    rows: list[RawRow]
    cells: dict[str, list[str]]
    exact: dict[str, list[bool]]
    found: list[Match]
    totals: list[str]
    key: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)

    def ask(self, question: str) -> str:
        """Note a question and return its mark."""
        self.questions.append(question)
        return f"QUESTION {len(self.questions)}"

    def theirs(self, ours: str) -> str | None:
        """Return their column that is ours, if one was found."""
        return next((m.theirs for m in self.found if m.column == ours), None)

    def column(self, theirs: str) -> pd.Series:
        """Cells of a column that are given and no typed values, by their line."""
        lines = [r.line for r in self.rows]
        pairs = zip(lines, self.cells[theirs], self.exact[theirs], strict=True)
        kept = [(line, text) for line, text, exact in pairs if text and not exact]
        return pd.Series([t for _, t in kept], index=[n for n, _ in kept], dtype="str")


def export_sheet(file: Path, table: str, sheet: str = "") -> Sheet:
    """Read an export as it is found and recognise its columns; rows that are no records go.

    Raises ``LogFault`` if it cannot be read, has no rows, or names a column twice.
    """
    layout = found_layout(file, sheet)
    header = layout.raw.header
    rows = [r for r in layout.raw.rows if any(r.cells) and not r.problem]
    rows = [r for r in rows if list(r.cells) != list(header)]
    totals = {t for t in map(_first_cell, rows) if t.lower() in _TOTALS}
    rows = [r for r in rows if _first_cell(r) not in totals]
    if not rows:
        raise LogFault([Fault(file.name, None, "", "no rows", "a header with rows below it")])
    twice = sorted({n for n in header if n and header.count(n) > 1})
    if twice:
        allowed = "each column name once; rename one in the file"
        raise LogFault(
            [Fault(file.name, layout.raw.header_line, n, "2 columns", allowed) for n in twice]
        )
    places = [(i, n) for i, n in enumerate(header) if n]
    cells = {n: [r.cells[i] if i < len(r.cells) else "" for r in rows] for i, n in places}
    exact = {n: [i < len(r.exact) and bool(r.exact[i]) for r in rows] for i, n in places}
    name = table or likeliest_table(list(cells), cells)
    found = matches(list(cells), cells, TABLES[name])
    return Sheet(file.name, TABLES[name], layout, rows, cells, exact, found, sorted(totals))


def _first_cell(row: RawRow) -> str:
    return next((c for c in row.cells if c), "").rstrip(":")


def rows_said(count: int) -> str:
    """Return a number of rows in words."""
    return f"{count} row" + "s" * (count != 1)


def some(values: Sequence[str], counts: Counter[str], most: int = 4) -> str:
    """Return the most frequent of some values, with their rows."""
    first = sorted(values, key=lambda v: -counts[v])[:most]
    shown = ", ".join(f"{comment(v, 40)!r} ({rows_said(counts[v])})" for v in first)
    return shown + (f" and {len(values) - most} more" if len(values) > most else "")


def comment(text: str, most: int = 80) -> str:
    """Return text that may stand in a comment: one line, cut to a length."""
    flat = re.sub(r"[\x00-\x1f\x7f\u2028\u2029]+", " ", text)
    return flat if len(flat) <= most else flat[: most - 3] + "..."


def quoted(text: str) -> str:
    """Write a basic TOML string; JSON's escapes are among those TOML knows."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml(value: object) -> str:
    """Write a text, a whole number or a list of texts as TOML."""
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return str(value)
