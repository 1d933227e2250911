"""Every file of the kit is written here, with one guarantee; its lock, name and size too.

The guarantee of ``write_whole``: whoever reads the file, and whoever comes after a crash or a
killed process, meets the old file or the new one, each whole; once it has returned the new one is
on the disc. It is drafted beside its place under a name nobody can foresee, which must not be
there yet, so that no link planted under that name is followed; a link that stands in the file's
own place is replaced, not written through. New files can be read by their owner only, unless
``private`` is False; where the system has no such rights, whoever may enter the folder may read.

A place that cannot be written to has one message for the whole run, not one per family.

One writer at a time into a table: the system's own lock on a file beside it.

The system lets go of it when its holder ends, however that ends, so a killed import is no obstacle
to the next one. The file itself, ``.TABLE.lock``, stays and is empty: taking it away would let two
wait for two files of one name.
"""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import os
import re
import unicodedata
import uuid
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from filelock import FileLock, Timeout

from repair_horizon.tables.faults import Fault, LogFault


def write_whole(path: Path, content: str | bytes, *, private: bool = True) -> None:
    """Write a file with the guarantee above; its folders are made if need be.

    Parameters
    ----------
    content
        Text is written as UTF-8, its line ends as they are: a page's content policy holds hashes
        of its scripts.
    private
        Whether only the owner may read it. A file there that need not be private keeps its rights.

    Raises
    ------
    OSError
        If it cannot be written; no draft is left.
    """
    make_folder(path.parent, private=private)
    data = content if isinstance(content, bytes) else content.encode("utf-8", "replace")
    draft = path.with_name(f".{path.name[:80]}.{uuid.uuid4().hex}.tmp")
    mode = 0o600 if private else 0o666
    try:
        with open(draft, "xb", opener=lambda name, flags: os.open(name, flags, mode)) as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if not private and path.is_file() and not path.is_symlink():
            os.chmod(draft, path.stat().st_mode & 0o777)
        os.replace(draft, path)
    except BaseException:
        with suppress(OSError):
            draft.unlink()
        raise
    sync_folder(path.parent)


def make_folder(folder: Path, *, private: bool = True) -> None:
    """Make a folder and those above it; what is made is the owner's only where the system can."""
    missing = [folder, *folder.parents]
    missing = missing[: next((i for i, p in enumerate(missing) if p.exists()), len(missing))]
    for place in reversed(missing):
        place.mkdir(mode=0o700 if private else 0o777, exist_ok=True)
    folder.mkdir(exist_ok=True)  # refuses a file of this name in the system's words


def sync_folder(folder: Path) -> None:
    """Have the system write a folder's names to disc, where it lets folders be opened."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_text(path: Path, text: str) -> None:
    """Write a text for its owner only, with the guarantee above."""
    write_whole(path, text)


def write_table(path: Path, table: pd.DataFrame, float_format: str | None = None) -> None:
    """Write a table as CSV no cell of which begins a formula; ``unguarded`` reads it as it was.

    UTF-8, ISO dates, decimal points, lines ended by a line feed.
    """
    write_whole(path, table_text(table, float_format))


def table_text(table: pd.DataFrame, float_format: str | None = None) -> str:
    """Print a table as ``write_table`` writes it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([guarded(str(name)) for name in table.columns])
    for start in range(0, len(table), _ROWS):
        rows = table.iloc[start : start + _ROWS]
        columns = [_cells(column, float_format) for _, column in rows.items()]
        writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


_ROWS = 50_000  # made into text at a time


def _cells(column: pd.Series, float_format: str | None) -> list[Any]:
    """Entries of a column as a CSV has them: a missing one is empty, no text begins a formula."""
    if column.dtype.kind == "M":
        days = column.to_numpy()
        return np.where(np.isnat(days), "", np.datetime_as_string(days, unit="D")).tolist()
    if column.dtype == "str":
        return [guarded(text) for text in column.to_numpy(dtype=object, na_value="")]
    missing = column.isna().to_numpy()
    values = column.to_numpy(dtype=object).tolist() if missing.any() else column.tolist()
    if column.dtype.kind == "f" and float_format is not None:
        values = [float_format % v for v in values]
    elif column.dtype.kind not in "fiub":
        values = [guarded(v) if isinstance(v, str) else v for v in values]
    if missing.any():
        return ["" if none else v for v, none in zip(values, missing.tolist(), strict=True)]
    return values


