"""What a joint fit says about prices at other days: analytic bands and joint draws of paths."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import linalg
from scipy.special import ndtri, stdtrit

from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.cells import OWN
from repair_horizon.estimation.curve.design import KNOTS, PIVOT_AGE, Points, rows_at, trait_block
from repair_horizon.estimation.curve.fit import NU, JointFit, path_of
from repair_horizon.estimation.curve.market import MarketPath
from repair_horizon.estimation.curve.quarter_effects import (
    Folded,
    drawn_states,
    reach_of,
    with_drift,
)
from repair_horizon.tables.arrays import Floats, Ints
from repair_horizon.tables.months import age_in_months, month_number


@dataclass(frozen=True, eq=False)
class Band:
    """Log price ratio at each point: median, variance of the level, and scale of one sale.

    ``widen`` multiplies the width of every interval, as a back-test may ask for.
    """

    median: Floats
    level_variance: Floats
    sale_scale: float
    widen: float = 1.0

    def level_quantile(self, p: float) -> Floats:
        """Quantile of the price level (what the market pays on average)."""
        out: Floats = self.median + self.widen * ndtri(p) * np.sqrt(self.level_variance)
        return out

    def sale_quantile(self, p: float) -> Floats:
        """Quantile of one sale: level uncertainty and the sale's own heavy-tailed spread."""
        z, t = ndtri(p), stdtrit(NU, p)
        width = np.sqrt(z**2 * self.level_variance + t**2 * self.sale_scale**2)
        out: Floats = self.median + np.sign(p - 0.5) * self.widen * width
        return out


def months_ahead(fit: JointFit, day: pd.DatetimeIndex) -> Ints:
    """Whole months from the newest month of the fit to each day, zero for earlier days."""
    return np.maximum(month_number(day) - fit.layout.last_month, 0)


def _rows(fit: JointFit, points: Points) -> Folded:
    """Design rows of points, drift not folded in."""
    layout = fit.layout
    rows = rows_at(layout, points, fit.panel.models, (fit.panel.traits, fit.panel.now))
    m = layout.n_models
    own = [rows.sparse[:, i * m : (i + 1) * m].sum(axis=1) for i in range(OWN)]  # one a row
    months = rows.sparse[:, OWN * m :].toarray()
    return Folded(layout, points.model, np.hstack([rows.dense, months]), np.column_stack(own))


def _rows_with_market(fit: JointFit, points: Points) -> tuple[Folded, Ints]:
    """Design rows whose market columns carry the known months on past the data."""
    rows, ahead = _rows(fit, points), months_ahead(fit, points.day)
    late = np.flatnonzero(ahead > 0)
    if len(late):
        carried, _ = _market_of(fit, int(ahead.max())).ahead(ahead[late])
        rows.family[late, fit.layout.n_dense :] = carried
    return rows, ahead


def _market_of(fit: JointFit, months: int) -> MarketPath:
    return path_of(fit.layout, fit.priors, months)


@dataclass(frozen=True, eq=False)
class Sources:
    """What a price level at each point rests on: known effects, and what may still come.

    ``rows`` meet the posterior of the coefficients, drift folded in; ``median`` is (n,). Further
    variances, (n,): ``market`` of months to come, ``drift`` of the model's quarter at fixed
    coefficients, ``step`` of a successor that may have come by then.
    """

    rows: Folded
    median: Floats
    market: Floats
    drift: Floats
    step: Floats


def sources_of(fit: JointFit, points: Points) -> Sources:
    """Take a forecast apart into what it rests on."""
    rows, ahead = _rows_with_market(fit, points)
    path = _market_of(fit, int(ahead.max(initial=0)))
    future = fit.scales.market**2 * path.ahead(ahead)[1]
    reach = reach_of(fit.drift.states, points.model, month_number(points.day))
    folded, drifted, left = with_drift(rows, fit.drift, reach, fit.scales.drift)
    median = rows.times(fit.posterior.mean) + drifted
    return Sources(folded, median, future, left, _step_variance(fit, points, rows))


