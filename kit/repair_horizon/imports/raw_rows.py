"""An export before anything is understood: its bytes, within limits, and rows of text.

Files that would unpack to something absurd are refused by their cost before it is paid; a workbook
is judged before it is opened, since a small one may hold gigabytes.
"""

from __future__ import annotations

import gzip
import io
import lzma
import re
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO

from repair_horizon.tables.faults import Fault, LogFault


@dataclass(frozen=True)
class Inference:
    """One thing known about a file: what, the value, and how it is known."""

    what: str
    value: str
    how: str


@dataclass(frozen=True)
class RawRow:
    """One row: the line it begins on, its trimmed cells, and which of them are exact.

    ``exact`` marks cells the file holds as a number or a date rather than as text; it may be
    shorter than ``cells`` (the rest is text). ``problem`` says why a row cannot be read at all.
    """

    line: int
    cells: Sequence[str]
    exact: Sequence[bool] = ()
    problem: str = ""


@dataclass(frozen=True)
class RawTable:
    """A header with the line it stands on, the rows below it, and what was proved."""

    header: list[str]
    header_line: int
    rows: list[RawRow]
    inferred: tuple[Inference, ...] = ()


MAX_COLUMNS = 1000
MAX_CELLS = 50_000_000
MAX_LINE = 16_000_000
CHUNK = 1 << 20


def read_bytes(path: Path, limit: int, *, text: bool = False) -> bytes:
    """Read a file, unpacking gzip, up to a size.

    A packed file is unpacked twice, first only to be measured, so that one that unpacks to
    gigabytes costs time for its allowed part and hardly any memory.

    ``limit``: largest size accepted, packed or unpacked, in bytes; ``text``: whether it has lines:
    then none may be longer than 16 MB. Raises ``LogFault`` if the file cannot be read, is no
    ordinary file, is damaged, or is larger.
    """
    try:
        if path.exists() and not path.is_file():
            allowed = "an ordinary file"
            raise LogFault([Fault(path.name, None, "", "a folder, pipe or device", allowed)])
        if path.stat().st_size > limit:
            raise too_large(path.name, limit, path.stat().st_size)
        opened = gzip.open if _is_packed(path) else open
        with opened(path, "rb") as stream:
            size = _measure(stream, limit, path.name, text)
        with opened(path, "rb") as stream:
            content = stream.read(size + 1)
    except (gzip.BadGzipFile, EOFError, zlib.error) as error:
        raise LogFault([Fault(path.name, None, "", str(error), "a whole gzip file")]) from None
    except (OSError, ValueError) as error:
        if isinstance(error, LogFault):
            raise
        found = getattr(error, "strerror", "") or str(error)
        raise LogFault([Fault(path.name, None, "", found, "a file that can be read")]) from None
    if len(content) > size:
        found, allowed = "a file that grew while it was read", "one nobody is writing"
        raise LogFault([Fault(path.name, None, "", found, allowed)])
    return bytes(content)


