"""Bring amounts into the settlement currency at the rate of their own day."""

from __future__ import annotations

import numpy as np
import pandas as pd

MAX_AGE_DAYS = 31


def convert(amounts: pd.DataFrame, rates: pd.DataFrame, currency: str) -> pd.Series:
    """Convert amounts at the newest rate not older than 31 days.

    Parameters
    ----------
    amounts
        Columns ``amount``, ``currency`` and ``date``.
    rates
        fx_rates rows: one unit of ``base`` costs ``rate`` units of ``quote`` on ``date``.
    currency
        Settlement currency, ISO 4217.

    Returns
    -------
    Series
        Amounts in ``currency``, aligned with the input; missing where no rate is near enough.
    """
    out = amounts["amount"].where(amounts["currency"] == currency)
    for other in sorted(set(amounts["currency"].unique()) - {currency}):
        rows = amounts[amounts["currency"] == other]
        out.loc[rows.index] = rows["amount"] * _rate_on(rows["date"], rates, other, currency)
    return out


def _rate_on(dates: pd.Series, rates: pd.DataFrame, base: str, quote: str) -> pd.Series:
    """Units of ``quote`` per ``base`` on each date, from rates in either direction."""
    there = rates[(rates["base"] == base) & (rates["quote"] == quote)][["date", "rate"]]
    back = rates[(rates["base"] == quote) & (rates["quote"] == base)][["date", "rate"]]
    known = pd.concat([there, back.assign(rate=1.0 / back["rate"])]).sort_values("date")
    known = known.drop_duplicates("date", keep="first")
    if known.empty:
        return pd.Series(np.nan, index=dates.index)
    wanted = pd.DataFrame({"date": dates, "at": dates.index}).sort_values("date")
    limit = pd.Timedelta(days=MAX_AGE_DAYS)
    found = pd.merge_asof(wanted, known, on="date", tolerance=limit)
    return found.set_index("at")["rate"].reindex(dates.index)
