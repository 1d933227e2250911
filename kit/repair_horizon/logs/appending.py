"""What a log holds now, and how rows are added to it: the old file or the new one, never half."""

from __future__ import annotations

import csv
import io
import secrets
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from repair_horizon.files.lock import locked
from repair_horizon.files.writing import write_whole
from repair_horizon.logs.partitioning import append_parts, catalogue_rows, stored_text
from repair_horizon.logs.partitions import read_parts
from repair_horizon.logs.reading import find_file, plain_text
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES, Table

SALT_FILE = "import_salt"


@dataclass(frozen=True, eq=False)
class Stored:
    """A table as it stands in the workspace: its file's text, and its rows as text."""

    path: Path
    content: str
    rows: pd.DataFrame


def read_stored(workspace: Path, table: Table) -> Stored:
    """Read what a workspace holds of a table; nothing if it has no file.

    Raises ``LogFault`` if the file is broken, is a single Parquet file (rows are added to CSV, or
    as new parts of a log partitioned by family), or is a link: replacing a link would part the
    workspace from the file it led to.
    """
    path = find_file(workspace, table)
    if path is None:
        return Stored(workspace / f"{table.name}.csv", "", pd.DataFrame())
    if path.is_dir() and not path.is_symlink():
        catalogue = catalogue_rows(workspace)
        read_parts(path, table, catalogue)
        text = stored_text(path, table, catalogue)
        return Stored(path, "", text.apply(lambda s: s.str.strip()))
    if path.suffix != ".csv":
        allowed = f"{table.name}.csv, or a folder of parts: a single Parquet file is not added to"
        raise LogFault([Fault(path.name, None, "", path.name, allowed)])
    if path.is_symlink():
        allowed = f"{table.name}.csv itself: import into the workspace the link leads to"
        raise LogFault([Fault(path.name, None, "", "a link to another place", allowed)])
    rows = plain_text(path, table)
    content = path.read_bytes().decode("utf-8")
    return Stored(path, content, rows.apply(lambda s: s.str.strip()))


def append_rows(stored: Stored, rows: pd.DataFrame) -> None:
    """Add rows to a stored table, all or none.

    What is stored stays byte for byte, except that columns it lacks are added to every line. A
    log partitioned by family gets new parts, all or none for each family.
    """
    if stored.path.is_dir():
        append_parts(stored.path, TABLES[stored.path.name], rows)
        return
    content, header = stored.content, list(stored.rows.columns)
    ending = "\r\n" if "\r\n" in content.partition("\n")[0] + "\n" else "\n"
    new = [c for c in rows.columns if c not in header]
    if new or not content:
        header += new
        whole = stored.rows.reindex(columns=header, fill_value="")
        content = csv_text(whole, ending, header=True)
    elif not content.endswith(("\n", "\r")):
        content += ending
    added = rows.reindex(columns=header, fill_value="")
    replace_file(stored.path, content + csv_text(added, ending, header=False))


def csv_text(rows: pd.DataFrame, ending: str = "\n", *, header: bool = True) -> str:
    """Print rows as our logs are written."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator=ending)
    if header:
        writer.writerow(rows.columns)
    writer.writerows(rows.itertuples(index=False, name=None))
    return out.getvalue()


def replace_file(path: Path, content: str, *, private: bool = False) -> None:
    """Write a file so that a reader, or a crash, meets the old or the new one, nothing between."""
    try:
        write_whole(path, content, private=private)
    except OSError as error:
        found, allowed = error.strerror or str(error), "a file that can be written"
        raise LogFault([Fault(path.name, None, "", found, allowed)]) from None


def read_salt(workspace: Path, *, create: bool) -> str:
    """Return the workspace's salt for hashes, made once; without ``create``, a passing one.

    Two imports into different tables may both want to make it; the first one counts.

    Raises ``LogFault`` if it cannot be read or written.
    """
    path = workspace / SALT_FILE
    try:
        if create and not path.exists():
            _make_salt(path)
        if not path.exists():
            return secrets.token_hex(16)
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        found, allowed = getattr(error, "strerror", "") or str(error), "a file of our own making"
        raise LogFault([Fault(SALT_FILE, None, "", found, allowed)]) from None


def _make_salt(path: Path) -> None:
    with locked(path.parent, path.name):
        for draft in path.parent.glob(f".{path.name}.*.tmp"):  # of an import that was killed
            draft.unlink(missing_ok=True)
        if not path.exists():
            write_whole(path, secrets.token_hex(16) + "\n")
