"""Steps on the rows of an export before its values are read: side-by-side columns, hashes, rules.

What a step says about rows is a table of notes with the columns ``NOTE``: the row (its index),
what becomes of it, and why.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.imports.mapping import AsideRule, ImportMapping, Unpivot
from repair_horizon.imports.sources import Source
from repair_horizon.tables.row_accounts import HELD, SET_ASIDE

NOTE = ("row", "status", "reason", "column", "found", "allowed")
_HASH_LENGTH = 16
_ALLOWED = ", allowed: "
_DAMAGED = r"\d(?:[.,]\d+)?[eE]\+\d+"


def note(rows: pd.Index, status: str, reason: str, **cell: Any) -> pd.DataFrame:
    """Say what becomes of some rows; ``cell`` may name column, found and allowed."""
    said = {"column": "", "found": "", "allowed": "", **cell}
    said = {k: v.to_numpy() if isinstance(v, pd.Series) else v for k, v in said.items()}
    return pd.DataFrame({"row": rows, "status": status, "reason": reason, **said}, columns=NOTE)


def unpivoted(source: Source, rule: Unpivot) -> Source:
    """Make one record of each of several columns of a row.

    Every row yields as many records as there are columns, also where a cell is empty, so that
    the records can be counted.
    """
    count, width = len(source.text), len(rule.columns)
    if not width:
        return source
    at = np.repeat(np.arange(count), width)
    text = source.text.iloc[at].reset_index(drop=True)
    exact = source.exact.iloc[at].reset_index(drop=True)
    text[rule.value_to] = source.text[rule.columns].to_numpy().reshape(-1)
    exact[rule.value_to] = source.exact[rule.columns].to_numpy().reshape(-1)
    text[rule.name_to] = np.tile(np.array(rule.columns, dtype=object), count)
    exact[rule.name_to] = False
    return replace(
        source,
        text=text.astype("str"),
        exact=exact,
        line=source.line.iloc[at].reset_index(drop=True),
        furniture=source.furniture.iloc[at].reset_index(drop=True),
        broken=source.broken.iloc[at].reset_index(drop=True),
    )


def hashed(source: Source, columns: list[str], salt: str) -> Source:
    """Replace serial numbers by a salted hash, so that equal ones still match.

    A number a spreadsheet has cut short (3.5E+14) is left as it is, to be held for review.
    """
    text = source.text.copy()
    for name in columns:
        whole = (text[name] != "") & ~text[name].str.fullmatch(_DAMAGED)
        prints = {v: _print_of(v, salt) for v in text.loc[whole, name].unique()}
        text[name] = text[name].map(prints).where(whole, text[name])
    return replace(source, text=text)


def _print_of(value: str, salt: str) -> str:
    return hashlib.sha256(f"{salt}:{value}".encode()).hexdigest()[:_HASH_LENGTH]


def damaged(text: pd.Series) -> pd.Series:
    """Mark identifiers that a spreadsheet has turned into rounded numbers."""
    return text.str.fullmatch(_DAMAGED).astype(bool)


def notes_on_shape(source: Source) -> list[pd.DataFrame]:
    """Set aside what is no record, and hold records that do not fit the header."""
    out = [
        note(source.furniture.index[source.furniture == reason], SET_ASIDE, reason)
        for reason in source.furniture[source.furniture != ""].unique()
    ]
    bad = source.broken[source.broken != ""]
    found = bad.map(lambda said: said.partition(_ALLOWED)[0])
    allowed = bad.map(lambda said: said.partition(_ALLOWED)[2])
    out.append(note(bad.index, HELD, "not a whole record", found=found, allowed=allowed))
    return out


def notes_on_rules(text: pd.DataFrame, mapping: ImportMapping) -> list[pd.DataFrame]:
    """Set aside the rows the mapping does not want, and empty cells of unpivoted columns."""
    out = []
    value = mapping.unpivot.value_to
    if mapping.unpivot.columns:
        empty = text.index[text[value] == ""]
        column = text.loc[empty, mapping.unpivot.name_to]
        out.append(note(empty, SET_ASIDE, "an empty cell", column=column, allowed="a value"))
    for rule in mapping.set_aside:
        found = _hits(text[rule.column], rule)
        found = found[found != ""] if rule.equals != "" else found.dropna()
        out.append(note(found.index, SET_ASIDE, rule.reason, column=rule.column, found=found))
    return out


def _hits(text: pd.Series, rule: AsideRule) -> pd.Series:
    """Return what was found per row; only the word itself where a word is looked for."""
    if rule.equals == "":
        return text.where(text == "", None)
    if rule.contains:
        low = text.str.lower()
        hit = pd.Series("", index=text.index, dtype="str")
        for word in reversed(rule.contains):
            pattern = rf"(?<!\w){_escaped(word.lower())}(?!\w)"
            hit = hit.mask(low.str.contains(pattern, regex=True), word)
        return hit
    wanted = rule.one_of or [rule.equals or ""]
    return text.where(text.isin(wanted), "")


def _escaped(word: str) -> str:
    return "".join(c if c.isalnum() else f"\\{c}" for c in word)
