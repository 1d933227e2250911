"""A straight line through log prices: the plainest decline, and conversions of its rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import statsmodels.api as sm

Floats = npt.NDArray[np.float64]


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
