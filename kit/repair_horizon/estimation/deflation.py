"""Prices in the money of one day, by an index: for times when all prices rise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.logs import Fault, LogFault, Logs

Floats = npt.NDArray[np.float64]

_DATED = {"sales": "sale_date", "part_quotes": "quote_date", "maker_quotes": "quote_date"}


def deflated(logs: Logs, index: pd.Series, day: pd.Timestamp) -> Logs:
    """Bring every amount, launch prices too, into the money of one day.

    Forecasts from the result are in that day's money as well; costs then must be. Worth it from
    about 5 % inflation a year (a judgement, not measured); below, the curve takes the drift up.

    Parameters
    ----------
    logs
        From ``read_logs``.
    index
        Price index by date, any base; values between two dates are interpolated on the log
        scale, the first and last are carried on.
    day
        Day whose money is wanted.

    Returns
    -------
    Logs
        The same logs with other ``amount`` and ``launch_amount`` columns.
    """
    tables = dict(logs.tables)
    for name, date in _DATED.items():
        table = tables[name]
        factor = _factor(index, pd.DatetimeIndex(table[date]), day)
        tables[name] = table.assign(amount=table["amount"] * factor)
    listings = tables["listings"]
    factor = _factor(index, pd.DatetimeIndex(listings["end_time"]), day)
    tables["listings"] = listings.assign(final_price=listings["final_price"] * factor)
    catalogue = tables["catalogue"]
    factor = _factor(index, pd.DatetimeIndex(catalogue["launch_date"]), day)
    tables["catalogue"] = catalogue.assign(launch_amount=catalogue["launch_amount"] * factor)
    return replace(logs, tables=tables)


def read_index(path: str | Path) -> pd.Series:
    """Read a price index from a CSV with the columns ``date`` (YYYY-MM-DD) and ``index``.

    Returns
    -------
    Series
        Index by date.

    Raises
    ------
    LogFault
        If the file cannot be read, a column is missing, or a value is no day or not above zero.
    """
    name = Path(path).name
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
    except (OSError, ValueError) as error:
        raise LogFault([Fault(name, None, "", str(error), "a CSV: date,index")]) from error
    lacking = [c for c in ("date", "index") if c not in table.columns]
    if lacking or table.empty:
        found = ",".join(map(str, table.columns)) or "nothing"
        raise LogFault([Fault(name, 1, "", found, "the columns date and index, and rows below")])
    day = pd.to_datetime(table["date"], format="%Y-%m-%d", errors="coerce")
    value = pd.to_numeric(table["index"], errors="coerce")
    sound = np.isfinite(value) & (value > 0)
    faults = [
        Fault(name, i + 2, "date", table["date"][i], "a day") for i in np.where(day.isna())[0]
    ]
    faults += [
        Fault(name, i + 2, "index", table["index"][i], "a number above 0")
        for i in np.where(~sound)[0]
    ]
    if faults:
        raise LogFault(faults)
    return pd.Series(value.to_numpy(dtype="float64"), index=pd.DatetimeIndex(day))


def _factor(index: pd.Series, dates: pd.DatetimeIndex, day: pd.Timestamp) -> Floats:
    """Index on the wanted day over the index on each date."""
    known = index.sort_index()
    at = pd.DatetimeIndex(known.index).to_numpy().astype("datetime64[ns]").astype("float64")
    asked = [
        d.to_numpy().astype("datetime64[ns]").astype("float64")
        for d in (dates, pd.DatetimeIndex([day]))
    ]
    then, now = (np.interp(a, at, np.log(known.to_numpy(dtype="float64"))) for a in asked)
    out: Floats = np.exp(now - then)
    return out
