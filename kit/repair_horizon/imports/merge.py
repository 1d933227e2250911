"""Which rows of an import are new, which are there already, and which contradict what is there."""

from __future__ import annotations

import re

import pandas as pd

from repair_horizon.imports.mapping import NUMBERS
from repair_horizon.imports.reshape import note
from repair_horizon.tables.inputs import Table
from repair_horizon.tables.row_accounts import HELD

THERE = "already there"


def new_rows(rows: pd.DataFrame, stored: pd.DataFrame, table: Table) -> list[pd.DataFrame]:
    """Say which rows are not to be added.

    Parameters
    ----------
    rows
        Rows in our columns, as text, in the file's order.
    stored
        Rows of the workspace, as text.
    table
        The declaration; rows meet by its key, or as a whole where it has none.

    Returns
    -------
    list of DataFrame
        Notes: rows stored already or met earlier in the file are "already there"; a different
        row under a key that is taken is held, with the columns that differ.
    """
    names = [c.name for c in table.columns if c.name in rows or c.name in stored]
    mine, theirs = (_comparable(f, names, table) for f in (rows, stored))
    known: dict[object, list[tuple[str, ...]]] = {}
    for values in theirs:
        known.setdefault(_key(values, names, table), []).append(values)
    before = {key: len(values) for key, values in known.items()}
    same: dict[str, list[object]] = {}
    other: list[tuple[object, str, str, str]] = []
    for row, values in zip(rows.index, mine, strict=True):
        key = _key(values, names, table)
        taken = known.setdefault(key, [])
        if values in taken:
            where = "in the workspace" if values in taken[: before.get(key, 0)] else "in the file"
            same.setdefault(f"the same row {where}", []).append(row)
        elif taken:
            other.append((row, *_difference(values, taken[0], names)))
        else:
            taken.append(values)
    out = [note(pd.Index(where), THERE, reason) for reason, where in same.items()]
    if other:
        index, column, found, allowed = zip(*other, strict=True)
        about = {"column": list(column), "found": list(found), "allowed": list(allowed)}
        out.append(note(pd.Index(index), HELD, f"another row has this {table.key}", **about))
    return out


def _comparable(frame: pd.DataFrame, names: list[str], table: Table) -> list[tuple[str, ...]]:
    """Rows as tuples of text in which equal values are written equally."""
    text = frame.reindex(columns=names, fill_value="")
    for name in names:
        if table.column(name).kind in NUMBERS:
            text[name] = text[name].map(_plain_number)
    return [tuple(values) for values in text.itertuples(index=False, name=None)]


def _plain_number(text: str) -> str:
    """Write 12.50, +12.5 and 012.5 in one way."""
    found = re.fullmatch(r"([+-]?)0*(\d*)(?:\.(\d*?)0*)?", text)
    if not text or not found:
        return text
    sign = "-" if found[1] == "-" else ""
    body = (found[2] or "0") + (f".{found[3]}" if found[3] else "")
    return body if body == "0" else sign + body


def _key(values: tuple[str, ...], names: list[str], table: Table) -> object:
    return values[names.index(table.key)] if table.key else values


def _difference(
    values: tuple[str, ...], taken: tuple[str, ...], names: list[str]
) -> tuple[str, str, str]:
    """Name the columns that differ, what the file says and what is stored."""
    odd = [i for i in range(len(names)) if values[i] != taken[i]]
    return (
        "; ".join(names[i] for i in odd),
        "; ".join(values[i] for i in odd),
        "; ".join(taken[i] for i in odd),
    )
