"""Scores of forecasts: formulas, each with its source. Arrays in, arrays or one number out.

``y`` is what happened. All scores are in the units of ``y`` (log points where prices are scored
on the log scale) and smaller is better, but for coverage, which should equal the level.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from repair_horizon.estimation.robust_means import normal_density

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


def crps_normal(y: npt.ArrayLike, mean: npt.ArrayLike, sd: npt.ArrayLike) -> Floats:
    """Continuous ranked probability score of a normal forecast.

    sd [ z (2 Phi(z) - 1) + 2 phi(z) - 1 / sqrt(pi) ] with z = (y - mean) / sd.

    Source: Gneiting, Raftery, Westveld and Goldman (2005), Monthly Weather Review 133:1098-1118.
    """
    scale = np.asarray(sd, dtype="float64")
    z = (np.asarray(y, dtype="float64") - np.asarray(mean, dtype="float64")) / scale
    out: Floats = scale * (z * (2 * ndtr(z) - 1) + 2 * normal_density(z) - 1 / np.sqrt(np.pi))
    return out


def crps_lognormal(y: npt.ArrayLike, mean_log: npt.ArrayLike, sd_log: npt.ArrayLike) -> Floats:
    """Continuous ranked probability score of a log-normal forecast, y > 0.

    y (2 Phi(w) - 1) - 2 exp(m + s^2/2) [ Phi(w - s) + Phi(s / sqrt 2) - 1 ], w = (log y - m) / s.

    Source: Baran and Lerch (2015), Quarterly Journal of the Royal Meteorological Society
    141:2289-2299.
    """
    got, m, s = (np.asarray(v, dtype="float64") for v in (y, mean_log, sd_log))
    w = (np.log(got) - m) / s
    rest = ndtr(w - s) + ndtr(s / np.sqrt(2.0)) - 1.0
    out: Floats = got * (2 * ndtr(w) - 1) - 2 * np.exp(m + s**2 / 2) * rest
    return out


def crps_draws(y: float, draws: npt.ArrayLike) -> float:
    """Continuous ranked probability score of equally likely draws.

    mean |x - y| - mean |x - x'| / 2 over all draws and pairs of draws.

    Parameters
    ----------
    y
        Outcome.
    draws
        Draws, (n,).

    Source: Gneiting and Raftery (2007), JASA 102:359-378, equation 21.
    """
    x = np.sort(np.asarray(draws, dtype="float64"))
    n = len(x)
    # Sum over pairs of |x - x'| from the sorted draws, without forming the pairs.
    pairs = 2.0 * float(np.sum((2 * np.arange(1, n + 1) - n - 1) * x)) / n**2
    return float(np.mean(np.abs(x - y)) - pairs / 2.0)


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
