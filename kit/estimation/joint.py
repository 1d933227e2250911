"""The joint robust model of one family's prices, solved by an iterated penalised least squares.

Each pass solves one weighted ridge problem in closed form, then updates the Student-t weights
and the pooled variances (expectation-conditional-maximisation), so there is no optimiser that
could fail to converge. A prior is one more row of data: ``kit.estimation.parameters`` shows the
last pass as an ordinary least squares on augmented rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.estimation.design import (
    Layout,
    Points,
    Priors,
    dense_prior,
    layout_of,
    rows_at,
)
from kit.estimation.market import market_precision, shock_share
from kit.estimation.panel import Panel
from kit.estimation.penalised import Posterior, Rows, explained_variance, solve, times

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NU = 4.0
PASSES = 12
_PSEUDO = {"level": 4.0, "slope": 4.0, "step": 12.0, "noise": 4.0, "cell": 10.0, "market": 8.0}


@dataclass(frozen=True)
class Scales:
    """Standard deviations learned from the family: pooled effects, noise, cell, market shock."""

    level: float
    slope: float
    step: float
    noise: float
    cell: float
    market: float

    @property
    def pooled(self) -> tuple[float, float, float]:
        """The three model-level ones, in column order."""
        return self.level, self.slope, self.step


@dataclass(frozen=True, eq=False)
class JointFit:
    """What was estimated for one family; everything shown is derived from it."""

    panel: Panel
    priors: Priors
    layout: Layout
    rows: Rows
    posterior: Posterior
    scales: Scales
    weights: Floats
    row_precision: Floats
    residuals: Floats
    cell_effect: Floats

    def __repr__(self) -> str:
        """Say size and noise, nothing that changes between runs."""
        n, m = len(self.panel.y), len(self.panel.models.ids)
        return f"JointFit({n} prices, {m} models, noise {self.scales.noise:.3f})"


def fit_joint(panel: Panel, priors: Priors, passes: int = PASSES) -> JointFit:
    """Fit the joint model to one family.

    Parameters
    ----------
    panel
        Log price ratios with their model, day and traits; at least one row.
    priors
        Prior means and standard deviations.
    passes
        Weighted solutions; 6 give the same forecasts within 0.2 %.

    Returns
    -------
    JointFit
    """
    layout = layout_of(panel, priors)
    points = Points(panel.model, panel.day, panel.traits.values)
    rows = rows_at(layout, points, panel.models, (panel.traits, panel.now))
    cell = _cells(panel)
    scales = _starting(priors)
    known = (*dense_prior(layout, panel.traits, priors), _walk(layout, priors))
    weights = np.ones(len(panel.y))
    for last in [*[False] * (passes - 1), True]:
        share, cap = _cell_cap(cell, weights, scales)
        precision = weights * cap[cell] / scales.noise**2
        posterior = solve(rows, panel.y, precision, _prior(panel, layout, (priors, scales), known))
        misfit = panel.y - times(rows, posterior.mean)
        effect = share * np.bincount(cell, weights * misfit)
        if last:
            break
        spread = explained_variance(rows, posterior.cov)
        square = (misfit - effect[cell]) ** 2 + spread + scales.cell**2 * cap[cell]
        weights = (NU + 1) / (NU + square / scales.noise**2)
        scales = _updated(
            panel, layout, (priors, scales), posterior, (weights, square, effect, cap)
        )
    return JointFit(
        panel, priors, layout, rows, posterior, scales, weights, precision, misfit, effect[cell]
    )


def _cells(panel: Panel) -> Ints:
    """Number the model-quarters: within one, a burst of sales shares one common error."""
    quarter = panel.model * 100_000 + panel.month // 3
    cells: Ints = np.unique(quarter, return_inverse=True)[1].astype("int64")
    return cells


def _cell_cap(cell: Ints, weights: Floats, scales: Scales) -> tuple[Floats, Floats]:
    """Integrate the cell effect out: how far each cell's information is capped."""
    ratio = scales.cell**2 / scales.noise**2
    cap: Floats = np.asarray(1.0 / (1.0 + ratio * np.bincount(cell, weights)), dtype="float64")
    return ratio * cap, cap


def _starting(priors: Priors) -> Scales:
    market = priors.market * shock_share(priors.market_roots)
    pooled = (priors.model_level, priors.model_slope, priors.model_step)
    return Scales(*pooled, priors.noise, priors.cell, market)


def _walk(layout: Layout, priors: Priors) -> Floats:
    return market_precision(layout.n_months, priors.market_roots)


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
    return precision, pull


def _updated(
    panel: Panel,
    layout: Layout,
    given: tuple[Priors, Scales],
    posterior: Posterior,
    passed: tuple[Floats, Floats, Floats, Floats],
) -> Scales:
    """Re-estimate every scale from the posterior second moments and its pseudo-counts."""
    priors, now = given
    weights, square, effect, cap = passed
    start = _starting(priors)
    second = posterior.mean**2 + np.diag(posterior.cov)
    seen = panel.sales_by_model > 0
    pools = (seen & panel.models.price_known, seen, seen)
    names = ("level", "slope", "step")
    level, slope, step = (
        _blend(second[layout.models(i)][pools[i]], getattr(start, name), _PSEUDO[name])
        for i, name in enumerate(names)
    )
    noise = _blend(weights * square, start.noise, _PSEUDO["noise"])
    cell = _blend(effect**2 + now.cell**2 * cap, start.cell, _PSEUDO["cell"])
    u, months = posterior.mean[layout.months], layout.months
    walk = _walk(layout, priors)
    shock = u @ walk @ u + np.sum(walk * posterior.cov[months, months])
    counted = layout.n_months + _PSEUDO["market"]
    market = np.sqrt((shock + _PSEUDO["market"] * start.market**2) / counted)
    return Scales(level, slope, step, noise, cell, float(market))


def _blend(squares: Floats, start: float, pseudo: float) -> float:
    """Root mean square of learned squares and ``pseudo`` prior ones."""
    return float(np.sqrt((squares.sum() + pseudo * start**2) / (len(squares) + pseudo)))
