"""The last pass of the joint fit as an ordinary regression: a prior is one more row of data.

With C the lower Cholesky factor of the prior precision P, the rows [sqrt(W) X; C'] and
[sqrt(W) y; C^-1 P m0] have the normal equations (X'WX + P) theta = X'Wy + P m0 of the fit, so
their least squares with scale one gives its posterior mean and covariance: Theil and Goldberger
(1961), International Economic Review 2:65-78. W is the precision of the prices with each model's
drift integrated out, a block for each model, so rows of one model are first made independent by
the Cholesky factor of their covariance (generalised least squares).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import linalg
from scipy.stats import norm
from statsmodels.regression.linear_model import OLS, RegressionResultsWrapper

from kit.estimation.design import Layout
from kit.estimation.joint import JointFit
from kit.logs.months import month_word

Floats = npt.NDArray[np.float64]


def coefficient_names(layout: Layout, model_ids: tuple[str, ...]) -> list[str]:
    """Name every coefficient: the family's, then each model's, then the market's by month."""
    parts = [f"{part} of {m}" for part in ("level", "slope", "step") for m in model_ids]
    months = range(layout.first_month, layout.last_month + 1)
    return [*layout.names, *parts, *(f"market {month_word(m)}" for m in months)]


def augmented_ols(fit: JointFit) -> RegressionResultsWrapper:
    """Redo the last pass of a joint fit as an ordinary least squares on augmented rows.

    Parameters
    ----------
    fit
        From ``fit_joint``.

    Returns
    -------
    RegressionResultsWrapper
        statsmodels results with scale one: ``params`` is the fit's posterior mean and
        ``cov_params()`` its covariance. Its ``get_prediction`` holds for the mean only, since
        the noise of a sale is not in the scale.
    """
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

    Parameters
    ----------
    fit
        From ``fit_joint``.
    level
        Interval level.

    Returns
    -------
    DataFrame
        ``name, estimate, std_error, lower, upper``; log points, slopes per year.
    """
    results = augmented_ols(fit)
    estimate, error = results.params.to_numpy(), results.bse.to_numpy()
    half = norm.ppf((1 + level) / 2) * error
    return pd.DataFrame(
        {
            "name": list(results.params.index),
            "estimate": estimate,
            "std_error": error,
            "lower": estimate - half,
            "upper": estimate + half,
        }
    )
