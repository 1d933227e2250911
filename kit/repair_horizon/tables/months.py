"""Calendar months as whole numbers (year x 12 + month - 1), and ages in months."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.tables.arrays import Floats, Ints
from repair_horizon.tables.faults import Fault, LogFault

AVERAGE_MONTH_DAYS = 30.4375


def month_number(days: Any) -> Ints:
    """Number of the calendar month each day lies in."""
    stamps = _bare(days)
    return stamps.astype("datetime64[M]").astype("int64") + 1970 * 12


@lru_cache(maxsize=4096)
def month_start(number: int) -> pd.Timestamp:
    """First day of a numbered month."""
    return pd.Timestamp(year=int(number) // 12, month=int(number) % 12 + 1, day=1)


def month_middle(number: int) -> pd.Timestamp:
    """Fifteenth day of a numbered month, where monthly figures are evaluated."""
    return month_start(number) + pd.Timedelta(days=14)


def months_from(first: int, count: int) -> npt.NDArray[np.datetime64]:
    """First days of so many months, (count,)."""
    months = np.arange(first - 1970 * 12, first - 1970 * 12 + count)
    return months.astype("datetime64[M]").astype("datetime64[s]")


def month_word(number: int) -> str:
    """Month as YYYY-MM."""
    return month_start(number).strftime("%Y-%m")


def parse_month(text: str) -> int:
    """Read YYYY-MM.

    Raises ``LogFault`` if the text is no such month.
    """
    if not re.fullmatch(r"(19|20)\d\d-(0[1-9]|1[0-2])", text):
        raise LogFault([Fault("--month", None, "", text, "a month such as 2026-11")])
    return int(text[:4]) * 12 + int(text[5:]) - 1


def _bare(days: Any) -> Any:
    """Days as an array: an index's own arithmetic costs more than the division, many times over."""
    if isinstance(days, pd.Timestamp | type(pd.NaT)):
        return days.to_datetime64()
    if isinstance(days, np.ndarray):
        return days
    return (days if isinstance(days, pd.DatetimeIndex) else pd.DatetimeIndex(days)).values


def age_in_months(days: Any, launch: Any) -> Floats:
    """Months of 30.4375 days from launch to each day (fractional, negative before launch).

    Either may be one day for all of the other.
    """
    elapsed = _bare(days) - _bare(launch)
    months: Floats = elapsed / np.timedelta64(1, "D") / AVERAGE_MONTH_DAYS
    return months
