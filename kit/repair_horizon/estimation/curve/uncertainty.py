"""How wide a price forecast is, why, and what would narrow it most.

The variance of a forecast is a sum of sources that are independent of each other, but for what
the family and the model itself leave open: of these the model's part is what would go if its own
level, pace and step were known. What further sales would teach follows from the posterior alone:
it does not depend on the prices they would fetch (the rules for Gaussian vectors).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtrit

from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.fit import NU, JointFit
from repair_horizon.estimation.curve.predict import Sources, sources_of
from repair_horizon.estimation.curve.quarter_effects import DRIFT_RHO
from repair_horizon.tables.months import month_number

Floats = npt.NDArray[np.float64]

FAMILY, OWN, MARKET = (
    "family's curve and market so far",
    "model's own level and pace",
    "market to come",
)
DRIFT, SUCCESSOR, SALE = "model's drift", "successor's date", "one sale's own spread"
SOURCES = (FAMILY, OWN, MARKET, DRIFT, SUCCESSOR, SALE)


def width_shares(fit: JointFit, points: Points, level: float = 0.8) -> tuple[Floats, Floats]:
    """Half width of one sale's interval and the share of each source in its square.

    Parameters
    ----------
    fit
        The family's fit.
    points
        Models and days.
    level
        Interval level.

    Returns
    -------
    tuple
        Half widths in log points, (n,); shares in the order of ``SOURCES``, (n, 6), each row
        summing to one.
    """
    known, p = sources_of(fit, points), (1 + level) / 2
    whole, own = _explained(fit, known, points)
    scale = (stdtrit(NU, p) / ndtri(p)) ** 2
    sale = np.full(len(whole), scale * fit.scales.noise**2)
    parts = [whole - own, own, known.market, known.drift, known.step, sale]
    variance = np.column_stack(parts)
    total = variance.sum(axis=1)
    return ndtri(p) * np.sqrt(total), variance / total[:, None]


def _explained(fit: JointFit, known: Sources, points: Points) -> tuple[Floats, Floats]:
    """Variance the coefficients leave, (n,), and the part of it that is the model's own."""
    rows, cov, layout = known.rows.full(), fit.posterior.cov, fit.layout
    across = rows @ cov
    own = np.empty(len(rows))
    for i, model in enumerate(points.model):
        at = np.array([layout.models(part).start + model for part in range(3)])
        own[i] = across[i, at] @ np.linalg.solve(cov[np.ix_(at, at)], across[i, at])
    return np.einsum("ij,ij->i", across, rows), own


def level_after(
    fit: JointFit, target: Points, sales: Points, count: int, level: float = 0.8
) -> tuple[float, Floats]:
    """Half width of the price level at a point, now and after more sales elsewhere.

    A further sale counts with weight one, which Student-t weights have on average.

    Parameters
    ----------
    fit
        The family's fit.
    target
        One model and day.
    sales
        Where the further sales would be, (n,): each by itself, not together.
    count
        How many at each.
    level
        Interval level.

    Returns
    -------
    tuple
        Log points as things stand, and after each of ``sales``, (n,).
    """
    at, there = sources_of(fit, target), sources_of(fit, sales)
    cov, x, y = fit.posterior.cov, at.rows.full()[0], there.rows.full()
    now = float(x @ cov @ x) + at.market[0] + at.drift[0] + at.step[0]
    seen = np.einsum("ij,jk,ik->i", y, cov, y) + there.market + there.drift + there.step
    shared = y @ cov @ x + _shared_drift(fit, target, sales)
    then = now - shared**2 / (seen + fit.scales.noise**2 / count)
    z = float(ndtri((1 + level) / 2))
    return z * float(np.sqrt(now)), z * np.sqrt(then)


def _shared_drift(fit: JointFit, target: Points, sales: Points) -> Floats:
    """Covariance of the drift at fixed coefficients between a point and others, (n,)."""
    states = fit.drift.states
    quarter = [month_number(p.day) // 3 - states.first for p in (target, sales)]
    inside = [np.clip(q, 0, states.quarters - 1) for q in quarter]
    fade = [
        DRIFT_RHO ** np.abs(q - i).astype("float64") for q, i in zip(quarter, inside, strict=True)
    ]
    model = int(target.model[0])
    known = fit.drift.spread[model][inside[0][0], inside[1]]
    out: Floats = np.where(sales.model == model, fade[0][0] * fade[1] * known, 0.0)
    return out
