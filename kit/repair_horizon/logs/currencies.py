"""Amounts in the settlement currency at the rate of their own day, and rates that cannot be."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.tables.row_accounts import HELD, exception_rows

MAX_AGE_DAYS = 31
# A rate three times its neighbours', or a third, is a slipped decimal point; one that is much
# nearer to their inverse stands the wrong way round; two of a day may differ by how two banks do.
_JUMP, _TURNED, _DIFFER, _NEIGHBOURS = np.log(3.0), 0.06, 0.03, 5


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


def check_rates(rates: pd.DataFrame) -> list[pd.DataFrame]:
    """Hold rates that jump, stand the wrong way round or contradict another of their day.

    Each is judged by the others of its pair of currencies nearest in time, so that one wrong rate
    does not accuse its neighbours; where two stand alone against each other, both are held.
    """
    first = rates[["base", "quote"]].min(axis=1)
    turned = first != rates["base"]
    log_rate = np.log(rates["rate"].to_numpy(dtype="float64")) * np.where(turned, -1.0, 1.0)
    pair = first + rates[["base", "quote"]].max(axis=1)
    said = pd.Series("", index=rates.index, dtype="str")
    said[rates["base"] == rates["quote"]] = "a rate between a currency and itself"
    for _, at in pair.groupby(pair).indices.items():
        day = rates["date"].to_numpy()
        at = at[np.argsort(day[at], kind="stable")]
        odd = _oddities(log_rate[at], day[at])
        said.iloc[at] = np.where(said.iloc[at] == "", odd, said.iloc[at])
    return [
        exception_rows("fx_rates", rates[said == reason], HELD, reason).assign(
            column="rate",
            found=[
                f"{b}/{q} {r:g}"
                for b, q, r in rates.loc[said == reason, ["base", "quote", "rate"]].itertuples(
                    index=False
                )
            ],
            allowed="units of quote for one of base, near the rates of the days around",
        )
        for reason in said[said != ""].unique()
    ]


def _oddities(log_rate: npt.NDArray[np.float64], day: npt.NDArray[np.datetime64]) -> list[str]:
    """Say what is odd about each rate of one pair, in the order of days; '' for nothing."""
    out = []
    for i, rate in enumerate(log_rate):
        near = np.r_[max(i - _NEIGHBOURS, 0) : i, i + 1 : min(i + 1 + _NEIGHBOURS, len(log_rate))]
        usual = float(np.median(log_rate[near])) if len(near) else rate
        off, back = abs(rate - usual), abs(rate + usual)
        same = log_rate[near][day[near] == day[i]]
        if off > _TURNED and back < off / 4:
            out.append("the rate stands the wrong way round")
        elif off > _JUMP:
            out.append("the rate jumps against those of the days around")
        elif (np.abs(same - rate) > _DIFFER).any() and (
            off >= np.abs(same - usual).max() or len(near) < 3
        ):
            out.append("another rate of the day contradicts it")
        else:
            out.append("")
    return out
