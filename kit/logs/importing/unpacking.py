"""Get the bytes of an export, refusing files that would unpack to something absurd."""

from __future__ import annotations

import gzip
import io
import re
import struct
import zipfile
import zlib
from pathlib import Path

from kit.logs.faults import Fault, LogFault

MAX_COLUMNS = 1000
MAX_CELLS = 50_000_000
_CHUNK = 1 << 20
# What the zip reader raises for damaged archives, besides its own error.
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    OSError,
    RuntimeError,
    ValueError,
    struct.error,
)
_PLACE = re.compile(rb"""\sr\s*=\s*["']([A-Z]{0,3})(\d{1,7})["']""")


def read_bytes(path: Path, limit: int) -> bytes:
    """Read a file, unpacking gzip, up to a size.

    Parameters
    ----------
    path
        The file.
    limit
        Largest size accepted, packed or unpacked, in bytes.

    Raises
    ------
    LogFault
        If the file cannot be read, is damaged, or is larger.
    """
    try:
        if path.stat().st_size > limit:
            raise _too_large(path.name, limit)
        content = path.read_bytes()
        if content[:2] == b"\x1f\x8b":
            with gzip.open(io.BytesIO(content)) as packed:
                content = _up_to(packed, limit, path.name)
    except (gzip.BadGzipFile, EOFError, zlib.error) as error:
        raise LogFault([Fault(path.name, None, "", str(error), "a whole gzip file")]) from None
    except OSError as error:
        found = error.strerror or str(error)
        raise LogFault([Fault(path.name, None, "", found, "a file that can be read")]) from None
    return content


def _up_to(stream: io.BufferedIOBase | gzip.GzipFile, limit: int, file: str) -> bytes:
    parts, size = [], 0
    while chunk := stream.read(_CHUNK):
        size += len(chunk)
        if size > limit:
            raise _too_large(file, limit)
        parts.append(chunk)
    return b"".join(parts)


def _too_large(file: str, limit: int) -> LogFault:
    allowed = f"at most {limit / 1e6:g} MB unpacked (max_megabytes in the mapping)"
    return LogFault([Fault(file, None, "", "a larger file", allowed)])


def check_workbook(content: bytes, limit: int, file: str) -> None:
    """Unpack a workbook once, counting bytes and the area its cells span.

    A workbook of a few kilobytes can unpack to gigabytes, or place one cell in the last corner
    of a sheet that is then filled up with empty cells.

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
    except LogFault:
        raise
    except _DAMAGE as error:
        raise LogFault([Fault(file, None, "", str(error), "a workbook (.xlsx)")]) from None


def _check_part(stream: object, size: int, about: tuple[int, str, bool]) -> int:
    limit, file, sheet = about
    tail, rows, columns = b"", 1, 1
    while chunk := stream.read(_CHUNK):  # type: ignore[attr-defined]
        size += len(chunk)
        if size > limit:
            raise _too_large(file, limit)
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


def check_area(rows: int, columns: int, file: str) -> None:
    """Refuse tables too wide or too large to be a log.

    Raises
    ------
    LogFault
        Beyond 1,000 columns or 50 million cells.
    """
    if columns > MAX_COLUMNS:
        found, allowed = f"{columns} columns", f"at most {MAX_COLUMNS} columns"
        raise LogFault([Fault(file, None, "", found, allowed)])
    if rows * columns > MAX_CELLS:
        found = f"{rows} rows of {columns} columns"
        raise LogFault([Fault(file, None, "", found, f"at most {MAX_CELLS} cells")])