# What begins a formula in one spreadsheet or another, wide forms too; a mark of our own before it
# is marked again, so that reading back takes away exactly what was added.
_BEGINS = "=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20"
_FORMULA = re.compile(f"'*[{_BEGINS}]")
_MARKED = re.compile(f"''*[{_BEGINS}]")
_FIGURE = re.compile(r"-\d+(\.\d+)?([eE][+-]?\d+)?")


@lru_cache(maxsize=65536)
def guarded(text: str) -> str:
    """Mark text that a spreadsheet would run as a formula with a leading apostrophe.

    Figures are left alone; ``-2+3`` is none.
    """
    return f"'{text}" if _FORMULA.match(text) and not _FIGURE.fullmatch(text) else text


def for_spreadsheet(table: pd.DataFrame) -> pd.DataFrame:
    """Guard every text of a table, and its headings, against being run as a formula."""
    out = table.rename(columns=lambda name: guarded(str(name)))
    return _each_text(out, guarded)


def unguarded(table: pd.DataFrame) -> pd.DataFrame:
    """Take the marks of ``for_spreadsheet`` away again."""
    out = table.rename(columns=lambda name: _unmarked(str(name)))
    return _each_text(out, _unmarked)


def _unmarked(text: str) -> str:
    return text[1:] if _MARKED.match(text) else text


def _each_text(table: pd.DataFrame, change: Callable[[str], str]) -> pd.DataFrame:
    """Change every text; each is looked at once, since the same recur."""
    for at, name in enumerate(table.columns):
        column = table.iloc[:, at]
        if pd.api.types.is_numeric_dtype(column) or column.dtype.kind == "M":
            continue
        words = column.astype("object")
        texts = [v for v in words.unique() if isinstance(v, str)]
        changed = {v: c for v in texts if (c := change(v)) != v}
        if changed:
            table = table.assign(**{str(name): words.map(lambda v, new=changed: new.get(v, v))})
    return table


def workbook(table: pd.DataFrame) -> bytes:
    """Write a table as XLSX: text stays text, whatever it looks like, and figures are figures.

    Parameters
    ----------
    table
        Entries as text, as read from a CSV.
    """
    import xlsxwriter

    out = io.BytesIO()
    plain = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(out, {**plain, "strings_to_numbers": False}) as book:
        # The same table always gives the same bytes, and no hour of work is told.
        book.set_properties({"created": datetime(1980, 1, 1)})
        sheet = book.add_worksheet("thresholds")
        sheet.freeze_panes(1, 0)
        for at, name in enumerate(table.columns):
            figures = pd.to_numeric(table[name], errors="coerce")
            numeric = bool((figures.notna() | (table[name] == "")).all()) and not name.endswith(
                "_id"
            )
            sheet.write_string(0, at, str(name))
            for row, (text, figure) in enumerate(zip(table[name], figures, strict=True), 1):
                if numeric and text != "":
                    sheet.write_number(row, at, float(figure))
                else:
                    sheet.write_string(row, at, text)
    return out.getvalue()


_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
# Only writing meets these; the others may also come from reading, and count under the folder only.
_SURELY = _FULL | {errno.EROFS}
_PERHAPS = {errno.EACCES, errno.EPERM, errno.ENOTDIR, errno.EEXIST, errno.EISDIR}
_SAID = re.compile(r"\[Errno (\d+)\] ([^:\n]*)(?:: '([^'\n]*)')?")


def unwritable(error: OSError, place: Path) -> OSError:
    """Return the failure in a partner's words; ``filename`` is where, ``strerror`` what to do."""
    why = error.strerror or str(error)
    remedy = "make room" if error.errno in _FULL else "choose a folder that may be written to"
    words = f"cannot be written ({why}); {remedy} and run again: finished families are kept"
    return OSError(error.errno, words, str(error.filename or place))


def stops_the_run(error: BaseException) -> bool:
    """Whether a family's failure is one of writing, which every other family would meet too."""
    return isinstance(error, OSError) and error.errno in _SURELY | _PERHAPS


@contextmanager
def writing(place: Path) -> Iterator[None]:
    """Turn a failure to write under ``place`` into its one message.

    Raises
    ------
    OSError
        With words of its own, in place of the system's.
    """
    try:
        yield
    except OSError as error:
        raise unwritable(error, place) from error


