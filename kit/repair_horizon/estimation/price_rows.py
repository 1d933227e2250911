"""Sales of working units of one family, laid out for the price curve with their traits.

Dated amounts become log ratios to a launch price, also where none is known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from repair_horizon.estimation.curve.design import Priors, level_and_slopes, segments
from repair_horizon.estimation.curve.panel import Models, Panel, Traits, dummies, models_of
from repair_horizon.logs import CannotSay, Fault, LogFault, Logs
from repair_horizon.tables.arrays import Bools, Floats, Ints, Texts
from repair_horizon.tables.months import age_in_months

GRADE, CHANNEL, ASKING, STORAGE = "grade ", "channel ", "asking price", "storage doubling"
UNKNOWN_GRADE = "unknown"
NO_SALE = "launch price"
TRAIT_SD = 0.3


@dataclass(frozen=True, eq=False)
class PriceRows:
    """Prices of a family and the base that traits are held against.

    ``base_grade`` and ``base_channel`` are the commonest in the family; ``base_storage`` is each
    model's own. ``basis`` is 'sold', 'asking' where only asking prices are known, or ``NO_SALE``.
    """

    panel: Panel
    base_grade: str
    base_channel: str
    base_storage: Floats
    basis: str


def working_prices(sales: pd.DataFrame) -> pd.DataFrame:
    """Rows of working units that bear on the price curve: sold ones, and asking prices."""
    working = ((sales["condition"] != "as_is") & (sales["amount"] > 0)).to_numpy()
    return sales if working.all() else sales[working]


def price_rows(logs: Logs, family_id: str, priors: Priors) -> PriceRows | CannotSay:
    """Lay out the prices of one family.

    Parameters
    ----------
    logs
        The workspace's logs, or the family's.
    priors
        Where the family has no launch price, its stand-in is what these expect.

    Returns
    -------
    PriceRows or CannotSay
        The latter if the family has neither a sale of a working unit nor a launch price, or if
        no day is known from any log.
    """
    family = logs.family(family_id)
    catalogue = family.tables["catalogue"]
    sales = working_prices(family.tables["sales"])
    models = models_of(catalogue)
    if sales.empty:
        return _unsold(logs, models, priors, catalogue["storage_gb"].to_numpy(dtype="float64"))
    grade, channel = (sales[c].to_numpy(dtype=object) for c in ("grade", "channel"))
    grade = np.where(grade == "", UNKNOWN_GRADE, grade)
    asking = (sales["price_type"] == "asking").to_numpy()
    base_grade = _commonest(grade[grade != UNKNOWN_GRADE], UNKNOWN_GRADE)
    base_channel = _commonest(channel, "")
    storage = catalogue["storage_gb"].to_numpy(dtype="float64")
    doubled = doublings(sales["storage_gb"], storage[models.index(sales["model_id"])])
    traits = _traits((grade, base_grade), (channel, base_channel), asking, doubled)
    rows = {n: sales[n] for n in ("model_id", "amount", "n_averaged") if n in sales}
    rows |= {"day": sales["sale_date"], "key": sales["sale_id"]}
    now = max(logs.newest_day, sales["sale_date"].max())
    panel = price_panel(models, rows, traits, now, priors)
    basis = "asking" if asking.all() else "sold"
    return PriceRows(panel, base_grade, base_channel, storage, basis)


def _unsold(logs: Logs, models: Models, priors: Priors, storage: Floats) -> PriceRows | CannotSay:
    """Lay out a family without a sale: no row, the grades' columns, the grade called good."""
    if not models.price_known.any():
        return CannotSay("no sale of a working unit in the family and no launch price")
    if pd.isna(logs.newest_day):
        return CannotSay("no sale, quote or job in any log: no day to forecast from")
    order = list(logs.grade_order)
    base = order[round((len(order) - 1) / 3)] if order else ""
    names = tuple(GRADE + g for g in order if g != base)
    k = len(names)
    traits = Traits(names, np.zeros((0, k)), np.full(k, TRAIT_SD), np.ones(k, dtype=bool))
    none = {"model_id": "str", "day": "datetime64[ns]", "amount": "float64", "key": "str"}
    rows = pd.DataFrame({c: pd.Series(dtype=t) for c, t in none.items()})
    panel = price_panel(models, rows, traits, logs.newest_day, priors)
    return PriceRows(panel, base, "", storage, NO_SALE)


