"""What each method says of a held-out sale: the kit's curves, the simple rules, the mixed model.

The rules are four a partner can work out by hand: they must be beaten to be worth a model. Each
says one price per model and day from that model's own sales. A model with too few sales for a rule
takes the plainer one: the two lines need three sales on two days, else its last level counts; a
model never sold falls 25 % a year from its launch price. The half width of a rule's interval is the
matching quantile of its own absolute errors in earlier months of the family, at the same horizon,
so that the rules are not beaten merely for lack of a sensible interval.

The mixed model has random intercepts and slopes, and is the reference the joint model must match:
fitted by statsmodels' ``MixedLM`` on the same rows. It is a rival in the back-test, not the engine:
in a good part of small families it does not converge.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy.special import ndtri

from repair_horizon.estimation.curve.design import PIVOT_AGE, Points
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.price_rows import (
    ASKING,
    CHANNEL,
    GRADE,
    STORAGE,
    TRAIT_SD,
    UNKNOWN_GRADE,
    doublings,
)
from repair_horizon.tables.arrays import Floats, Ints
from repair_horizon.tables.months import age_in_months

TRIM = 3.5
_SLACK = 1e-6


@dataclass(frozen=True, eq=False)
class RivalForecast:
    """Log price ratio at each point: median, and standard deviation of one sale, (n,).

    ``converged`` is false where the mixed model failed and plain pooled least squares stand in.
    """

    median: Floats
    sd: Floats
    converged: bool

    def quantile(self, p: float) -> Floats:
        """Normal quantile of one sale."""
        out: Floats = self.median + ndtri(p) * self.sd
        return out


def mixed_forecast(panel: Panel, points: Points) -> RivalForecast:
    """Forecast by y ~ 1 + age + traits with a random level and slope per model.

    Rows more than 3.5 robust standard deviations off a pooled line are trimmed first, since the
    mixed model assumes normal errors.

    Parameters
    ----------
    panel
        The rows a family's joint model is fitted to.
    points
        Where prices are wanted; traits in the panel's columns.
    """
    late = (panel.age - PIVOT_AGE) / 12.0
    seen = panel.traits.values.any(axis=0)
    x = np.column_stack([np.ones(len(late)), late, panel.traits.values[:, seen]])
    pooled = sm.OLS(panel.y, x).fit()
    spread = max(float(np.median(np.abs(pooled.resid))) / 0.6745, _SLACK)
    kept = np.abs(pooled.resid) <= TRIM * spread
    used = np.concatenate([[True, True], np.ptp(x[kept][:, 2:], axis=0) > 0])
    ahead = age_in_months(points.day, panel.models.launch[points.model])
    ahead = (np.maximum(ahead, 0.0) - PIVOT_AGE) / 12.0
    wanted = np.column_stack([np.ones(len(ahead)), ahead, points.traits[:, seen]])[:, used]
    rows = (panel.y[kept], x[kept][:, used], panel.model[kept])
    mixed = _mixed(rows, (wanted, points.model))
    return mixed if mixed is not None else _pooled(rows, wanted)


def _mixed(rows: tuple[Floats, Floats, Ints], at: tuple[Floats, Ints]) -> RivalForecast | None:
    """Mixed-model forecast; None where the fit fails, does not converge or is not finite."""
    y, x, group = rows
    if len(np.unique(group)) < 2 or len(y) <= x.shape[1] + 4:
        return None
    try:
        with warnings.catch_warnings():
            # Failures are reported by the result; the warnings would say them again.
            warnings.simplefilter("ignore")
            fit = sm.MixedLM(y, x, group, exog_re=x[:, :2]).fit(reml=True, method="lbfgs")
            effects, spread = fit.random_effects, fit.random_effects_cov
    except (np.linalg.LinAlgError, ValueError, ZeroDivisionError):
        return None
    wanted, model = at
    between, fixed = np.asarray(fit.cov_re), np.asarray(fit.cov_params())[: x.shape[1]]
    median, variance = wanted @ fit.fe_params, np.empty(len(model))
    fixed = fixed[:, : x.shape[1]]
    for m in np.unique(model):
        at_m, z = model == m, wanted[model == m][:, :2]
        cov = np.asarray(spread[m]) if m in spread else between
        if m in effects:
            median[at_m] += z @ np.asarray(effects[m])
        own = np.einsum("ij,jk,ik->i", z, cov, z)
        variance[at_m] = own + np.einsum("ij,jk,ik->i", wanted[at_m], fixed, wanted[at_m])
    sd = np.sqrt(np.maximum(variance, 0.0) + fit.scale)
    if not (fit.converged and np.isfinite(median).all() and np.isfinite(sd).all()):
        return None
    return RivalForecast(median, sd, True)


def _pooled(rows: tuple[Floats, Floats, Ints], wanted: Floats) -> RivalForecast:
    """Pooled least squares without models, for families the mixed model cannot do."""
    y, x, _ = rows
    # A little ridge keeps a family with fewer rows than columns solvable.
    gram = np.linalg.inv(x.T @ x + 1e-3 * np.eye(x.shape[1]))
    beta = gram @ (x.T @ y)
    left = max(len(y) - x.shape[1], 1)
    scale = max(float(np.sum((y - x @ beta) ** 2)) / left, 0.05**2)
    variance = scale * (1.0 + np.einsum("ij,jk,ik->i", wanted, gram, wanted))
    return RivalForecast(wanted @ beta, np.sqrt(variance), False)


OURS, MIXED = "the kit's curves", "mixed model"


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
    # A grade, channel or storage not seen by the cutoff keeps its prior: no effect, give or take.
    band = replace(band, level_variance=band.level_variance + TRAIT_SD**2 * unseen)
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


def _half_widths(rule: Rule, past: Past, horizon: Ints, levels: tuple[float, ...]) -> Floats:
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
    sales = sales.assign(grade=sales["grade"].where(sales["grade"] != "", UNKNOWN_GRADE))
    values, unseen = curves.traits(model, sales), np.zeros(len(sales))
    noted = (("grade", GRADE, curves.base_grade), ("channel", CHANNEL, curves.base_channel))
    for key, prefix, base in noted:
        unseen += [v != base and prefix + str(v) not in names for v in sales[key]]
    if ASKING in names:
        values[:, names.index(ASKING)] = sales["price_type"] == "asking"
    if STORAGE not in names:
        unseen += np.abs(doublings(sales["storage_gb"], curves.base_storage[model]))
    return Points(model, pd.DatetimeIndex(sales["sale_date"]), values), unseen


YEARLY_FALL = 0.25  # common practice, no source
LEVEL_MONTHS = 3.0
FEWEST_FOR_A_LINE = 3
FEWEST_ERRORS = 20
EARLIER_CUTOFFS = 4
# A straight line runs below zero in the end; no rule says less than a tenth of the last level.
LOWEST_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class Past:
    """A family's sales so far: model position, month with its fraction, and log price, (n,).

    ``launch_price`` (log) and ``launch`` (month with its fraction) are per model; missing where
    the launch price is not known. ``now`` is the end of the cutoff's month, in months.
    """

    model: Ints
    time: Floats
    log_price: Floats
    launch_price: Floats
    launch: Floats
    now: float

    def until(self, time: float) -> Past:
        """Return the sales up to an earlier moment."""
        early = self.time <= time
        kept = (self.model[early], self.time[early], self.log_price[early])
        return Past(*kept, self.launch_price, self.launch, time)


@dataclass(frozen=True, eq=False)
class Levels:
    """Per model: the log of its last level, and the mean month of the sales behind it."""

    log_price: Floats
    time: Floats


Rule = Callable[[Past, Levels, Ints, Floats], Floats]


def past_of(panel: Panel, now: float) -> Past:
    """Lay out the sales a fit was made from; asking prices are left out where some were sold."""
    kept = np.ones(len(panel.y), dtype=bool)
    if ASKING in panel.traits.names:
        kept = panel.traits.values[:, panel.traits.names.index(ASKING)] == 0
    models = panel.models
    return Past(
        panel.model[kept],
        months_of(panel.day)[kept],
        np.log(panel.amount[kept]),
        np.where(models.price_known, np.log(models.launch_price), np.nan),
        months_of(models.launch),
        now,
    )


def months_of(days: object) -> Floats:
    """Months of each day since year 0, with its fraction of a month."""
    stamps = pd.DatetimeIndex(days)
    whole = stamps.year.to_numpy() * 12.0 + stamps.month.to_numpy() - 1.0
    out: Floats = whole + (stamps.day.to_numpy() - 1.0) / stamps.days_in_month.to_numpy()
    return out


def last_levels(past: Past) -> Levels:
    """Median of a model's sales in the last three months, else of its newest three sales."""
    k = len(past.launch)
    level, time = np.full(k, np.nan), np.full(k, np.nan)
    for m in np.unique(past.model):
        rows = np.flatnonzero(past.model == m)
        late = rows[past.time[rows] > past.now - LEVEL_MONTHS]
        used = late if len(late) else rows[np.argsort(past.time[rows], kind="stable")[-3:]]
        level[m], time[m] = np.median(past.log_price[used]), past.time[used].mean()
    return Levels(level, time)