def said_in_a_cell(words: str, place: Path) -> OSError | None:
    """Return the failure to write that a cell's error tells of, if it is one.

    Parameters
    ----------
    words
        The error as a notebook holds it, where only its text is left.
    place
        The folder of the month.
    """
    found = _SAID.search(words)
    if found is None:
        return None
    number, path = int(found[1]), found[3] or ""
    inside = path.startswith(str(place) + os.sep) or path == str(place)
    if number in _SURELY or (number in _PERHAPS and inside):
        return unwritable(OSError(number, os.strerror(number), path or str(place)), place)
    return None


_PAUSE = 0.02


@contextmanager
def locked(workspace: Path, table: str, patience: float = 60.0) -> Iterator[None]:
    """Hold the lock of one table of a workspace.

    Parameters
    ----------
    patience
        Seconds to wait for another import before giving up.

    Raises
    ------
    LogFault
        If another import does not end in time, or the folder cannot be written.
    """
    path = workspace / f".{table}.lock"
    with suppress(OSError):
        if path.is_symlink():  # the lock of an import of before, or somebody's trap
            path.unlink()
    lock = FileLock(path, timeout=patience, poll_interval=_PAUSE, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        found, allowed = "held by another import", "no other at work: run it again once that ends"
        raise LogFault([Fault(path.name, None, "", found, allowed)]) from None
    except OSError as error:
        found, allowed = error.strerror or str(error), "a folder that can be written"
        raise LogFault([Fault(workspace.name, None, "", found, allowed)]) from None
    try:
        yield
    finally:
        lock.release()


_RESERVED = {"con", "prn", "aux", "nul", "index", "thresholds", "plotly", "run", "set_aside"}
_RESERVED |= {f"{d}{i}" for d in ("com", "lpt") for i in range(10)}
_LONGEST = 60


def slug(name: str) -> str:
    """Return a name as lower-case letters, digits, ``-`` and ``_``.

    A name that had to be changed gets a few characters of its hash, so that two names never
    share a file, also on systems that do not tell capitals apart.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii").lower()
    kept = re.sub(r"[^a-z0-9_-]+", "-", plain).strip("-_")[:_LONGEST]
    if kept and kept == name and kept not in _RESERVED:
        return kept
    mark = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{kept or 'family'}-{mark}"


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Return the file name of each identifier; a number parts the few that still coincide."""
    out: dict[str, str] = {}
    for name in names:
        first = wanted = slug(name)
        count = 1
        while wanted in out.values():
            count += 1
            wanted = f"{first}-{count}"
        out[name] = wanted
    return out


# Reading a log of sales took about ten times its size (measured, 75 MB of CSV). A quarter of the
# memory is far beyond that, so that nothing is refused which swapping might still have carried.
SHARE = 4
# Where the system does not tell its memory: limits then are those of 16 GB.
_UNKNOWN = 16_000_000_000
_GROUP = Path("/sys/fs/cgroup/memory.max")


def memory_bytes() -> int:
    """Return the memory this process may have: the machine's, or its container's if less."""
    found = _UNKNOWN
    with suppress(AttributeError, ValueError, OSError):  # no sysconf on Windows
        found = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    with suppress(ValueError, OSError):  # "max" where there is no limit
        found = min(found, int(_GROUP.read_text(encoding="ascii")))
    return found


def largest_file() -> int:
    """Return the largest file, in bytes, that is read on this machine."""
    return memory_bytes() // SHARE


def check_size(path: Path, size: int | None = None) -> None:
    """Refuse a file far larger than the memory.

    Parameters
    ----------
    size
        Its size once unpacked, bytes; its size on the disc if None.

    Raises
    ------
    LogFault
        If it is larger than a quarter of the memory. A file that is not there passes.
    """
    with suppress(OSError):
        size = path.stat().st_size if size is None else size
    limit = largest_file()
    if size is not None and size > limit:
        found = f"{size / 1e9:.3g} GB"
        allowed = (
            f"at most {limit / 1e9:.3g} GB, a quarter of this machine's memory: split an export "
            "and import its pieces; a log, `partition` it on a machine with more memory, and "
            "read by families"
        )
        raise LogFault([Fault(path.name, None, "", found, allowed)])
