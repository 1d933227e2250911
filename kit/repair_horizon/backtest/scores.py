"""Scores of forecasts: formulas, each with its source. Arrays in, arrays or one number out.

``y`` is what happened. All scores are in the units of ``y`` (log points where prices are scored
on the log scale) and smaller is better, but for coverage, which should equal the level.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def pinball(y: npt.ArrayLike, quantile: npt.ArrayLike, p: float) -> Floats:
    """Pinball loss of a forecast quantile, max(p (y - q), (p - 1) (y - q)).

    Parameters
    ----------
    y, quantile
        Outcomes and forecast p-quantiles, shapes that broadcast.
    p
        The quantile's probability, between 0 and 1.

    Source: Koenker and Bassett (1978), Econometrica 46:33-50.
    """
    miss = np.asarray(y, dtype="float64") - np.asarray(quantile, dtype="float64")
    out: Floats = np.maximum(p * miss, (p - 1.0) * miss)
    return out


def winkler(y: npt.ArrayLike, lower: npt.ArrayLike, upper: npt.ArrayLike, level: float) -> Floats:
    """Interval score: width, plus 2 / alpha times the distance of an outcome left outside.

    (u - l) + 2/alpha (l - y)+ + 2/alpha (y - u)+ with alpha = 1 - level.

    Parameters
    ----------
    y, lower, upper
        Outcomes and the ends of their intervals.
    level
        Interval level, such as 0.8.

    Source: Winkler (1972), JASA 67:187-191; Gneiting and Raftery (2007), JASA 102:359-378.
    """
    got, low, high = (np.asarray(v, dtype="float64") for v in (y, lower, upper))
    outside = np.maximum(low - got, 0.0) + np.maximum(got - high, 0.0)
    out: Floats = (high - low) + 2.0 / (1.0 - level) * outside
    return out


def coverage(y: npt.ArrayLike, lower: npt.ArrayLike, upper: npt.ArrayLike) -> float:
    """Share of outcomes inside their intervals, ends included."""
    got, low, high = (np.asarray(v, dtype="float64") for v in (y, lower, upper))
    return float(np.mean((got >= low) & (got <= high)))


def median_ape(actual: npt.ArrayLike, predicted: npt.ArrayLike) -> float:
    """Median absolute percentage error, as a share: median |predicted - actual| / actual."""
    got, said = np.asarray(actual, dtype="float64"), np.asarray(predicted, dtype="float64")
    return float(np.median(np.abs(said - got) / got))


def mean_log_error(actual: npt.ArrayLike, predicted: npt.ArrayLike) -> float:
    """Bias: mean of log(predicted / actual); positive where forecasts are too high."""
    got, said = np.asarray(actual, dtype="float64"), np.asarray(predicted, dtype="float64")
    return float(np.mean(np.log(said / got)))


def mean_absolute_log_error(actual: npt.ArrayLike, predicted: npt.ArrayLike) -> float:
    """Mean of |log(predicted / actual)|."""
    got, said = np.asarray(actual, dtype="float64"), np.asarray(predicted, dtype="float64")
    return float(np.mean(np.abs(np.log(said / got))))
