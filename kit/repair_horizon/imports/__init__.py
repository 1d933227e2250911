"""Bring somebody else's export into a table of the workspace.

The steps, each in its module: get the bytes (``raw_rows``) and the rows of text (``text_files``,
``typed_files``); judge their shape and apply the mapping's rules (``sources``); read every column
under a convention that is declared or proved (``fill``, ``numbers``, ``dates``); find what is new
(``result``) and write it, all or nothing (``logs.adding``). Before that, ``draft`` proposes a
mapping for a file as it is found (``layout``, ``recognise``).
"""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from repair_horizon.files.writing import locked
from repair_horizon.imports.fill import Filled, fill
from repair_horizon.imports.mapping import ImportMapping, read_mapping, table_of
from repair_horizon.imports.raw_rows import Inference
from repair_horizon.imports.result import (
    THERE,
    ImportResult,
    ledger_of,
    new_rows,
    one_status_each,
    read_review,
    review_path,
    write_review,
)
from repair_horizon.imports.sources import (
    Source,
    hashed,
    notes_on_rules,
    notes_on_shape,
    read_source,
    unpivoted,
)
from repair_horizon.logs.adding import append_rows, read_salt, read_stored
from repair_horizon.logs.partitioning import settle
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES, Table

__all__ = ["ImportMapping", "ImportResult", "Inference", "import_file", "read_mapping", "table_of"]


@dataclass(frozen=True, eq=False)
class _Prepared:
    """An export in our columns, before it is compared with the workspace."""

    source: Source
    filled: Filled
    notes: pd.DataFrame


def import_file(
    file: Path, workspace: Path, table: str, mapping: Path, *, preview: bool = False
) -> ImportResult:
    """Add the new rows of an export to a table of the workspace.

    Parameters
    ----------
    file
        CSV, TSV, TXT, XLSX, JSON lines or Parquet, each also gzipped.
    workspace
        The folder of our logs.
    table
        Name of the table to be filled.
    mapping
        The TOML file that says which of our columns comes from which of theirs.
    preview
        Write nothing, and return what would happen.

    Returns
    -------
    ImportResult
        Its rows added, already there, set aside and held add up to the records of the file.

    Raises
    ------
    LogFault
        If the mapping is wrong, the file cannot be read as declared, or a column's convention is
        neither declared nor proved. Nothing is written then.
    """
    file, workspace = Path(file), Path(workspace)
    recipe, target = read_mapping(Path(mapping), table), TABLES[table]
    if not workspace.is_dir():
        found, allowed = "no such folder", "the folder of a workspace"
        raise LogFault([Fault(workspace.name, None, "", found, allowed)])
    ready = _prepare(file, workspace, target, recipe, preview)
    with nullcontext() if preview else locked(workspace, table):
        if not preview:
            settle(workspace, table)
        stored = read_stored(workspace, target)
        left = _without(ready.filled.rows, ready.notes)
        met = new_rows(left, stored.rows, target)
        notes = one_status_each([ready.notes, *met])
        result = _result(file.name, target, ready, notes)
        result = replace(result, preview=preview)
        if preview:
            return result
        read_review(review_path(workspace, table, file.name))
        if result.added:
            append_rows(stored, result.rows)
        return _reviewed(result, file, workspace, ready, notes, recipe)


def _prepare(
    file: Path, workspace: Path, table: Table, recipe: ImportMapping, preview: bool
) -> _Prepared:
    """Read an export and turn it into our columns."""
    source = read_source(file, recipe)
    if recipe.hash:
        source = hashed(source, recipe.hash, read_salt(workspace, create=not preview))
    source = unpivoted(source, recipe.unpivot)
    notes = notes_on_shape(source)
    whole = source.text.index[(source.furniture == "") & (source.broken == "")]
    notes += notes_on_rules(source.text.loc[whole], recipe)
    gone = set().union(*[set(n["row"]) for n in notes])
    filled = fill(source, whole[~whole.isin(gone)], table, recipe, file.name)
    return _Prepared(source, filled, one_status_each([*notes, *filled.notes]))


def _result(file: str, table: Table, ready: _Prepared, notes: pd.DataFrame) -> ImportResult:
    rows = ready.filled.rows
    keys = rows[table.key] if table.key else pd.Series(dtype="str")
    return ImportResult(
        file=file,
        table=table.name,
        rows_in_file=len(ready.source.line),
        rows=_without(rows, notes),
        ledger=ledger_of(notes, ready.source, keys, table),
        inferred=(*ready.source.inferred, *ready.filled.inferred),
        preview=True,
    )


def _without(rows: pd.DataFrame, notes: pd.DataFrame) -> pd.DataFrame:
    return rows[~rows.index.isin(notes["row"])]


def _reviewed(
    result: ImportResult,
    file: Path,
    workspace: Path,
    ready: _Prepared,
    notes: pd.DataFrame,
    recipe: ImportMapping,
) -> ImportResult:
    """Write the rows that were not added, as far as they were read."""
    looked = result.ledger["status"] != THERE
    wanted = notes.loc[looked.to_numpy(), "row"]
    raw = pd.DataFrame({n: ready.source.text[s] for n, s in recipe.sources.items()})
    rows = ready.filled.rows.reindex(index=wanted)
    rows = rows.fillna(raw.reindex(index=wanted, columns=rows.columns)).fillna("")
    path = review_path(workspace, result.table, file.name)
    name = file.name.encode("utf-8", "replace").decode("utf-8")
    export = f"{name} {ready.source.digest[:12]}"
    written = write_review(path, result.ledger[looked], rows, export)
    return replace(result, review=path if written else None)