def predict(fit: JointFit, points: Points) -> Band:
    """Price ratios at given models, days and traits.

    The level variance holds parameters, the market's future shocks, the model's drift and, where
    a successor's date is not known, whether it has come; the spread of a single sale is kept
    apart.
    """
    known = sources_of(fit, points)
    variance = known.rows.variance(fit.posterior.cov) + known.market + known.drift
    return Band(known.median, variance + known.step, fit.scales.noise)


def _step_variance(fit: JointFit, points: Points, rows: Folded) -> Floats:
    """Variance of a step that has come with probability p: p (1 - p) E[step squared]."""
    if "step" not in fit.layout.names:
        return np.zeros(len(points.model))
    common, own = fit.layout.dense("step"), fit.layout.models(2).start + points.model
    share = rows.family[:, common]
    mean, cov = fit.posterior.mean, fit.posterior.cov
    spread = cov[common, common] + cov[own, own] + 2 * cov[common, own]
    out: Floats = share * (1 - share) * ((mean[common] + mean[own]) ** 2 + spread)
    return out


@dataclass(frozen=True, eq=False)
class Draws:
    """Joint draws of the coefficients (draws, p) and of what is still to come.

    ``market`` holds the market's path, ``drift`` each model's (draws, models, quarters from the
    newest one on); ``successor`` the age in months at which each model's
    successor comes, (draws, models), infinite where that is known or will not be.
    """

    theta: Floats
    market: Floats
    drift: Floats
    successor: Floats


