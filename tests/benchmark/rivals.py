"""What the joint model is held against: four rules of thumb and three regressions.

Each says quantiles of the log price ratio of single sales. The rules of thumb, their intervals
from their own past errors, and the mixed model are those of the kit's back-test; the curve of
the three regressions is age and its root, the best of the plain curves on such families.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import statsmodels.api as sm
from repair_horizon.backtest.methods import (
    RULES,
    last_levels,
    mixed_forecast,
    months_of,
    past_errors,
    past_of,
)
from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.panel import Panel, Traits
from repair_horizon.tables.months import age_in_months
from scipy.stats import norm
from scipy.stats import t as student

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

QUANTILES = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
POOLED, SHRUNK, MIXED = "pooled robust regression", "two-stage shrinkage", "mixed model"


@dataclass(frozen=True, eq=False)
class Said:
    """Quantiles of single sales, (quantiles, n), and whether the method itself could be fitted."""

    quantiles: Floats
    fitted: bool = True


def rule_forecasts(panel: Panel, points: Points, horizon: Ints) -> dict[str, Said]:
    """Four rules of thumb, from each model's own sales, without regard to grade."""
    past = past_of(panel, float(np.ceil(months_of([panel.now])[0])))
    levels, when = last_levels(past), months_of(points.day)
    launch = np.log(panel.models.launch_price[points.model])
    out = {}
    for name, rule in RULES.items():
        median = rule(past, levels, points.model, when) - launch
        half = np.empty((len(QUANTILES), len(median)))
        for h in np.unique(horizon):
            errors = past_errors(rule, past, int(h))
            errors = errors if len(errors) else np.array([0.3])
            ends = [np.sign(p - 0.5) * np.quantile(errors, abs(2 * p - 1)) for p in QUANTILES]
            half[:, horizon == h] = np.array(ends)[:, None]
        out[name] = Said(median + half)
    return out


def regressions(panel: Panel, points: Points) -> Mapping[str, Callable[[], Said]]:
    """Three regressions, each to be called (and timed) by itself."""
    return {
        POOLED: lambda: _pooled(panel, points),
        SHRUNK: lambda: _shrunk(panel, points),
        MIXED: lambda: _mixed(panel, points),
    }


def _columns(age: Floats, traits: Floats) -> Floats:
    return np.column_stack([np.ones(len(age)), age / 12, np.sqrt(age / 12), traits])


def _ages(panel: Panel, points: Points) -> Floats:
    age = age_in_months(points.day, panel.models.launch[points.model])
    return np.maximum(age, 0.0)


def _robust(y: Floats, x: Floats) -> tuple[Floats, Floats, float]:
    """Coefficients, their covariance and the scale of a Tukey regression with a little ridge.

    The ridge (one thousandth of a sale at 0.1) only keeps families smaller than the design
    solvable; it is worth nothing elsewhere.
    """
    ridge = np.sqrt(1e-3) * np.eye(x.shape[1])
    with warnings.catch_warnings():
        # A perfect fit of a tiny family divides by a zero scale; the scale is bounded below.
        warnings.simplefilter("ignore")
        fit = sm.RLM(
            np.r_[y, np.zeros(len(ridge))], np.vstack([x, ridge]), sm.robust.norms.TukeyBiweight()
        ).fit(maxiter=50)
    beta = np.asarray(fit.params)
    left = y - x @ beta
    scale = max(float(np.median(np.abs(left - np.median(left)))) / 0.6745, 0.05)
    weights = np.clip(1 - (left / (4.685 * scale)) ** 2, 0, None) ** 2
    cov = scale**2 * np.linalg.inv(x.T @ (x * weights[:, None]) + ridge @ ridge * 10)
    return beta, cov, scale


def _normal(median: Floats, sd: Floats) -> Said:
    return Said(np.stack([median + norm.ppf(p) * sd for p in QUANTILES]))


