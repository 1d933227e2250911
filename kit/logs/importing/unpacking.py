"""Get the bytes of an export, refusing files that would unpack to something absurd."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path
from typing import BinaryIO

from kit.logs.faults import Fault, LogFault

MAX_COLUMNS = 1000
MAX_CELLS = 50_000_000
MAX_LINE = 16_000_000
CHUNK = 1 << 20


def read_bytes(path: Path, limit: int, *, text: bool = False) -> bytes:
    """Read a file, unpacking gzip, up to a size.

    A packed file is unpacked twice, first only to be measured, so that one that unpacks to
    gigabytes costs time for its allowed part and hardly any memory.

    Parameters
    ----------
    path
        The file.
    limit
        Largest size accepted, packed or unpacked, in bytes.
    text
        Whether it has lines: then none may be longer than 16 MB.

    Raises
    ------
    LogFault
        If the file cannot be read, is no ordinary file, is damaged, or is larger.
    """
    try:
        if path.exists() and not path.is_file():
            allowed = "an ordinary file"
            raise LogFault([Fault(path.name, None, "", "a folder, pipe or device", allowed)])
        if path.stat().st_size > limit:
            raise too_large(path.name, limit, path.stat().st_size)
        opened = gzip.open if _is_packed(path) else open
        with opened(path, "rb") as stream:
            size = _measure(stream, limit, (path.name, text))
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


def _measure(stream: BinaryIO | gzip.GzipFile, limit: int, about: tuple[str, bool]) -> int:
    """Count bytes, and those since the last line feed, without keeping any."""
    file, text = about
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
