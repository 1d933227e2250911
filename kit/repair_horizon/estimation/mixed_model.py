"""A mixed model with random intercepts and slopes: the reference the joint model must match.

Fitted by statsmodels' ``MixedLM`` on the same rows. It is a rival in the back-test, not the
engine: in a good part of small families it does not converge.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import statsmodels.api as sm
from scipy.special import ndtri

from repair_horizon.estimation.curve.design import PIVOT_AGE, Points
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.tables.months import age_in_months

Floats = npt.NDArray[np.float64]

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

    Returns
    -------
    RivalForecast
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


def _mixed(
    rows: tuple[Floats, Floats, npt.NDArray[np.int64]], at: tuple[Floats, npt.NDArray[np.int64]]
) -> RivalForecast | None:
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


def _pooled(rows: tuple[Floats, Floats, npt.NDArray[np.int64]], wanted: Floats) -> RivalForecast:
    """Pooled least squares without models, for families the mixed model cannot do."""
    y, x, _ = rows
    # A little ridge keeps a family with fewer rows than columns solvable.
    gram = np.linalg.inv(x.T @ x + 1e-3 * np.eye(x.shape[1]))
    beta = gram @ (x.T @ y)
    left = max(len(y) - x.shape[1], 1)
    scale = max(float(np.sum((y - x @ beta) ** 2)) / left, 0.05**2)
    variance = scale * (1.0 + np.einsum("ij,jk,ik->i", wanted, gram, wanted))
    return RivalForecast(wanted @ beta, np.sqrt(variance), False)