def _pooled(panel: Panel, points: Points) -> Said:
    """One curve, model intercepts; a model never sold takes the mean of the others'."""
    sold = panel.sales_by_model > 0
    dummies = np.eye(len(sold))[:, sold][:, 1:]
    x = np.hstack([_columns(panel.age, panel.traits.values), dummies[panel.model]])
    beta, cov, scale = _robust(panel.y, x)
    own = np.vstack([dummies, np.zeros((0, dummies.shape[1]))])
    own[~sold] = 1.0 / sold.sum()
    wanted = np.hstack([_columns(_ages(panel, points), points.traits), own[points.model]])
    variance = np.einsum("ij,jk,ik->i", wanted, cov, wanted) + scale**2
    spread = float(np.var(beta[-dummies.shape[1] :])) if dummies.shape[1] > 1 else 0.1**2
    variance = variance + spread * ~sold[points.model]
    return _normal(wanted @ beta, np.sqrt(variance))


def _shrunk(panel: Panel, points: Points) -> Said:
    """Empirical Bayes: a robust common curve, then each model's level and slope shrunk to it."""
    x = _columns(panel.age, panel.traits.values)
    beta, cov, _ = _robust(panel.y, x)
    left, late = panel.y - x @ beta, (panel.age - 18) / 12
    z = np.column_stack([np.ones(len(late)), late])
    tau, scale = np.array([0.12, 0.06]), max(float(np.std(left)) * 0.7, 0.05)
    k = len(panel.models.ids)
    for _ in range(8):
        means, covs, weights = (
            np.zeros((k, 2)),
            np.tile(np.diag(tau**2), (k, 1, 1)),
            np.ones(len(left)),
        )
        fitted = np.zeros(len(left))
        for m in np.unique(panel.model):
            mine = panel.model == m
            weight = np.ones(mine.sum())
            for _ in range(3):
                gram = z[mine].T @ (z[mine] * weight[:, None]) / scale**2 + np.diag(tau**-2)
                means[m] = np.linalg.solve(gram, z[mine].T @ (weight * left[mine]) / scale**2)
                off = (left[mine] - z[mine] @ means[m]) / scale
                weight = 5.0 / (4.0 + off**2)
            covs[m], fitted[mine], weights[mine] = np.linalg.inv(gram), z[mine] @ means[m], weight
        seen = panel.sales_by_model > 0
        second = means[seen] ** 2 + np.stack([covs[seen, i, i] for i in (0, 1)], axis=1)
        tau = np.sqrt((second.sum(axis=0) + 2 * np.array([0.12, 0.06]) ** 2) / (seen.sum() + 2))
        scale = max(float(np.sqrt(np.sum(weights * (left - fitted) ** 2) / len(left))), 0.04)
    age = _ages(panel, points)
    wanted, own = (
        _columns(age, points.traits),
        np.column_stack([np.ones(len(age)), (age - 18) / 12]),
    )
    median = wanted @ beta + np.einsum("ij,ij->i", own, means[points.model])
    variance = np.einsum("ij,jk,ik->i", wanted, cov, wanted)
    variance += np.einsum("ij,ijk,ik->i", own, covs[points.model], own)
    heavy = [
        np.sign(p - 0.5) * np.sqrt(norm.ppf(p) ** 2 * variance + student.ppf(p, 4) ** 2 * scale**2)
        for p in QUANTILES
    ]
    return Said(median + np.stack(heavy))


def _mixed(panel: Panel, points: Points) -> Said:
    """The back-test's mixed model, given the root of age as one more column."""
    traits = panel.traits
    more = Traits(
        (*traits.names, "root age"),
        np.column_stack([traits.values, np.sqrt(panel.age / 12)]),
        np.append(traits.sd, 0.3),
        np.append(traits.ageing, False),
    )
    root = np.sqrt(_ages(panel, points) / 12)
    at = Points(points.model, points.day, np.column_stack([points.traits, root]))
    said = mixed_forecast(replace(panel, traits=more), at)
    return Said(np.stack([said.quantile(p) for p in QUANTILES]), said.converged)
