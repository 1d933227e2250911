"""The market effect between months: a stationary path that may also drift.

    u_t = (r1 + r2) u_{t-1} - r1 r2 u_{t-2} + shock

With r2 = 0 it is a plain AR(1). With r2 near one its last change goes on for a while and fades:
a market that has been falling slower than the curve of age for a year is expected to do so for
some months more, and in the end the curve of age is all that is left.
Box, Jenkins and Reinsel, Time Series Analysis (4th ed. 2008), section 3.2.4 (variance and first
covariance of an AR(2)); from memory, checked by test against a dense solution.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Roots = tuple[float, float]


def start_covariance(roots: Roots) -> Floats:
    """Covariance of two neighbouring months under shocks of variance one, (2, 2)."""
    first, second = _coefficients(roots)
    variance = (1 - second) / ((1 + second) * ((1 - second) ** 2 - first**2))
    between = first * variance / (1 - second)
    return np.array([[variance, between], [between, variance]])


def _coefficients(roots: Roots) -> tuple[float, float]:
    return roots[0] + roots[1], -roots[0] * roots[1]


def market_precision(n_months: int, roots: Roots) -> Floats:
    """Precision of the path under shocks of variance one, (n_months, n_months)."""
    start = start_covariance(roots)
    if n_months == 1:
        return 1.0 / start[:1, :1]
    first, second = _coefficients(roots)
    shocks = np.eye(n_months) - first * np.eye(n_months, k=-1) - second * np.eye(n_months, k=-2)
    shocks[:2] = np.eye(2, n_months)
    weight = np.eye(n_months)
    weight[:2, :2] = np.linalg.inv(start)
    precision: Floats = shocks.T @ weight @ shocks
    return precision


def shock_share(roots: Roots) -> float:
    """Standard deviation of the monthly shock over that of the effect itself."""
    return float(start_covariance(roots)[0, 0] ** -0.5)


def carried_on(roots: Roots, ahead: Ints) -> tuple[Floats, Floats]:
    """Where the market is expected to be, and how far new shocks may have taken it.

    Parameters
    ----------
    roots
        Of the path.
    ahead
        Months after the last one fitted, (n,); zero is that month itself.

    Returns
    -------
    tuple of arrays
        Weights (n, 2) of the last month's effect and of the one before it; variance (n,) from
        the shocks since, in units of the shock's.
    """
    first, second = _coefficients(roots)
    # Rows: the month before the last, the last, one ahead, two ahead, ...; ``answer`` is what a
    # shock of one has become by then.
    weights, answer = [np.array([0.0, 1.0]), np.array([1.0, 0.0])], [0.0, 1.0]
    for _ in range(int(ahead.max(initial=0))):
        weights.append(first * weights[-1] + second * weights[-2])
        answer.append(first * answer[-1] + second * answer[-2])
    variance = np.concatenate([[0.0], np.cumsum(np.square(answer[1:]))])
    return np.array(weights)[ahead + 1], variance[ahead]


def paths_on(last_two: Floats, shocks: Floats, roots: Roots) -> Floats:
    """Carry drawn paths on.

    Parameters
    ----------
    last_two
        Effect in the month before the last and in the last, (draws, 2).
    shocks
        One a month, (draws, months).
    roots
        Of the path.

    Returns
    -------
    ndarray
        Effects of the last month and each after it, (draws, months + 1).
    """
    first, second = _coefficients(roots)
    path = np.hstack([last_two, np.empty_like(shocks)])
    for h in range(shocks.shape[1]):
        path[:, h + 2] = first * path[:, h + 1] + second * path[:, h] + shocks[:, h]
    return path[:, 1:]
