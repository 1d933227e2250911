"""Bring somebody else's export, or a partner's answers, into a table of the workspace.

The steps, each in its module: get the bytes (``raw_rows``) and the rows of text (``sources``,
``typed_files``); judge their shape and apply the mapping's rules (``sources``); read every column
under a convention that is declared or proved (``fill``, ``numbers``, ``dates``); bring foreign
amounts into the shop's money (``own_money``); find what is new (``result``) and write it, all or
nothing (``logs.adding``). Before that, ``draft`` proposes a mapping for a file as it is found
(``layout``).

A partner's answers need no mapping: a page saves ``answers.csv`` with the columns of the table
``answers``. Where a mail's preview runs no script, the same is said in lines of text, in the body
of a reply:

    2026-11 | pellvarn_4 | display_dead | L0501 | other_bid | 95 | too worn

month, model, fault, listing (may be empty), answer, amount (may be empty), note (may be empty);
lines that are none of these are passed over. Text stays text, whatever it looks like.
"""

from __future__ import annotations

import csv
import io
import re
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from repair_horizon.files.writing import locked
from repair_horizon.imports.fill import Filled, fill
from repair_horizon.imports.mapping import ImportMapping, read_mapping, table_of
from repair_horizon.imports.own_money import in_own_money
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
from repair_horizon.logs.consequences import CODED, unknown_codes
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
        met = new_rows(left, stored, target)
        notes = one_status_each([ready.notes, *met])
        result = _result(file.name, target, ready, notes)
        unknown = _unknown(ready, notes, workspace, target, file.name)
        result = replace(result, preview=preview, unknown=unknown)
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
    filled = in_own_money(filled, table, recipe, workspace)
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


def _unknown(
    ready: _Prepared, notes: pd.DataFrame, workspace: Path, table: Table, file: str
) -> tuple[Fault, ...]:
    """Tell the words for faults and states that mean nothing to the families of the rows."""
    if table.name not in {name for name, _, _ in CODED}:
        return ()
    left = _without(ready.filled.rows, notes[notes["status"] != THERE])
    own = {n: read_stored(workspace, TABLES[n]).rows for n in ("catalogue", "fault_states")}
    if not {"family_id", "device_class"} <= set(own["catalogue"]):
        return ()
    rows = left.assign(line=ready.source.line)
    found = unknown_codes({**own, table.name: rows})
    return tuple(one.in_export(file) for one in found)


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


ANSWERS = TABLES["answers"]
_LINE = re.compile(r"^[\s>]*(\d{4}-\d{2})\s*\|")
_FIELDS = ("month", "model_id", "listed_fault", "listing_id", "answer", "amount", "note")
_LARGEST = 2_000_000


def import_answers(file: Path, workspace: Path, *, preview: bool = False) -> ImportResult:
    """Add the answers of a file to the workspace's answers.csv; those there already are counted.

    ``file`` is CSV as a page saves it, or text with an answer a line; with ``preview`` nothing is
    written. Raises ``LogFault`` if the file cannot be read or holds no answer.
    """
    try:
        data = file.read_bytes()
    except OSError as error:
        why = error.strerror or "cannot be read"
        raise LogFault([Fault(str(file), None, "", why, "a file of answers")]) from None
    if len(data) > _LARGEST:
        allowed = f"answers, at most {_LARGEST:,} bytes"
        raise LogFault([Fault(str(file), None, "", f"{len(data):,} bytes", allowed)])
    text = data.decode("utf-8-sig", "replace").replace("\r\n", "\n").replace("\r", "\n")
    if not text.startswith("answer_id"):
        text = answers_in(text, file.name)
    with TemporaryDirectory(prefix="answers-") as place:
        plain, mapping = Path(place) / file.with_suffix(".csv").name, Path(place) / "answers.toml"
        plain.write_text(text, encoding="utf-8", newline="")
        mapping.write_text(_mapping(text, file.name), encoding="utf-8")
        return import_file(plain, workspace, ANSWERS.name, mapping, preview=preview)


def answers_in(text: str, name: str) -> str:
    """Return the answers in pasted lines as CSV.

    Raises ``LogFault`` if no line is an answer.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["answer_id", *_FIELDS])
    found = 0
    for line in text.splitlines():
        if not _LINE.match(line):
            continue
        parts = [p.strip() for p in line.lstrip(" \t>").split("|", len(_FIELDS) - 1)]
        parts += [""] * (len(_FIELDS) - len(parts))
        writer.writerow([answer_id(*parts[:6]), *parts])
        found += 1
    if not found:
        allowed = "answers.csv of a page, or lines such as 2026-11 | model | fault | L1 | agree"
        raise LogFault([Fault(name, None, "", "no answer", allowed)])
    return out.getvalue()


def answer_id(month: str, model: str, fault: str, listing: str, answer: str, amount: str) -> str:
    """Return an answer's key: the same answer given twice is one, as the page's script has it."""
    about = listing or f"{model}/{fault}"
    return "/".join([month, about, answer, *([amount] if amount else [])])


def _mapping(text: str, name: str) -> str:
    try:
        there = next(csv.reader(io.StringIO(text, newline="")), [])
    except csv.Error as error:
        raise LogFault([Fault(name, 1, "", str(error), "the columns of answers.csv")]) from None
    names = [c.name for c in ANSWERS.columns if c.name in there]
    lines = ['table = "answers"', 'separator = ","', 'decimal = "."', "[columns]"]
    return "\n".join([*lines, *(f'{n} = "{n}"' for n in names)]) + "\n"
