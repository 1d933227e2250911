"""An export as rows of text: its wanted columns, what is wrong with a row's shape, and its rules.

The bytes are text in an encoding that is declared or proved, the text has a separator that is
declared or that the header proves. The rows are read, side-by-side columns and serial numbers
rewritten, and rows that are not wanted named, before any value is read. What a step says about
rows is a table of notes with the columns ``NOTE``: the row (its index), what becomes of it, and
why.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.files.writing import check_size, largest_file
from repair_horizon.imports.mapping import ENCODINGS, AsideRule, ImportMapping, Unpivot
from repair_horizon.imports.raw_rows import MAX_COLUMNS, Inference, RawRow, RawTable, read_bytes
from repair_horizon.imports.typed_files import json_rows, parquet_rows, workbook_rows
from repair_horizon.logs.reading import lines_like_records
from repair_horizon.tables.faults import HELD, SET_ASIDE, Fault, LogFault

_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16", "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "utf-16"),
)


def decode(content: bytes, declared: str, file: str) -> tuple[str, str, str]:
    """Decode an export.

    ``declared``: the mapping's encoding, or empty: then a byte order mark or faultless UTF-8 must
    prove it; ``file``: name printed in faults. Returns text, name of the encoding, and how it is
    known. Raises ``LogFault`` if nothing is declared and nothing proved, or the bytes contradict
    the declaration.
    """
    marked = next((m for m in _MARKS if content.startswith(m[0])), None)
    if marked:
        if declared and not declared.startswith(marked[1]):
            found = f"a byte order mark of {marked[1]}"
            raise LogFault([Fault(file, 1, "", found, f"{declared}, as the mapping declares")])
        return _strict(content, marked[2], file), marked[1], "proved by its byte order mark"
    if declared:
        return _strict(content, declared, file), declared, "declared"
    if b"\0" in content[:4096]:
        raise _undeclared(file, "zero bytes without a byte order mark", content)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        found = f"byte 0x{content[error.start]:02x} at offset {error.start}"
        raise _undeclared(file, found, content) from None
    return text, "utf-8", "proved: every byte is valid UTF-8"


def _strict(content: bytes, encoding: str, file: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeError as error:
        start = getattr(error, "start", 0)
        line = content[:start].count(b"\n") + 1
        found = f"bytes {content[start : start + 4].hex(' ')} at offset {start}"
        raise LogFault([Fault(file, line, "", found, f"{encoding} text")]) from None


def _undeclared(file: str, found: str, content: bytes) -> LogFault:
    """Ask for a declaration, showing how the first odd bytes read in the likeliest encodings."""
    odd = next((i for i, b in enumerate(content) if b > 127), None)
    readings = ""
    if odd is not None:
        piece = content[max(0, odd - 12) : odd + 12]
        piece = piece.split(b"\n")[0 if odd < 12 else -1] if piece.count(b"\n") > 1 else piece
        seen = {e: piece.decode(e, "replace").strip() for e in ("cp1252", "mac-roman")}
        readings = "; ".join(f"with {e} it reads {t!r}" for e, t in seen.items())
    allowed = "UTF-8, or a declared encoding: one of " + ", ".join(ENCODINGS)
    return LogFault([Fault(file, None, "encoding", found, f"{allowed}. {readings}".rstrip(". "))])


SEPARATORS = (",", ";", "\t", "|")


def delimited_rows(text: str, mapping: ImportMapping, file: str) -> RawTable:
    """Split a text file into rows.

    The separator is proved when the header, split by it, names every column the mapping asks
    for, and no other separator does so.

    Raises ``LogFault`` if no separator is proved, or the quotes of the file do not close.
    """
    lines = io.StringIO(text, newline="").readlines()[mapping.skip_rows :]
    if not any(line.strip() for line in lines):
        raise LogFault([Fault(file, None, "", "an empty file", "a header and records")])
    separator, how = mapping.separator, "declared"
    first = next(i for i, line in enumerate(lines) if line.strip())
    place = mapping.skip_rows + first
    check_width(lines[first : first + 1], separator or SEPARATORS, place, file)
    if not separator:
        separator, how = _prove(lines[0], mapping.needed, file)
    rows = split_rows(lines, separator, mapping.skip_rows, file)
    shown = {"\t": "tab"}.get(separator, separator)
    known = Inference("separator", shown, how)
    return RawTable(list(rows[0].cells), rows[0].line, rows[1:], (known,))


def check_width(lines: Iterable[str], separators: Iterable[str], skipped: int, file: str) -> None:
    """Refuse lines that no log is as wide as, before any of them is split.

    Raises ``LogFault`` beyond 1,000 columns.
    """
    for number, line in enumerate(lines, skipped + 1):
        width = max(line.count(s) for s in separators) + 1
        if width > MAX_COLUMNS:
            found, allowed = f"{width} columns", f"at most {MAX_COLUMNS} columns"
            raise LogFault([Fault(file, number, "", found, allowed)])


def _prove(header: str, needed: list[str], file: str) -> tuple[str, str]:
    hits = {}
    for separator in SEPARATORS:
        try:
            names = [n.strip() for n in next(csv.reader([header], delimiter=separator), [])]
        except csv.Error:  # a name too long for any, which split_rows says
            return separator, ""
        hits[separator] = sum(n in names for n in needed)
    whole = [s for s, n in hits.items() if n == len(needed)]
    if len(whole) == 1 or (whole and not any(s in header for s in SEPARATORS)):
        return whole[0], "proved: the header then names every column asked for"
    best = max(SEPARATORS, key=lambda s: hits[s])
    if not whole and hits[best]:
        return best, "the header names most of the columns asked for"
    found = header.strip()
    allowed = "a declared separator, and a header with " + ", ".join(needed)
    raise LogFault([Fault(file, 1, "separator", found, allowed)])


def split_rows(lines: list[str], separator: str, skipped: int, file: str) -> list[RawRow]:
    """Split lines into rows; ``skipped`` lines stand above them.

    Raises ``LogFault`` if the quotes do not close, or a field is longer than the reader takes.
    """
    reader = csv.reader(lines, delimiter=separator, strict=True)
    rows, last, width = [], 0, 0
    try:
        for record in reader:
            width = width or len(record)
            taken = _swallowed(record, separator, width) if reader.line_num > last + 1 else ""
            cells = [c.strip() for c in record]
            rows.append(RawRow(skipped + last + 1, cells, problem=taken))
            last = reader.line_num
    except csv.Error as error:
        at, allowed = skipped + last + 1, "quotes that open and close around a whole field"
        if "limit" in str(error):
            allowed = f"fields of at most {csv.field_size_limit():,} characters"
        raise LogFault([Fault(file, at, "", str(error), allowed)]) from None
    return rows


def _swallowed(record: list[str], separator: str, width: int) -> str:
    """Say which lines like records stand in one field: nobody closed a quote mark before them."""
    lines = [t for field in record for t in lines_like_records(field, separator, width)]
    if not lines:
        return ""
    shown = lines[0] if len(lines[0]) <= 120 else lines[0][:117] + "..."
    return (
        f"{len(lines)} lines like records inside one field: {shown!r}, allowed: a quote mark that "
        "is closed in its own record"
    )


ENDINGS = (".csv", ".tsv", ".txt", ".xlsx", ".jsonl", ".ndjson", ".parquet")


@dataclass(frozen=True, eq=False)
class Source:
    """The wanted columns of an export, one row per record of the file.

    Attributes
    ----------
    text
        The cells as text, trimmed; columns named as the export names them.
    exact
        Same shape: cells that a workbook, JSON or Parquet already holds as a number or date, so
        that no convention applies to them.
    line
        Line (row of a sheet) each record begins on.
    furniture
        Reason for which a row is no record (blank line, repeated header, totals row), or empty.
    broken
        What is wrong with a row's shape, or empty.
    inferred
        What was proved about the file.
    digest
        SHA-256 of the bytes read, unpacked.
    """

    text: pd.DataFrame
    exact: pd.DataFrame
    line: pd.Series
    furniture: pd.Series
    broken: pd.Series
    inferred: tuple[Inference, ...]
    digest: str = ""


def read_source(path: Path, mapping: ImportMapping) -> Source:
    """Read the wanted columns of an export.

    Parameters
    ----------
    path
        CSV, TSV or TXT with any separator, XLSX, JSON lines or Parquet; each may be gzipped.
    mapping
        What is declared about it.

    Raises
    ------
    LogFault
        If the file cannot be read as declared or lacks a column the mapping names.
    """
    ending = ending_of(path)
    limit = int(mapping.max_megabytes * 1e6)
    if limit > largest_file():  # however high it was raised, what unpacks must fit the memory
        check_size(path)
        limit = largest_file()
    content = read_bytes(path, limit, text=ending not in (".xlsx", ".parquet"))
    digest = hashlib.sha256(content).hexdigest()
    if ending == ".xlsx":
        raw = workbook_rows(content, mapping.sheet, mapping.skip_rows, limit, path.name)
    elif ending == ".parquet":
        raw = parquet_rows(content, mapping.needed, limit, path.name)
    else:
        text, encoding, how = decode(content, mapping.encoding, path.name)
        read = json_rows if ending in (".jsonl", ".ndjson") else delimited_rows
        raw = read(text, mapping, path.name)
        known = Inference("encoding", encoding, how)
        raw = replace(raw, inferred=(known, *raw.inferred))
    return replace(_gather(raw, mapping, path.name), digest=digest)


def ending_of(path: Path) -> str:
    """Return which kind of export a file is, by its ending.

    Raises ``LogFault`` for an ending that no reader knows.
    """
    name = path.name.lower().removesuffix(".gz")
    for ending in ENDINGS:
        if name.endswith(ending):
            return ending
    allowed = "one of " + ", ".join(ENDINGS) + ", each also with .gz"
    raise LogFault([Fault(path.name, None, "", f"the ending of {path.name}", allowed)])


def _gather(raw: RawTable, mapping: ImportMapping, file: str) -> Source:
    """Keep the wanted columns and judge the shape of every row."""
    _check_header(raw, mapping.needed, file)
    wanted = [raw.header.index(n) for n in mapping.needed]
    totals = {w.strip().lower() for w in mapping.totals}
    lines, furniture, broken = [], [], []
    cells: list[list[str]] = []
    exact: list[list[bool]] = []
    for row in raw.rows:
        lines.append(row.line)
        furniture.append(_furniture(row, raw.header, totals))
        broken.append(row.problem or _shape(row, len(raw.header)))
        cells.append(_pick(row.cells, wanted, ""))
        exact.append(_pick(row.exact, wanted, False))
    known = (*raw.inferred, *_left_out(raw.header, mapping.needed))
    index = pd.RangeIndex(len(lines))
    text = pd.DataFrame(cells, index=index, columns=mapping.needed, dtype="str")
    marks = np.array(exact, dtype=bool).reshape(len(lines), len(wanted))
    return Source(
        text,
        pd.DataFrame(marks, index=index, columns=mapping.needed),
        pd.Series(lines, index=index, dtype="int64"),
        pd.Series(furniture, index=index, dtype="str"),
        pd.Series(broken, index=index, dtype="str"),
        known,
    )


def _left_out(header: Sequence[str], needed: Sequence[str]) -> tuple[Inference, ...]:
    names = [n for n in header if n and n not in needed]
    shown = ", ".join(names)
    return (Inference("columns left out", shown, "the mapping does not name them"),) * bool(names)


def _check_header(raw: RawTable, needed: Sequence[str], file: str) -> None:
    header = raw.header
    if len(header) > MAX_COLUMNS:
        found, allowed = f"{len(header)} columns", f"at most {MAX_COLUMNS} columns"
        raise LogFault([Fault(file, raw.header_line, "", found, allowed)])
    there = ", ".join(header[:30]) + (", ..." if len(header) > 30 else "")
    faults = []
    for name in needed:
        count = header.count(name)
        if count == 0:
            found, allowed = "no such column", f"a column of the file: {there}"
            faults.append(Fault(file, raw.header_line, name, found, allowed))
        elif count > 1:
            allowed = "each column of the mapping once"
            faults.append(Fault(file, raw.header_line, name, f"{count} columns", allowed))
    if faults:
        raise LogFault(faults)


def _furniture(row: RawRow, header: Sequence[str], totals: Iterable[str]) -> str:
    if row.problem:
        return ""
    first = next((c for c in row.cells if c), "")
    if not first:
        return "blank line"
    if list(row.cells) == list(header):
        return "repeated header"
    return "totals row" if first.lower().rstrip(":") in totals else ""


def _shape(row: RawRow, width: int) -> str:
    """Rows may end in more empty fields than the header has; nothing else is let pass."""
    if len(row.cells) == width or not any(row.cells):
        return ""
    if len(row.cells) > width and not any(row.cells[width:]):
        return ""
    return f"{len(row.cells)} fields, allowed: {width} fields"


def _pick(values: Sequence[object], wanted: Sequence[int], missing: object) -> list:  # type: ignore[type-arg]
    return [values[i] if i < len(values) else missing for i in wanted]


NOTE = ("row", "status", "reason", "column", "found", "allowed")
_HASH_LENGTH = 16
_ALLOWED = ", allowed: "
_DAMAGED = r"\d(?:[.,]\d+)?[eE]\+\d+"


def note(rows: pd.Index, status: str, reason: str, **cell: Any) -> pd.DataFrame:
    """Say what becomes of some rows; ``cell`` may name column, found and allowed."""
    said = {"column": "", "found": "", "allowed": "", **cell}
    said = {k: v.to_numpy() if isinstance(v, pd.Series) else v for k, v in said.items()}
    return pd.DataFrame({"row": rows, "status": status, "reason": reason, **said}, columns=NOTE)


def unpivoted(source: Source, rule: Unpivot) -> Source:
    """Make one record of each of several columns of a row.

    Every row yields as many records as there are columns, also where a cell is empty, so that
    the records can be counted.
    """
    count, width = len(source.text), len(rule.columns)
    if not width:
        return source
    at = np.repeat(np.arange(count), width)
    text = source.text.iloc[at].reset_index(drop=True)
    exact = source.exact.iloc[at].reset_index(drop=True)
    text[rule.value_to] = source.text[rule.columns].to_numpy().reshape(-1)
    exact[rule.value_to] = source.exact[rule.columns].to_numpy().reshape(-1)
    text[rule.name_to] = np.tile(np.array(rule.columns, dtype=object), count)
    exact[rule.name_to] = False
    return replace(
        source,
        text=text.astype("str"),
        exact=exact,
        line=source.line.iloc[at].reset_index(drop=True),
        furniture=source.furniture.iloc[at].reset_index(drop=True),
        broken=source.broken.iloc[at].reset_index(drop=True),
    )


def hashed(source: Source, columns: list[str], salt: str) -> Source:
    """Replace serial numbers by a salted hash, so that equal ones still match.

    A number a spreadsheet has cut short (3.5E+14) is left as it is, to be held for review.
    """
    text = source.text.copy()
    for name in columns:
        whole = (text[name] != "") & ~text[name].str.fullmatch(_DAMAGED)
        prints = {v: _print_of(v, salt) for v in text.loc[whole, name].unique()}
        text[name] = text[name].map(prints).where(whole, text[name])
    return replace(source, text=text)


def _print_of(value: str, salt: str) -> str:
    return hashlib.sha256(f"{salt}:{value}".encode()).hexdigest()[:_HASH_LENGTH]


def damaged(text: pd.Series) -> pd.Series:
    """Mark identifiers that a spreadsheet has turned into rounded numbers."""
    return text.str.fullmatch(_DAMAGED).astype(bool)


def notes_on_shape(source: Source) -> list[pd.DataFrame]:
    """Set aside what is no record, and hold records that do not fit the header."""
    out = [
        note(source.furniture.index[source.furniture == reason], SET_ASIDE, reason)
        for reason in source.furniture[source.furniture != ""].unique()
    ]
    bad = source.broken[source.broken != ""]
    found = bad.map(lambda said: said.partition(_ALLOWED)[0])
    allowed = bad.map(lambda said: said.partition(_ALLOWED)[2])
    out.append(note(bad.index, HELD, "not a whole record", found=found, allowed=allowed))
    return out


def notes_on_rules(text: pd.DataFrame, mapping: ImportMapping) -> list[pd.DataFrame]:
    """Set aside the rows the mapping does not want, and empty cells of unpivoted columns."""
    out = []
    value = mapping.unpivot.value_to
    if mapping.unpivot.columns:
        empty = text.index[text[value] == ""]
        column = text.loc[empty, mapping.unpivot.name_to]
        out.append(note(empty, SET_ASIDE, "an empty cell", column=column, allowed="a value"))
    for rule in mapping.set_aside:
        found = _hits(text[rule.column], rule)
        found = found[found != ""] if rule.equals != "" else found.dropna()
        out.append(note(found.index, SET_ASIDE, rule.reason, column=rule.column, found=found))
    return out


def _hits(text: pd.Series, rule: AsideRule) -> pd.Series:
    """Return what was found per row; only the word itself where a word is looked for."""
    if rule.equals == "":
        return text.where(text == "", None)
    if rule.contains:
        low = text.str.lower()
        hit = pd.Series("", index=text.index, dtype="str")
        for word in reversed(rule.contains):
            pattern = rf"(?<!\w){_escaped(word.lower())}(?!\w)"
            hit = hit.mask(low.str.contains(pattern, regex=True), word)
        return hit
    wanted = rule.one_of or [rule.equals or ""]
    return text.where(text.isin(wanted), "")


def _escaped(word: str) -> str:
    return "".join(c if c.isalnum() else f"\\{c}" for c in word)
