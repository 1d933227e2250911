"""What a column of a log may hold: the kinds of value, and how each is read from text.

A kind turns a whole column of text into typed values at once and says which rows it could not
read. It never guesses: ``1.234`` is one and a bit, ``1,234`` is refused (bring a file with other
conventions in through ``repair-horizon import``, where the convention is declared).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

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
