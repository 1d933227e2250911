"""The joint robust model of one family's prices, solved by an iterated penalised least squares.

Each pass solves one weighted ridge problem in closed form, then updates the Student-t weights
and the pooled variances (expectation-conditional-maximisation), so there is no optimiser that
could fail to converge. A prior is one more row of data: ``estimation.curve.checks`` shows the
last pass as an ordinary least squares on augmented rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repair_horizon.estimation.curve.cells import OWN, cells_of, fitted
from repair_horizon.estimation.curve.design import (
    Layout,
    Points,
    Posterior,
    Priors,
    Rows,
    dense_prior,
    layout_of,
    rows_at,
)
from repair_horizon.estimation.curve.market import MarketPath, market_path
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.curve.quarter_effects import (
    Drift,
    fitted_variance,
    moved_by,
    solve_with_drift,
    squared_steps,
    states_of,
)
from repair_horizon.tables.arrays import Bools, Floats

NU = 4.0
PASSES, SETTLED = 8, 0.02
_FEW, _FAR_OFF, _DOUBTED = 3, 4.0, 1e-3
"""A price so many spreads off its family, of a model sold so rarely, may be wrong (a zero more):
passes then also start from next to no weight of it, and the likelier end is taken. From even
weights alone a model's only price would be believed, whatever it is."""
_PSEUDO = {"level": 4.0, "slope": 4.0, "step": 12.0, "drift": 5.0, "market": 8.0, "noise": 4.0}


@dataclass(frozen=True)
class Scales:
    """Standard deviations learned from the family: pooled effects, noise, drift, market."""

    level: float
    slope: float
    step: float
    noise: float
    drift: float
    market: float

    @property
    def pooled(self) -> tuple[float, float, float]:
        """The three model-level ones, in column order."""
        return self.level, self.slope, self.step


@dataclass(frozen=True, eq=False)
class JointFit:
    """What was estimated for one family; everything shown is derived from it.

    ``residuals`` are what is left of each price after curve and drift, (n,); ``row_precision``
    their inverse variances in the last pass.
    """

    panel: Panel
    priors: Priors
    layout: Layout
    rows: Rows
    posterior: Posterior
    scales: Scales
    weights: Floats
    row_precision: Floats
    residuals: Floats
    drift: Drift

    def __repr__(self) -> str:
        """Say size and noise, nothing that changes between runs."""
        n, m = len(self.panel.y), len(self.panel.models.ids)
        return f"JointFit({n} prices, {m} models, noise {self.scales.noise:.3f})"


def fit_joint(panel: Panel, priors: Priors, passes: int = PASSES) -> JointFit:
    """Fit the joint model to one family.

    Parameters
    ----------
    panel
        Log price ratios with their model, day and traits; without a row the fit is the priors.
    priors
        Prior means and standard deviations.
    passes
        Weighted solutions at most: no more follow once the noise moves by under 2 %. Always 4 and
        always 12 gave the same loss within 0.2 % on simulated families.
    """
    layout = layout_of(panel, priors)
    if not len(panel.y):
        return _priors_alone(panel, priors, layout)
    usual = _settled(panel, priors, layout, passes, np.ones(len(panel.y)))
    lone = _far_from_family(usual)
    if not lone.any():
        return usual
    doubted = _settled(panel, priors, layout, passes, np.where(lone, _DOUBTED, 1.0))
    return max((usual, doubted), key=_log_posterior)


