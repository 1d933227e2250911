"""What each method says of a held-out sale: the kit's curves, the simple rules, the mixed model."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.backtest.simple_rules import (
    RULES,
    Past,
    Rule,
    last_levels,
    months_of,
    past_errors,
    past_of,
)
from kit.estimation.depreciation import PriceCurves
from kit.estimation.design import Points
from kit.estimation.prediction import predict
from kit.estimation.price_rows import ASKING, CHANNEL, GRADE, STORAGE, UNKNOWN_GRADE
from kit.estimation.rivals import mixed_forecast

Floats = npt.NDArray[np.float64]

OURS, MIXED = "the kit's curves", "mixed model"
METHODS = (OURS, *RULES, MIXED)
# A grade, channel or storage not seen by the cutoff keeps its prior: no effect, give or take 0.3.
UNSEEN_SD = 0.3


def level_word(level: float) -> str:
    """Interval level as it ends a column name, such as ``80``."""
    return f"{100 * level:g}"


def answers(
    curves: PriceCurves, cutoff: pd.Timestamp, tested: pd.DataFrame, levels: tuple[float, ...]
) -> Iterator[pd.DataFrame]:
    """Forecast held-out sales by every method, all from the same fitted rows.

    Parameters
    ----------
    curves
        Fitted on what was known at the cutoff.
    cutoff
        End of a month.
    tested
        Held-out sales of the family, with ``horizon``.
    levels
        Interval levels.

    Yields
    ------
    DataFrame
        One per method, in the columns of ``Backtest.forecasts`` but ``family_id``.
    """
    points, unseen = sale_points(curves, tested)
    launch = np.log(curves.models.launch_price[points.model])
    horizon = tested["horizon"].to_numpy(dtype="int64")
    shared = {
        "model_id": tested["model_id"].to_numpy(),
        "sale_id": tested["sale_id"].to_numpy(),
        "cutoff": cutoff,
        "horizon": horizon,
        "n_sales": curves.fit.panel.sales_by_model[points.model],
        "actual": tested["amount"].to_numpy(dtype="float64"),
    }
    band = predict(curves.fit, points)
    band = replace(band, level_variance=band.level_variance + UNSEEN_SD**2 * unseen)
    ends = {v: _ends(band.sale_quantile, v, launch) for v in levels}
    yield pd.DataFrame({**shared, "method": OURS, **_money(launch + band.median, ends, False)})
    past = past_of(curves.fit.panel, float(np.ceil(months_of([cutoff])[0])))
    last, when = last_levels(past), months_of(points.day)
    for name, rule in RULES.items():
        said = rule(past, last, points.model, when)
        half = _half_widths(rule, past, horizon, levels)
        ends = {v: (said - h, said + h) for v, h in zip(levels, half, strict=True)}
        yield pd.DataFrame({**shared, "method": name, **_money(said, ends, False)})
    mixed = mixed_forecast(curves.fit.panel, points)
    ends = {v: _ends(mixed.quantile, v, launch) for v in levels}
    told = _money(launch + mixed.median, ends, not mixed.converged)
    yield pd.DataFrame({**shared, "method": MIXED, **told})


def _half_widths(
    rule: Rule, past: Past, horizon: npt.NDArray[np.int64], levels: tuple[float, ...]
) -> Floats:
    """Half width of a rule's interval for each level and sale, (levels, n)."""
    asked, at = np.unique(horizon, return_inverse=True)
    half = [np.quantile(past_errors(rule, past, int(h)), levels) for h in asked]
    out: Floats = np.stack(half, axis=1)[:, at]
    return out


def _ends(
    quantile: Callable[[float], Floats], level: float, launch: Floats
) -> tuple[Floats, Floats]:
    low, high = (1 - level) / 2, (1 + level) / 2
    return launch + quantile(low), launch + quantile(high)


def _money(
    log_median: Floats, ends: dict[float, tuple[Floats, Floats]], stands_in: bool
) -> dict[str, object]:
    out: dict[str, object] = {"predicted": np.exp(log_median)}
    for level, (low, high) in ends.items():
        out[f"lower_{level_word(level)}"] = np.exp(low)
        out[f"upper_{level_word(level)}"] = np.exp(high)
    return {**out, "stands_in": stands_in}


def sale_points(curves: PriceCurves, sales: pd.DataFrame) -> tuple[Points, Floats]:
    """Points of a fitted family at which given sales were made.

    Parameters
    ----------
    curves
        The fit.
    sales
        Sales of working units of the family's models.

    Returns
    -------
    tuple
        The points, and how many of each sale's grade, channel and storage the fit has not
        seen, (n,).
    """
    names = curves.fit.panel.traits.names
    model = curves.models.index(sales["model_id"])
    values, unseen = np.zeros((len(sales), len(names))), np.zeros(len(sales))
    grade = sales["grade"].where(sales["grade"] != "", UNKNOWN_GRADE)
    noted = (
        (GRADE, grade, curves.base_grade),
        (CHANNEL, sales["channel"], curves.base_channel),
    )
    for prefix, value, base in noted:
        for at, name in enumerate(names):
            if name.startswith(prefix):
                values[:, at] = value == name.removeprefix(prefix)
        unseen += [v != base and prefix + str(v) not in names for v in value]
    if ASKING in names:
        values[:, names.index(ASKING)] = sales["price_type"] == "asking"
    doubled = np.log2(sales["storage_gb"].to_numpy(dtype="float64") / curves.base_storage[model])
    doubled = np.where(np.isfinite(doubled), doubled, 0.0)
    if STORAGE in names:
        values[:, names.index(STORAGE)] = doubled
    else:
        unseen += np.abs(doubled)
    return Points(model, pd.DatetimeIndex(sales["sale_date"]), values), unseen
