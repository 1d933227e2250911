"""How an export lies in its file and what its columns are, before any mapping says so.

Encoding, separator, sheet and the line of the header are looked for; what cannot be proved is a
question for whoever reads the draft, never a silent choice. Which column is which of ours is
guessed by declared words and by what its cells hold: ``column_words.csv`` names the words a header
may use for a column of ours ("@date" is a table's date), ``value_words.csv`` the words a cell may
use for a value. A guess is only ever a proposal in a draft; nothing is imported by it.
"""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from repair_horizon.files.writing import largest_file
from repair_horizon.imports import dates, numbers
from repair_horizon.imports.mapping import DATES, NUMBERS, ImportMapping
from repair_horizon.imports.raw_rows import RawRow, RawTable, read_bytes
from repair_horizon.imports.sources import SEPARATORS, check_width, decode, ending_of, split_rows
from repair_horizon.imports.typed_files import (
    json_rows,
    opened_workbook,
    parquet_rows,
    workbook_rows,
)
from repair_horizon.tables.columns import Column
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES, Table

_ENOUGH = 0.6
"""Share of the cells that must be readable as a column's kind."""
_CELLS_LOOKED_AT = 500
_WHOLE = 200
"""Score of a header that is a column's word as a whole; a part of it scores its length."""
_ANY_DATE = "@date"
_OUR_OWN = ("fx_rates", "fault_states", "answers")
"""Tables nobody else's program exports."""
_PERSONAL = re.compile(
    r"\b(buyer|bidder|customer|käufer|kunde|client|first name|last name|vorname|nachname|"
    r"address|adresse|anschrift|street|straße|city|ort|zip|plz|postcode|e ?mail|tel|telephone|"
    r"telefon|iban|paypal|user ?name|recipient|empfänger)\b"
)


@dataclass(frozen=True)
class Match:
    """A column of ours found in an export: their header, and how sure the words are."""

    column: str
    theirs: str
    score: int


def plain(text: str) -> str:
    """Return words in lower case, with single spaces and no signs, as they are compared."""
    folded = unicodedata.normalize("NFKC", text).lower()
    return re.sub(r"[\W_]+", " ", folded).strip()


def is_personal(header: str) -> bool:
    """Say whether a header names people, their places or their accounts."""
    return bool(_PERSONAL.search(plain(header)))


