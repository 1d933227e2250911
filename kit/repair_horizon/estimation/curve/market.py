"""The market effect by month: a quick part that dies away, and a slow part that may drift.

    u_t = v_t + s_t,   corr(v_t, v_{t-k}) = 0.9^k,
    s_t = (r1 + r2) s_{t-1} - r1 r2 s_{t-2} + shock,   roots r1 = 0.98, r2 = 0.85

The slow part goes on in its direction for some months and then fades: a market that has fallen
slower than the curve of age for a year is expected to do so a little longer, and in the end the
curve of age is all that is left. Both are stationary with mean zero, since age and calendar time
cannot be told apart and the trend belongs to the curve. Everything follows from the covariance
of the path by the rules for Gaussian vectors. Autocovariances of an AR(2): Box, Jenkins and
Reinsel, Time Series Analysis (4th ed. 2008), section 3.2.4 (from memory; checked by test against
statsmodels).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import cho_factor, cho_solve, toeplitz

from repair_horizon.tables.arrays import Floats, Ints
from repair_horizon.tables.months import month_start
from repair_horizon.tables.words import percent

QUICK_RHO = 0.9
FAMILIES_DIFFER = 0.05
"""Standard deviation of a family's step around the shop's, at least. Crashes and a currency's jump
on invented shops (third_world, seeds for choosing): 0.03 lost least where sales are many, 0.08
where they are few, by under one per cent each."""
SLOW_ROOTS = (0.98, 0.85)


@dataclass(frozen=True)
class MarketBreak:
    """A step that the prices of all families took together and kept.

    ``month`` is the number of the first month at the new level, ``size`` the log step and ``sd``
    its standard error; ``families`` is how many have prices enough to say, ``agree`` how many of
    them stepped the same way.
    """

    month: int
    size: float
    sd: float
    families: int
    agree: int

    @property
    def score(self) -> float:
        """Size in standard errors."""
        return self.size / self.sd

    @property
    def spread(self) -> float:
        """How far one family's step may lie from the shop's, as a standard deviation."""
        return max(self.sd, FAMILIES_DIFFER)

    @property
    def words(self) -> str:
        """The alarm in a sentence."""
        near, middle, far = (
            abs(np.expm1(np.sign(self.size) * (abs(self.size) + z * self.sd)))
            for z in (-1.2816, 0.0, 1.2816)
        )
        way = "up" if self.size > 0 else "down"
        return (
            f"Prices stepped {way} by about {percent(middle)} ({percent(near)} to {percent(far)} "
            f"with 80 %) in {month_start(self.month):%B %Y}, {self.agree} of "
            f"{self.families} families together: forecasts start from the new level."
        )


def covariances(months: int, slow: float) -> Floats:
    """Covariance of two effects 0, 1, ... months apart, the quick part's variance being one.

    Parameters
    ----------
    months
        How many lags.
    slow
        Standard deviation of the slow part over that of the quick one.

    Returns
    -------
    ndarray
        (months,).
    """
    first, second = sum(SLOW_ROOTS), -SLOW_ROOTS[0] * SLOW_ROOTS[1]
    lags = [1.0, first / (1 - second)]
    while len(lags) < months:
        lags.append(first * lags[-1] + second * lags[-2])
    quick = QUICK_RHO ** np.arange(months)
    out: Floats = quick + slow**2 * np.array(lags[:months])
    return out


@dataclass(frozen=True, eq=False)
class MarketPath:
    """The market over ``known`` months and beyond, in units of the quick part's variance.

    ``precision`` (known, known) belongs to the known months. The month h after them has mean
    ``weights[h - 1]`` times the known path and, jointly with the others, covariance ``left``.
    """

    precision: Floats
    weights: Floats
    left: Floats

    def ahead(self, months: Ints) -> tuple[Floats, Floats]:
        """Weights (n, known) and variance (n,) of months so many after the last known one.

        The last known month itself (0) is known: weight one, no variance.
        """
        known = self.precision.shape[0]
        weights = np.vstack([np.eye(known)[-1:], self.weights])
        variance = np.concatenate([[0.0], np.diag(self.left)])
        return weights[months], variance[months]

    def carried_on(self, known: Floats, luck: Floats) -> Floats:
        """Carry drawn paths on.

        Parameters
        ----------
        known
            Effects in the known months, (draws, known).
        luck
            Standard normal numbers times the quick part's standard deviation, (draws, months).

        Returns
        -------
        ndarray
            The last known month and each after it, (draws, months + 1).
        """
        months = luck.shape[1]
        root = np.linalg.cholesky(self.left[:months, :months] + 1e-12 * np.eye(months))
        later = known @ self.weights[:months].T + luck @ root.T
        return np.hstack([known[:, -1:], later])


@lru_cache(maxsize=64)
def market_path(
    known: int, slow: float, months: int = 0, broke: tuple[int, float] | None = None
) -> MarketPath:
    """Work out the path over ``known`` months and ``months`` after them.

    ``broke`` is the place of a month from which on every effect shares a step that stays, and the
    step's standard deviation over that of the quick part.
    """
    whole = toeplitz(covariances(known + months, slow))
    if broke is not None:
        whole[broke[0] :, broke[0] :] += broke[1] ** 2
    seen, between, later = whole[:known, :known], whole[known:, :known], whole[known:, known:]
    factor = cho_factor(seen, lower=True)
    precision = cho_solve(factor, np.eye(known))
    weights = cho_solve(factor, between.T).T
    left = later - weights @ between.T
    return MarketPath((precision + precision.T) / 2, weights, (left + left.T) / 2)