def carried(past: Past, levels: Levels, model: Ints, when: Floats) -> Floats:
    """Carry the last median forward unchanged."""
    return _or_flat(levels.log_price[model], past, levels, (model, when))


def flat_rate(past: Past, levels: Levels, model: Ints, when: Floats) -> Floats:
    """Last median less 25 % a year, or the launch price less 25 % a year."""
    start = np.where(np.isnan(levels.log_price), past.launch_price, levels.log_price)
    since = np.where(np.isnan(levels.time), past.launch, levels.time)
    out: Floats = start[model] + np.log1p(-YEARLY_FALL) * (when - since[model]) / 12.0
    return out


def straight_line(past: Past, levels: Levels, model: Ints, when: Floats) -> Floats:
    """Least-squares line through the model's prices by date, drawn on."""
    start, slope = _lines(past, np.exp(past.log_price))
    price = start[model] + slope[model] * when
    lowest = LOWEST_SHARE * np.exp(levels.log_price[model])
    return _or_flat(np.log(np.maximum(price, lowest)), past, levels, (model, when))


def exponential(past: Past, levels: Levels, model: Ints, when: Floats) -> Floats:
    """Least-squares line through the model's log prices by date, drawn on."""
    start, slope = _lines(past, past.log_price)
    return _or_flat(start[model] + slope[model] * when, past, levels, (model, when))


