"""A plain falling curve through one model's prices, a cross-check on the joint model."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from repair_horizon.estimation.separable import FLOOR, Shape, SimpleCurve, fit_shape
from repair_horizon.logs import CannotSay

Floats = npt.NDArray[np.float64]

FEWEST_SALES = 8


def log_grid(x: Floats) -> Floats:
    """Rates from a thousandth of the span's to thirty times the finest gap's, 12 per decade."""
    seen = np.unique(np.abs(x))
    gap = float(np.min(np.diff(seen))) if len(seen) > 1 else 1.0
    span = max(float(np.ptp(x)), float(np.max(np.abs(x))), 1e-12)
    low, high = np.log10(1e-3 / span), np.log10(30.0 / gap)
    return np.logspace(low, high, int(12 * (high - low)) + 2)


def _floor_basis(x: Floats, rates: Floats) -> Floats:
    left = np.exp(-rates[0] * x)
    return np.column_stack([1 - left, left])


def _floor_slopes(x: Floats, rates: Floats) -> Floats:
    fall = x * np.exp(-rates[0] * x)
    return np.column_stack([fall, -fall])[None]


FALLING = Shape((FLOOR, "start"), ("rate",), _floor_basis, _floor_slopes, log_grid)


def falling_with_floor(x: npt.ArrayLike, y: npt.ArrayLike) -> SimpleCurve:
    """Falling exponential with a floor, p = F + (P0 - F) exp(-k x).

    Parameters ``floor``, ``start``, ``rate``. Source: asymptotic regression, Pinheiro and Bates
    (2000), Mixed-Effects Models in S and S-PLUS, appendix C.1.
    """
    return fit_shape(FALLING, x, y)


def cross_check(age_months: npt.ArrayLike, price: npt.ArrayLike) -> SimpleCurve | CannotSay:
    """Fit a plain falling curve through one model's sales, or say why there is none.

    Parameters
    ----------
    age_months
        Age of the model at each sale, months.
    price
        Price of each sale, above zero, any one currency.

    Returns
    -------
    SimpleCurve or CannotSay
        The latter below ``FEWEST_SALES`` sales, four different ages, without any bend, or where
        the fall from the youngest to the oldest sale is lost in the scatter (three standard
        errors of a mean).
    """
    age, paid = np.asarray(age_months, dtype="float64"), np.asarray(price, dtype="float64")
    if len(paid) < FEWEST_SALES:
        return CannotSay(f"{len(paid)} sales, and a plain curve needs {FEWEST_SALES}")
    if len(np.unique(age)) < 4:
        return CannotSay("the sales lie at fewer than four different ages")
    found = falling_with_floor(age, paid)
    youngest, oldest = found.predict([age.min(), age.max()])
    scatter = max(3.0 * found.s / np.sqrt(found.n), 1e-6 * float(paid.mean()))
    if found.at_edge or youngest - oldest <= scatter:
        return CannotSay("the sales do not trace a falling curve that settles")
    return found
