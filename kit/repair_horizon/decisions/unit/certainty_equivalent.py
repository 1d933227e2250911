"""What a month makes of hours, cash and risk: charges, and the certainty equivalent.

The sure amount worth as much as an uncertain one is

    CE(X) = -R ln E[exp(-X / R)]

under exponential utility with risk tolerance R, money (Pratt 1964, Econometrica 32:122-136; for a
normal X it is mean - sd^2 / 2R). E[.] runs over what units share (the draws) and over a unit's own
luck together: a sale's own spread is integrated by a three-point Gauss-Hermite rule, exact to its
fifth moment, so that no sampling noise of it remains.

Sums of exponentials are kept as their logarithms, shifted by the largest, so that neither a large
loss nor a huge tolerance leaves the range of the numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from math import inf, isinf

import numpy as np
import numpy.typing as npt

from repair_horizon.tables.arrays import Floats


@dataclass(frozen=True)
class Valuation:
    """Prices of what is scarce in a month, the same for every unit of the shop.

    Parameters
    ----------
    hour
        Opportunity cost of a bench hour above its wage, money.
    cash_day
        Opportunity cost of one unit of money for a day, above the capital rate.
    tolerance
        Risk tolerance R of the exponential utility -exp(-X / R), money; infinite is risk-neutral.

    Examples
    --------
    >>> Valuation(hour=12.0).charge(2.0)
    24.0
    """

    hour: float = 0.0
    cash_day: float = 0.0
    tolerance: float = inf

    def __post_init__(self) -> None:
        if not (self.hour >= 0 and self.cash_day >= 0 and self.tolerance > 0):
            raise ValueError(
                "an hour and a cash-day cost nothing or more, risk tolerance is above 0; "
                f"found {self.hour}, {self.cash_day}, {self.tolerance}"
            )

    @property
    def neutral(self) -> bool:
        """Whether risk costs nothing."""
        return isinf(self.tolerance)

    def charge(self, hours: float) -> float:
        """Charge for bench hours, in money."""
        return self.hour * hours


NO_CHARGES = Valuation()
SMALL_SWING = 0.05
"""Swing b of one sale in tolerances below which ln((cosh b + 2) / 3) is b^2 / 6.

The next term of the series is -b^6 / 3240, 5e-12 here: a normal luck has no fourth cumulant, and
the rule keeps that."""


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
    if np.max(np.abs(swing), initial=0.0) < SMALL_SWING:
        return np.asarray(swing * swing / 6.0 - worth / tolerance)
    beyond = np.asarray(swing)
    # Beyond 300 cosh leaves the range, and its logarithm is the swing.
    near = np.asarray(np.minimum(beyond, 300.0))
    beyond -= near
    # In place, for most of two years' look ahead is spent here.
    np.log((np.cosh(near, out=near) + 2.0) / 3.0, out=near)
    out = np.asarray(worth / -tolerance)
    out += near
    out += beyond
    return out


def log_mean_exp(logs: Floats, weights: Floats, axis: int) -> Floats:
    """Log of the weighted sum of exponentials along an axis; weights of the same shape."""
    top = _over(np.maximum, logs, axis)
    total = _over(np.add, weights * np.exp(logs - np.expand_dims(top, axis)), axis)
    out: Floats = np.log(total) + top
    return out


def _over(join: np.ufunc, values: Floats, axis: int) -> Floats:
    """Join along an axis; a short last one slice by slice, in the same order and sooner."""
    if 1 < values.ndim == axis + 1 and 0 < values.shape[axis] < 8:
        return np.asarray(reduce(join, np.moveaxis(values, axis, 0)))
    return np.asarray(join.reduce(values, axis=axis))
