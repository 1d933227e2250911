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

from repair_horizon.tables.arrays import Bools, Ints
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

_EARLIEST_YEAR, _LATEST_YEAR = 1970, 2100

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
    def is_share(self) -> bool:
        """Whether it holds a share of one, which many write in percent."""
        return self.kind == "number" and (self.lowest, self.highest) == (0.0, 1.0)

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
    read: Callable[[pa.Array], tuple[Any, Bools]]


Read = tuple[Any, Bools]
"""Typed values, and which rows could not be read, (rows,)."""


def _like(text: pa.Array, form: str) -> pa.Array:
    """Which texts are of a form as a whole."""
    return pc.match_substring_regex(text, f"^(?:{form})$")


def _plainly(text: pa.Array, form: str) -> tuple[pa.Array, Bools]:
    """Texts of a form, missing where they are not, and which are neither of it nor empty."""
    plain = _like(text, form)
    bad = pc.and_(pc.not_equal(text, ""), pc.invert(plain))
    return pc.if_else(plain, text, None), bad.to_numpy(zero_copy_only=False)


def _read_text(text: pa.Array) -> Read:
    bad = pc.match_substring_regex(text, r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
    return pd.array(text, dtype="str"), bad.to_numpy(zero_copy_only=False)


def _read_number(text: pa.Array, form: str = r"[+-]?[0-9]{1,15}(\.[0-9]{1,12})?") -> Read:
    digits, bad = _plainly(text, form)
    values = pc.utf8_ltrim(digits, "+").cast(pa.float64())
    return values.to_numpy(zero_copy_only=False), bad


def _read_date(text: pa.Array) -> Read:
    days, bad = _plainly(text, _DAY)
    return _days(days, bad)


def _days(texts: pa.Array, bad: Bools) -> Read:
    """Days that texts YYYY-MM-DD name; one the calendar does not have, or far off, is bad too."""
    told = texts.is_valid().to_numpy(zero_copy_only=False)
    whole = pc.fill_null(texts, "1970-01-01")

    def part(start: int, stop: int) -> Ints:
        digits = pc.utf8_slice_codeunits(whole, start, stop)
        out: Ints = digits.cast(pa.int64()).to_numpy(zero_copy_only=False)
        return out

    year, month, day = part(0, 4), part(5, 7), part(8, 10)
    first = (12 * (year - 1970) + month - 1).astype("datetime64[M]")
    length = (first + 1).astype("datetime64[D]") - first.astype("datetime64[D]")
    real = (month >= 1) & (month <= 12) & (day >= 1) & (day <= length.astype("int64"))
    real &= (year >= _EARLIEST_YEAR) & (year <= _LATEST_YEAR)
    values = (first.astype("datetime64[D]") + (day - 1)).astype("datetime64[s]")
    values[~(told & real)] = np.datetime64("NaT", "s")
    return values, bad | (told & ~real)


def _read_moment(text: pa.Array) -> Read:
    moments, bad = _plainly(text, _MOMENT)
    return _days(pc.utf8_slice_codeunits(moments, 0, 10), bad)


_FIRST = (pa.scalar("01", pa.large_string()), pa.scalar("-", pa.large_string()))


def _read_month(text: pa.Array) -> Read:
    months, bad = _plainly(text, "[0-9]{4}-[0-9]{2}")
    return _days(pc.binary_join_element_wise(months, *_FIRST), bad)


def _read_currency(text: pa.Array) -> Read:
    _, bad = _plainly(text, "[A-Z]{3}")
    return pd.array(text, dtype="str"), bad


def _read_yes_no(text: pa.Array) -> Read:
    words, bad = _plainly(text, "yes|no")
    return pc.equal(words, "yes").cast(pa.float64()).to_numpy(zero_copy_only=False), bad


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


def read_column(column: Column, text: Any) -> Read:
    """Type one column of text.

    Parameters
    ----------
    column
        The declaration.
    text
        Text values, surrounding spaces already removed, of any kind that ``arrow_text`` takes;
        the empty string is "not given".

    Returns
    -------
    tuple
        Typed values (missing where not given or unreadable), and a mask of the rows at fault:
        unreadable, outside the declared range or choices, or empty although required.
    """
    words = arrow_text(text)
    values, bad = KINDS[column.kind].read(words)
    bad = np.array(bad, dtype=bool)
    empty = pc.equal(words, "").to_numpy(zero_copy_only=False)
    if column.choices:
        allowed = pc.is_in(words, pa.array(column.choices, type=words.type))
        bad |= ~empty & ~allowed.to_numpy(zero_copy_only=False)
    with np.errstate(invalid="ignore"):
        if column.lowest is not None:
            bad |= values < column.lowest
        if column.highest is not None:
            bad |= values > column.highest
    if column.required:
        bad |= empty
    return values, bad


def arrow_text(text: Any) -> pa.Array:
    """Texts of a column as one array, a missing one empty."""
    whole = (
        text if isinstance(text, pa.Array | pa.ChunkedArray) else pa.array(text, from_pandas=True)
    )
    whole = whole.combine_chunks() if isinstance(whole, pa.ChunkedArray) else whole
    return pc.fill_null(whole.cast(pa.large_string()), "")


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
            return ", ".join(self.codes.worded(code) for code in str(value).split(";"))
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
