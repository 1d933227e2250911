"""Turn the bytes of an export into text, in an encoding that is declared or proved.

Text files with a separator: which one is declared, or proved by the header.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterable

from repair_horizon.imports.mapping import ENCODINGS, ImportMapping
from repair_horizon.imports.raw_rows import MAX_COLUMNS, Inference, RawRow, RawTable
from repair_horizon.logs.reading import lines_like_records
from repair_horizon.tables.faults import Fault, LogFault

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