def _settled(
    panel: Panel, priors: Priors, layout: Layout, passes: int, weights: Floats
) -> JointFit:
    """Pass until the noise stands still, from these weights of the prices on, (n,)."""
    points = Points(panel.model, panel.day, panel.traits.values)
    rows = rows_at(layout, points, panel.models, (panel.traits, panel.now))
    states = states_of(panel, layout.last_month)
    sold = np.bincount(states.of_row, minlength=states.models * states.quarters)
    scales = _starting(priors)
    known = (*dense_prior(layout, panel.traits, priors), _walk(layout, priors))
    cells = cells_of(panel, layout, rows.dense, (states.of_row, states.models * states.quarters))
    at = np.argsort(cells.order)
    weights, counts = weights[cells.order], panel.counts[cells.order]
    settled = False
    for left in reversed(range(passes)):
        precision = counts * weights / scales.noise**2
        prior = _prior(panel, layout, (priors, scales), known)
        last = settled or not left
        posterior, drift = solve_with_drift(cells, precision, prior, (states, scales.drift), last)
        misfit = cells.y - fitted(cells, posterior.mean, drift.mean)
        if last:
            break
        moved = moved_by(drift, posterior.cov)
        square = counts * (misfit**2 + fitted_variance(cells, posterior.cov, drift, moved))
        weights = (NU + 1) / (NU + square / scales.noise**2)
        wandered = squared_steps(drift, moved, sold)
        before = scales.noise
        scales = _updated((panel, layout, priors), posterior, (weights * square, wandered))
        settled = abs(np.log(scales.noise / before)) < SETTLED
    told = (weights[at], precision[at], misfit[at])
    return JointFit(panel, priors, layout, rows, posterior, scales, *told, drift)


def _far_from_family(fit: JointFit) -> Bools:
    """Prices of hardly sold models that stand further from their family than models do, (n,)."""
    panel, layout, start = fit.panel, fit.layout, _starting(fit.priors)
    few = panel.sales_by_model[panel.model] <= _FEW
    model, own = panel.model, _own_columns(fit)
    coefficients = np.stack([fit.posterior.mean[layout.models(i)] for i in range(OWN)], axis=1)
    away = fit.residuals + (own * coefficients[model]).sum(axis=1)
    away = away + fit.drift.mean[fit.drift.states.of_row]
    unknown = np.where(panel.models.price_known, 0.0, fit.priors.unknown_price_sd)[model]
    variance = (own**2 * np.square(start.pooled)).sum(axis=1) + unknown**2
    variance = variance + start.drift**2 + start.noise**2
    return np.asarray(few & (np.abs(away) > _FAR_OFF * np.sqrt(variance)))


def _own_columns(fit: JointFit) -> Floats:
    """What each price has of its model's own level, slope and step, (n, 3)."""
    m = fit.layout.n_models
    each = [fit.rows.sparse[:, i * m : (i + 1) * m].sum(axis=1) for i in range(OWN)]
    return np.column_stack(each)


def _log_posterior(fit: JointFit) -> float:
    """Log density of prices, coefficients, drift and scales, but for what two fits share."""
    start, scales, post, states = _starting(fit.priors), fit.scales, fit.posterior, fit.drift.states
    square = fit.panel.counts * (fit.residuals / scales.noise) ** 2
    prices = -(NU + 1) / 2 * np.log1p(square / NU).sum() - len(square) * np.log(scales.noise)
    coefficients = post.prior_pull @ post.mean - post.mean @ post.prior_precision @ post.mean / 2
    path = fit.drift.mean.reshape(states.models, states.quarters).T
    drift = (path * np.linalg.solve(states.prior_covariance(scales.drift), path)).sum() / 2
    told = (*scales.pooled, scales.drift, scales.market, scales.noise)
    began = (*start.pooled, start.drift, start.market, start.noise)
    sold = int((fit.panel.sales_by_model > 0).sum())
    counted = (sold, sold, sold, path.size, fit.layout.n_months, 0)
    return float(prices + coefficients - drift) - sum(
        (n + _PSEUDO[name]) * np.log(scale) + _PSEUDO[name] * first**2 / (2 * scale**2)
        for name, n, scale, first in zip(_PSEUDO, counted, told, began, strict=True)
    )


def _priors_alone(panel: Panel, priors: Priors, layout: Layout) -> JointFit:
    """Return the fit of a family without a price: what the priors say, as wide as they say it."""
    scales, empty = _starting(priors), np.zeros(0)
    known = (*dense_prior(layout, panel.traits, priors), _walk(layout, priors))
    precision, pull = _prior(panel, layout, (priors, scales), known)
    cov = np.linalg.inv(precision)
    posterior = Posterior(cov @ pull, (cov + cov.T) / 2, precision, pull)
    states = states_of(panel, layout.last_month)
    n = states.models * states.quarters
    spread = np.tile(states.prior_covariance(scales.drift), (states.models, 1, 1))
    loads = np.zeros((n, layout.n_dense + layout.n_months)), np.zeros((n, OWN))
    drift = Drift(states, layout, np.zeros(n), *loads, spread)
    points = Points(panel.model, panel.day, panel.traits.values)
    rows = rows_at(layout, points, panel.models, (panel.traits, panel.now))
    return JointFit(panel, priors, layout, rows, posterior, scales, empty, empty, empty, drift)