def _or_flat(said: Floats, past: Past, levels: Levels, at: tuple[Ints, Floats]) -> Floats:
    """What a rule says, else the model's last level, else the flat rate from launch."""
    level = levels.log_price[at[0]]
    flat = flat_rate(past, levels, *at)
    out: Floats = np.where(np.isnan(said), np.where(np.isnan(level), flat, level), said)
    return out


def _lines(past: Past, value: Floats) -> tuple[Floats, Floats]:
    """Intercept and slope per model, missing where fewer than three sales or one day only."""
    k = len(past.launch)
    start, slope = np.full(k, np.nan), np.full(k, np.nan)
    for m in np.unique(past.model):
        rows = past.model == m
        time, v = past.time[rows], value[rows]
        if len(v) < FEWEST_FOR_A_LINE or np.ptp(time) == 0:
            continue
        centred = time - time.mean()
        slope[m] = (centred @ v) / (centred @ centred)
        start[m] = v.mean() - slope[m] * time.mean()
    return start, slope


RULES: dict[str, Rule] = {
    "last median carried": carried,
    "flat 25 % a year": flat_rate,
    "line per model": straight_line,
    "exponential per model": exponential,
}
METHODS = (OURS, *RULES, MIXED)


def past_errors(rule: Rule, past: Past, horizon: int) -> Floats:
    """Absolute log errors the rule made at this horizon in earlier months of the family.

    Looks back from up to four earlier cutoffs, three months apart, each tested on the month that
    lies ``horizon`` months after it; where that gives under twenty errors, on the very next
    month instead, and at worst on the spread of the sales about their model's own median.
    """
    for ahead in dict.fromkeys((horizon, 1)):
        found = [_errors_from(rule, past, (ahead, 3 * back)) for back in range(EARLIER_CUTOFFS)]
        errors = np.concatenate(found)
        if len(errors) >= FEWEST_ERRORS:
            return errors
    middles = {m: np.median(past.log_price[past.model == m]) for m in np.unique(past.model)}
    about = np.array([middles[m] for m in past.model])
    return np.abs(past.log_price - about)


def _errors_from(rule: Rule, past: Past, span: tuple[int, int]) -> Floats:
    ahead, back = span
    now = past.now - ahead - back
    early = past.until(now)
    if not len(early.time):
        return np.zeros(0)
    tested = (past.time > now + ahead - 1) & (past.time <= now + ahead)
    model, when = past.model[tested], past.time[tested]
    miss = past.log_price[tested] - rule(early, last_levels(early), model, when)
    out: Floats = np.abs(miss[np.isfinite(miss)])
    return out
