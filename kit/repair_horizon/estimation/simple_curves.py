"""A plain falling curve through one model's prices: a cross-check, by separable least squares.

Such curves are linear but for one or two rates. The linear part is solved exactly for every rate of
a wide grid and the best is polished, so no start is needed and none can mislead: on NIST's BoxBOD
data the usual search from the first official start ends in a false minimum. Separable least
squares: Golub and Pereyra (1973), SIAM J. Numer. Anal. 10:413-432.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from repair_horizon.logs import CannotSay
from repair_horizon.tables.arrays import Floats

FLOOR = "floor"


@dataclass(frozen=True)
class Shape:
    """A curve y = basis(x, rates) @ linear.

    ``linear`` and ``rates`` name the parameters; ``basis`` returns (n, linear) columns and
    ``slopes`` their derivatives by each rate, (rates, n, linear); ``grid`` returns the values to
    try for each rate.
    """

    linear: tuple[str, ...]
    rates: tuple[str, ...]
    basis: Callable[[Floats, Floats], Floats]
    slopes: Callable[[Floats, Floats], Floats]
    grid: Callable[[Floats], Floats]

    @property
    def names(self) -> tuple[str, ...]:
        """All parameters, the linear ones first."""
        return self.linear + self.rates

    def value(self, x: Floats, theta: Floats) -> Floats:
        """Curve at each x."""
        out: Floats = self.basis(x, theta[len(self.linear) :]) @ theta[: len(self.linear)]
        return out

    def gradient(self, x: Floats, theta: Floats) -> Floats:
        """Return the derivatives by every parameter, (n, parameters)."""
        linear, rates = theta[: len(self.linear)], theta[len(self.linear) :]
        turning = self.slopes(x, rates) @ linear
        return np.hstack([self.basis(x, rates), turning.T])


@dataclass(frozen=True, eq=False)
class SimpleCurve:
    """A fitted shape: parameters in the order of ``shape.names``, and how well they are known.

    ``rss`` is the residual sum of squares; ``at_edge`` is true where a rate ended on the edge of
    what was tried, so that the points do not determine it.
    """

    shape: Shape
    estimate: Floats
    std_error: Floats
    rss: float
    n: int
    at_edge: bool

    def __repr__(self) -> str:
        """Parameters with their standard errors."""
        pairs = zip(self.shape.names, self.estimate, self.std_error, strict=True)
        shown = ", ".join(f"{n} {e:.5g} ({s:.3g})" for n, e, s in pairs)
        return f"SimpleCurve({shown}; {self.n} points)"

    def __getitem__(self, name: str) -> float:
        """Estimate of a named parameter."""
        return float(self.estimate[self.shape.names.index(name)])

    def error(self, name: str) -> float:
        """Return the standard error of a named parameter."""
        return float(self.std_error[self.shape.names.index(name)])

    @property
    def s(self) -> float:
        """Residual standard deviation, in units of y."""
        return float(np.sqrt(self.rss / (self.n - len(self.estimate))))

    @property
    def caution(self) -> str:
        """What a reader must know before using the curve; empty if nothing."""
        if self.at_edge:
            return "the points show no bend, so how fast the curve settles cannot be told"
        if FLOOR not in self.shape.names:
            return ""
        if self.error(FLOOR) > abs(self[FLOOR]):
            return "the floor is ill-determined: its standard error is larger than itself"
        return "the floor comes out below zero" if self[FLOOR] < 0 else ""

    def predict(self, x: npt.ArrayLike) -> Floats:
        """Value of the curve at each x."""
        return self.shape.value(np.asarray(x, dtype="float64"), self.estimate)


def fit_shape(
    shape: Shape, x: npt.ArrayLike, y: npt.ArrayLike, start: npt.ArrayLike | None = None
) -> SimpleCurve:
    """Fit a shape by separable least squares.

    Parameters
    ----------
    shape
        The curve.
    x, y
        Points, (n,); more of them than parameters.
    start
        Values of all parameters to try besides the grid; it is used only if it ends lower.

    Raises
    ------
    ValueError
        If there are no more points than parameters.
    """
    x, y = np.asarray(x, dtype="float64"), np.asarray(y, dtype="float64")
    if len(y) <= len(shape.names):
        raise ValueError(f"{len(y)} points cannot determine {len(shape.names)} parameters")
    grid = shape.grid(x)
    tried = [_solved(shape, x, y, np.array(r)) for r in product(grid, repeat=len(shape.rates))]
    rss = [float(np.sum((shape.value(x, t) - y) ** 2)) for t in tried]
    starts = [tried[i] for i in np.argsort(rss)[:3]]
    if start is not None:
        starts.append(np.asarray(start, dtype="float64"))
    ends = [_polished(shape, x, y, (t, grid)) for t in starts]
    best, left = min(ends, key=lambda end: end[1])
    rates = best[len(shape.linear) :]
    edge = bool(np.any((rates <= grid[0] * (1 + 1e-6)) | (rates >= grid[-1] * (1 - 1e-6))))
    gradient = shape.gradient(x, best)
    return SimpleCurve(shape, best, _errors(gradient, left), left, len(y), edge)


def _solved(shape: Shape, x: Floats, y: Floats, rates: Floats) -> Floats:
    """All parameters, the linear ones solved exactly for given rates."""
    linear = np.linalg.lstsq(shape.basis(x, rates), y, rcond=None)[0]
    return np.concatenate([linear, rates])


def _polished(
    shape: Shape, x: Floats, y: Floats, begin: tuple[Floats, Floats]
) -> tuple[Floats, float]:
    """Nearest minimum over all parameters, the rates kept within the grid; and its RSS."""
    start, grid = begin
    k, scale = len(shape.linear), np.maximum(np.abs(start), 1e-12)
    lower = np.r_[np.full(k, -np.inf), np.full(len(shape.rates), grid[0])]
    upper = np.r_[np.full(k, np.inf), np.full(len(shape.rates), grid[-1])]
    inside = np.clip(start, lower, upper)
    found = least_squares(
        lambda z: shape.value(x, z * scale) - y,
        inside / scale,
        lambda z: shape.gradient(x, z * scale) * scale,
        bounds=(lower / scale, upper / scale),
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
        max_nfev=2000,
    )
    theta = _solved(shape, x, y, found.x[k:] * scale[k:])
    return theta, float(np.sum((shape.value(x, theta) - y) ** 2))


def _errors(gradient: Floats, rss: float) -> Floats:
    """Give standard errors s sqrt(diag (J'J)^-1); infinite where J'J cannot be inverted."""
    n, k = gradient.shape
    scale = np.maximum(np.linalg.norm(gradient, axis=0), 1e-300)
    _, values, turned = np.linalg.svd(gradient / scale, full_matrices=False)
    if values[-1] < 1e-12 * values[0]:
        return np.full(k, np.inf)
    spread = np.sum((turned / values[:, None]) ** 2, axis=0)
    out: Floats = np.sqrt(rss / (n - k) * spread) / scale
    return out


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
"""Falling exponential with a floor, p = F + (P0 - F) exp(-k x).

Parameters ``floor``, ``start``, ``rate``. Source: asymptotic regression, Pinheiro and Bates (2000),
Mixed-Effects Models in S and S-PLUS, appendix C.1.
"""


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
    found = fit_shape(FALLING, age, paid)
    youngest, oldest = found.predict([age.min(), age.max()])
    scatter = max(3.0 * found.s / np.sqrt(found.n), 1e-6 * float(paid.mean()))
    if found.at_edge or youngest - oldest <= scatter:
        return CannotSay("the sales do not trace a falling curve that settles")
    return found
