"""A few robust means around a Gaussian prior: log ratios by fault, each row heavy-tailed.

Rows are Student-t with four degrees of freedom and one scale; iterated weighted least squares
finds the posterior mode and the scale. A weight counts a row as if its own variance were known,
which it is not: the information of a Student-t row about its mean is (nu + 1) / (nu + 3) of that
(Lange, Little and Taylor, JASA 84, 1989, from memory; checked by simulation in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from repair_horizon.estimation.curve.fit import NU

Floats = npt.NDArray[np.float64]

INFORMATION = (NU + 1) / (NU + 3)
"""Information of a Student-t row as a share of what its weight counts for."""
NORMAL_SPREAD = 1.196
"""Standard deviation of the normal with the same 80 % interval as Student-t (4) of scale one."""
_PASSES = 12


def normal_density(z: npt.ArrayLike) -> Floats:
    """Density of the standard normal; scipy.stats, which has it too, costs what pandas costs."""
    out: Floats = np.exp(-(np.asarray(z, dtype="float64") ** 2) / 2) / np.sqrt(2 * np.pi)
    return out


@dataclass(frozen=True, eq=False)
class GaussianPrior:
    """Mean (p,) and covariance (p, p) of coefficients before the rows."""

    mean: Floats
    cov: Floats


@dataclass(frozen=True, eq=False)
class RobustFit:
    """Posterior mean (p,) and covariance (p, p) of coefficients, scale of one row, weights (n,)."""

    mean: Floats
    cov: Floats
    noise: float
    weights: Floats


def robust_fit(
    y: Floats, x: Floats, prior: GaussianPrior, start_noise: float, worth: float = 4.0
) -> RobustFit:
    """Fit y = x b + Student-t noise under a Gaussian prior of b.

    Parameters
    ----------
    y, x
        Rows, (n,) and (n, p); n may be zero.
    prior
        Prior of b.
    start_noise, worth
        Prior scale of one row, worth so many rows.
    """
    precision = np.linalg.inv(prior.cov)
    pull, squares = precision @ prior.mean, x[:, :, None] * x[:, None, :]
    weights, noise = np.ones(len(y)), start_noise
    for _ in range(_PASSES if len(y) else 1):
        information = np.einsum("i,ijk->jk", weights / noise**2, squares)
        cov = np.linalg.inv(precision + information)
        mean = cov @ (pull + x.T @ (weights * y) / noise**2)
        square = (y - x @ mean) ** 2 + np.einsum("ij,jk,ik->i", x, cov, x)
        weights = (NU + 1) / (NU + square / noise**2)
        noise = float(
            np.sqrt((np.sum(weights * square) + worth * start_noise**2) / (len(y) + worth))
        )
    return RobustFit(mean, np.linalg.inv(precision + INFORMATION * information), noise, weights)
