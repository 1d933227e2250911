"""Rolling origins: what was known at the end of a month, and which later sales test it.

Mind: corrections are applied when the logs are read, before any cutoff. A sale that was refunded
or cancelled after the cutoff is therefore already missing (or already lowered) in what counts as
known here, though the partners did not know it then. Prices of such sales are few, and leaving
them out is the same for every method compared. Tables without dates (fault_states.csv) and the
settings are today's throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from kit.estimation.price_rows import working_prices
from kit.logs import Fault, LogFault, Logs
from kit.logs.months import month_number, month_start

WARM_UP_MONTHS = 12


def month_ends(logs: Logs, every: int = 3, warm_up: int = WARM_UP_MONTHS) -> list[pd.Timestamp]:
    """Cutoffs: every third month's end, once a year of sales is there, while sales still follow.

    Parameters
    ----------
    logs
        The workspace's logs.
    every
        Months from one cutoff to the next, counted back from the last month but one.
    warm_up
        Months of sales before the first cutoff.

    Returns
    -------
    list of Timestamp
        Last days of months, the earliest first; empty where the sales span too few months.
    """
    days = working_prices(logs.tables["sales"])["sale_date"]
    if days.empty:
        return []
    first, last = (int(n) for n in month_number([days.min(), days.max()]))
    numbers = sorted(range(last - 1, first + warm_up - 2, -every))
    return [month_end(n) for n in numbers]


def month_end(number: int) -> pd.Timestamp:
    """Last day of a numbered month."""
    return month_start(number + 1) - pd.Timedelta(days=1)


def as_cutoffs(logs: Logs, given: Sequence[str | pd.Timestamp] | None) -> list[pd.Timestamp]:
    """Cutoffs as given, moved to the end of their month, or the usual ones.

    Raises
    ------
    LogFault
        If there is none, or one is no date.
    """
    if given is None:
        found = month_ends(logs)
    else:
        days = pd.to_datetime(pd.Series(list(given), dtype="object"), errors="coerce")
        wrong = [str(g) for g, d in zip(given, days, strict=True) if pd.isna(d)]
        if wrong:
            raise LogFault([Fault("cutoff", None, "", g, "a date YYYY-MM-DD") for g in wrong])
        found = sorted({month_end(int(n)) for n in month_number(days)})
    if not found:
        allowed = f"sales over more than {WARM_UP_MONTHS} months, so that some can be held out"
        raise LogFault([Fault("sales.csv", None, "sale_date", "too short a span", allowed)])
    return found


def known_at(logs: Logs, cutoff: pd.Timestamp) -> Logs:
    """Return what was known at the end of a day, also of the catalogue.

    Models not launched by then are left out, since their launch price was not known either, and
    a successor that had not come by then has no date.
    """
    known = logs.as_of(_end_of(cutoff))
    catalogue = known.tables["catalogue"]
    catalogue = catalogue[catalogue["launch_date"] <= cutoff]
    successor = catalogue["successor_launch_date"]
    catalogue = catalogue.assign(successor_launch_date=successor.where(successor <= cutoff))
    return replace(known, tables={**known.tables, "catalogue": catalogue})


def _end_of(day: pd.Timestamp) -> pd.Timestamp:
    """Last second of a day, so that records with a time of day count."""
    return day.normalize() + pd.Timedelta(days=1) - pd.Timedelta(seconds=1)


def held_out(
    sales: pd.DataFrame, models: Sequence[str], cutoff: pd.Timestamp, horizon: int
) -> pd.DataFrame:
    """Sales of known models in the month that lies ``horizon`` months after the cutoff's.

    Parameters
    ----------
    sales
        Rows of working units, all dates.
    models
        Identifiers of the models known at the cutoff.
    cutoff
        End of a month.
    horizon
        Months; 1 is the month after the cutoff.
    """
    wanted = int(month_number([cutoff])[0]) + horizon
    rows: pd.DataFrame = sales[
        (month_number(sales["sale_date"]) == wanted) & sales["model_id"].isin(models)
    ]
    return rows