def _is_packed(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(2) == b"\x1f\x8b"


def _measure(stream: BinaryIO | gzip.GzipFile, limit: int, file: str, text: bool) -> int:
    """Count bytes, and those since the last line feed, without keeping any."""
    size = line = 0
    while chunk := stream.read(CHUNK):
        size += len(chunk)
        last = chunk.rfind(b"\n")
        line = line + len(chunk) if last < 0 else len(chunk) - last
        if size > limit:
            raise too_large(file, limit)
        if text and line > MAX_LINE:
            found, allowed = "a line without an end", f"lines of at most {MAX_LINE / 1e6:g} MB"
            raise LogFault([Fault(file, None, "", found, allowed)])
    return size


def too_large(file: str, limit: int, size: int | None = None) -> LogFault:
    """Return the fault of a file of more than ``limit`` bytes, unpacked; ``size`` where known."""
    found = "a larger file" if size is None else f"a larger file ({size / 1e6:.6g} MB)"
    allowed = (
        f"at most {limit / 1e6:g} MB unpacked (max_megabytes in the mapping, up to a quarter of "
        "the memory), or the export in pieces"
    )
    return LogFault([Fault(file, None, "", found, allowed)])


def check_area(rows: int, columns: int, file: str) -> None:
    """Refuse tables too wide or too large to be a log.

    Raises ``LogFault`` beyond 1,000 columns or 50 million cells.
    """
    if columns > MAX_COLUMNS:
        found, allowed = f"{columns} columns", f"at most {MAX_COLUMNS} columns"
        raise LogFault([Fault(file, None, "", found, allowed)])
    if rows * columns > MAX_CELLS:
        found = f"{rows} rows of {columns} columns"
        raise LogFault([Fault(file, None, "", found, f"at most {MAX_CELLS} cells")])


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
# Any letters and digits: the reader of workbooks counts on where a sheet has no column left.
_PLACE = re.compile(rb"""\sr\s*=\s*["']([A-Za-z]*)(\d+)["']""")
_CARRIED = 16  # more than a word looked for that a chunk ends in the middle of
# Empty cells are filled in between the filled ones, at some 40 bytes each.
_SMALL_AREA, _EMPTY_PER_CELL = 500_000, 20
_SHARED = re.compile(rb"<(?:\w+:)?si[\s>/]")
_NUMBERED = re.compile(
    rb"""\st\s*=\s*["']s["'][^>]*>(?:\s|<(?:\w+:)?f[^>]*>|[^<]*</(?:\w+:)?f>)*"""
    rb"""<(?:\w+:)?v[^>]*>\s*(\d{1,9})\s*<"""
)


def check_workbook(content: bytes, limit: int, file: str) -> None:
    """Unpack a workbook once, counting bytes and the area its cells span.

    A workbook of a few kilobytes can unpack to gigabytes, place one cell in the last corner of a
    sheet that is then filled up with empty cells, or repeat one long text by its number.

    Raises ``LogFault`` if it is not a workbook, or unpacks to more than the limits.
    """
    size = 0
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as book:
            _check_kind(book, file)
            for part in book.infolist():
                with book.open(part) as stream:
                    size = _check_part(stream, size, limit, file)
            if _texts_written_out(book) > limit:
                raise too_large(file, limit)
    except LogFault:
        raise
    except _DAMAGE as error:
        raise LogFault([Fault(file, None, "", str(error), "a workbook (.xlsx)")]) from None


def _check_kind(book: zipfile.ZipFile, file: str) -> None:
    """Refuse other programs' workbooks, whose cells no check here has counted."""
    names = {name.lower() for name in book.namelist()}
    if "xl/workbook.xml" not in names or names & {"content.xml", "xl/workbook.bin"}:
        raise LogFault([Fault(file, None, "", "no .xlsx inside", "a workbook (.xlsx)")])


def _whole_tags(content: bytes, file: str) -> tuple[bytes, bytes]:
    """Content up to the last tag that is closed, and what goes on in the next chunk."""
    end = content.rfind(b">") + 1
    rest = content[end:]
    if len(rest) > CHUNK and b"<" in rest:
        raise LogFault([Fault(file, None, "", "a tag without an end", "a workbook (.xlsx)")])
    return content[:end], rest if len(rest) <= CHUNK else rest[-_CARRIED:]


def _check_part(stream: IO[bytes], size: int, limit: int, file: str) -> int:
    """Count a part's bytes, and the area of its cells where it is a sheet, whatever its name."""
    sheet, rest, rows, columns, filled = False, b"", 1, 1, 0
    while chunk := stream.read(CHUNK):
        size += len(chunk)
        if size > limit:
            raise too_large(file, limit)
        rest += chunk
        sheet = sheet or b"sheetData" in rest
        whole, rest = _whole_tags(rest, file) if sheet else (b"", rest[-_CARRIED:])
        for place in _PLACE.finditer(whole):
            filled += 1
            rows, columns = max(rows, int(place[2])), max(columns, column_number(place[1].upper()))
    check_area(rows, columns, file)
    if rows * columns > max(_SMALL_AREA, _EMPTY_PER_CELL * filled):
        found_area = f"{rows} rows of {columns} columns with {filled} cells"
        allowed = "a sheet without cells far from all others: delete them, or save it as CSV"
        raise LogFault([Fault(file, None, "", found_area, allowed)])
    return size


def column_number(letters: bytes) -> int:
    """Return the number of a column named by letters, from 1."""
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