def draw(fit: JointFit, months: int, draws: int, chance: Antithetic) -> Draws:
    """Draw coefficients from the posterior and carry the market on from its drawn last months.

    Draws of fewer months are those of more, cut off.

    Returns
    -------
    Draws
        ``market`` is (draws, months + 1): the effect in the newest month and in each month
        after it, one path per draw.
    """
    root = linalg.cholesky(
        fit.posterior.cov + 1e-12 * np.eye(fit.layout.size), lower=True, check_finite=False
    )
    departure = chance.normal(draws, fit.layout.size) @ root.T
    theta = fit.posterior.mean + departure
    later = chance.apart()
    luck = np.stack([later.normal(draws) for _ in range(months)], axis=1)
    known = theta[:, fit.layout.months]
    market = _market_of(fit, months).carried_on(known, fit.scales.market * luck)
    drift = drawn_states(fit.drift, departure, (fit.scales.drift, months // 3 + 1), chance)
    return Draws(theta, market, drift, _successors(fit, draws, chance))


def _successors(fit: JointFit, draws: int, chance: Antithetic) -> Floats:
    models = fit.panel.models
    if "step" not in fit.layout.names:
        return np.full((draws, len(models.ids)), np.inf)
    return models.successor_ages(chance.uniform(draws, len(models.ids)), fit.panel.now)


def until(fit: JointFit, drawn: Draws, days: pd.DatetimeIndex) -> Draws:
    """The same draws of what some days need, in memory of their own."""
    ahead = months_ahead(fit, days)
    months = int(ahead.max(initial=0)) + 1
    known = fit.layout.size if ahead.min(initial=1) <= 0 else fit.layout.months.start
    quarters = int(_quarter(fit, days).max(initial=0)) + 1
    market, drift = drawn.market[:, :months].copy(), drawn.drift[:, :, :quarters].copy()
    return replace(drawn, theta=drawn.theta[:, :known].copy(), market=market, drift=drift)


def _quarter(fit: JointFit, days: pd.DatetimeIndex) -> Ints:
    """Quarters from the newest one of the fit on; below zero before it."""
    newest = fit.drift.states.first + fit.drift.states.quarters - 1
    out: Ints = month_number(days) // 3 - newest
    return out


def level_paths(fit: JointFit, drawn: Draws, points: Points) -> Floats:
    """Log price ratio of the level at each point in each draw, (draws, points).

    Points lie in the newest quarter of the fit or after it. A model's drift and its successor's
    date are drawn once per path, so that months of one path belong together.
    """
    rows = rows_at(fit.layout, points, fit.panel.models, (fit.panel.traits, fit.panel.now))
    d = rows.dense.shape[1]
    known = rows.sparse[:, : drawn.theta.shape[1] - d]  # without months that no point lies in
    out = drawn.theta[:, :d] @ rows.dense.T + (known @ drawn.theta[:, d:].T).T
    ahead = months_ahead(fit, points.day)
    late = ahead > 0
    reach = np.minimum(ahead[late], drawn.market.shape[1] - 1)
    out[:, late] += drawn.market[:, reach]
    quarter = np.clip(_quarter(fit, points.day), 0, drawn.drift.shape[2] - 1)
    out += drawn.drift[:, points.model, quarter]
    paths: Floats = out + _step_turns(fit, drawn, points)
    return paths


def trait_paths(fit: JointFit, drawn: Draws, points: Points) -> Floats:
    """What the traits of points add to ``level_paths`` of the same points without any.

    Where a model is wanted in several qualities, all else is worked out once.
    """
    traits, aged = fit.panel.traits, points.day if points.aged is None else points.aged
    age = np.maximum(age_in_months(aged, fit.panel.models.launch_days[points.model]), 0.0)
    block = trait_block(points.traits, traits, (age - PIVOT_AGE) / 12.0)
    first = 1 + len(KNOTS)
    out: Floats = drawn.theta[:, first : first + block.shape[1]] @ block.T
    return out


def _step_turns(fit: JointFit, drawn: Draws, points: Points) -> Floats | float:
    """Replace the expected share of the step by none before the drawn date and all after it."""
    models, now = fit.panel.models, fit.panel.now
    if "step" not in fit.layout.names:
        return 0.0
    unknown = models.successor[points.model].isna() & (points.day > now)
    age = age_in_months(points.day, models.launch_days[points.model])
    share = models.step(points.model, points.day, now)
    step = drawn.theta[:, [fit.layout.dense("step")]] + drawn.theta[:, fit.layout.models(2)]
    turns = np.subtract(age >= drawn.successor[:, points.model], share, dtype="float64")
    turns *= step[:, points.model]
    turns[:, ~unknown] = 0.0
    return turns


def learned_share(fit: JointFit) -> Floats:
    """How far each model's price today is known from its own sales, (models,), from 0 to 1.

    One minus the variance of the model's log price now over that of a twin: same family, launch
    and launch price, but never sold. 0 for a model without a sale; near 1 where its own sales
    leave little of what the family alone could not say. Unlike the spread of the model's level
    alone it does not suffer in families of few models, where that level and the family's trade
    off against each other.
    """
    n = len(fit.panel.models.ids)
    day = pd.DatetimeIndex([max(fit.panel.now, launch) for launch in fit.panel.models.launch])
    blank = np.zeros((n, len(fit.panel.traits.names)))
    rows = _rows(fit, Points(np.arange(n), day, blank))
    reach = reach_of(fit.drift.states, np.arange(n), month_number(day))
    folded, _, left = with_drift(rows, fit.drift, reach, fit.scales.drift)
    known = folded.variance(fit.posterior.cov) + left
    family = replace(rows, own=np.zeros_like(rows.own)).variance(fit.posterior.cov)
    prior = np.diag(fit.posterior.prior_precision)[fit.layout.n_dense :][: OWN * n]
    own = (rows.own**2 / prior.reshape(OWN, n).T).sum(axis=1)
    alone = family + own + fit.scales.drift**2
    share: Floats = np.clip(1.0 - known / alone, 0.0, 1.0)
    return share


def smearing_factor(fit: JointFit) -> float:
    """Mean sale over median sale: Duan's smearing on robustly weighted residuals.

    Duan (1983), JASA 78:605-610. With few sales it leans on the log-normal value of the fitted
    noise, worth ten sales.
    """
    lean = 10.0
    total = np.sum(fit.weights * np.exp(fit.residuals)) + lean * np.exp(fit.scales.noise**2 / 2)
    return float(total / (fit.weights.sum() + lean))
