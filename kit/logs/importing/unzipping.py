"""Judge a workbook before it is opened: a small one may hold gigabytes."""

from __future__ import annotations

import io
import lzma
import re
import struct
import zipfile
import zlib
from collections import Counter
from typing import IO

from kit.logs.faults import Fault, LogFault
from kit.logs.importing.unpacking import CHUNK, check_area, too_large

# What the zip reader raises for damaged archives, besides its own error.
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    OSError,
    RuntimeError,
    ValueError,
    KeyError,
    struct.error,
)
_PLACE = re.compile(rb"""\sr\s*=\s*["']([A-Z]{0,3})(\d{1,7})["']""")
_SHARED = re.compile(rb"<(?:\w+:)?si[\s>/]")
_NUMBERED = re.compile(
    rb"""\st\s*=\s*["']s["'][^>]*>(?:\s|<(?:\w+:)?f[^>]*>|[^<]*</(?:\w+:)?f>)*"""
    rb"""<(?:\w+:)?v[^>]*>\s*(\d{1,9})\s*<"""
)


def check_workbook(content: bytes, limit: int, file: str) -> None:
    """Unpack a workbook once, counting bytes and the area its cells span.

    A workbook of a few kilobytes can unpack to gigabytes, place one cell in the last corner of a
    sheet that is then filled up with empty cells, or repeat one long text by its number.

    Raises
    ------
    LogFault
        If it is not a workbook, or unpacks to more than the limits.
    """
    size = 0
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as book:
            for part in book.infolist():
                with book.open(part) as stream:
                    sheet = "worksheets/" in part.filename
                    size = _check_part(stream, size, (limit, file, sheet))
            if _texts_written_out(book) > limit:
                raise too_large(file, limit)
    except LogFault:
        raise
    except _DAMAGE as error:
        raise LogFault([Fault(file, None, "", str(error), "a workbook (.xlsx)")]) from None


def _check_part(stream: IO[bytes], size: int, about: tuple[int, str, bool]) -> int:
    limit, file, sheet = about
    tail, rows, columns = b"", 1, 1
    while chunk := stream.read(CHUNK):
        size += len(chunk)
        if size > limit:
            raise too_large(file, limit)
        if sheet:
            for letters, row in set(_PLACE.findall(tail + chunk)):
                rows, columns = max(rows, int(row)), max(columns, _column_number(letters))
            tail = chunk[-40:]
    check_area(rows, columns, file)
    return size


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _texts_written_out(book: zipfile.ZipFile) -> int:
    """Bytes of the shared texts once every cell holds its own; the parts are known to fit."""
    parts = book.namelist()
    lengths: list[int] = []
    for part in (p for p in parts if p.lower().endswith("sharedstrings.xml")):
        text = book.read(part)
        starts = [m.start() for m in _SHARED.finditer(text)]
        lengths += [b - a for a, b in zip(starts, [*starts[1:], len(text)], strict=True)]
    if not lengths:
        return 0
    used: Counter[int] = Counter()
    for part in (p for p in parts if "worksheets/" in p):
        used.update(int(n) for n in _NUMBERED.findall(book.read(part)))
    return sum(lengths[n] * count for n, count in used.items() if n < len(lengths))
