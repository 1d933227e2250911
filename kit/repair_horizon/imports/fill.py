"""Fill our table's columns from the rows of an export."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from repair_horizon.imports.convert import Cells, ReadColumn, read_cells
from repair_horizon.imports.mapping import NUMBERS, ImportMapping
from repair_horizon.imports.raw_rows import Inference
from repair_horizon.imports.reshape import damaged, note
from repair_horizon.imports.sources import Source
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import Table
from repair_horizon.tables.row_accounts import HELD, SET_ASIDE

_JOIN = "|"


@dataclass(frozen=True, eq=False)
class Filled:
    """Records in our columns, as text, with what is said about some of them."""

    rows: pd.DataFrame
    notes: tuple[pd.DataFrame, ...]
    inferred: tuple[Inference, ...]


def fill(source: Source, open_rows: pd.Index, about: tuple[Table, ImportMapping, str]) -> Filled:
    """Turn records into rows of our table.

    Parameters
    ----------
    source
        The records.
    open_rows
        Those that are still wanted; only these prove conventions.
    about
        Our table, the mapping, and the file's name.

    Raises
    ------
    LogFault
        With every column whose convention is neither declared nor proved.
    """
    table, mapping, file = about
    source = replace(
        source,
        text=source.text.loc[open_rows],
        exact=source.exact.loc[open_rows],
        line=source.line.loc[open_rows],
    )
    read = {
        name: read_cells(
            table.column(name),
            Cells(file, source.text[theirs], source.exact[theirs], source.line),
            mapping,
        )
        for name, theirs in mapping.sources.items()
    }
    refused = [r.refused for r in read.values() if r.refused]
    if refused:
        raise LogFault(refused)
    rows = pd.DataFrame({name: r.text for name, r in read.items()}, index=open_rows)
    rows = rows.assign(**mapping.constants)
    notes = [n for r in read.values() for n in r.notes]
    if mapping.key.columns:
        rows[table.key], bad = _keys(source.text, mapping)
        notes.append(bad.assign(column=table.key))
    notes += _other_currency(rows, read, (mapping.currency, file))
    aside = _outside(rows, table, mapping)
    order = [c.name for c in table.columns if c.name in rows]
    known = tuple(i for r in read.values() for i in r.inferred)
    return Filled(rows[order].astype("str"), (*aside, *notes), known)


def _keys(text: pd.DataFrame, mapping: ImportMapping) -> tuple[pd.Series, pd.DataFrame]:
    """Join the key's columns; the sign between them is escaped, so that no two keys meet."""
    parts = text[mapping.key.columns]
    bad = (parts == "").any(axis=1) | parts.apply(damaged).any(axis=1)
    if len(mapping.key.columns) > 1:
        parts = parts.apply(lambda s: s.str.replace("%", "%25").str.replace(_JOIN, "%7C"))
    key = parts.iloc[:, 0]
    for name in mapping.key.columns[1:]:
        key = key + _JOIN + parts[name]
    shown = parts.loc[bad].apply(" | ".join, axis=1) if bad.any() else ""
    allowed = "a whole value in each of " + ", ".join(mapping.key.columns)
    said = note(text.index[bad], HELD, "the key cannot be built", found=shown, allowed=allowed)
    return mapping.key.prefix + key, said


def _other_currency(
    rows: pd.DataFrame, read: dict[str, ReadColumn], about: tuple[str, str]
) -> list[pd.DataFrame]:
    """Hold rows whose amount carries another currency than the row names.

    ``about`` is the currency declared for tables that have no column for it, and the file.

    Raises
    ------
    LogFault
        If amounts carry a currency and nothing says which one they should.
    """
    declared, file = about
    out = []
    for name, column in read.items():
        if column.currencies is None:
            continue
        unit = "launch_currency" if name == "launch_price" else "currency"
        signs = column.currencies[column.currencies.map(len) > 0]
        codes = rows.loc[signs.index, unit] if unit in rows else pd.Series(declared, signs.index)
        pairs = zip(codes, signs, strict=True)
        odd = pd.Series([c != "" and c not in may for c, may in pairs], signs.index, dtype=bool)
        if len(signs) and unit not in rows and not declared:
            first = " or ".join(signs.iloc[0])
            raise LogFault([Fault(file, None, name, first, "a declared currency: they carry one")])
        found = signs[odd].map(" or ".join)
        allowed = codes[odd] + f", as in {unit}"
        reason = "an amount in another currency"
        out.append(note(found.index, HELD, reason, column=name, found=found, allowed=allowed))
    return out


def _outside(rows: pd.DataFrame, table: Table, mapping: ImportMapping) -> list[pd.DataFrame]:
    """Set aside what lies outside the part of the file that is wanted."""
    part = mapping.filter
    if not part.column:
        return []
    text = rows[part.column]
    number = table.column(part.column).kind in NUMBERS
    values, lowest, highest = (
        _comparable(pd.Series(t, dtype="str"), number)
        for t in (text, [part.lowest], [part.highest])
    )
    # A limit that is not given is missing here, and nothing lies beyond a missing value.
    out = (values < lowest.iloc[0]) | (values > highest.iloc[0])
    allowed = f"{part.lowest or '...'} to {part.highest or '...'}"
    about = {"column": part.column, "found": text[out], "allowed": allowed}
    return [note(text.index[out], SET_ASIDE, part.reason, **about)]


def _comparable(text: pd.Series, number: bool) -> pd.Series:
    if number:
        return pd.to_numeric(text, errors="coerce").astype("float64")
    return pd.to_datetime(text.str.slice(0, 10), format="%Y-%m-%d", errors="coerce")
