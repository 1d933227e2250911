"""An export as a draft sees it: its columns, what was found among them, what is asked."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from repair_horizon.imports.layout import Layout, found_layout
from repair_horizon.imports.raw_rows import RawRow
from repair_horizon.imports.recognise import Match, likeliest_table, matches
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES, Table

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

    Raises
    ------
    LogFault
        If it cannot be read, has no rows, or names a column twice.
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