def _starting(priors: Priors) -> Scales:
    pooled = (priors.model_level, priors.model_slope, priors.model_step)
    return Scales(*pooled, priors.noise, priors.drift, priors.market)


def _walk(layout: Layout, priors: Priors) -> Floats:
    return path_of(layout, priors).precision


def path_of(layout: Layout, priors: Priors, months: int = 0) -> MarketPath:
    """The market's path over a family's months and so many after them."""
    broke = priors.broke
    if broke is None or not layout.first_month < broke.month <= layout.last_month:
        return market_path(layout.n_months, priors.slow_share, months)
    step = broke.month - layout.first_month, broke.spread / priors.market
    return market_path(layout.n_months, priors.slow_share, months, step)


def _stepped(layout: Layout, priors: Priors) -> Floats:
    """The market's expected effect in each month, before any price."""
    if priors.broke is None:
        return np.zeros(layout.n_months)
    months = np.arange(layout.first_month, layout.last_month + 1)
    return np.where(months >= priors.broke.month, priors.broke.size, 0.0)


def _prior(
    panel: Panel,
    layout: Layout,
    given: tuple[Priors, Scales],
    known: tuple[Floats, Floats, Floats],
) -> tuple[Floats, Floats]:
    """Prior precision and pull of all coefficients under the current scales."""
    priors, scales = given
    mean, dense, walk = known
    level = scales.level**2 + np.where(panel.models.price_known, 0, priors.unknown_price_sd**2)
    k = layout.n_models
    pooled = [1 / level, np.full(k, scales.slope**-2.0), np.full(k, scales.step**-2.0)]
    precision = np.diag(np.concatenate([np.zeros(layout.n_dense), *pooled, np.zeros(len(walk))]))
    precision[: layout.n_dense, : layout.n_dense] = dense
    precision[layout.months, layout.months] = walk / scales.market**2
    pull = np.zeros(layout.size)
    pull[: layout.n_dense] = dense @ mean
    pull[layout.months] = precision[layout.months, layout.months] @ _stepped(layout, priors)
    return precision, pull


def _updated(
    family: tuple[Panel, Layout, Priors], posterior: Posterior, squares: tuple[Floats, Floats]
) -> Scales:
    """Re-estimate every scale from its pseudo-counts and second moments.

    Those of noise and drift are given, as ``squares``.
    """
    panel, layout, priors = family
    start = _starting(priors)
    second = posterior.mean**2 + np.diag(posterior.cov)
    seen = panel.sales_by_model > 0
    pools = (seen & panel.models.price_known, seen, seen)
    names = ("level", "slope", "step")
    level, slope, step = (
        _blend(second[layout.models(i)][pools[i]], getattr(start, name), _PSEUDO[name])
        for i, name in enumerate(names)
    )
    noise = _blend(squares[0], start.noise, _PSEUDO["noise"])
    wander = _blend(squares[1], start.drift, _PSEUDO["drift"])
    months = layout.months
    u = posterior.mean[months] - _stepped(layout, priors)
    walk = _walk(layout, priors)
    shock = u @ walk @ u + np.sum(walk * posterior.cov[months, months])
    counted = layout.n_months + _PSEUDO["market"]
    market = np.sqrt((shock + _PSEUDO["market"] * start.market**2) / counted)
    return Scales(level, slope, step, noise, wander, float(market))


def _blend(squares: Floats, start: float, pseudo: float) -> float:
    """Root mean square of learned squares and ``pseudo`` prior ones."""
    return float(np.sqrt((squares.sum() + pseudo * start**2) / (len(squares) + pseudo)))
