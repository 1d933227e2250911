"""The certainty equivalent: the sure amount worth as much as an uncertain one.

    CE(X) = -R ln E[exp(-X / R)]

under exponential utility with risk tolerance R, money (Pratt 1964, Econometrica 32:122-136; for a
normal X it is mean - sd^2 / 2R). E[.] runs over what units share (the draws) and over a unit's own
luck together: a sale's own spread is integrated by a three-point Gauss-Hermite rule, exact to its
fifth moment, so that no sampling noise of it remains.

Sums of exponentials are kept as their logarithms, shifted by the largest, so that neither a large
loss nor a huge tolerance leaves the range of the numbers.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def certainty_equivalent(
    values: npt.ArrayLike, weights: npt.ArrayLike | None, tolerance: float
) -> float:
    """Sure amount worth as much as values taken with weights.

    Parameters
    ----------
    values
        Amounts of any shape, money.
    weights
        Their weights, the same shape; even if None. They need not sum to one.
    tolerance
        Risk tolerance R, money; infinite gives the mean.

    Examples
    --------
    >>> round(certainty_equivalent([0.0, 100.0], None, float("inf")), 2)
    50.0
    >>> round(certainty_equivalent([0.0, 100.0], None, 100.0), 2)
    37.99
    """
    x = np.asarray(values, dtype="float64").ravel()
    w = np.ones_like(x) if weights is None else np.asarray(weights, dtype="float64").ravel()
    w = w / w.sum()
    mean = float(w @ x)
    if np.isinf(tolerance):
        return mean
    away = -(x - mean) / tolerance
    if away.max() < 1.0:
        return mean - tolerance * float(np.log1p(w @ np.expm1(away)))
    top = float(away.max())
    return mean - tolerance * (top + float(np.log(w @ np.exp(away - top))))


def log_risk(worth: Floats, price: Floats, kept: float, luck_sd: float, tolerance: float) -> Floats:
    """Ln E[exp(-X / R)] over a sale's own luck, X = worth + kept price (luck - 1), elementwise.

    Parameters
    ----------
    worth, price
        Worth at the market's mean price and that gross price, money, the same shape.
    kept
        Share of each further unit of price that reaches us.
    luck_sd
        Standard deviation of one sale's price against the mean sale.
    tolerance
        Risk tolerance R, finite.
    """
    swing = (np.sqrt(3.0) * luck_sd * kept / tolerance) * price
    near = np.minimum(swing, 300.0)  # beyond, cosh leaves the range and its logarithm is the swing
    out: Floats = -worth / tolerance + np.log((2.0 + np.cosh(near)) / 3.0) + (swing - near)
    return out


def log_mean_exp(logs: Floats, weights: Floats, axis: int) -> Floats:
    """Log of the weighted sum of exponentials along an axis; weights of the same shape."""
    top = logs.max(axis=axis, keepdims=True)
    total = np.sum(weights * np.exp(logs - top), axis=axis)
    out: Floats = np.log(total) + np.squeeze(top, axis=axis)
    return out
