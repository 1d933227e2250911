"""What a column may hold: how values of a log are read, and how those of a table are shown.

A kind turns a whole column of text into typed values at once and says which rows it could not
read. It never guesses: ``1.234`` is one and a bit, ``1,234`` is refused (bring a file with other
conventions in through ``repair-horizon import``, where the convention is declared).
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

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

_EARLIEST, _LATEST = pd.Timestamp("1970-01-01"), pd.Timestamp("2100-12-31")

# Not \d, which means the digits of every script.
_DAY, _CLOCK = "[0-9]{4}-[0-9]{2}-[0-9]{2}", "[0-9]{2}:[0-9]{2}"
_MOMENT = f"{_DAY}([T ]{_CLOCK}(:[0-9]{{2}})?([+-]{_CLOCK}|Z)?)?"


@dataclass(frozen=True)
class Column:
    """One column of a log: its name, kind, unit, meaning and rule."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    required: bool = False
    choices: tuple[str, ...] = ()
    lowest: float | None = None
    highest: float | None = None

    @property
    def allowed(self) -> str:
        """What may stand in the column, in the reader's words."""
        if self.choices:
            return "one of " + ", ".join(self.choices)
        words = KINDS[self.kind].allowed
        if self.lowest is not None and self.highest is not None:
            return f"{words}, from {self.lowest:.12g} to {self.highest:.12g}"
        if self.lowest is not None:
            return f"{words}, at least {self.lowest:.12g}"
        return words


@dataclass(frozen=True)
class Kind:
    """How one kind of value is read: ``read`` maps text to (values, unreadable rows)."""

    allowed: str
    dtype: str
    read: Callable[[pd.Series], tuple[pd.Series, pd.Series]]


def _read_text(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    bad = text.str.contains(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", regex=True)
    return text, bad


def _read_number(
    text: pd.Series, form: str = r"[+-]?[0-9]{1,15}(\.[0-9]{1,12})?"
) -> tuple[pd.Series, pd.Series]:
    plain = text.str.fullmatch(form)
    digits = pc.utf8_ltrim(pa.array(text.where(plain)), "+")
    values = pd.Series(digits.cast(pa.float64()).to_numpy(zero_copy_only=False), text.index)
    return values, (text != "") & ~plain


def _read_date(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    plain = text.str.fullmatch(_DAY)
    values = pd.to_datetime(text.where(plain), format="%Y-%m-%d", errors="coerce")
    values = values.astype("datetime64[s]")
    outside = (values < _EARLIEST) | (values > _LATEST)
    return values.mask(outside), (text != "") & (values.isna() | outside)


def _read_moment(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    plain = text.str.fullmatch(_MOMENT)
    return _read_date(text.where(plain, text + "?").str.slice(0, 10).where(plain, text + "?"))


def _read_month(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    plain = text.str.fullmatch("[0-9]{4}-[0-9]{2}")
    return _read_date(text.where(~plain, text + "-01").where(plain | (text == ""), text + "?"))


def _read_currency(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    return text, (text != "") & ~text.str.fullmatch(r"[A-Z]{3}")


def _read_yes_no(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    values = text.map({"yes": 1.0, "no": 0.0, "": np.nan})
    return values, (text != "") & values.isna()


KINDS: dict[str, Kind] = {
    "text": Kind("text without control characters", "str", _read_text),
    "code": Kind("an identifier, kept as text", "str", _read_text),
    "number": Kind("a decimal number with a point, no thousands sign", "float64", _read_number),
    "count": Kind("a whole number", "float64", partial(_read_number, form="[0-9]{1,9}")),
    "date": Kind("a date YYYY-MM-DD from 1970 to 2100", "datetime64[s]", _read_date),
    "moment": Kind("a date YYYY-MM-DD, a time of day may follow", "datetime64[s]", _read_moment),
    "month": Kind("a month YYYY-MM from 1970 to 2100", "datetime64[s]", _read_month),
    "currency": Kind("an ISO 4217 code such as EUR", "str", _read_currency),
    "yes_no": Kind("yes or no", "float64", _read_yes_no),
}


def read_column(column: Column, text: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Type one column of text.

    Parameters
    ----------
    column
        The declaration.
    text
        Text values, surrounding spaces already removed; the empty string is "not given".

    Returns
    -------
    tuple
        Typed values (missing where not given or unreadable), and a mask of the rows at fault:
        unreadable, outside the declared range or choices, or empty although required.
    """
    values, bad = KINDS[column.kind].read(text)
    bad = bad.astype(bool)
    if column.choices:
        bad |= (text != "") & ~text.isin(column.choices)
    if column.lowest is not None:
        bad |= (values < column.lowest).fillna(False)
    if column.highest is not None:
        bad |= (values > column.highest).fillna(False)
    if column.required:
        bad |= text == ""
    return values, bad


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
        changed = {}
        for c in self.columns:
            if c.name not in table:
                continue
            decimals = OUTPUT_KINDS[c.kind].decimals
            if c.kind == "month":
                changed[c.name] = pd.to_datetime(table[c.name]).dt.strftime("%Y-%m")
            elif c.kind == "count":
                changed[c.name] = pd.to_numeric(table[c.name]).round().astype("Int64")
            elif decimals is not None:
                changed[c.name] = pd.to_numeric(table[c.name]).round(decimals)
        return table.assign(**changed)

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
