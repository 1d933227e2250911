"""``backtest_prices``: forecasts made at earlier month ends against the sales that followed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.backtest.origins import as_cutoffs, held_out, known_at
from kit.backtest.simple_rules import RULES, last_levels, months_of, past_errors, past_of
from kit.estimation.depreciation import (
    ASKING,
    CHANNEL,
    GRADE,
    STORAGE,
    UNKNOWN_GRADE,
    PriceCurves,
    fit_prices,
    working_prices,
)
from kit.estimation.design import Points
from kit.estimation.prediction import Band, predict
from kit.estimation.rivals import mixed_forecast
from kit.logs import CannotSay, Fault, LogFault, Logs

Floats = npt.NDArray[np.float64]
Progress = Callable[[str, int, int], None]

OURS, MIXED = "the kit's curves", "mixed model"
METHODS = (OURS, *RULES, MIXED)
HORIZONS, LEVELS = (1, 3, 6, 12), (0.5, 0.8, 0.9)
# A grade, channel or storage not seen by the cutoff keeps its prior: no effect, give or take 0.3.
UNSEEN_SD = 0.3


@dataclass(frozen=True, eq=False)
class Backtest:
    """Every forecast of every method for every held-out sale.

    ``forecasts`` has ``family_id, model_id, sale_id, cutoff, horizon, n_sales`` (of the model at
    the cutoff), ``method, actual, predicted`` (money, median of one sale), ``lower_80,
    upper_80`` and the like per level, and ``stands_in`` where a plainer method had to answer.
    ``silent`` lists what could not be forecast, with the reason and the number of sales.
    """

    forecasts: pd.DataFrame
    silent: pd.DataFrame
    cutoffs: tuple[pd.Timestamp, ...]
    horizons: tuple[int, ...]
    levels: tuple[float, ...]

    def __repr__(self) -> str:
        """Say how much was tested."""
        sales = len(self.of(OURS))
        return f"Backtest({sales} held-out sales, {len(self.cutoffs)} cutoffs)"

    def of(self, method: str) -> pd.DataFrame:
        """Forecasts of one method."""
        rows: pd.DataFrame = self.forecasts[self.forecasts["method"] == method]
        return rows


def level_word(level: float) -> str:
    """Interval level as it ends a column name, such as ``80``."""
    return f"{100 * level:g}"


def backtest_prices(
    logs: Logs,
    origins: Sequence[str | pd.Timestamp] | None = None,
    horizons: Sequence[int] = HORIZONS,
    levels: Sequence[float] = LEVELS,
    progress: Progress | None = None,
) -> Backtest:
    """Forecast later sales from what was known at earlier month ends.

    For every cutoff each family is fitted on ``known_at(logs, cutoff)``, and every sale of the
    month ``h`` months later is forecast at its own model, grade, channel and storage, by the
    kit's curves, four simple rules and a mixed model, all on the same sales. Where a family has
    prices of sold units, only sold units are held out.

    Parameters
    ----------
    logs
        The workspace's logs.
    origins
        Cutoffs, each moved to the end of its month; every third month if None.
    horizons
        Months ahead, 1 being the month after the cutoff.
    levels
        Interval levels.
    progress
        Called with what has been done, how many cutoffs are done, and how many there are.

    Returns
    -------
    Backtest

    Raises
    ------
    LogFault
        If no cutoff leaves sales on both sides, or a horizon or level is out of range.
    """
    _check(horizons, levels)
    cutoffs = as_cutoffs(logs, origins)
    tables: list[pd.DataFrame] = []
    silent: list[tuple[object, ...]] = []
    for i, cutoff in enumerate(cutoffs):
        known = known_at(logs, cutoff)
        for family_id in known.families:
            one = _FamilyAtCutoff(logs, known, family_id, cutoff)
            tables += list(_family(one, horizons, (tuple(levels), silent)))
        if progress:
            progress(f"forecasts from {cutoff:%Y-%m}", i + 1, len(cutoffs))
    if not tables:
        raise LogFault([Fault("sales.csv", None, "", "no sale after any cutoff", "held-out sales")])
    unsaid = pd.DataFrame(silent, columns=["family_id", "cutoff", "horizon", "n", "reason"])
    whole = pd.concat(tables, ignore_index=True)
    return Backtest(whole, unsaid, tuple(cutoffs), tuple(horizons), tuple(levels))


def _check(horizons: Sequence[int], levels: Sequence[float]) -> None:
    faults = [
        Fault("horizon", None, "", str(h), "whole months from 1 to 120")
        for h in horizons
        if h != int(h) or not 1 <= h <= 120
    ]
    faults += [
        Fault("level", None, "", str(v), "from 0.01 to 0.99") for v in levels if not 0.01 <= v < 1
    ]
    if faults or not len(horizons) or not len(levels):
        raise LogFault(faults or [Fault("horizons", None, "", "none", "at least one")])


@dataclass(frozen=True, eq=False)
class _FamilyAtCutoff:
    """One family at one cutoff; ``everything`` also holds what came later."""

    everything: Logs
    known: Logs
    family_id: str
    cutoff: pd.Timestamp

    @property
    def later(self) -> pd.DataFrame:
        """Prices of working units of all dates."""
        return working_prices(self.everything.family(self.family_id).tables["sales"])

    def frame(self, tested: pd.DataFrame, horizon: int) -> dict[str, object]:
        """Columns that all methods share."""
        return {
            "family_id": self.family_id,
            "model_id": tested["model_id"].to_numpy(),
            "sale_id": tested["sale_id"].to_numpy(),
            "cutoff": self.cutoff,
            "horizon": horizon,
            "actual": tested["amount"].to_numpy(dtype="float64"),
        }


def _family(
    one: _FamilyAtCutoff,
    horizons: Sequence[int],
    told: tuple[tuple[float, ...], list[tuple[object, ...]]],
) -> Iterator[pd.DataFrame]:
    """Forecasts of one family from one cutoff; what cannot be said goes on the list."""
    levels, silent = told
    curves = fit_prices(one.known, one.family_id)
    models = one.known.family(one.family_id).tables["catalogue"]["model_id"]
    later = one.later
    if (later["price_type"] != "asking").any():
        later = later[later["price_type"] != "asking"]
    for horizon in horizons:
        tested = held_out(later, list(models), one.cutoff, horizon)
        if tested.empty:
            continue
        where = (one.family_id, one.cutoff, horizon)
        if isinstance(curves, CannotSay):
            silent.append((*where, len(tested), curves.reason))
            continue
        position = curves.models.index(tested["model_id"])
        mute = (curves.fit.panel.sales_by_model == 0) & ~curves.models.price_known
        if mute[position].any():
            silent.append((*where, int(mute[position].sum()), "no launch price and no sale"))
            tested = tested[~mute[position]]
        if len(tested):
            yield from _methods(one, curves, (tested, horizon), levels)


def _methods(
    one: _FamilyAtCutoff,
    curves: PriceCurves,
    ahead: tuple[pd.DataFrame, int],
    levels: tuple[float, ...],
) -> Iterator[pd.DataFrame]:
    """One table per method."""
    tested, horizon = ahead
    points, unseen = sale_points(curves, tested)
    launch = np.log(curves.models.launch_price[points.model])
    n_sales = curves.fit.panel.sales_by_model[points.model]
    shared = {**one.frame(tested, horizon), "n_sales": n_sales}
    band = predict(curves.fit, points)
    band = replace(band, level_variance=band.level_variance + UNSEEN_SD**2 * unseen)
    yield pd.DataFrame({**shared, "method": OURS, **_ours(band, launch, levels)})
    past = past_of(curves.fit.panel, float(np.ceil(months_of([one.cutoff])[0])))
    last, when = last_levels(past), months_of(points.day)
    for name, rule in RULES.items():
        said = rule(past, last, points.model, when)
        half = np.quantile(past_errors(rule, past, horizon), levels)
        ends = {v: (said - h, said + h) for v, h in zip(levels, half, strict=True)}
        yield pd.DataFrame({**shared, "method": name, **_money(said, ends, False)})
    mixed = mixed_forecast(curves.fit.panel, points)
    ends = {v: _ends(mixed.quantile, v, launch) for v in levels}
    told = _money(launch + mixed.median, ends, not mixed.converged)
    yield pd.DataFrame({**shared, "method": MIXED, **told})


def _ours(band: Band, launch: Floats, levels: tuple[float, ...]) -> dict[str, object]:
    ends = {v: _ends(band.sale_quantile, v, launch) for v in levels}
    return _money(launch + band.median, ends, False)


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
