"""Text files with a separator: which one is declared, or proved by the header."""

from __future__ import annotations

import csv
import io

from kit.logs.faults import Fault, LogFault
from kit.logs.importing.mapping import ImportMapping
from kit.logs.importing.rows import Inference, RawRow, RawTable

_SEPARATORS = (",", ";", "\t", "|")


def delimited_rows(text: str, mapping: ImportMapping, file: str) -> RawTable:
    """Split a text file into rows.

    The separator is proved when the header, split by it, names every column the mapping asks
    for, and no other separator does so.

    Raises
    ------
    LogFault
        If no separator is proved, or the quotes of the file do not close.
    """
    lines = io.StringIO(text, newline="").readlines()[mapping.skip_rows :]
    if not any(line.strip() for line in lines):
        raise LogFault([Fault(file, None, "", "an empty file", "a header and records")])
    separator, how = mapping.separator, "declared"
    if not separator:
        separator, how = _prove(lines[0], mapping.needed, file)
    rows = _split(lines, separator, (mapping.skip_rows, file))
    shown = {"\t": "tab"}.get(separator, separator)
    known = Inference("separator", shown, how)
    return RawTable(list(rows[0].cells), rows[0].line, rows[1:], (known,))


def _prove(header: str, needed: list[str], file: str) -> tuple[str, str]:
    hits = {}
    for separator in _SEPARATORS:
        names = [n.strip() for n in next(csv.reader([header], delimiter=separator), [])]
        hits[separator] = sum(n in names for n in needed)
    whole = [s for s, n in hits.items() if n == len(needed)]
    if len(whole) == 1 or (whole and not any(s in header for s in _SEPARATORS)):
        return whole[0], "proved: the header then names every column asked for"
    best = max(_SEPARATORS, key=lambda s: hits[s])
    if not whole and hits[best]:
        return best, "the header names most of the columns asked for"
    found = header.strip()
    allowed = "a declared separator, and a header with " + ", ".join(needed)
    raise LogFault([Fault(file, 1, "separator", found, allowed)])


def _split(lines: list[str], separator: str, about: tuple[int, str]) -> list[RawRow]:
    skipped, file = about
    reader = csv.reader(lines, delimiter=separator, strict=True)
    rows, last = [], 0
    try:
        for record in reader:
            rows.append(RawRow(skipped + last + 1, [c.strip() for c in record]))
            last = reader.line_num
    except csv.Error as error:
        at, allowed = skipped + last + 1, "quotes that open and close around a whole field"
        if "limit" in str(error):
            allowed = f"fields of at most {csv.field_size_limit():,} characters"
        raise LogFault([Fault(file, at, "", str(error), allowed)]) from None
    return rows
