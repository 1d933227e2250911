"""Plain curves through one model's prices, a cross-check on the joint model.

A straight line through log prices: the plainest decline, and conversions of its rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import statsmodels.api as sm

from repair_horizon.estimation.separable import FLOOR, Shape, SimpleCurve, fit_shape
from repair_horizon.logs import CannotSay

Floats = npt.NDArray[np.float64]

FEWEST_SALES = 8


def _log_grid(x: Floats) -> Floats:
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


FALLING = Shape((FLOOR, "start"), ("rate",), _floor_basis, _floor_slopes, _log_grid)
SATURATING = Shape(
    ("ceiling",),
    ("rate",),
    lambda x, r: -np.expm1(-r[0] * x)[:, None],
    lambda x, r: (x * np.exp(-r[0] * x))[None, :, None],
    _log_grid,
)
POWER = Shape(
    ("unit",),
    ("power",),
    lambda x, r: (x ** r[0])[:, None],
    lambda x, r: (np.log(x) * x ** r[0])[None, :, None],
    lambda x: np.linspace(-10.0, 10.0, 161),
    decays=False,
)
TWO_SPEED = Shape(
    ("fast", "slow"),
    ("fast rate", "slow rate"),
    lambda x, r: np.exp(-np.outer(x, r)),
    lambda x, r: -(x[:, None] * np.exp(-np.outer(x, r)))[None] * np.eye(2)[:, None, :],
    lambda x: _log_grid(x)[::3],
)


def falling_with_floor(
    x: npt.ArrayLike, y: npt.ArrayLike, start: npt.ArrayLike | None = None
) -> SimpleCurve:
    """Falling exponential with a floor, p = F + (P0 - F) exp(-k x).

    Parameters ``floor``, ``start``, ``rate``. Source: asymptotic regression, Pinheiro and Bates
    (2000), Mixed-Effects Models in S and S-PLUS, appendix C.1.
    """
    return fit_shape(FALLING, x, y, start)


def saturating(
    x: npt.ArrayLike, y: npt.ArrayLike, start: npt.ArrayLike | None = None
) -> SimpleCurve:
    """Saturating exponential y = b1 (1 - exp(-b2 x)); parameters ``ceiling``, ``rate``.

    Source: NIST Statistical Reference Datasets, nonlinear regression, Misra1a and BoxBOD.
    """
    return fit_shape(SATURATING, x, y, start)


def power(x: npt.ArrayLike, y: npt.ArrayLike, start: npt.ArrayLike | None = None) -> SimpleCurve:
    """Power (experience) curve y = b1 x^b2, x > 0; parameters ``unit``, ``power``.

    Source: NIST Statistical Reference Datasets, nonlinear regression, DanWood.
    """
    return fit_shape(POWER, x, y, start)


def two_speeds(
    x: npt.ArrayLike, y: npt.ArrayLike, start: npt.ArrayLike | None = None
) -> SimpleCurve:
    """Decline at two speeds, y = A1 exp(-k1 x) + A2 exp(-k2 x), k1 the faster.

    Source: biexponential model, Pinheiro and Bates (2000), appendix C.4.
    """
    found = fit_shape(TWO_SPEED, x, y, start)
    if found["fast rate"] >= found["slow rate"]:
        return found
    swap = np.array([1, 0, 3, 2])
    return SimpleCurve(
        found.shape, found.estimate[swap], found.std_error[swap], found.rss, found.n, found.at_edge
    )


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


@dataclass(frozen=True, eq=False)
class LogLine:
    """log(price) = intercept + slope x age, by ordinary least squares.

    ``slope`` is in log points per month with standard error ``std_error``; ``s`` is the residual
    standard deviation in log points and ``smearing`` the factor from a typical (median) price to
    a mean one.
    """

    intercept: float
    slope: float
    std_error: float
    s: float
    smearing: float
    n: int
    results: object

    def __repr__(self) -> str:
        """Slope with its standard error."""
        return f"LogLine({self.slope:.5f} a month ({self.std_error:.5f}), {self.n} points)"

    @property
    def annual_loss(self) -> float:
        """Share of the price lost in a year."""
        return annual_loss(self.slope)

    def predict(self, age_months: npt.ArrayLike, level: float = 0.8) -> pd.DataFrame:
        """Typical price at each age, with intervals.

        Parameters
        ----------
        age_months
            Ages, (n,).
        level
            Interval level.

        Returns
        -------
        DataFrame
            ``predicted`` (median), ``level_lower, level_upper`` (interval of the line) and
            ``lower, upper`` (interval of one sale), in units of price.
        """
        age = np.atleast_1d(np.asarray(age_months, dtype="float64"))
        rows = np.column_stack([np.ones(len(age)), age])
        table = self.results.get_prediction(rows).summary_frame(alpha=1 - level)  # type: ignore[attr-defined]
        names = {
            "mean": "predicted",
            "mean_ci_lower": "level_lower",
            "mean_ci_upper": "level_upper",
            "obs_ci_lower": "lower",
            "obs_ci_upper": "upper",
        }
        logs: pd.DataFrame = table[list(names)].rename(columns=names).reset_index(drop=True)
        return logs.apply(np.exp)


def log_linear(age_months: npt.ArrayLike, price: npt.ArrayLike) -> LogLine:
    """Fit a constant rate of decline.

    Parameters
    ----------
    age_months
        Age at each sale, months, (n,); at least three sales at two ages.
    price
        Price of each sale, above zero.

    Returns
    -------
    LogLine

    Raises
    ------
    ValueError
        With fewer than three sales, or all at one age.
    """
    age, paid = np.asarray(age_months, dtype="float64"), np.asarray(price, dtype="float64")
    if len(paid) < 3 or np.ptp(age) == 0:
        raise ValueError(f"{len(paid)} sales at {len(np.unique(age))} ages trace no line")
    results = sm.OLS(np.log(paid), np.column_stack([np.ones(len(age)), age])).fit()
    return LogLine(
        float(results.params[0]),
        float(results.params[1]),
        float(results.bse[1]),
        float(np.sqrt(results.scale)),
        smearing(results.resid),
        len(paid),
        results,
    )


def smearing(residuals: npt.ArrayLike) -> float:
    """Mean over median of prices whose log residuals are given: the mean of exp(residual).

    Source: Duan (1983), JASA 78:605-610.
    """
    return float(np.mean(np.exp(np.asarray(residuals, dtype="float64"))))


def annual_loss(monthly_slope: float) -> float:
    """Share lost in twelve months at a slope in log points per month, 1 - exp(12 slope)."""
    return float(-np.expm1(12.0 * monthly_slope))


def monthly_loss(yearly_share: float) -> float:
    """Share lost in a month that makes a given share a year, 1 - (1 - d)^(1/12)."""
    return float(-np.expm1(np.log1p(-yearly_share) / 12.0))
