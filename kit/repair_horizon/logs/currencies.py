"""Money in the settlement currency at the rate of its own day, and rates that cannot be."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.faults import HELD, Fault, LogFault, exception_rows

MAX_AGE_DAYS = 31
MONEY = {
    "sales": ("gross_amount", "currency", "sale_date"),
    "part_quotes": ("unit_price", "currency", "quote_date"),
    "maker_quotes": ("price", "currency", "quote_date"),
    "stock": ("landed_cost", "currency", "buy_date"),
}
# A rate three times its neighbours', or a third, is a slipped decimal point; one that is much
# nearer to their inverse stands the wrong way round; two of a day may differ by how two banks do.
_JUMP, _TURNED, _DIFFER, _NEIGHBOURS = np.log(3.0), 0.06, 0.03, 5


def convert(amounts: pd.DataFrame, rates: pd.DataFrame, currency: str) -> pd.Series:
    """Convert amounts at the newest rate not older than 31 days.

    ``amounts``: columns ``amount``, ``currency`` and ``date``; ``rates``: fx_rates rows: one unit
    of ``base`` costs ``rate`` units of ``quote`` on ``date``; ``currency``: settlement currency,
    ISO 4217. Returns amounts in ``currency``, aligned with the input; missing where no rate is near
    enough.
    """
    out = amounts["amount"].where(amounts["currency"] == currency)
    for other in sorted(set(amounts["currency"].unique()) - {currency}):
        rows = amounts[amounts["currency"] == other]
        out.loc[rows.index] = (
            rows["amount"] * rates_on(rows["date"], rates, other, currency)["rate"]
        )
    return out


def rates_on(dates: pd.Series, rates: pd.DataFrame, base: str, quote: str) -> pd.DataFrame:
    """Units of ``quote`` per ``base`` on each date, from rates in either direction.

    Returns ``rate`` and the day it is of, ``seen``, aligned with ``dates``; both are missing where
    the newest rate is older than 31 days.
    """
    there = rates[(rates["base"] == base) & (rates["quote"] == quote)][["date", "rate"]]
    back = rates[(rates["base"] == quote) & (rates["quote"] == base)][["date", "rate"]]
    known = pd.concat([there, back.assign(rate=1.0 / back["rate"])]).sort_values("date")
    known = known.drop_duplicates("date", keep="first")
    if known.empty:
        return pd.DataFrame({"rate": np.nan, "seen": pd.NaT}, index=dates.index)
    wanted = pd.DataFrame({"date": dates, "at": dates.index}).sort_values("date")
    limit = pd.Timedelta(days=MAX_AGE_DAYS)
    known = known.assign(seen=known["date"])
    found = pd.merge_asof(wanted, known, on="date", tolerance=limit)
    return found.set_index("at")[["rate", "seen"]].reindex(dates.index)


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


def _oddities(log_rate: Floats, day: npt.NDArray[np.datetime64]) -> list[str]:
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


def only_currency(tables: Mapping[str, pd.DataFrame]) -> str:
    """Return the currency of all sales; of all launch prices where nothing was sold."""
    sales, launches = tables["sales"]["currency"], tables["catalogue"]["launch_currency"]
    where, named = ("sales.csv", sales) if len(sales) else ("catalogue.csv", launches)
    found = sorted(set(named) - {""})
    if len(found) == 1:
        return str(found[0])
    allowed = f"the settlement currency, since {where} names " + (", ".join(found) or "none")
    raise LogFault([Fault("settings.toml", None, "currency", "nothing", allowed)])


def priced(
    name: str, rows: pd.DataFrame, rates: pd.DataFrame, currency: str
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Add ``amount`` in the settlement currency to a log of money; hold what has no rate."""
    money, unit, day = MONEY[name]
    amount = _converted(rows, money, unit, day, rates, currency)
    unknown = amount.isna() & rows[money].notna()
    out = rows.assign(amount=amount.astype("float64"))
    if not unknown.any():
        return out, []
    reason = f"no exchange rate to {currency} within {MAX_AGE_DAYS} days"
    return out[~unknown], [exception_rows(name, rows[unknown], HELD, reason)]


def _converted(
    rows: pd.DataFrame, money: str, unit: str, day: str, rates: pd.DataFrame, currency: str
) -> pd.Series:
    given = rows[[money, unit, day]].set_axis(["amount", "currency", "date"], axis=1)
    return convert(given, rates, currency)


def launch_amounts(rows: pd.DataFrame, rates: pd.DataFrame, currency: str) -> pd.DataFrame:
    """Launch prices in the settlement currency; unknown where no rate of the day is known."""
    named = rows.assign(
        launch_currency=rows["launch_currency"].replace("", currency),
        launch_date=rows["launch_date"].fillna(pd.Timestamp("1970-01-01")),
    )
    about = ("launch_price", "launch_currency", "launch_date")
    amount = _converted(named, *about, rates, currency)
    return rows.assign(launch_amount=amount.where(amount > 0))


def asking_amounts(rows: pd.DataFrame, rates: pd.DataFrame, currency: str) -> pd.DataFrame:
    """Stock with ``asking_amount``: the price asked, in the settlement currency."""
    named = rows.assign(listed_date=rows["listed_date"].fillna(rows["buy_date"]))
    about = ("asking_price", "currency", "listed_date")
    return rows.assign(asking_amount=_converted(named, *about, rates, currency))
