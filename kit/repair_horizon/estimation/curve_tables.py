"""Fitted curves and the rows behind them as tables: what charts and pages are drawn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.estimation.curve.fit import JointFit
from repair_horizon.estimation.curve.predict import Band, predict
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.part_prices import PartCurves, together
from repair_horizon.tables.months import age_in_months, month_middle, month_start

Floats = npt.NDArray[np.float64]

FLAG_AT = 4.0


_BAND = ["predicted", "lower", "upper", "level_lower", "level_upper"]
CURVE_COLUMNS = ["model_id", "month", "age_months", *_BAND, "phase"]
PART_COLUMNS = ["model_id", "part_code", "quality_class", "month", *_BAND, "phase"]


def price_points(curves: PriceCurves, sales: pd.DataFrame) -> pd.DataFrame:
    """Sales behind a curve, also brought to the base grade, channel and storage.

    Parameters
    ----------
    curves
        Fitted curves of a family.
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
    curves
        Fitted curves of a family.
    end
        Number of the month after the last one.
    level
        Interval level.
    widen
        Factor on the width of every interval, from a back-test.

    Returns
    -------
    DataFrame
        ``CURVE_COLUMNS``: ``predicted`` the median of one sale with ``lower`` and ``upper``, the
        price level's own interval, ``phase`` 'logged' or 'forecast'; a model that is neither
        priced nor sold has no row.
    """
    fit = curves.fit
    parts = [pd.DataFrame(columns=CURVE_COLUMNS)]
    for i, model_id in enumerate(curves.models.ids):
        if not curves.models.price_known[i] and not fit.panel.sales_by_model[i]:
            continue
        launch = curves.models.launch[i]
        first = max(fit.layout.first_month, launch.year * 12 + launch.month - 1)
        numbers = np.arange(first, end)
        if not len(numbers):
            continue
        days = pd.DatetimeIndex([max(month_middle(int(n)), launch) for n in numbers])
        band = replace(predict(fit, curves.points(np.full(len(days), i), days)), widen=widen)
        table = _band_table(band, float(curves.models.launch_price[i]), level)
        table["model_id"], table["age_months"] = model_id, age_in_months(days, [launch] * len(days))
        parts.append(_dated(table, numbers, fit.layout.last_month))
    return pd.concat(parts[1:] or parts, ignore_index=True)[CURVE_COLUMNS]


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


def _dated(table: pd.DataFrame, numbers: npt.NDArray[np.int64], last: int) -> pd.DataFrame:
    months = pd.DatetimeIndex([month_start(n) for n in numbers])
    return table.assign(month=months, phase=np.where(numbers > last, "forecast", "logged"))


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
    level
        Interval level.

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