@cache
def _words(name: str) -> tuple[dict[str, str], ...]:
    path = files("repair_horizon.imports").joinpath(f"{name}.csv")
    return tuple(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@cache
def _header_words(table: str) -> dict[str, dict[str, int]]:
    """Words of a header = our columns of a table they may mean, with a rank (1 is best)."""
    target = TABLES[table]
    ours = {c.name for c in target.columns}
    found: dict[str, dict[str, int]] = {plain(name): {name: 1} for name in ours}
    ranks: dict[str, int] = {}
    for row in _words("column_words"):
        name = target.date if row["column"] == _ANY_DATE else row["column"]
        if name in ours:
            ranks[name] = ranks.get(name, 0) + 1
            found.setdefault(plain(row["words"]), {}).setdefault(name, 1 + ranks[name])
    return found


@cache
def value_words(column: str) -> dict[str, str]:
    """Return the words cells may use for a column's values: words = our value."""
    return {plain(r["words"]): r["value"] for r in _words("value_words") if r["column"] == column}


def readable_as(column: Column, cells: Sequence[str]) -> float:
    """Return the share of the cells that a column of ours could hold, under any convention."""
    given = [c for c in cells if c][:_CELLS_LOOKED_AT]
    if not given:
        return 0.0
    test = _kind_test(column)
    return sum(bool(test(c)) for c in given) / len(given)


def _kind_test(column: Column):  # type: ignore[no-untyped-def]
    words = value_words(column.name)
    if column.name == "grade":  # a grade's column may say of some units that they were sold broken
        words = {w: v for w, v in value_words("condition").items() if v == "as_is"} | words
    if column.choices or words:
        known = {*map(plain, column.choices), *words}
        return lambda text: plain(text) in known
    if column.kind in DATES:
        return could_be_date
    if column.kind in NUMBERS:
        share = column.is_share
        return lambda text: _could_be_number(text, share) and not could_be_date(text, serial=False)
    if column.kind == "currency":
        return lambda text: bool(numbers.currencies_of(text))
    if column.kind == "yes_no":
        return lambda text: plain(text) in ("yes", "no", "true", "false", "1", "0", "ja", "nein")
    if column.name == "model_id":  # a column of running numbers names no models
        return lambda text: not text.isdigit()
    return lambda text: True


_READERS = tuple(
    dates.proved_reader(order) for order in ("day/month/year", "month/day/year")
) + tuple(
    dates.reader_of(f"{a}{sign}{b}{sign}year2")
    for a, b in (("day", "month"), ("month", "day"))
    for sign in "./-"
)  # fmt: skip


def could_be_date(text: str, *, serial: bool = True) -> bool:
    """Say whether a cell is a date in some order, or a spreadsheet's day number of this century."""
    if serial and re.fullmatch(r"\d{5}(\.\d+)?", text):
        return 36526 <= float(text) <= 73050  # 2000 to 2099
    return any(read(text) for read in _READERS) or month_named(text) is not None


def _could_be_number(text: str, percent: bool) -> bool:
    cell = numbers.split_cell(text, percent=percent)
    return cell is not None and any(
        numbers.value_of(cell.digits, sign) is not None for sign in ".,"
    )


MONTHS = {
    "German": (
        *("Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September"),
        *("Oktober", "November", "Dezember"),
    ),
    "French": (
        *("janvier", "février", "mars", "avril", "mai", "juin", "juillet", "août", "septembre"),
        *("octobre", "novembre", "décembre"),
    ),
    "Spanish": (
        *("enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre"),
        *("octubre", "noviembre", "diciembre"),
    ),
}


def month_named(text: str) -> str | None:
    """Return the language of a month written out in a cell with day and year, if there is one."""
    if not re.search(r"\b\d{4}\b", text):
        return None
    words = set(re.findall(r"[^\W\d_]+", text.lower()))
    for language, months in MONTHS.items():
        if words & {m.lower() for m in months}:
            return language
    return None


def matches(header: Sequence[str], cells: dict[str, list[str]], table: Table) -> list[Match]:
    """Return which of their columns is which of ours, each at most once.

    ``cells``: what stands below each; ``table``: the table to be filled.
    """
    known, found = _header_words(table.name), []
    for theirs in header:
        if not theirs or is_personal(theirs):
            continue
        scores = _scores(plain(theirs), known)
        fits = {ours: readable_as(table.column(ours), cells[theirs]) for ours in scores}
        for ours, score in scores.items():
            column = table.column(ours)
            free = column.kind in ("code", "text") and not column.choices
            # A header in our own words yields where its values are another column's: 'Condition'
            # above 'very good' is the grade.
            coded = column.choices or value_words(ours)
            outdone = coded and fits[ours] < max(fits.values())
            own = plain(theirs) == plain(ours)
            named = score >= _WHOLE - 50 and free and ours != "model_id" and any(cells[theirs])
            if fits[ours] >= _ENOUGH or ((named or own) and not outdone):
                found.append(Match(ours, theirs, score))
    taken: dict[str, Match] = {}
    used: set[str] = set()
    required = set(table.required)
    for match in sorted(found, key=lambda m: (-m.score, m.column not in required)):
        if match.column not in taken and match.theirs not in used:
            taken[match.column] = match
            used.add(match.theirs)
    taken |= _only_dates(header, cells, table, taken)
    order = [c.name for c in table.columns]
    return sorted(taken.values(), key=lambda m: order.index(m.column))


def _only_dates(
    header: Sequence[str], cells: dict[str, list[str]], table: Table, taken: dict[str, Match]
) -> dict[str, Match]:
    """Take the only column of dates for the table's date, whatever its name."""
    if not table.date or table.date in taken:
        return {}
    column, used = table.column(table.date), {m.theirs for m in taken.values()}
    left = [n for n in header if n and n not in used and any(cells[n]) and not is_personal(n)]
    found = [n for n in left if readable_as(column, cells[n]) >= _ENOUGH]
    return {table.date: Match(table.date, found[0], 0)} if len(found) == 1 else {}


def _scores(header: str, known: dict[str, dict[str, int]]) -> dict[str, int]:
    """Score every column of ours by the words of a header: the whole header, else its longest."""
    out: dict[str, int] = {}
    for words, columns in known.items():
        if header == words:
            base = _WHOLE
        elif f" {words} " in f" {header} ":
            base = 40 + len(words)
        else:
            continue
        for name, rank in columns.items():
            out[name] = max(out.get(name, 0), base - rank)
    return out


def likeliest_table(header: Sequence[str], cells: dict[str, list[str]]) -> str:
    """Return the table to which most columns belong; a required one counts twice."""

    def found(table: Table) -> tuple[float, float]:
        got, required = {m.column for m in matches(header, cells, table)}, set(table.required)
        own = len(got & required)
        return 2 * own + len(got - required), own / len(required)

    tables = [t for t in TABLES.values() if t.name not in _OUR_OWN]
    return max(tables, key=found).name


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

    def left(self) -> list[str]:
        """Return their columns that are not read."""
        used = {*(m.theirs for m in self.found), *self.key}
        return [n for n in self.cells if n not in used]

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
