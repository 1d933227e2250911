"""Write a log as Parquet by family, every field as the text it was; and set one right again.

Parts are written under passing names, then one note, then they get their names: with the note they
all count, without it none does, wherever the import was killed.
"""

from __future__ import annotations

import os
import shutil
import uuid
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from repair_horizon.files.writing import locked, sync_folder
from repair_horizon.logs.partitions import (
    ADDING,
    FOLDER,
    ORDER,
    PLACE,
    can_be_partitioned,
    draft_of,
    family_by_model,
    folder_of,
    joined,
    part_name,
    parts_of,
)
from repair_horizon.logs.reading import find_file, plain_text, read_table, upcoming
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import CATALOGUE, TABLES, Table


@dataclass(frozen=True)
class Partitioned:
    """What was written: the folder, rows by family ('' for none), and where the old log lies."""

    folder: Path
    rows: dict[str, int]
    before: Path


def partition(workspace: str | Path, table: str = "sales") -> Partitioned:
    """Write a log as Parquet partitioned by family, and move the old one aside.

    Every field is kept as the text it was, also those that cannot be read. Raises ``LogFault`` if
    the log has no model or family, is missing, or has a broken frame.
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
    text = stored_text(path, table, catalogue) if path.is_dir() else plain_text(path, table)
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


def settle(workspace: Path, table: str) -> None:
    """Finish or remove what somebody killed left behind; only under the table's lock.

    Whatever was as good as done is finished (see ``append_parts``), drafts go.

    Raises ``LogFault`` if the folder cannot be written.
    """
    try:
        settle_switch(workspace, table)
        settle_parts(workspace / table)
    except OSError as error:
        found, allowed = error.strerror or str(error), "a folder that can be written"
        raise LogFault([Fault(table, None, "", found, allowed)]) from None
    drafts = [*workspace.glob(f".{table}.*.tmp")]
    if not (workspace / "review").is_symlink():
        drafts += workspace.glob(f"review/.{table}-*.tmp")
    for draft in drafts:
        with suppress(OSError):
            shutil.rmtree(draft) if draft.is_dir() else draft.unlink()


def catalogue_rows(workspace: Path) -> pd.DataFrame:
    """Rows of the catalogue, which says the family of each model.

    Raises ``LogFault`` if it is missing or broken.
    """
    path = find_file(workspace, CATALOGUE)
    if path is None:
        allowed = "the file, since it says which family a model is in"
        raise LogFault([Fault("catalogue.csv", None, "", "no such file", allowed)])
    return read_table(path, CATALOGUE).rows


def stored_text(folder: Path, table: Table, catalogue: pd.DataFrame) -> pd.DataFrame:
    """Every row of a partitioned log as text, in the order of the log it came from."""
    parts = parts_of(folder, table, dict.fromkeys(catalogue["family_id"]))
    return joined(parts, [p.text() for p in parts]).drop(columns=PLACE)


def families_of(text: pd.DataFrame, catalogue: pd.DataFrame) -> pd.Series:
    """Family of each row of text, '' where its model is in none."""
    if "family_id" in text:
        named = text["family_id"].str.strip()
        return named.where(named.isin(catalogue["family_id"]), "")
    return text["model_id"].str.strip().map(family_by_model(catalogue)).fillna("")


def write_parts(folder: Path, text: pd.DataFrame, families: pd.Series) -> dict[str, int]:
    """Write rows into new parts of their families' folders, all of them or none.

    Parameters
    ----------
    folder
        The log's folder; made if need be.
    text
        Rows, every column text, with ``ORDER``.
    families
        Family of each row, '' for none; aligned with ``text``.

    Returns
    -------
    dict
        Family to rows written.

    Raises
    ------
    LogFault
        If a folder or file cannot be written.
    """
    number, written = uuid.uuid4().hex[:12], {}
    place = folder
    try:
        for family, rows in text.groupby(families, sort=True):
            place = folder / folder_of(str(family))
            place.mkdir(parents=True, exist_ok=True)
            _write_draft(place / draft_of(number), rows)
            written[str(family)] = len(rows)
        place = folder
        (folder / f"{ADDING}{number}").touch()
        sync_folder(folder)
        settle_parts(folder)
    except OSError as error:
        _remove_drafts(folder)
        found, allowed = error.strerror or str(error), "a folder that can be written"
        file = folder.name if place == folder else f"{folder.name}/{place.name}"
        raise LogFault([Fault(file, None, "", found, allowed)]) from None
    return written


def _write_draft(path: Path, rows: pd.DataFrame) -> None:
    pq.write_table(pa.Table.from_pandas(rows, preserve_index=False), path)
    with open(path, "rb") as file:
        os.fsync(file.fileno())
    sync_folder(path.parent)


def settle_parts(folder: Path) -> None:
    """Give the parts of a finished import their names, and remove those of one that was killed."""
    if folder.is_symlink():
        return  # nothing is written through a link, so nothing of ours lies there
    for note in sorted(folder.glob(f"{ADDING}*")):
        number = note.name.removeprefix(ADDING)
        for draft in folder.glob(f"{FOLDER}*/{draft_of(number)}"):
            os.replace(draft, draft.with_name(part_name(number)))
            sync_folder(draft.parent)
        note.unlink()
    _remove_drafts(folder)


def _remove_drafts(folder: Path) -> None:
    """Remove parts that never came to count."""
    noted = {draft_of(p.name.removeprefix(ADDING)) for p in folder.glob(f"{ADDING}*")}
    for draft in folder.glob(f"{FOLDER}*/{draft_of('*')}"):
        if draft.name not in noted:
            with suppress(OSError):
                draft.unlink()


def settle_switch(workspace: Path, name: str) -> None:
    """Name the folder of a log whose old form was put aside; remove it where that is still there.

    Only under the log's lock.
    """
    folder = workspace / upcoming(name)
    if folder.is_dir():
        if find_file(workspace, TABLES[name]) == folder:
            _emptied(workspace / name)
            os.rename(folder, workspace / name)
            sync_folder(workspace)
        else:
            shutil.rmtree(folder, ignore_errors=True)


def _emptied(path: Path) -> None:
    """Move aside a folder without parts that stands where the log is to be."""
    if path.exists():
        os.rename(path, path.with_name(f"{path.name}.{uuid.uuid4().hex[:8]}.empty"))


def append_parts(folder: Path, table: Table, rows: pd.DataFrame) -> None:
    """Add rows of text to a partitioned log, after those it has: all of them or none."""
    catalogue = catalogue_rows(folder.parent)
    stored = stored_text(folder, table, catalogue)
    last = pd.to_numeric(stored.get(ORDER, pd.Series(dtype="str")), errors="coerce").max()
    first = len(stored) if pd.isna(last) else max(int(last), len(stored))
    text = rows.fillna("").astype("str").reset_index(drop=True)
    text[ORDER] = [str(first + 1 + i) for i in range(len(text))]
    write_parts(folder, text, families_of(text, catalogue))
