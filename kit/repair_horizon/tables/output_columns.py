"""What a column of an output may hold: its kind, heading and words, and how it is read back."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from repair_horizon.tables.codes import Action, Code, Verdict
from repair_horizon.tables.words import (
    MISSING,
    bare_money,
    codes_words,
    fault_words,
    missing,
    number,
    part_words,
    percent,
    short_day,
    short_month,
    verdict_words,
    winning,
)


@dataclass(frozen=True)
class OutputKind:
    """A kind of value: its type in a table, decimals of a written figure, its words."""

    dtype: str
    words: Callable[[Any], str]
    decimals: int | None = None
    said: str = ""

    @property
    def numeric(self) -> bool:
        """Whether it is a figure, set to the right."""
        return self.dtype in ("float64", "int64")


def _text(value: Any) -> str:
    return MISSING if missing(value) else str(value)


def _change(value: Any) -> str:
    return MISSING if missing(value) else f"{100 * float(value):+.1f}\u00a0%"


def _action(value: Any) -> str:
    return MISSING if missing(value) else Action.worded(value)


def _yes_no(value: Any) -> str:
    return "yes" if value else ""


OUTPUT_KINDS: dict[str, OutputKind] = {
    "code": OutputKind("str", _text, said="identifier or code, as text"),
    "text": OutputKind("str", _text, said="text"),
    "action": OutputKind("str", _action, said="text"),
    "fault": OutputKind("str", fault_words, said="fault or state of the fault table"),
    "part": OutputKind("str", part_words, said="part code"),
    "parts": OutputKind("str", codes_words, said="part codes joined by ;"),
    "money": OutputKind("float64", bare_money, 2, "amount in the settlement currency"),
    "share": OutputKind("float64", percent, 4, "share from 0 to 1"),
    "chance": OutputKind("float64", winning, 4, "chance from 0 to 1"),
    "change": OutputKind("float64", _change, 4, "share, below zero for a fall"),
    "number": OutputKind("float64", partial(number, decimals=2), said="number"),
    "hours": OutputKind("float64", partial(number, decimals=1), 2, "hours"),
    "months": OutputKind("float64", number, 1, "months"),
    "count": OutputKind("float64", number, said="whole number"),
    "month": OutputKind("datetime64[s]", short_month, said="month YYYY-MM"),
    "date": OutputKind("datetime64[s]", short_day, said="date YYYY-MM-DD"),
    "yes_no": OutputKind("bool", _yes_no, said="True or False"),
}


@dataclass(frozen=True)
class OutputColumn:
    """One column of an output: name, kind, heading, meaning; ``codes`` says its words."""

    name: str
    kind: str
    heading: str
    meaning: str
    codes: type[Code] | None = None

    @property
    def numeric(self) -> bool:
        """Whether it holds figures."""
        return OUTPUT_KINDS[self.kind].numeric

    def headed(self, currency: str) -> str:
        """Return the heading with its unit."""
        return f"{self.heading}, {currency}" if self.kind == "money" else self.heading

    def worded(self, value: Any) -> str:
        """Return a value in the reader's words."""
        if self.codes is Verdict:
            return verdict_words(value)
        if self.codes is not None and not missing(value):
            return self.codes.worded(value)
        return OUTPUT_KINDS[self.kind].words(value)


@dataclass(frozen=True)
class Output:
    """One output: its name (a CSV's without ending), meaning and columns."""

    name: str
    meaning: str
    columns: tuple[OutputColumn, ...]

    @property
    def names(self) -> list[str]:
        """Names of the columns, in order."""
        return [c.name for c in self.columns]

    def column(self, name: str) -> OutputColumn:
        """Return the declaration of one column."""
        return next(c for c in self.columns if c.name == name)

    def empty(self) -> pd.DataFrame:
        """Return the table without a row, its columns typed."""
        kinds = {c.name: OUTPUT_KINDS[c.kind].dtype for c in self.columns}
        return pd.DataFrame({n: pd.Series(dtype=k) for n, k in kinds.items()})

    def table(self, rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
        """Return rows as the table; a row names its columns and may leave some out.

        Raises ``KeyError`` if a row has a column that is not declared.
        """
        strange = sorted({n for row in rows for n in row} - set(self.names))
        if strange:
            raise KeyError(f"{self.name} declares no column {strange[0]!r}")
        out = pd.DataFrame(rows, columns=self.names)
        for c in self.columns:
            if c.kind == "month":  # typed even where none is known
                out[c.name] = pd.to_datetime(out[c.name]).astype(OUTPUT_KINDS[c.kind].dtype)
        return out

    def written(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return a table as it goes into a file: months as YYYY-MM, figures rounded."""
        out = table.copy()
        for c in self.columns:
            if c.name not in out:
                continue
            if c.kind == "month":
                out[c.name] = pd.to_datetime(out[c.name]).dt.strftime("%Y-%m")
            if c.kind == "count":
                out[c.name] = pd.to_numeric(out[c.name]).round().astype("Int64")
            decimals = OUTPUT_KINDS[c.kind].decimals
            if decimals is not None:
                out[c.name] = pd.to_numeric(out[c.name]).round(decimals)
        return out

    def read(self, path: Path) -> pd.DataFrame:
        """Read the table back from a CSV: text stays text, months and days are dates.

        Columns that are not declared are left out, declared ones that the file lacks are empty.

        Raises ``ValueError`` if a value is not of its column's kind.
        """
        with path.open(encoding="utf-8", newline="") as file:
            there = next(csv.reader(file), [])
        mine = [c for c in self.columns if c.name in there]
        text = pd.read_csv(path, dtype=str, keep_default_na=False, usecols=[c.name for c in mine])
        out = pd.DataFrame({c.name: _typed(text[c.name], c.kind) for c in mine})
        return out.reindex(columns=self.names) if len(mine) < len(self.columns) else out[self.names]


def _typed(text: pd.Series, kind: str) -> pd.Series:
    dtype = OUTPUT_KINDS[kind].dtype
    if dtype == "str":
        return text
    if dtype == "bool":
        return text == "True"
    given = text.where(text != "")
    if dtype.startswith("datetime"):
        return pd.to_datetime(given, format="ISO8601").astype("datetime64[s]")
    return pd.to_numeric(given).astype(dtype)


def declared(lines: str) -> dict[str, OutputColumn]:
    """Read declarations, a line each: name | kind | heading | meaning."""
    rows = [[p.strip() for p in line.split("|")] for line in lines.splitlines() if line.strip()]
    return {r[0]: OutputColumn(r[0], r[1], r[2], r[3]) for r in rows}
