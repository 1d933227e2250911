"""``price_forecast``: the price of a single sale, month by month, for every model and key."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.price_rows import CHANNEL, GRADE, STORAGE, UNKNOWN_GRADE
from repair_horizon.logs import CannotSay, Fault, LogFault, Logs
from repair_horizon.tables.months import age_in_months, month_middle, month_number, month_word

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

KEYS = ("grade", "storage_gb", "channel")


def price_forecast(
    logs: Logs,
    curves: Mapping[str, PriceCurves | CannotSay],
    months: int,
    level: float = 0.8,
    by: Sequence[str] = ("grade",),
) -> pd.DataFrame:
    """Forecast single-sale prices.

    Parameters
    ----------
    logs
        For the values of the keys seen.
    curves
        Family to its curves from ``fit_prices`` on the same logs.
    months
        Months from the one after the newest data.
    level
        Interval level of one sale.
    by
        Keys to break down by, any of ``grade``, ``storage_gb``, ``channel``; without a key, its
        commonest value.

    Returns
    -------
    DataFrame
        ``model_id``, the keys, ``month`` (YYYY-MM), ``age_months`` at its middle, ``predicted``
        (median), ``lower``, ``upper``, ``level``, ``n_sales`` of the model, ``reason`` where
        nothing can be said.

    Raises
    ------
    LogFault
        If a key is none of the three.
    """
    unknown = [b for b in by if b not in KEYS]
    if unknown:
        raise LogFault([Fault("--by", None, "", b, ", ".join(KEYS)) for b in unknown])
    first = int(month_number([logs.newest_day])[0]) + 1
    numbers = np.arange(first, first + months)
    tables = [_family_table(logs.family(f), c, numbers, (level, by)) for f, c in curves.items()]
    columns = ["model_id", *by, "month", "age_months", "predicted", "lower", "upper", "level"]
    return pd.concat(tables, ignore_index=True)[[*columns, "n_sales", "reason"]]


def _family_table(
    family: Logs,
    curves: PriceCurves | CannotSay,
    numbers: Ints,
    asked: tuple[float, Sequence[str]],
) -> pd.DataFrame:
    level, by = asked
    if isinstance(curves, CannotSay):
        models = family.tables["catalogue"]["model_id"]
        table = pd.DataFrame({"model_id": models, "reason": curves.reason})
        return table.reindex(columns=_columns(by)).assign(n_sales=0, level=level)
    sales = family.tables["sales"]
    sales = sales[sales["condition"] != "as_is"]
    # Values of each key seen in the sales; the base one where none was noted.
    named = {k: _named(curves, sales, k) for k in by if k != "storage_gb"}
    starts = [
        {"model": i, "model_id": model_id, **dict(zip(by, keys, strict=True))}
        for i, model_id in enumerate(curves.models.ids)
        for keys in itertools.product(*(named.get(k) or _storages(curves, sales, i) for k in by))
    ]
    table = pd.DataFrame(starts).merge(pd.DataFrame({"number": numbers}), how="cross")
    return _told(curves, table, level).reindex(columns=_columns(by))


def _columns(by: Sequence[str]) -> list[str]:
    told = ["month", "age_months", "predicted", "lower", "upper", "level", "n_sales", "reason"]
    return ["model_id", *by, *told]


def _storages(curves: PriceCurves, sales: pd.DataFrame, model: int) -> list[object]:
    mine = sales.loc[sales["model_id"] == curves.models.ids[model], "storage_gb"].dropna()
    seen: set[float] = {float(v) for v in mine} | {float(curves.base_storage[model])}
    return [*sorted(v for v in seen if np.isfinite(v))] or [np.nan]


def _named(curves: PriceCurves, sales: pd.DataFrame, key: str) -> list[object]:
    seen = sorted(set(sales[key]) - {"", UNKNOWN_GRADE})
    return seen or [curves.base_grade if key == "grade" else curves.base_channel]


def _told(curves: PriceCurves, table: pd.DataFrame, level: float) -> pd.DataFrame:
    """Fill in the forecast of each row."""
    model = table["model"].to_numpy(dtype="int64")
    middles = {m: month_middle(m) for m in table["number"].unique()}
    days = pd.DatetimeIndex(table["number"].map(middles))
    age = age_in_months(days, curves.models.launch[model])
    band = predict(curves.fit, Points(model, days, _traits(curves, table)))
    scale, launched = curves.models.launch_price[model], age >= 0
    n = curves.fit.panel.sales_by_model[model]
    silent = (n == 0) & ~curves.models.price_known[model]
    said = launched & ~silent
    low, high = (1 - level) / 2, (1 + level) / 2
    logs = {
        "predicted": band.median,
        "lower": band.sale_quantile(low),
        "upper": band.sale_quantile(high),
    }
    reason = np.where(
        silent, "no launch price and no sale", np.where(launched, "", "not launched yet")
    )
    return table.assign(
        month=[month_word(m) for m in table["number"]],
        age_months=age.round(2),
        level=level,
        n_sales=n,
        reason=reason,
        **{k: np.where(said, scale * np.exp(v), np.nan).round(2) for k, v in logs.items()},
    )


def _traits(curves: PriceCurves, table: pd.DataFrame) -> Floats:
    """Trait values of each row's combination of keys, (rows, traits)."""
    names = curves.fit.panel.traits.names
    values = np.zeros((len(table), len(names)))
    for key, prefix in (("grade", GRADE), ("channel", CHANNEL)):
        for at, name in enumerate(names):
            if key in table and name.startswith(prefix):
                values[:, at] = table[key] == name.removeprefix(prefix)
    if STORAGE in names and "storage_gb" in table:
        base = curves.base_storage[table["model"].to_numpy(dtype="int64")]
        doubled = np.log2(table["storage_gb"].to_numpy(dtype="float64") / base)
        values[:, names.index(STORAGE)] = np.where(np.isfinite(doubled), doubled, 0.0)
    return values
