"""What a reader may ask of a price fit: where it misses, what it learned, whom it disbelieves.

Nothing here changes a forecast. The robust regression beside the joint fit is the cross-check
asked for wherever one method does all the work: Huber and Ronchetti, Robust Statistics (2nd ed.
2009), with Tukey's biweight, as statsmodels fits it.

The last pass of the joint fit is an ordinary regression, since a prior is one more row of data.
With C the lower Cholesky factor of the prior precision P, the rows [sqrt(W) X; C'] and
[sqrt(W) y; C^-1 P m0] have the normal equations (X'WX + P) theta = X'Wy + P m0 of the fit, so
their least squares with scale one gives its posterior mean and covariance: Theil and Goldberger
(1961), International Economic Review 2:65-78. W is the precision of the prices with each model's
drift integrated out, a block for each model, so rows of one model are first made independent by
the Cholesky factor of their covariance (generalised least squares).

How wide a forecast is, why, and what would narrow it most, is told by its variance: a sum of
sources that are independent of each other, but for what
the family and the model itself leave open: of these the model's part is what would go if its own
level, pace and step were known. What further sales would teach follows from the posterior alone:
it does not depend on the prices they would fetch (the rules for Gaussian vectors).
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import linalg
from scipy.special import ndtri, stdtrit

from repair_horizon.estimation.curve.design import Layout, Points
from repair_horizon.estimation.curve.fit import NU, JointFit
from repair_horizon.estimation.curve.predict import Sources, sources_of
from repair_horizon.estimation.curve.quarter_effects import DRIFT_RHO
from repair_horizon.estimation.price_rows import CHANNEL
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.months import month_number, month_start, month_word

if TYPE_CHECKING:  # imported where it is asked for, since its import takes longer than pandas'
    from statsmodels.regression.linear_model import RegressionResultsWrapper

FAR_OFF = 4.0
_AGES = (12.0, 24.0, 36.0)
_AGE_NAMES = ("under 12 months", "12 to 24 months", "24 to 36 months", "36 months and more")
_PRICES = ("cheapest third", "middle third", "dearest third")
MOST_MODELS = 200
"""Models of a family up to which trait effects are held against a robust regression."""
_SPARE = 6  # rows to spare beside the columns


def far_off(fit: JointFit) -> pd.DataFrame:
    """Sales more than four spreads off their curve, the farthest first; kept, hardly counted.

    Returns
    -------
    DataFrame
        ``key, model_id, day, amount, expected, times`` (amount over expected), ``weight``.
    """
    off = np.flatnonzero(np.abs(fit.residuals) > FAR_OFF * fit.scales.noise)
    off = off[np.argsort(-np.abs(fit.residuals[off]), kind="stable")]
    times = np.exp(fit.residuals[off])
    return pd.DataFrame(
        {
            "key": fit.panel.key[off],
            "model_id": [fit.panel.models.ids[m] for m in fit.panel.model[off]],
            "day": fit.panel.day[off],
            "amount": fit.panel.amount[off],
            "expected": fit.panel.amount[off] / times,
            "times": times,
            "weight": fit.weights[off],
        }
    )


def residual_groups(fit: JointFit, base_channel: str) -> pd.DataFrame:
    """Mean miss of groups of sales: by age, year, price and channel.

    Returns
    -------
    DataFrame
        ``what, group, n, miss`` (mean log residual, robustly weighted), ``std_error, inside``
        (share within the middle 80 % of the noise's law) and ``clear``: the mean lies more than
        two standard errors from zero.
    """
    rows = []
    for what, group in _groups(fit, base_channel).items():
        named = {*group}
        order = [n for n in (*_AGE_NAMES, *_PRICES) if n in named]
        for name in order or sorted(named):
            at = group == name
            weight, left = fit.weights[at], fit.residuals[at]
            miss = float(weight @ left / weight.sum())
            error = float(fit.scales.noise / np.sqrt(weight.sum()))
            close = np.abs(left) <= stdtrit(NU, 0.9) * fit.scales.noise
            rows.append((what, name, int(at.sum()), miss, error, float(close.mean())))
    table = pd.DataFrame(rows, columns=["what", "group", "n", "miss", "std_error", "inside"])
    return table.assign(clear=table["miss"].abs() > 2 * table["std_error"])


def _groups(fit: JointFit, base_channel: str) -> dict[str, npt.NDArray[np.object_]]:
    """Name each sale's group, four times over."""
    panel = fit.panel
    age = np.array(_AGE_NAMES, dtype=object)[np.searchsorted(_AGES, panel.age, side="right")]
    fitted = np.log(panel.amount) - fit.residuals
    third = np.searchsorted(np.quantile(fitted, [1 / 3, 2 / 3]), fitted)
    channel = np.full(len(panel.y), base_channel, dtype=object)
    for i, name in enumerate(panel.traits.names):
        if name.startswith(CHANNEL):
            channel[panel.traits.values[:, i] > 0] = name.removeprefix(CHANNEL)
    return {
        "age": age,
        "year": np.array([str(y) for y in panel.day.year], dtype=object),
        "price": np.array(_PRICES, dtype=object)[third],
        "channel": channel,
    }


def model_effects(fit: JointFit) -> pd.DataFrame:
    """Each model's own level and yearly slope against its family, and how far they are learned.

    Returns
    -------
    DataFrame
        ``model_id, n_sales, level, slope`` (log points; slope per year) and ``learned``: one
        minus the level's posterior variance over its prior one.
    """
    layout, posterior = fit.layout, fit.posterior
    at = layout.models(0)
    prior = 1.0 / np.diag(posterior.prior_precision)[at]
    return pd.DataFrame(
        {
            "model_id": list(fit.panel.models.ids),
            "n_sales": fit.panel.sales_by_model,
            "level": posterior.mean[at],
            "slope": posterior.mean[layout.models(1)],
            "learned": np.clip(1.0 - np.diag(posterior.cov)[at] / prior, 0.0, 1.0),
        }
    )


def market_index(fit: JointFit, level: float = 0.8) -> pd.DataFrame:
    """What the market as a whole did to prices, month by month; 1 is no effect.

    Returns
    -------
    DataFrame
        ``month`` (first day), ``index, lower, upper``.
    """
    at, z = fit.layout.months, ndtri((1 + level) / 2)
    mean, sd = fit.posterior.mean[at], np.sqrt(np.diag(fit.posterior.cov)[at])
    months = range(fit.layout.first_month, fit.layout.last_month + 1)
    return pd.DataFrame(
        {
            "month": pd.DatetimeIndex([month_start(m) for m in months]),
            "index": np.exp(mean),
            "lower": np.exp(mean - z * sd),
            "upper": np.exp(mean + z * sd),
        }
    )


def robust_check(fit: JointFit) -> pd.DataFrame:
    """Hold the trait effects against a pooled robust regression on the same rows.

    Returns
    -------
    DataFrame
        ``name, ours, robust, std_error`` (log effects, the robust one's error) and ``apart``: they
        differ by more than two standard errors. Empty where there are hardly more rows than
        columns, and beyond ``MOST_MODELS`` models sold: it takes their number's cube.
    """
    panel = fit.panel
    sold = panel.sales_by_model > 0
    if sold.sum() > MOST_MODELS:
        return pd.DataFrame(columns=["name", "ours", "robust", "std_error", "apart"])
    years = panel.age / 12.0
    own = np.flatnonzero(np.ptp(panel.traits.values, axis=0) > 0)
    traits = panel.traits.values[:, own]
    x = np.column_stack([np.eye(len(sold))[:, sold][panel.model], years, np.sqrt(years), traits])
    columns = ["name", "ours", "robust", "std_error", "apart"]
    if not len(own) or len(panel.y) < x.shape[1] + _SPARE or np.linalg.matrix_rank(x) < x.shape[1]:
        return pd.DataFrame(columns=columns)
    from statsmodels.robust.norms import TukeyBiweight
    from statsmodels.robust.robust_linear_model import RLM

    with warnings.catch_warnings():
        # A perfect fit of a small family divides by a scale of zero; what is not finite is dropped.
        warnings.simplefilter("ignore")
        found = RLM(panel.y, x, M=TukeyBiweight()).fit()
    names = [panel.traits.names[i] for i in own]
    ours = np.array([fit.posterior.mean[fit.layout.dense(n)] for n in names])
    robust, error = found.params[-len(own) :], found.bse[-len(own) :]
    table = pd.DataFrame({"name": names, "ours": ours, "robust": robust, "std_error": error})
    table = table[np.isfinite(table[["robust", "std_error"]]).all(axis=1)]
    apart = (table["ours"] - table["robust"]).abs() > 2 * table["std_error"]
    return table.assign(apart=apart)[columns].reset_index(drop=True)


def coefficient_names(layout: Layout, model_ids: tuple[str, ...]) -> list[str]:
    """Name every coefficient: the family's, then each model's, then the market's by month."""
    parts = [f"{part} of {m}" for part in ("level", "slope", "step") for m in model_ids]
    months = range(layout.first_month, layout.last_month + 1)
    return [*layout.names, *parts, *(f"market {month_word(m)}" for m in months)]


def augmented_ols(fit: JointFit) -> RegressionResultsWrapper:
    """Redo the last pass of a joint fit as an ordinary least squares on augmented rows.

    Returns
    -------
    RegressionResultsWrapper
        statsmodels results with scale one: ``params`` is the fit's posterior mean and
        ``cov_params()`` its covariance. Its ``get_prediction`` holds for the mean only, since
        the noise of a sale is not in the scale.
    """
    from statsmodels.regression.linear_model import OLS

    rows, y = _independent(fit)
    prior = linalg.cholesky(fit.posterior.prior_precision, lower=True)
    pull = linalg.solve_triangular(prior, fit.posterior.prior_pull, lower=True)
    names = coefficient_names(fit.layout, fit.panel.models.ids)
    design = pd.DataFrame(np.vstack([rows, prior.T]), columns=names)
    return OLS(np.concatenate([y, pull]), design).fit(cov_type="fixed scale")


def _independent(fit: JointFit) -> tuple[Floats, Floats]:
    """Rows (n, p) and prices (n,) whose errors, drift and noise together, have variance one."""
    rows, y = fit.rows.full(), fit.panel.y.copy()
    states = fit.drift.states
    common = np.linalg.inv(states.prior_precision(fit.scales.drift))
    for model in np.unique(fit.panel.model):
        mine = np.flatnonzero(fit.panel.model == model)
        quarter = states.of_row[mine] % states.quarters
        covariance = common[np.ix_(quarter, quarter)] + np.diag(1.0 / fit.row_precision[mine])
        root = linalg.cholesky(covariance, lower=True)
        rows[mine] = linalg.solve_triangular(root, rows[mine], lower=True)
        y[mine] = linalg.solve_triangular(root, y[mine], lower=True)
    return rows, y


def parameter_table(fit: JointFit, level: float = 0.8) -> pd.DataFrame:
    """Tabulate every coefficient of a joint fit.

    Returns
    -------
    DataFrame
        ``name, estimate, std_error, lower, upper``; log points, slopes per year.
    """
    estimate, error = fit.posterior.mean, np.sqrt(np.diag(fit.posterior.cov))
    half = ndtri((1 + level) / 2) * error
    return pd.DataFrame(
        {
            "name": coefficient_names(fit.layout, fit.panel.models.ids),
            "estimate": estimate,
            "std_error": error,
            "lower": estimate - half,
            "upper": estimate + half,
        }
    )


FAMILY, OWN, MARKET = (
    "family's curve and market so far",
    "model's own level and pace",
    "market to come",
)
DRIFT, SUCCESSOR, SALE = "model's drift", "successor's date", "one sale's own spread"
SOURCES = (FAMILY, OWN, MARKET, DRIFT, SUCCESSOR, SALE)


def width_shares(fit: JointFit, points: Points, level: float = 0.8) -> tuple[Floats, Floats]:
    """Half width of one sale's interval and the share of each source in its square.

    Parameters
    ----------
    points
        Models and days.

    Returns
    -------
    tuple
        Half widths in log points, (n,); shares in the order of ``SOURCES``, (n, 6), each row
        summing to one.
    """
    known, p = sources_of(fit, points), (1 + level) / 2
    whole, own = _explained(fit, known, points)
    scale = (stdtrit(NU, p) / ndtri(p)) ** 2
    sale = np.full(len(whole), scale * fit.scales.noise**2)
    parts = [whole - own, own, known.market, known.drift, known.step, sale]
    variance = np.column_stack(parts)
    total = variance.sum(axis=1)
    return ndtri(p) * np.sqrt(total), variance / total[:, None]


def _explained(fit: JointFit, known: Sources, points: Points) -> tuple[Floats, Floats]:
    """Variance the coefficients leave, (n,), and the part of it that is the model's own."""
    rows, cov, layout = known.rows.full(), fit.posterior.cov, fit.layout
    across = rows @ cov
    own = np.empty(len(rows))
    for i, model in enumerate(points.model):
        at = np.array([layout.models(part).start + model for part in range(3)])
        own[i] = across[i, at] @ np.linalg.solve(cov[np.ix_(at, at)], across[i, at])
    return np.einsum("ij,ij->i", across, rows), own


def level_after(
    fit: JointFit, target: Points, sales: Points, count: int, level: float = 0.8
) -> tuple[float, Floats]:
    """Half width of the price level at a point, now and after more sales elsewhere.

    A further sale counts with weight one, which Student-t weights have on average.

    Parameters
    ----------
    target
        One model and day.
    sales
        Where the further sales would be, (n,): each by itself, not together.
    count
        How many at each.

    Returns
    -------
    tuple
        Log points as things stand, and after each of ``sales``, (n,).
    """
    at, there = sources_of(fit, target), sources_of(fit, sales)
    cov, x = fit.posterior.cov, at.rows.full()[0]
    now = float(x @ cov @ x) + at.market[0] + at.drift[0] + at.step[0]
    seen = there.rows.variance(cov) + there.market + there.drift + there.step
    shared = there.rows.times(cov @ x) + _shared_drift(fit, target, sales)
    then = now - shared**2 / (seen + fit.scales.noise**2 / count)
    z = float(ndtri((1 + level) / 2))
    return z * float(np.sqrt(now)), z * np.sqrt(then)


def _shared_drift(fit: JointFit, target: Points, sales: Points) -> Floats:
    """Covariance of the drift at fixed coefficients between a point and others, (n,)."""
    states = fit.drift.states
    quarter = [month_number(p.day) // 3 - states.first for p in (target, sales)]
    inside = [np.clip(q, 0, states.quarters - 1) for q in quarter]
    fade = [
        DRIFT_RHO ** np.abs(q - i).astype("float64") for q, i in zip(quarter, inside, strict=True)
    ]
    model = int(target.model[0])
    known = fit.drift.spread[model][inside[0][0], inside[1]]
    out: Floats = np.where(sales.model == model, fade[0][0] * fade[1] * known, 0.0)
    return out