def doublings(storage_gb: pd.Series, base: Floats) -> Floats:
    """Doublings of storage against a base; none where either is unknown, (n,)."""
    doubled = np.log2(storage_gb.to_numpy(dtype="float64") / base)
    return np.where(np.isfinite(doubled), doubled, 0.0)


def _commonest(values: Texts, otherwise: str) -> str:
    code, words = pd.factorize(values)
    return str(words[np.bincount(code).argmax()]) if len(words) else otherwise


def _traits(
    grading: tuple[Texts, str], selling: tuple[Texts, str], asking: Bools, doubled: Floats
) -> Traits:
    """Grade and channel indicators, asking offset and storage doublings, none of them constant."""
    grades, grade_columns = dummies(*grading)
    channels, channel_columns = dummies(*selling)
    other, names = [], []
    if asking.any() and not asking.all():
        other.append(asking.astype("float64"))
        names.append(ASKING)
    if np.any(doubled != 0):
        other.append(doubled)
        names.append(STORAGE)
    extra = np.column_stack(other) if other else np.zeros((len(asking), 0))
    all_names = [GRADE + g for g in grades] + [CHANNEL + c for c in channels] + names
    return Traits(
        tuple(all_names),
        np.hstack([grade_columns, channel_columns, extra]),
        np.full(len(all_names), TRAIT_SD),
        np.array([n != ASKING for n in all_names], dtype=bool),
    )


def price_panel(
    models: Models,
    rows: pd.DataFrame | Mapping[str, pd.Series],
    traits: Traits,
    now: pd.Timestamp,
    priors: Priors,
) -> Panel:
    """Lay prices out for the joint model.

    Parameters
    ----------
    models
        The family's models.
    rows
        ``model_id``, ``day``, ``amount`` (settlement currency) and ``key`` of each price, and where
        prices are means of several the number of them, ``n_averaged``.
    traits
        Traits of the same rows.
    now
        Day up to which is known.
    priors
        Priors of this kind of price.
    """
    model, day = models.index(rows["model_id"]), pd.DatetimeIndex(rows["day"])
    amount = rows["amount"].to_numpy(dtype="float64")
    models = anchored(models, (model, day, amount), priors)
    y = np.log(amount / models.launch_price[model])
    key = rows["key"].to_numpy(dtype=object)
    averaged = rows["n_averaged"].fillna(1.0).to_numpy() if "n_averaged" in rows else None
    return Panel(models, y, model, day, traits, key, amount, now, averaged)


def usual_ratio(priors: Priors, age: Floats) -> Floats:
    """Log price ratio the priors expect at each age, before any data, (n,)."""
    mean = level_and_slopes(priors).mean
    out: Floats = mean[0] + segments(age) @ mean[1:]
    return out


def anchored(models: Models, rows: tuple[Ints, pd.DatetimeIndex, Floats], priors: Priors) -> Models:
    """Give a family without any launch price the one its prices suggest.

    Ratios need something to be ratios to; without a launch price in the family, the stand-in is
    chosen so that the prices seen lie where the priors expect them at their ages. The models
    stay marked as of unknown launch price, so each one's own level remains wide.

    Parameters
    ----------
    models
        The family's models.
    rows
        Model position, day and amount of each price, (n,).
    priors
        Priors of the price.
    """
    model, day, amount = rows
    if models.price_known.any() or not len(amount):
        return models
    age = np.maximum(age_in_months(day, models.launch_days[model]), 0.0)
    stand_in = float(np.exp(np.median(np.log(amount) - usual_ratio(priors, age))))
    return replace(models, launch_price=np.full(len(models.ids), stand_in))


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
