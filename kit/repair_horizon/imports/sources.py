"""An export as rows of text: its wanted columns only, and what is wrong with a row's shape."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from repair_horizon.files.sizes import check_size, largest_file
from repair_horizon.imports.mapping import ImportMapping
from repair_horizon.imports.raw_rows import MAX_COLUMNS, Inference, RawRow, RawTable, read_bytes
from repair_horizon.imports.text_files import decode, delimited_rows
from repair_horizon.imports.typed_files import json_rows, parquet_rows, workbook_rows
from repair_horizon.tables.faults import Fault, LogFault

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
        raw = workbook_rows(content, mapping.sheet, mapping.skip_rows, (limit, path.name))
    elif ending == ".parquet":
        raw = parquet_rows(content, mapping.needed, (limit, path.name))
    else:
        text, encoding, how = decode(content, mapping.encoding, path.name)
        read = json_rows if ending in (".jsonl", ".ndjson") else delimited_rows
        raw = read(text, mapping, path.name)
        known = Inference("encoding", encoding, how)
        raw = replace(raw, inferred=(known, *raw.inferred))
    return replace(_gather(raw, mapping, path.name), digest=digest)


def ending_of(path: Path) -> str:
    """Return which kind of export a file is, by its ending.

    Raises
    ------
    LogFault
        For an ending that no reader knows.
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
