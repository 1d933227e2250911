"""Turn a log into Parquet partitioned by family, or set one that is partitioned right again."""

from __future__ import annotations

import csv
import io
import os
import shutil
import uuid
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from repair_horizon.files.lock import locked
from repair_horizon.files.writing import sync_folder
from repair_horizon.logs.appending import settle
from repair_horizon.logs.parquet_text import parquet_text
from repair_horizon.logs.part_writing import (
    catalogue_rows,
    families_of,
    settle_switch,
    stored_text,
    write_parts,
)
from repair_horizon.logs.parts import ORDER, can_be_partitioned, upcoming
from repair_horizon.logs.reading import find_file, read_table
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES, Table


@dataclass(frozen=True)
class Partitioned:
    """What was written: the folder, rows by family ('' for none), and where the old log lies."""

    folder: Path
    rows: dict[str, int]
    before: Path


def partition(workspace: str | Path, table: str = "sales") -> Partitioned:
    """Write a log as Parquet partitioned by family, and move the old one aside.

    Parameters
    ----------
    workspace
        Folder of the logs.
    table
        Name of a log whose rows have a model or family.

    Returns
    -------
    Partitioned
        Every field is kept as the text it was, also those that cannot be read.

    Raises
    ------
    LogFault
        If the log cannot be partitioned, is missing, or has a broken frame.
    """
    workspace = Path(workspace)
    declared = _declared(table)
    with locked(workspace, table):
        settle(workspace, table)
        catalogue = catalogue_rows(workspace)
        path = find_file(workspace, declared)
        if path is None:
            raise LogFault([Fault(f"{table}.csv", None, "", "no such file", "the file")])
        text = _text(path, declared, catalogue)
        text = text.drop(columns=ORDER, errors="ignore")
        text[ORDER] = [str(i + 1) for i in range(len(text))]
        draft = workspace / f".{table}.{uuid.uuid4().hex}.tmp"
        try:
            rows = write_parts(draft, text, families_of(text, catalogue))
            before = _switch(draft, path, workspace, table)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    return Partitioned(workspace / table, rows, before)


def _declared(name: str) -> Table:
    able = [n for n, t in TABLES.items() if can_be_partitioned(t)]
    if name not in able:
        raise LogFault([Fault("--table", None, "", name, "one of " + ", ".join(able))])
    return TABLES[name]


def _text(path: Path, table: Table, catalogue: pd.DataFrame) -> pd.DataFrame:
    if path.is_dir():
        text = stored_text(path, table, catalogue)
    else:
        read_table(path, table)  # refuses a broken frame, with its faults
        if path.suffix == ".csv":
            content = io.StringIO(path.read_bytes().decode("utf-8-sig"), newline="")
            records = [r for r in csv.reader(content) if r]
            text = pd.DataFrame(records[1:], columns=records[0], dtype="str")
        else:
            text = parquet_text(path)
    if text.empty:
        raise LogFault([Fault(path.name, None, "", "no rows", "rows to be parted by family")])
    return text


def _switch(draft: Path, old: Path, workspace: Path, name: str) -> Path:
    """Put the old log aside and the new folder in its place; the old one is never removed.

    Moving the old log is the one step that counts: until then it is the log, and from then on the
    new folder is, first under the name readers look for where there is no other form of the log.
    """
    number, before = 1, old.with_name(f"{old.name}.before")
    while before.exists():
        number += 1
        before = old.with_name(f"{old.name}.before{number}")
    os.rename(draft, workspace / upcoming(name))
    sync_folder(workspace)
    os.rename(old, before)
    sync_folder(workspace)
    settle_switch(workspace, name)
    return before
