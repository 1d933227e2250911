"""Prices as tables: ``price_forecast``, a family's curves and points, changes, broken ratios."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.fit import JointFit
from repair_horizon.estimation.curve.predict import Band, predict
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.forecast import FamilyEstimates, FamilyOutlook
from repair_horizon.estimation.part_prices import PartCurves, together
from repair_horizon.estimation.price_rows import UNKNOWN_GRADE
from repair_horizon.logs import CannotSay, Fault, LogFault, Logs
from repair_horizon.tables.arrays import Floats, Ints
from repair_horizon.tables.months import (
    age_in_months,
    month_middle,
    month_number,
    month_start,
    month_word,
)

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
    age = age_in_months(days, curves.models.launch_days[model])
    band = predict(curves.fit, Points(model, days, curves.traits(model, table)))
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


FALLING, RISING, UNCLEAR = "falling", "rising", "no clear direction"


def monthly_change(family: FamilyOutlook, level: float = 0.8) -> pd.DataFrame:
    """Change of each model's price level a month, over the year to come.

    Parameters
    ----------
    family
        Joint draws of one family; where they end within a year, it is told over what is drawn.
    level
        Interval level.

    Returns
    -------
    DataFrame
        ``model_id, price`` (median level in the first month), ``change, lower, upper`` (share of
        the price a month, below zero for a fall), ``direction``, ``probability_rise``, ``basis``
        and ``reason``. A series is called falling or rising where its whole interval is; figures
        are missing where nothing can be said, with the reason.

    Examples
    --------
    >>> from repair_horizon.shop import open_shop
    >>> family = open_shop("data/demo").outlook("vellfold").families["vellfold"]
    >>> table = monthly_change(family)
    >>> set(table["direction"]) <= {"falling", "rising", "no clear direction", ""}
    True
    """
    last = min(12, family.level.shape[2] - 1)
    tail = (1 - level) / 2
    rows = []
    for i, model_id in enumerate(family.models):
        path = family.level[:, i]
        basis = family.level_basis.get(model_id)
        if not np.isfinite(path[:, [0, last]]).all():
            reason = family.reasons.get(model_id, "not launched yet in the first month")
            rows.append((model_id, *[np.nan] * 4, "", np.nan, "", reason))
            continue
        change = np.expm1(np.log(path[:, last] / path[:, 0]) / last)
        lower, middle, upper = np.quantile(change, [tail, 0.5, 1 - tail])
        way = FALLING if upper < 0 else RISING if lower > 0 else UNCLEAR
        risen = float(np.mean(change > 0))
        now = float(np.median(path[:, 0]))
        rows.append((model_id, now, middle, lower, upper, way, risen, basis or "", ""))
    names = ["model_id", "price", "change", "lower", "upper", "direction"]
    return pd.DataFrame(rows, columns=[*names, "probability_rise", "basis", "reason"])


def broken_ratios(family: FamilyEstimates) -> pd.DataFrame | CannotSay:
    """Price of a broken unit against a working one of the same model and month.

    Parameters
    ----------
    family
        Estimates of one family.

    Returns
    -------
    DataFrame or CannotSay
        ``family_id, kind`` ('as is', 'hammer price', 'highest rival'), ``fault, ratio, lower,
        upper`` (80 %), ``n, newest, basis, words``: as is for every listed fault and state, the
        others for every listed fault. CannotSay where no working price can be said.
    """
    if isinstance(family.prices, CannotSay):
        return family.prices
    kinds = {"as is": family.as_is, "hammer price": family.hammer, "highest rival": family.rivals}
    wanted = ["fault", "ratio", "lower", "upper", "n", "newest", "basis", "words"]
    parts = [table[wanted].assign(kind=kind) for kind, table in kinds.items()]
    out = pd.concat(parts, ignore_index=True).assign(family_id=family.family_id)
    return out[["family_id", "kind", *wanted]]


FLAG_AT = 4.0

_BAND = ["predicted", "lower", "upper", "level_lower", "level_upper"]
CURVE_COLUMNS = ["model_id", "month", "age_months", *_BAND, "phase"]
PART_COLUMNS = ["model_id", "part_code", "quality_class", "month", *_BAND, "phase"]


def price_points(curves: PriceCurves, sales: pd.DataFrame) -> pd.DataFrame:
    """Sales behind a curve, also brought to the base grade, channel and storage.

    Parameters
    ----------
    sales
        The family's rows of sales.csv.

    Returns
    -------
    DataFrame
        ``model_id, sale_date, age_months, amount, adjusted, grade, price_type, weight, flagged``;
        money in the settlement currency, ``weight`` 1 for a full sale and near 0 for an outlier.
    """
    fit = curves.fit
    panel = fit.panel
    about = sales.set_index("sale_id")[["grade", "price_type"]].loc[list(panel.key)]
    return pd.DataFrame(
        {
            "model_id": [panel.models.ids[m] for m in panel.model],
            "sale_date": panel.day,
            "age_months": panel.age,
            "amount": panel.amount,
            "adjusted": panel.amount / np.exp(_trait_part(fit)),
            "grade": about["grade"].to_numpy(),
            "price_type": about["price_type"].replace("", "sold").to_numpy(),
            "weight": np.minimum(fit.weights, 1.0),
            "flagged": np.abs(fit.residuals) > FLAG_AT * fit.scales.noise,
        }
    )


def _trait_part(fit: JointFit) -> Floats:
    """What grade, channel, storage and their ageing contribute to each row."""
    traits = fit.panel.traits
    at = [fit.layout.dense(n) for n in traits.names]
    ageing = [
        fit.layout.dense(f"{n} by age")
        for n, a in zip(traits.names, traits.ageing, strict=True)
        if a
    ]
    columns = at + ageing
    out: Floats = fit.rows.dense[:, columns] @ fit.posterior.mean[columns]
    return out


def price_curve(
    curves: PriceCurves, end: int, level: float = 0.8, widen: float = 1.0
) -> pd.DataFrame:
    """Monthly curve per model, from its first logged month (or launch) on.

    Parameters
    ----------
    end
        Number of the month after the last one.
    widen
        Factor on the width of every interval, from a back-test.

    Returns
    -------
    DataFrame
        ``CURVE_COLUMNS``: ``predicted`` the median of one sale with ``lower`` and ``upper``, the
        price level's own interval, ``phase`` 'logged' or 'forecast'; a model that is neither
        priced nor sold has no row.
    """
    fit, models = curves.fit, curves.models
    every = np.arange(fit.layout.first_month, end)
    middles = pd.DatetimeIndex([month_middle(int(n)) for n in every])
    known = models.price_known | (fit.panel.sales_by_model > 0)
    begins = month_number(models.launch)
    at = [i for i in np.flatnonzero(known) if begins[i] < end]
    later = [every >= begins[i] for i in at]
    if not any(mask.any() for mask in later):
        return pd.DataFrame(columns=CURVE_COLUMNS)
    model = np.repeat(at, [int(mask.sum()) for mask in later])
    days = middles[np.concatenate([np.flatnonzero(mask) for mask in later])]
    launch = models.launch[model]
    days = days.where(days >= launch, launch)
    band = replace(predict(fit, curves.points(model, days)), widen=widen)
    table = _band_table(band, models.launch_price[model], level)
    table["model_id"] = np.array(models.ids, dtype=object)[model]
    table["age_months"] = age_in_months(days, launch)
    numbers = np.concatenate([every[mask] for mask in later])
    return _dated(table, numbers, fit.layout.last_month)[CURVE_COLUMNS]


def _band_table(band: Band, scale: float | Floats, level: float) -> pd.DataFrame:
    low, high = (1 - level) / 2, (1 + level) / 2
    columns = [
        band.median,
        band.sale_quantile(low),
        band.sale_quantile(high),
        band.level_quantile(low),
        band.level_quantile(high),
    ]
    return pd.DataFrame({n: scale * np.exp(c) for n, c in zip(_BAND, columns, strict=True)})


def _dated(table: pd.DataFrame, numbers: Ints, last: int) -> pd.DataFrame:
    first = int(numbers.min())
    starts = pd.DatetimeIndex([month_start(n) for n in range(first, int(numbers.max()) + 1)])
    return table.assign(
        month=starts[numbers - first], phase=np.where(numbers > last, "forecast", "logged")
    )


def part_curve(
    parts_fitted: Mapping[str, PartCurves], end: int, level: float = 0.8
) -> pd.DataFrame:
    """Monthly part prices per model and quality quoted, at the commonest supplier.

    Parameters
    ----------
    parts_fitted
        Part code to its fitted curves.
    end
        Number of the month after the last one.

    Returns
    -------
    DataFrame
        ``PART_COLUMNS``.
    """
    parts = []
    for code, curve in parts_fitted.items():
        fit = curve.fit
        numbers = np.arange(fit.layout.first_month, end)
        days = pd.DatetimeIndex([month_middle(int(n)) for n in numbers])
        offers = list(curve.offers.itertuples())
        at = [fit.panel.models.ids.index(o.model_id) for o in offers]
        later = [days >= fit.panel.models.launch[i] for i in at]
        counts = [int(mask.sum()) for mask in later]
        points = [
            curve.points(np.full(n, i), days[mask], o.quality_class)
            for o, i, mask, n in zip(offers, at, later, counts, strict=True)
        ]
        if not sum(counts):
            continue
        scale = np.repeat(fit.panel.models.launch_price[at], counts)
        table = _band_table(predict(fit, together(points)), scale, level)
        table["model_id"], table["part_code"] = (
            np.repeat([o.model_id for o in offers], counts),
            code,
        )
        table["quality_class"] = np.repeat([o.quality_class for o in offers], counts)
        month = np.concatenate([numbers[mask] for mask in later])
        parts.append(_dated(table, month, fit.layout.last_month))
    if not parts:
        return pd.DataFrame(columns=PART_COLUMNS)
    return pd.concat(parts, ignore_index=True)[PART_COLUMNS]
